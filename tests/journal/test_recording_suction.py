"""A suction in a recording: kept beside the events of the rules, which come back as if it were not there."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from journal_support import FakeClock
from readings_support import START, read

from gatehand.past.stretches import stretches
from gatehand.recording.recorder import Recorder
from gatehand.recording.recording import Recording, recordings
from gatehand.recording.streams import Streams
from gatehand_rules.events import CollectorReading, Event, Reading, Tick

TOOLS, FANS = ("saw", "router"), ("main", "second")
EVENTS: list[tuple[int, Event]] = [
    (1000, Reading("saw", 0.1)),
    (2000, Reading("router", 6.0, young=True)),
    (2500, CollectorReading("main", 8.0)),
    (3000, Tick()),
    (3500, Reading("saw", 0.0, retained=True)),
]
SUCTIONS = ((1000, "main", 1234.567), (2500, "second", 0.0), (2600, "main", 1301.25), (3500, "main", 49_999.9))


def recorded(folder: Path, *, packed: bool) -> Recording:
    made = Recorder(folder, run="run1", clock=FakeClock(), threaded=False)
    made.begin("# the config", TOOLS, FANS)
    waiting = list(SUCTIONS)
    for ms, event in [*EVENTS, (5000, Tick())]:
        while waiting and waiting[0][0] < ms:
            made.record_suction(*waiting.pop(0), START)
        if ms < 5000:
            made.record(ms, event, START)
    made.close(5000, "full" if packed else "shutdown")
    (listed,) = recordings(folder)
    return Recording(listed.path)


@pytest.mark.parametrize("packed", [False, True])
def test_it_comes_back_by_its_collector(tmp_path: Path, *, packed: bool) -> None:
    recording = recorded(tmp_path, packed=packed)
    assert recording.suctions("main") == ([1000, 2600, 3500], [1_234_567, 1_301_250, 49_999_900])
    assert recording.suctions("second") == ([2500], [0])
    assert recording.suctions("third") == ([], [])
    assert recording.motor_readings("main") == ([2500], [8000])


@pytest.mark.parametrize("packed", [False, True])
def test_the_rules_events_are_what_they_would_be_without_it(tmp_path: Path, *, packed: bool) -> None:
    recording = recorded(tmp_path, packed=packed)
    assert read(tmp_path) == EVENTS
    assert not recording.damage
    (stretch,) = stretches(recording)
    assert (set(stretch.tracks), set(stretch.motors)) == ({"saw", "router"}, {"main"})
    assert [one.event for one in stretch.others] == [EVENTS[-1][1]]
    assert stretch.readings == 3


def test_it_begins_no_file_and_what_cannot_be_kept_is_left_out(tmp_path: Path) -> None:
    made = Recorder(tmp_path, run="run1", clock=FakeClock(), threaded=False)
    made.begin("# the config", TOOLS, FANS)
    made.record_suction(500, "main", 1000.0, START)
    assert recordings(tmp_path) == []
    made.record(1000, EVENTS[0][1], START)
    made.record_suction(1000, "third", 1000.0, START)
    made.record_suction(1000, "main", 1e9, START)
    made.close(5000)
    (listed,) = recordings(tmp_path)
    assert Recording(listed.path).suctions("main") == ([], [])


@given(st.lists(st.sampled_from("abcd"), unique=True), st.lists(st.sampled_from("xyz"), unique=True))
def test_its_stream_is_nobody_elses(tools: list[str], fans: list[str]) -> None:
    streams = Streams(tools, fans)
    taken = {stream for tool in tools for stream in streams.of_tool(tool)}
    taken |= {stream for fan in fans for stream in streams.of_collector(fan)}
    own = {stream for fan in fans for stream in streams.of_suction(fan)}
    assert len(own) == len(fans)
    assert not own & taken
