"""A recording holds what the rules were given, exactly; each file by itself; bounded; whatever breaks."""

import asyncio
import contextlib
import math
import random
import threading
from datetime import UTC, datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import get_args

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from journal_support import NOON, FakeClock, FaultyDisk
from msgspec.structs import astuple, replace
from readings_support import START, TOOLS, interleaved, read, record, saw
from support.child import wait_until

from gatehand.journal.threads import Health
from gatehand.recording.columns import decode_block, encode_block
from gatehand.recording.format import FrameKind, RecordingError, frame, frames
from gatehand.recording.recorder import Recorder
from gatehand.recording.recording import Recording, recordings
from gatehand.recording.streams import EventColumns, Streams
from gatehand.times import from_ms
from gatehand_rules.events import CollectorReading, Event, Reading, Tick
from gatehand_rules.findings import Alarm


def finite(event: Event) -> bool:
    """No event carries another number, nor a minus zero: a recording with one is spoilt."""
    numbers = [value for value in astuple(event) if isinstance(value, float)]
    return all(math.isfinite(value) and (value != 0 or math.copysign(1, value) == 1) for value in numbers)


MILLIAMPS = st.integers(-1_000_000, 1_000_000).map(lambda n: n / 1000)
EVENTS = st.one_of(
    st.builds(Reading, st.sampled_from([*TOOLS, "unknown"]), MILLIAMPS, young=st.booleans()),
    st.builds(Reading, st.sampled_from(TOOLS), st.floats(-1000, 1000), st.booleans()).filter(finite),
    st.builds(CollectorReading, st.sampled_from(["main", "other"]), MILLIAMPS),
    *(st.from_type(kind).filter(finite) for kind in get_args(Event)),
)
STEPS = st.lists(
    st.tuples(st.sampled_from([0, 0, 0, 1, 7, 1000, 65_535, 65_536, 3_599_999, 3_600_000]), EVENTS), max_size=60
)


def recorder(folder: Path, **options: object) -> Recorder:
    made = Recorder(folder, run="run1", clock=FakeClock(), **{"threaded": False, **options})  # type: ignore[arg-type]
    made.begin("[collector.main]\n", TOOLS, ("main",))
    return made


def whole(folder: Path) -> list[tuple[int, Event]]:
    """What is there already, while the thread writes."""
    with contextlib.suppress(RecordingError):
        return read(folder)
    return []


def first_payload(data: bytes) -> bytes:
    """What the first frame holds; it must be whole."""
    first = next(frames(data))
    assert isinstance(first, tuple)
    return bytes(first[1])


def timed(steps: list[tuple[int, Event]]) -> list[tuple[int, Event]]:
    now, found = 100_000, []
    for step, event in steps:
        now += step
        found.append((now, event))
    return found


@settings(max_examples=150, deadline=None)
@given(STEPS, st.booleans())
def test_any_events_come_back_equal_and_in_their_order_packed_or_not(
    steps: list[tuple[int, Event]], packed: bool
) -> None:
    given_events = timed(steps)
    with TemporaryDirectory() as name:
        log = recorder(Path(name))
        record(log, given_events)
        log.close(given_events[-1][0] if given_events else 0, "full" if packed else "shutdown")
        found = read(Path(name))
    assert found == given_events
    assert [repr(event) for _, event in found] == [repr(event) for _, event in given_events]


@settings(max_examples=200, deadline=None)
@given(st.lists(st.tuples(st.integers(0, 2), st.integers(0, 4), st.integers(-(2**30), 2**30)), max_size=80))
def test_events_of_one_millisecond_keep_their_order_in_columns(steps: list[tuple[int, int, int]]) -> None:
    now, rows = 0, EventColumns([], [], [], {})
    for step, stream, value in steps:
        now += step
        for column, item in ((rows.now_ms, now), (rows.stream, stream), (rows.value, value)):
            column.append(item)
    assert decode_block(encode_block(rows)) == rows


