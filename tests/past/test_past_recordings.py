"""What is read out of a folder of recordings: windows to the millisecond, runs, measures, and what was left out."""

from array import array
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

import pytest
from support.recorded_shop import SHOP
from support.virtual_time import Clocks

from gatehand.config import load_text
from gatehand.past.meter_rhythm import MOST, recorded_rhythms, rhythm_of
from gatehand.past.recordings import (
    from_recording,
    measures_then,
    newest,
    of_another_measure,
    offset_ms,
    opened,
    readings_of,
    recorded_shop,
)
from gatehand.past.stretches import Track
from gatehand.recording.format import RecordingError
from gatehand.recording.recorder import Recorder
from gatehand.recording.recording import Recording, recordings
from gatehand.times import from_ms
from gatehand_rules import Shop, initial
from gatehand_rules.events import Event, Reading
from gatehand_rules.words import Measure

BEGAN = 1_800_000_000_000
"""Wall ms at which the first run's own clock stood at 1 s."""
SHED = '[tool.saw]\ncurrent = { topic = "saw/amps" }\n[tool.router]\npower = { topic = "router/w" }\n'
STATE = initial(Shop(tools=(), gates=(), collectors=()), 0.0)


def write(
    folder: Path, run: str, readings: Sequence[tuple[int, Event]], *, wall_ms: int = BEGAN, text: str = SHED
) -> None:
    """One file: events by the run's own ms; its clock stands at 1,000 when the wall's does at `wall_ms`."""
    clocks = Clocks(wall_ms / 1000, 1.0)
    made = Recorder(folder, run=run, clock=clocks, threaded=False)
    made.begin(text, ("saw", "router"), ())
    for ms, event in readings:
        clocks.now = ms / 1000
        made.record(ms, event, STATE)
    made.close(readings[-1][0])


def saw(*ms: int) -> list[tuple[int, Event]]:
    """At these ms, whole seconds: a reading of as many thousandths as there are seconds."""
    return [(each, Reading("saw", each / 1_000_000)) for each in ms]


def at(ms: int) -> datetime:
    """So many ms after the beginning of the first run."""
    return from_ms(BEGAN + ms)


def ignore(_count: int) -> None:
    pass


def found(folder: Path, since: int | None = None, until: int | None = None) -> list[tuple[str, int | None, list[int]]]:
    """Of the saw: each piece's run, its offset, and its wall ms from the beginning on."""
    since_at, until_at = (None if each is None else at(each) for each in (since, until))
    read = from_recording(folder, {"saw": Measure.AMPS}, since_at, until_at, ignore)
    assert read.troubles == []
    return [
        (piece.run, piece.wall_ms, [ms + (piece.wall_ms or 0) - BEGAN for ms in piece.track.ms])
        for piece in read.pieces.get("saw", ())
    ]


def test_a_tools_readings_go_on_over_the_files_of_a_run_and_begin_anew_with_another(tmp_path: Path) -> None:
    write(tmp_path, "a", saw(1000, 2000))
    write(tmp_path, "a", saw(3000, 4000))
    write(tmp_path, "b", saw(1000, 2000), wall_ms=BEGAN + 60_000)
    assert found(tmp_path) == [
        ("a", BEGAN - 1000, [0, 1000, 2000, 3000]),
        ("b", BEGAN + 59_000, [60_000, 61_000]),
    ]


def test_a_window_counts_its_first_moment_in_and_its_last_one_out(tmp_path: Path) -> None:
    write(tmp_path, "a", saw(1000, 2000, 3000, 4000))
    offset = BEGAN - 1000
    assert found(tmp_path, 1000, 3000) == [("a", offset, [1000, 2000])]
    assert found(tmp_path, 1001, 3001) == [("a", offset, [2000, 3000])]
    assert found(tmp_path, None, 1000) == [("a", offset, [0])]
    assert found(tmp_path, 2000, None) == [("a", offset, [2000, 3000])]
    window = (BEGAN + 1000, BEGAN + 3000)
    (track,) = readings_of(tmp_path, "saw", Measure.AMPS, *window)
    assert (list(track.ms), list(track.ma), list(track.order)) == ([BEGAN + 1000, BEGAN + 2000], [2, 3], [1, 2])
    assert readings_of(tmp_path, "lathe", Measure.AMPS, *window) == []
    assert readings_of(tmp_path, "router", Measure.WATTS, *window) == []


