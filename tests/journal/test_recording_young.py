"""Young readings in a recording come back as they were, among the others; what was recorded before still reads."""

from pathlib import Path

import pytest
from journal_support import FakeClock
from readings_support import START, read

from gatehand.past.stretches import stretches
from gatehand.recording.format import decode_event
from gatehand.recording.recorder import Recorder
from gatehand.recording.recording import Recording, recordings
from gatehand.recording.streams import OTHER, Streams
from gatehand_rules.events import CollectorReading, Event, Reading, Tick

TOOLS = ("saw", "router")
EVENTS: list[tuple[int, Event]] = [
    (1000, Reading("saw", 0.1)),
    (2000, Reading("saw", 0.2, young=True)),
    (2000, Reading("router", 6.0, young=True)),
    (2500, CollectorReading("main", 8.0)),
    (3000, Reading("saw", 6.5)),
    (3000, Tick()),
    (4000, Reading("saw", 6.25, young=True)),
    (4500, Reading("saw", 0.0, retained=True)),
]


def recorded(folder: Path, *, packed: bool) -> Recording:
    made = Recorder(folder, run="run1", clock=FakeClock(), threaded=False)
    made.begin("# the config", TOOLS, ("main",))
    for ms, event in EVENTS:
        made.record(ms, event, START)
    made.close(5000, "full" if packed else "shutdown")
    (listed,) = recordings(folder)
    return Recording(listed.path)


@pytest.mark.parametrize("packed", [False, True])
def test_they_come_back_as_they_were_and_one_tools_are_in_their_order(tmp_path: Path, *, packed: bool) -> None:
    recording = recorded(tmp_path, packed=packed)
    assert read(tmp_path) == EVENTS
    assert recording.readings("saw") == ([1000, 2000, 3000, 4000], [100, 200, 6500, 6250])
    assert recording.readings("router") == ([2000], [6000])
    assert recording.readings("lathe") == ([], [])


@pytest.mark.parametrize("packed", [False, True])
def test_a_replay_takes_them_as_one_track_with_its_marks(tmp_path: Path, *, packed: bool) -> None:
    (stretch,) = stretches(recorded(tmp_path, packed=packed))
    saw = stretch.tracks["saw"]
    assert (list(saw.ms), list(saw.ma), list(saw.young)) == (
        [1000, 2000, 3000, 4000],
        [100, 200, 6500, 6250],
        [0, 1, 0, 1],
    )
    assert list(saw.order) == sorted(saw.order)
    assert list(stretch.tracks["router"].young) == [1]
    assert [len(each.young) for each in (*stretch.motors.values(), stretch.ticks)] == [0, 0]
    assert list(stretch.part(1500, 3500).tracks["saw"].young) == [1, 0]


def test_the_streams_of_before_keep_their_numbers() -> None:
    streams = Streams(TOOLS, ("main",))
    assert [streams.place(event)[0] for _, event in EVENTS] == [1, 4, 5, 3, 1, 0, 4, OTHER]
    for _, event in EVENTS[:-1]:
        assert streams.event(*streams.place(event)) == event


def test_what_was_recorded_before_there_were_young_readings_still_reads() -> None:
    assert decode_event(b'{"Reading":{"tool":"saw","amps":1.5,"retained":true}}') == Reading("saw", 1.5, retained=True)