def test_a_file_begins_with_all_that_a_replay_needs(tmp_path: Path) -> None:
    log = recorder(tmp_path)
    record(log, [(100_500, Tick()), (100_600, Reading("tool_1", 6.4))])
    log.close(100_700)
    found = Recording(recordings(tmp_path)[0].path)
    assert found.header.state == START
    assert (found.header.run, found.header.config, found.header.tools) == ("run1", "[collector.main]\n", TOOLS)
    assert from_ms(found.header.wall_ms + 100_000 - found.header.mono_ms) == datetime.fromtimestamp(NOON, UTC)
    assert list(found.events()) == [(100_500, Tick()), (100_600, Reading("tool_1", 6.4))]
    assert (found.ended, found.damage) == ("shutdown", [])


@pytest.mark.parametrize("packed", [False, True])
def test_a_file_cut_at_any_byte_gives_its_whole_frames_and_says_the_rest_is_missing(
    tmp_path: Path, packed: bool
) -> None:
    log = recorder(tmp_path)
    given_events = [(1000 * n, Reading(TOOLS[n % 3], n / 1000)) for n in range(60)]
    for pair in given_events:
        log.record(*pair, START)
        log.flush()
    log.close(60_000, "full" if packed else "shutdown")
    path = recordings(tmp_path)[0].path
    whole = path.read_bytes()
    counts: list[int] = []
    head = 12 + len(first_payload(whole))
    for cut in range(len(whole)):
        path.write_bytes(whole[:cut])
        if cut < head:
            with pytest.raises(RecordingError, match="no recording, or its header is spoilt"):
                Recording(path)
            continue
        found = Recording(path)
        events = list(found.events())
        assert events == given_events[: len(events)]
        assert found.ended is None
        counts.append(len(events))
    assert counts == sorted(counts)
    assert counts[-1] == 60


def test_a_spoilt_frame_costs_only_itself_and_is_reported(tmp_path: Path) -> None:
    log = recorder(tmp_path)
    for n in range(20):
        log.record(1000 * n, Reading("tool_1", n / 1000), START)
        log.flush()
    log.close(20_000)
    path = recordings(tmp_path)[0].path
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 0xFF
    path.write_bytes(data)
    found = Recording(path)
    assert len(list(found.events())) == 19
    assert [(one.why, one.length > 0) for one in found.damage] == [("spoilt", True)]


def test_a_file_left_by_a_crash_is_packed_at_the_next_start_and_keeps_what_was_whole(tmp_path: Path) -> None:
    log = recorder(tmp_path)
    record(log, [(n, Reading("tool_1", n / 1000)) for n in range(100)])
    log.flush()
    path = recordings(tmp_path)[0].path
    assert path.suffix == ".live"
    with path.open("ab") as file:
        file.write(b"GR\x02\x00half a frame")
    recorder(tmp_path)
    listed = recordings(tmp_path)
    assert [one.path.name for one in listed] == ["readings-000001.rec"]
    found = Recording(listed[0].path)
    assert len(list(found.events())) == 100
    assert found.ended is None
    assert [one.length for one in found.damage] == [16]


def test_a_crash_while_packing_leaves_no_doubles(tmp_path: Path) -> None:
    log = recorder(tmp_path)
    record(log, [(n, Reading("tool_1", n / 1000)) for n in range(100)])
    log.flush()
    live = (tmp_path / "readings-000001.live").read_bytes()
    log.close(100, "full")
    (tmp_path / "readings-000001.live").write_bytes(live)
    (tmp_path / "readings-000002.rec.part").write_bytes(b"half")
    assert len(read(tmp_path)) == 100
    recorder(tmp_path)
    assert [path.name for path in tmp_path.iterdir()] == ["readings-000001.rec"]


