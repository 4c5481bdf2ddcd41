"""A logger's file in columns: to the millisecond and thousandth, and each complaint word for word."""

from array import array
from pathlib import Path

import pytest

from gatehand.past.csv_readings import CsvError, read_csv
from gatehand.past.recordings import Piece, Readings, from_csv
from gatehand.past.stretches import Stretch, Timed, Track
from gatehand_rules.events import MessageRejected
from gatehand_rules.words import Measure

TOOLS = {"saw": Measure.AMPS, "router": Measure.WATTS, "sander": Measure.RUNNING}
ZERO = 100_000_000
"""What is added to a file's ms that begins at 0: the rules' time is never negative."""


def read(folder: Path, text: str | bytes) -> Stretch:
    path = folder / "log.csv"
    path.write_bytes(text.encode() if isinstance(text, str) else text)
    return read_csv(path, TOOLS)


def columns(track: Track) -> tuple[list[int], list[int], list[int]]:
    return list(track.ms), list(track.ma), list(track.order)


def test_each_row_lands_in_its_tools_columns_with_its_place_in_the_file(tmp_path: Path) -> None:
    found = read(
        tmp_path,
        "tool,running,t_s,watts,amps,note\n"
        "saw,,0,,0.1,x\nrouter,,0.0004,250.5,,\n\nsander,TRUE,0.0006,,,\n saw ,,1.5,, 3.1004 ,\nsaw,,1.5,,-2,y\n"
        "sander,0.0,2,,,\nsaw,,2.25,,1000,\nrouter,,3,-400000,,\n",
    )
    assert found.zero_ms == ZERO
    assert {name: columns(track) for name, track in found.tracks.items()} == {
        "saw": ([ZERO, ZERO + 1500, ZERO + 1500, ZERO + 2250], [100, 3100, -2000, 1_000_000], [0, 3, 4, 6]),
        "router": ([ZERO, ZERO + 3000], [250_500, -400_000_000], [1, 7]),
        "sander": ([ZERO + 1, ZERO + 2000], [1000, 0], [2, 5]),
    }
    assert found.others == []
    assert found.motors == {}


@pytest.mark.parametrize(
    ("first", "zero"),
    [("-1.5", ZERO + 1500), ("100000", 0), ("99999.999", 1), ("1772700000", 0), ("-1e11", ZERO + 10**14)],
)
def test_time_begins_no_earlier_than_the_rules_can_tell(tmp_path: Path, first: str, zero: int) -> None:
    found = read(tmp_path, f"t_s,tool,amps\n{first},saw,1\n")
    assert found.zero_ms == zero
    assert list(found.tracks["saw"].ms) == [round(float(first) * 1000) + zero]


def test_what_no_sensor_can_mean_is_a_rejected_reading_at_its_place(tmp_path: Path) -> None:
    long = "9" * 60
    found = read(
        tmp_path,
        "t_s,tool,amps,watts\n0,saw,1,\n1,saw,1000.1,\n2, saw ,-1e4,\n3,saw,nan,\n4,router,,400001\n"
        f"5,router,,-inf\n6,saw,{long},\n7,saw,2,\n",
    )
    said = [
        (1, "saw", "beyond 1,000 A", "1000.1"),
        (2, "saw", "beyond 1,000 A", "-1e4"),
        (3, "saw", "not a finite number", "nan"),
        (4, "router", "beyond 400,000 W", "400001"),
        (5, "router", "not a finite number", "-inf"),
        (6, "saw", "beyond 1,000 A", "9" * 40),
    ]
    assert found.others == [
        Timed(ZERO + 1000 * at, at, MessageRejected("tool", tool, why, text)) for at, tool, why, text in said
    ]
    assert columns(found.tracks["saw"]) == ([ZERO, ZERO + 7000], [1000, 2000], [0, 7])


