"""What the rules remember and are given goes into a recording and comes out the same; so does what format 1 wrote."""

import json
import math
import shutil
from math import inf
from pathlib import Path
from typing import get_args

import msgspec
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from journal_support import FakeClock
from readings_support import START

from gatehand.journal.disk import Disk
from gatehand.recording.format import Header, RecordingError, decode_event, decode_header, encode_event, encode_header
from gatehand.recording.recorder import Recorder
from gatehand.recording.recording import Recording, recordings
from gatehand.recording.store import Store
from gatehand_rules import events as ev
from gatehand_rules import state as s
from gatehand_rules.findings import Alarm
from gatehand_rules.shop import GateAt
from gatehand_rules.words import Position

FORMAT_1 = Path(__file__).parent / "format_1"
"""Two files of one recorder, one packed and one as it was written, each of `STATE` and `EVENTS`; never written anew."""

STATE = s.State(
    tools=(
        s.ToolUnknown(None, 0.5),
        s.ToolIdle(0.02, 90.0, s.SubthresholdRise(89.5, 2.25, above_since=89.75, longest=-1)),
        s.ToolRunning(6.4, 99.0, 42.0, s.Freshness.FRESH),
        s.ToolRunOn(0.0, 99.0, 98.0, s.Freshness.STALE),
        s.ToolMuted(5.0, 99.0),
        s.ToolSilent(s.ToolIdle(0.1, 10.0), 40.0, let_go=True),
    ),
    gates=(
        s.GateState(),
        s.GateState(move=s.GateShut(), reported=Position.SHUT, live=True),
        s.GateState(move=s.GateOpening(98.0, 97.0, 1, said_shut=True), says="h\u00e4lf \ud83d way"),
        s.GateState(move=s.GateOpen(97.5), hand=s.Hand(97.5, by_opening=True)),
        s.GateState(move=s.GateShutting(99.0, 99.0, then_open=True)),
        s.GateState(move=s.GateFault(Position.OPEN, 60.0)),
    ),
    collectors=(
        s.CollectorState(),
        s.CollectorState(phase=s.Opening(98.0)),
        s.CollectorState(phase=s.SpinUp(98.5)),
        s.CollectorState(
            phase=s.Running(),
            still_at=inf,
            reported_on=True,
            answer=s.Answer(on=True, since=97.0),
            contrary=s.Contrary(98.0, "no_current"),
            starts=(10.0, 97.0),
            started_at=97.0,
            last_gate=GateAt(3),
        ),
        s.CollectorState(phase=s.RunOn("starts_per_hour")),
        s.CollectorState(phase=s.CoastDown(tripped=True)),
        s.CollectorState(phase=s.Held("estop"), reset=s.ResetSeen(refused=("reset_press",))),
    ),
    stops=(True, False),
    guard=s.Guard(
        gates=(s.GateSeen(told=Position.OPEN, told_at=98.0), s.GateSeen()),
        fans=(s.FanSeen(told_on=True, off_at=inf),),
        low=(True, False),
        stops=(True, False),
    ),
    alarms=frozenset({Alarm("stop", "estop", "active"), Alarm("gate", "g6", "fault")}),
    connected=True,
    doubts=(None, s.Doubt(low_at=90.0), None),
)
EVENTS: list[tuple[int, ev.Event]] = [
    (100_000, ev.Reading("saw", 0.1)),
    (100_050, ev.Reading("saw", 6.4, young=True)),
    (100_050, ev.CollectorReading("main", 8.125)),
    (100_050, ev.Reading("saw", 0.1 + 0.2)),
    (100_100, ev.Reading("saw", 2.5, retained=True)),
    (100_100, ev.Tick()),
    (100_200, ev.MessageRejected("tool", "saw", "no number", "a \ud83d b", old=True)),
    (100_300, ev.GateReport("saw", Position.BETWEEN, says="ajar")),
    (100_300, ev.GateReport("saw", Position.OPEN, retained=True)),
    (100_400, ev.ButtonPressed("saw")),
    (100_400, ev.HandAsked("saw", on=True, because="sweep \u2014 floor", by="screen")),
    (100_500, ev.StopReport("estop", active=True)),
    (100_500, ev.StopUnclear("estop", "2")),
    (100_600, ev.CollectorReport("main", on=False)),
    (100_600, ev.BinReport("main", full=True, retained=True)),
    (100_700, ev.DeviceOnline("gate", "saw", online=False)),
    (100_700, ev.ResetAsked("main", because="done", by="me")),
    (100_800, ev.ResetButton("main", pressed=True)),
    (100_800, ev.HoldAsked("main", "filter")),
    (100_900, ev.OffAsked("main", by="me")),
    (100_900, ev.HoldRemembered("main", "estop")),
    (101_000, ev.BrokerConnected()),
    (101_000, ev.BrokerLost(99.999)),
    (101_100, ev.StopsLost("cut")),
    (101_100, ev.StopsHeard()),
    (101_200, ev.LoopStood(1.5)),
    (101_200, ev.LoopCaughtUp()),
    (101_300, ev.ShutdownAsked()),
    (200_000, ev.Reading("saw", 0.1)),
]

st.register_type_strategy(float, st.floats(allow_nan=False))


def header(state: object) -> Header:
    """The least that a header may hold, with this state."""
    return Header(wall_ms=0, mono_ms=0, run="run1", tools=(), collectors=(), config="", made_by="9.9", state_json=state)