def test_an_hour_a_new_config_and_a_stepped_clock_each_begin_a_file_with_the_state_of_then(tmp_path: Path) -> None:
    log = recorder(tmp_path)
    later = replace(START, alarms=frozenset({Alarm("tool", "saw", "silent"), Alarm("daemon", "main", "stops_unheard")}))
    log.record(0, Tick(), START)
    log.record(3_600_000, Tick(), later)
    log.begin("# changed\n", TOOLS[:2], ("main",))
    log.record(3_600_001, Reading("tool_5", 1.0), later)
    log.clock_stepped()
    log.record(3_600_002, Tick(), START)
    log.close(3_600_003)
    files = [Recording(one.path) for one in recordings(tmp_path)]
    assert [len(list(file.events())) for file in files] == [1, 1, 1, 1]
    assert [file.ended for file in files] == ["full", "config", "clock", "shutdown"]
    assert [file.header.state for file in files] == [START, later, later, START]
    assert [file.header.config for file in files] == ["[collector.main]\n"] * 2 + ["# changed\n"] * 2
    assert list(files[2].events()) == [(3_600_001, Reading("tool_5", 1.0))]


def test_the_folder_keeps_its_limit_and_the_oldest_go_first(tmp_path: Path) -> None:
    log = recorder(tmp_path, limit_mb=0.1)
    rng, now = random.Random(1), 0
    for _ in range(60_000):
        now += rng.randint(50, 150)
        log.record(now, Reading("tool_1", rng.randint(0, 900_000) / 1000), START)
        if now % 50 == 0:
            assert sum(path.stat().st_size for path in tmp_path.iterdir()) <= 100_000
    log.close(now)
    numbers = [one.number for one in recordings(tmp_path)]
    assert numbers[0] > 1
    assert numbers == list(range(numbers[0], numbers[-1] + 1))


def test_a_full_disk_costs_readings_an_alarm_and_later_a_new_file_with_a_head_of_its_own(tmp_path: Path) -> None:
    said: list[str | None] = []
    disk = FaultyDisk()
    log = recorder(tmp_path, disk=disk, health=Health(None, said.append))
    record(log, [(n, Reading("tool_1", n / 1000)) for n in range(100)])
    log.flush()
    disk.room = 30
    record(log, [(n, Reading("tool_1", n / 1000)) for n in range(100, 200)])
    log.flush()
    record(log, [(n, Reading("tool_1", n / 1000)) for n in range(200, 300)])
    disk.room = None
    record(log, [(n, Reading("tool_1", n / 1000)) for n in range(20_000, 20_100)])
    log.close(20_100)
    assert len(said) == 2
    assert "readings cannot be recorded (No space left on device); a replay will have a gap here" in str(said[0])
    assert said[1] is None
    files = [Recording(one.path) for one in recordings(tmp_path)]
    assert [[now for now, _ in file.events()] for file in files] == [list(range(100)), list(range(20_000, 20_100))]
    assert [file.ended for file in files] == [None, "shutdown"]
    assert sum(one.length for one in files[0].damage) == 30


@pytest.mark.parametrize("room", range(0, 1500, 29))
def test_a_disk_full_at_any_byte_never_raises_and_never_spoils_what_is_there(tmp_path: Path, room: int) -> None:
    disk = FaultyDisk(room=room)
    log = recorder(tmp_path, disk=disk)
    given_events = [(n * 1000, Reading("tool_1", n / 1000)) for n in range(40)]
    for pair in given_events:
        log.record(*pair, START)
        log.flush()
    disk.room = None
    record(log, [(100_000, Tick()), (111_000, Tick())])
    log.close(111_001, "full")
    found = read(tmp_path)
    assert found[-1] == (111_000, Tick()), "ten seconds after the disk refused it is tried again"
    assert set(found) <= {*given_events, (100_000, Tick()), (111_000, Tick())}


def test_readings_give_way_to_the_event_log_when_the_disk_is_nearly_full(tmp_path: Path) -> None:
    said: list[str | None] = []
    log = recorder(tmp_path, disk=FaultyDisk(free=1 << 20), health=Health(None, said.append))
    record(log, [(n, Reading("tool_1", 1.0)) for n in range(10)])
    assert len(said) == 1
    assert "less than 32 MB free, which are left to the event log" in str(said[0])
    assert list(tmp_path.iterdir()) == []


def test_a_limit_of_0_records_nothing(tmp_path: Path) -> None:
    log = recorder(tmp_path, limit_mb=0, threaded=True)
    record(log, [(0, Tick())])
    assert log.close(1)
    assert list(tmp_path.iterdir()) == []