COLUMNS = "t_s,tool and any of amps,watts,running"
WANTED = f"wanted a first line that names the columns {COLUMNS}, separated by commas"
SUCH = "lines such as 12.5,band_saw,3.1"


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", f":1: the first line is empty: {WANTED}"),
        ("t_s;tool;amps\n", f':1: found "t_s;tool;amps" as the header, separated by semicolons: {WANTED}'),
        ("tool,amps\n", f':1: found "tool,amps" as the header: {WANTED}'),
        ("t_s,amps\n", f':1: found "t_s,amps" as the header: {WANTED}'),
        (" t_s , tool\n", f':1: found "t_s,tool" as the header: {WANTED}'),
        ("t_s,tool,amps\n", f": holds no reading: wanted {SUCH} below the header"),
        ("t_s,tool,amps,note\n1,saw\n", f":2: found 2 of 3 columns: wanted {SUCH}"),
        ("amps,t_s,tool\n1,2\n", f":2: found 2 of 3 columns: wanted {SUCH}"),
        ("amps,tool,t_s\n1,saw\n", f":2: found 2 of 3 columns: wanted {SUCH}"),
        (
            "t_s,tool,amps\n1,sow,2\n",
            ':2: found the tool "sow", which the config does not have; did you mean saw?',
        ),
        (
            "t_s,tool,amps\ninf,saw,2\n",
            ":2: found inf as t_s: wanted finite seconds from a zero of your own",
        ),
        (
            "t_s,tool,amps\n0,saw,1\n100000000001,saw,2\n",
            ":3: found 1e+11 as t_s: wanted finite seconds from a zero of your own",
        ),
        (
            "t_s,tool,amps\n0.5,saw,1\n0.25,saw,2\n",
            ":3: t_s falls from 0.5 to 0.25: wanted rising seconds; sort the file by t_s",
        ),
        ("t_s,tool,amps\n1,saw,much\n", ':2: found "much" as amps: wanted a number such as 3.1'),
        ('t_s,tool,amps\n1,saw,"3,1"\n', ':2: found "3,1" as amps: wanted a number such as 3.1, with a point'),
        ("t_s,tool,amps\nnoon,saw,1\n", ':2: found "noon" as t_s: wanted a number such as 3.1'),
        ("t_s,tool,watts\n1,router, \n", ":2: found no reading of router: wanted one under watts, or no such line"),
        (
            "t_s,tool,amps\n1,router, \n",
            (
                ":2: the file has no column watts, and by its power in the config router says watts: "
                "wanted its readings there"
            ),
        ),
        (
            "t_s,tool,amps,watts\n1,router,3,700\n",
            (
                ":2: found amps and watts in one line: wanted one reading a line, that of router under watts; "
                "leave the others empty"
            ),
        ),
        (
            "t_s,tool,amps,watts\n1,router,3,\n",
            (
                ':2: found "3" under amps, but by its power in the config router says watts: '
                "wanted a reading under watts, or current in the config"
            ),
        ),
        (
            "t_s,tool,running\n1,sander,2\n",
            ':2: found "2" as running: wanted 1 or true while sander runs, else 0 or false',
        ),
        ('t_s,tool,amps\n0,saw,1\n1,"saw,1\n', f":3: unexpected end of data: wanted {SUCH}"),
        (b"t_s,tool,amps\n1,saw,\xff\n", f": is not UTF-8 text: wanted a CSV file with the columns {COLUMNS}"),
    ],
)
def test_a_complaint_says_where_what_was_found_and_what_is_wanted(tmp_path: Path, text: str | bytes, says: str) -> None:
    with pytest.raises(CsvError) as refused:
        read(tmp_path, text)
    assert str(refused.value) == f"{tmp_path / 'log.csv'}{says}"


def test_a_file_that_cannot_be_opened_is_named_with_the_systems_reason(tmp_path: Path) -> None:
    with pytest.raises(CsvError) as refused:
        read_csv(tmp_path / "gone.csv", TOOLS)
    assert str(refused.value) == f"{tmp_path / 'gone.csv'}: cannot be read (No such file or directory)"


@pytest.mark.parametrize("t_s", ["100000000000", "-100000000000"])
def test_the_furthest_times_are_still_read(tmp_path: Path, t_s: str) -> None:
    assert len(read(tmp_path, f"t_s,tool,amps\n{t_s},saw,1\n").tracks["saw"]) == 1


def test_progress_is_told_at_each_50_000th_reading(tmp_path: Path) -> None:
    path = tmp_path / "long.csv"
    path.write_text("t_s,tool,amps\n" + "1,saw,1\n" * 100_001, encoding="utf-8")
    told: list[int] = []
    read_csv(path, TOOLS, told.append)
    assert told == [50_000, 100_000]
    assert set(from_csv(path, TOOLS, told.append).pieces) == {"saw"}
    assert told == [50_000, 100_000] * 2


def test_a_file_is_one_unbroken_piece_of_each_tool_and_has_no_clock(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    path.write_text("t_s,tool,amps\n1,saw,1\n900,saw,2\n", encoding="utf-8")
    (piece,) = from_csv(path, TOOLS, lambda _count: None).pieces["saw"]
    assert (list(piece.track.ms), piece.wall_ms, piece.run) == ([ZERO, ZERO + 899_000], None, "")


# Pieces of a recording


def track(*ms: int) -> Track:
    return Track(array("q", ms), array("i", [each % 100 for each in ms]), array("q", range(7, 7 + len(ms))))


def pieces(found: Readings) -> list[tuple[list[int], list[int], list[int], int | None, str]]:
    def told(each: Piece) -> tuple[list[int], list[int], list[int], int | None, str]:
        return *columns(each.track), each.wall_ms, each.run

    return [told(each) for each in found.pieces["saw"]]


def test_readings_of_one_run_go_on_and_another_run_begins_a_piece_of_its_own() -> None:
    found = Readings()
    found.add("saw", "first", track(), 5)
    assert found.pieces == {"saw": []}
    found.add("saw", "first", track(10, 15, 20), 5)
    found.add("saw", "first", track(20, 31), 5)
    found.add("saw", "first", track(30), 6)
    found.add("saw", "second", track(40, 41), 7)
    found.add("saw", "first", track(50), 8)
    assert pieces(found) == [
        ([10, 15, 20, 20, 31], [10, 15, 20, 20, 31], [7, 8, 9, 10, 11], 5, "first"),
        ([30], [30], [7], 6, "first"),
        ([40, 41], [40, 41], [7, 8], 7, "second"),
        ([50], [50], [7], 8, "first"),
    ]