def again(state: object) -> s.State:
    """The state as it comes out of the bytes of a header."""
    return decode_header(encode_header(header(state))).state


@settings(max_examples=200, deadline=None)
@given(st.from_type(s.State))
def test_any_state_comes_back_equal(value: s.State) -> None:
    plain = msgspec.to_builtins(value, order="deterministic")
    found = again(plain)
    assert found == value
    told = json.dumps(msgspec.to_builtins(found, order="deterministic"))
    assert told == json.dumps(plain), "1 and 1.0 are told apart, and so are like classes"


@settings(max_examples=200, deadline=None)
@given(st.one_of(*map(st.from_type, get_args(ev.Event))))
def test_any_event_comes_back_equal(value: ev.Event) -> None:
    if all(math.isfinite(each) for each in msgspec.structs.astuple(value) if isinstance(each, float)):
        found = decode_event(encode_event(value))
        assert found == value
        assert type(found) is type(value)


def test_the_word_of_a_stops_device_comes_back_as_it_was() -> None:
    event = ev.DeviceOnline("stop", "estop", online=False, retained=True)
    assert decode_event(encode_event(event)) == event


def test_every_event_here_and_its_half_surrogate_pairs_come_back_on_a_line_of_their_own() -> None:
    assert {type(event) for _, event in EVENTS} == set(get_args(ev.Event))
    for _, event in EVENTS:
        raw = encode_event(event)
        assert b"\n" not in raw
        assert decode_event(raw) == event


@pytest.mark.parametrize(
    ("raw", "says"),
    [
        (b'{"type":"GateReport","gate":"saw","position":"agape"}', "agape"),
        (b'{"type":"Reading","tool":"saw","amps":1.0,"speed":3}', "speed"),
        (b'{"type":"Reading","tool":"saw"}', "amps"),
        (b'{"type":"Reading","tool":"saw","amps":"1"}', "amps"),
        (b'{"type":"Reading","tool":"saw","amps":true}', "amps"),
        (b'{"type":"Reading","tool":"saw","amps":NaN}', "no finite number"),
        (b'{"type":"Reading","tool":"saw","amps":1e999}', "no finite number"),
        (b'{"Reading":{"tool":"saw","amps":{"float":"inf"}}}', "no finite number"),
        (b'{"type":"DeviceOnline","kind":"roof","name":"saw","online":true}', "roof"),
        (b'{"type":"Stranger","x":1}', "Stranger"),
        (b'{"Stranger":{"x":1}}', "Stranger"),
        (b'{"type":"GateShut"}', "GateShut"),
        (b"[]", "object"),
        (b'{"a":1,"b":2}', "type"),
    ],
)
def test_an_event_that_this_version_does_not_know_is_named(raw: bytes, says: str) -> None:
    with pytest.raises(ValueError, match=says):
        decode_event(raw)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"speed": 3}, "recorded by Gatehand 9.9, whose state this version cannot take: .*speed"),
        ({"connected": "perhaps"}, "connected"),
        ({"type": "Stranger"}, "Stranger"),
        ({"tools": [{"type": "ToolWalking", "amps": 1.0}]}, "ToolWalking"),
    ],
)
def test_a_state_that_this_version_does_not_know_is_named(change: dict[str, object], says: str) -> None:
    with pytest.raises(RecordingError, match=says):
        _ = again({**msgspec.to_builtins(START), **change})


def test_a_field_that_an_older_version_did_not_write_takes_its_default() -> None:
    body = msgspec.to_builtins(STATE)
    del body["doubts"]
    assert again(body) == msgspec.structs.replace(STATE, doubts=())


def test_files_of_format_1_still_give_the_same_state_and_events() -> None:
    listed = recordings(FORMAT_1)
    assert [(one.path.suffix, one.trouble) for one in listed] == [(".rec", ""), (".live", "")]
    for one, later, why in zip(listed, (0, 1_000_000), ("clock", "shutdown"), strict=True):
        recording = Recording(one.path)
        assert recording.header.state == STATE
        assert list(recording.events()) == [(ms + later, event) for ms, event in EVENTS]
        assert recording.readings("saw") == ([100_000 + later, 100_050 + later, 200_000 + later], [100, 6400, 100])
        assert (recording.ended, recording.damage) == (why, [])


def test_a_file_of_format_1_that_is_packed_now_is_of_format_2_and_says_the_same(tmp_path: Path) -> None:
    shutil.copytree(FORMAT_1, tmp_path, dirs_exist_ok=True)
    Store(tmp_path, 1 << 30, Disk()).pack_finished()
    (one,) = [one for one in recordings(tmp_path) if one.number == 2]
    assert one.path.suffix == ".rec"
    recording = Recording(one.path)
    assert recording.header.state == STATE
    assert list(recording.events()) == [(ms + 1_000_000, event) for ms, event in EVENTS]
    assert b'"type"' in json.dumps(recording.header.state_json).encode()


@pytest.mark.parametrize("packed", [False, True])
def test_a_file_of_today_gives_the_same_too(tmp_path: Path, *, packed: bool) -> None:
    recorder = Recorder(tmp_path, run="run1", clock=FakeClock(), threaded=False)
    recorder.begin("# the config\n", ("saw", "router"), ("main",))
    for ms, event in EVENTS:
        recorder.record(ms, event, STATE)
    recorder.close(201_000, "full" if packed else "shutdown")
    (one,) = recordings(tmp_path)
    recording = Recording(one.path)
    assert recording.header.state == STATE
    assert list(recording.events()) == EVENTS