def test_another_tools_readings_are_not_among_them_and_all_are_counted_on_the_way(tmp_path: Path) -> None:
    write(tmp_path, "a", [(1000, Reading("saw", 1.0)), (1500, Reading("router", 700.0)), (2000, Reading("saw", 2.0))])
    write(tmp_path, "b", saw(1000), wall_ms=BEGAN + 9000)
    counts: list[int] = []
    read = from_recording(tmp_path, {"saw": Measure.AMPS, "lathe": Measure.AMPS}, None, None, counts.append)
    assert set(read.pieces) == {"saw"}
    assert [list(piece.track.ma) for piece in read.pieces["saw"]] == [[1000, 2000], [1]]
    assert counts == [3, 4]


def test_what_was_read_in_another_measure_is_left_out_and_said_once_for_each_tool(tmp_path: Path) -> None:
    write(tmp_path, "a", [(1000, Reading("saw", 1.0)), (1500, Reading("router", 700.0))])
    write(tmp_path, "b", [(1000, Reading("saw", 1.0)), (1500, Reading("router", 700.0))], wall_ms=BEGAN + 9000)
    wanted = {"saw": Measure.WATTS, "router": Measure.AMPS, "new": Measure.AMPS}
    read = from_recording(tmp_path, wanted, None, None, ignore)
    assert read.pieces == {}
    assert read.troubles == [
        "readings of router recorded as watts: by this config its sensor says amps",
        "readings of saw recorded as amps: by this config its sensor says watts",
    ]
    assert of_another_measure("saw", Measure.AMPS, Measure.RUNNING) == (
        "readings of saw recorded as amps: by this config its sensor says running"
    )
    window = (BEGAN, BEGAN + 60_000)
    assert readings_of(tmp_path, "saw", Measure.WATTS, *window) == []
    assert len(readings_of(tmp_path, "saw", Measure.AMPS, *window)) == 2


def test_what_a_sensor_measured_is_told_by_the_keys_of_the_config_of_then() -> None:
    text = """
tool.saw.current = 1
tool.router.power = 1
tool.sander.running = 1
tool.lathe.colour = 1
tool.odd = "current"
collector.main.power = 1
gate.saw.current = 1
"""
    assert measures_then(text) == {
        ("tool", "saw"): Measure.AMPS,
        ("tool", "router"): Measure.WATTS,
        ("tool", "sander"): Measure.RUNNING,
        ("collector", "main"): Measure.WATTS,
    }
    assert measures_then("no toml") == {}
    assert measures_then('tool = "none"') == {}
    assert measures_then("[broker]") == {}


def test_files_that_cannot_be_read_and_parts_that_are_torn_are_troubles_and_the_others_are_read(tmp_path: Path) -> None:
    write(tmp_path, "a", saw(1000, 2000))
    write(tmp_path, "b", saw(1000, 2000), wall_ms=BEGAN + 9000)
    (tmp_path / "readings-000000.live").write_bytes(b"nonsense")
    first, second = (one.path for one in recordings(tmp_path) if not one.trouble)
    with first.open("ab") as file:
        file.write(b"torn")
    troubles: list[str] = []
    listed = recordings(tmp_path)
    second.write_bytes(b"")
    runs = []
    for recording in opened(listed, troubles):
        runs.append(recording.header.run)
        list(recording.blocks())
    assert runs == ["a"]
    assert [text.partition(": ")[0] for text in troubles] == [
        str(tmp_path / "readings-000000.live"),
        str(first),
        str(second),
    ]
    assert troubles[1].startswith(f"{first}: 4 bytes ")
    assert [recording.header.run for recording in opened(listed)] == ["a"]


def test_a_recordings_offset_leads_from_its_own_clock_to_the_walls(tmp_path: Path) -> None:
    write(tmp_path, "a", saw(1000, 2000))
    (listed,) = recordings(tmp_path)
    assert offset_ms(Recording(listed.path)) == BEGAN - 1000