def test_files_are_chosen_by_their_own_wall_time(tmp_path: Path) -> None:
    log = recorder(tmp_path)
    record(log, [(hour * 3_600_000, Tick()) for hour in range(5)])
    log.close(5 * 3_600_000)
    start = datetime.fromtimestamp(NOON, UTC) - timedelta(seconds=100)
    window = recordings(tmp_path, start + timedelta(hours=1.5), start + timedelta(hours=3.5))
    assert [one.number for one in window] == [3, 4]
    assert [one.number for one in recordings(tmp_path, until=start + timedelta(seconds=1))] == [1]
    (tmp_path / "readings-000009.rec").write_bytes(b"what is this")
    assert "readings-000009.rec: its header is cut short" in recordings(tmp_path)[-1].trouble


def test_what_another_version_wrote_is_named(tmp_path: Path) -> None:
    log = recorder(tmp_path)
    record(log, [(0, Tick())])
    log.close(1)
    path = recordings(tmp_path)[0].path
    text = path.read_bytes()
    payload = bytearray(first_payload(text))
    payload[0] = 9
    path.write_bytes(frame(FrameKind.HEADER, bytes(payload)))
    with pytest.raises(RecordingError, match="format version 9; this version of Gatehand reads 1 to 2"):
        Recording(path)


@pytest.mark.parametrize("period", [512, 1000, 1024])
def test_an_even_pace_costs_the_same_whatever_its_number_of_milliseconds(period: int) -> None:
    rng = random.Random(1)
    times = [n * period + abs(round(rng.gauss(0, 4))) for n in range(3600)]
    assert len(encode_block(EventColumns(times, [1] * 3600, [20] * 3600, {}))) < 3600 * 0.55


def test_equal_readings_are_one_object_and_the_table_of_them_stays_bounded() -> None:
    streams = Streams(TOOLS, ())
    assert streams.event(1, 20) is streams.event(1, 20)
    for n in range(10_000):
        streams.event(1, n)
    assert len(streams._seen) <= 1 << 12  # noqa: SLF001


async def test_the_thread_writes_by_itself_and_packs_in_slices_between_which_the_loop_has_its_turn(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    loop = asyncio.get_running_loop()
    breaths = 0

    def breathe(_recorder: Recorder) -> None:
        nonlocal breaths
        breaths += 1
        turn = threading.Event()
        loop.call_soon_threadsafe(turn.set)
        assert turn.wait(10), "the loop waits for the packing"

    monkeypatch.setattr(Recorder, "_breathe", breathe)
    log = recorder(tmp_path, threaded=True)
    log.record(0, Tick(), START)
    await asyncio.to_thread(wait_until, lambda: whole(tmp_path) == [(0, Tick())])
    rng = random.Random(2)
    hour = interleaved(rng, [saw(rng, 3599, 1) for _ in TOOLS], 1)
    record(log, hour)
    log.record(3_600_000, Tick(), START)
    await asyncio.to_thread(wait_until, lambda: recordings(tmp_path)[0].path.suffix == ".rec")
    assert breaths > len(hour) / 2048, "a slice is some thousand events at most"
    assert await asyncio.to_thread(log.close, 3_600_001)
    assert len(read(tmp_path)) == len(hour) + 2
    assert "recorder" not in {thread.name for thread in threading.enumerate()}


def test_a_whole_frame_that_says_nonsense_keeps_its_file_as_it_is_and_the_recorder_at_work(tmp_path: Path) -> None:
    log = recorder(tmp_path)
    log.record(1000, Tick(), START)
    log.flush()
    with (tmp_path / "readings-000001.live").open("ab") as file:
        file.write(frame(FrameKind.LIVE, b"short") + frame(FrameKind.LIVE, b"\0" * 8 + b"\x05\0\0\0"))
    again = recorder(tmp_path)
    again.record(2000, Tick(), START)
    again.close(2001)
    assert [one.path.name for one in recordings(tmp_path)] == ["readings-000001.live", "readings-000002.live"]
    assert read(tmp_path) == [(1000, Tick()), (2000, Tick())]