def test_a_config_of_then_that_this_version_refuses_is_named_with_its_file_and_the_first_fault(tmp_path: Path) -> None:
    path = tmp_path / "readings-000007.rec"
    assert recorded_shop(SHOP, path) == load_text(SHOP, Path("config.toml")).shop
    with pytest.raises(RecordingError) as refused:
        recorded_shop("[gate.saw]\n", path)
    first = load_text("[gate.saw]\n", path, files=False).errors[0]
    assert str(refused.value) == f"{path}: the config that was in force then is refused by this version: {first}"


def test_the_newest_file_is_the_last_that_began(tmp_path: Path) -> None:
    assert newest(tmp_path) is None
    (tmp_path / "readings-000000.live").write_bytes(b"nonsense")
    assert newest(tmp_path) is None
    write(tmp_path, "b", saw(1000), wall_ms=BEGAN + 9000)
    write(tmp_path, "a", saw(1000))
    assert newest(tmp_path) == at(9000)


# How often a meter spoke


def steady(count: int, every_ms: int = 2000, *, values: tuple[int, ...] = (5,), begin: int = 0) -> Track:
    times = range(begin, begin + count * every_ms, every_ms)
    return Track(array("q", times), array("i", (values[i % len(values)] for i in range(count))))


def test_the_rhythm_is_that_of_unbroken_readings_and_the_time_between_two_tracks_is_none() -> None:
    rhythm = rhythm_of([steady(20), Track(), steady(20, begin=3_600_000)])
    assert rhythm is not None
    assert (rhythm.every, rhythm.longest, rhythm.steady, rhythm.count) == (2.0, 2.0, True, 40)
    assert rhythm_of([]) is None
    assert rhythm_of([steady(3)]) is None


def test_a_meter_that_speaks_only_on_change_is_not_called_steady() -> None:
    """Each message says something new, at gaps of no rhythm."""
    times = (0, 300, 5000, 5900, 30_000, 31_000, 70_000, 70_200, 99_000, 99_900, 150_000, 151_000, 160_000, 200_000)
    rhythm = rhythm_of([Track(array("q", times), array("i", range(len(times))))])
    assert rhythm is not None
    assert rhythm.steady is False


def test_the_newest_readings_count_and_no_more_than_50_000() -> None:
    tracks = [steady(99), steady(10), steady(MOST - 4)]
    counts = [rhythm.count for some in (tracks, tracks[:2], [*tracks, steady(4)]) if (rhythm := rhythm_of(some))]
    assert counts == [MOST, 109, MOST]
    assert MOST == 50_000


TOOLS = """
[collector.main]
command = { topic = "fan/set", on = "1", off = "0" }
[gate.saw]
command = { topic = "gate/set", open = "1", shut = "0" }
[tool.NAME]
gates = ["saw"]
current = { topic = "saw/amps" }
start_amps = 2
"""


def test_a_meter_is_known_by_its_topic_under_whatever_name_its_tool_had(tmp_path: Path) -> None:
    """Of the newest four files; the oldest one spoke at another rhythm, another topic's is none of it."""
    old, other = TOOLS.replace("NAME", "saw"), TOOLS.replace("NAME", "saw").replace("saw/amps", "else")
    write(tmp_path, "a", saw(*range(1000, 300_000, 9000)), text=old)
    for number, (text, every) in enumerate(((old, 2000), (other, 7000), ("no toml", 8000), (old, 2000)), 1):
        write(tmp_path, "b", saw(*range(1000, 60_000, every)), wall_ms=BEGAN + number * 1_000_000, text=text)
    config = load_text(TOOLS.replace("NAME", "band"), Path("config.toml")).config
    assert config is not None
    rhythms = recorded_rhythms(recordings(tmp_path), config)
    assert set(rhythms) == {"saw/amps#"}
    assert (rhythms["saw/amps#"].longest, rhythms["saw/amps#"].count) == (2.0, 60)
    assert recorded_rhythms([], config) == {}
