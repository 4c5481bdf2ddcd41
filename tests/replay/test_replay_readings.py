"""`gatehand replay --readings`: a logger's file through detection and rules, and what is wrong with a bad one."""

import io
import json
from pathlib import Path
from typing import Any

import pytest

from gatehand.cli import main
from gatehand.commands import progress
from gatehand.config import load_text
from gatehand.past.player import rested
from gatehand_rules.findings import Happened
from gatehand_rules.shop import Collector, Gate, Shop, Tool
from gatehand_rules.state import GateOpen, GateShut, Off, ToolUnknown

CONFIG = """
[collector.main]
command = { topic = "fan/set", on = "1", off = "0" }
state = { topic = "fan/state", on = "1", off = "0" }
[gate.band_saw]
command = { topic = "g1/set", open = "open", shut = "shut" }
state = { topic = "g1/state", open = "open", shut = "shut" }
travel = 1.5
[gate.router]
command = { topic = "g2/set", open = "open", shut = "shut" }
travel = 2
[tool.band_saw]
gates = ["band_saw"]
current = { topic = "t1/a" }
start_amps = 2.5
[tool.router]
gates = ["router"]
current = { topic = "t2/a" }
start_amps = 3
run_on = 0
"""


def replay(
    place: Path, readings: str, capsys: pytest.CaptureFixture[str], config: str = CONFIG, code: int = 0
) -> list[dict[str, Any]]:
    (place / "config.toml").write_text(config, "utf-8")
    (place / "log.csv").write_text(readings, "utf-8")
    args = ["replay", "--config", str(place / "config.toml"), "--readings", str(place / "log.csv"), "--json"]
    assert main(args) == code
    return [json.loads(line) for line in capsys.readouterr().out.splitlines()]


def timeline(told: list[dict[str, Any]], *events: str) -> list[tuple[float, str]]:
    return [(one["t_s"], one["event"]) for one in told if not events or one["event"] in events]


CUT = """t_s,tool,amps
0,band_saw,0.1
5,band_saw,18
5.4,band_saw,6
20,band_saw,0.1
40,band_saw,0.1
"""


def test_a_cut_opens_its_gate_starts_the_collector_and_ends_after_run_on_and_coast_down(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """[calc] Travel 1.5 s, run-on 10 s, coast-down 8 s, all from the config or its defaults."""
    told = replay(tmp_path, CUT, capsys)
    assert timeline(
        told, "tool_started", "tool_stopped", "gate_open", "gate_shut", "collector_on", "collector_off"
    ) == [
        (5.0, "tool_started"),
        (6.5, "gate_open"),
        (6.5, "collector_on"),
        (20.0, "tool_stopped"),
        (30.0, "collector_off"),
        (39.5, "gate_shut"),
    ]


def test_the_first_line_is_the_first_thing_that_happens_in_the_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The shop is at rest when the file begins: nothing of its own start is told."""
    assert replay(tmp_path, CUT, capsys)[0]["t_s"] == 5.0


def test_events_carry_their_subject_and_their_numbers(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    told = replay(tmp_path, CUT, capsys)
    assert told[0] == {
        "t_s": 5.0,
        "event": "tool_started",
        "tool": "band_saw",
        "collector": "main",
        "rule": "start_threshold",
        "amps": 18.0,
        "start_amps": 2.5,
        "start_after": 0.0,
    }
    assert all({"tool", "gate", "collector"} & one.keys() for one in told)
    assert {one["event"] for one in told} <= set(map(str, Happened))


@pytest.mark.parametrize("zero", [0, -1000, 1_772_700_000, 99999.25])
def test_times_count_from_the_files_own_zero(tmp_path: Path, capsys: pytest.CaptureFixture[str], zero: float) -> None:
    rows = [line.split(",") for line in CUT.splitlines()[1:]]
    shifted = "t_s,tool,amps\n" + "".join(f"{float(t) + zero:.3f},{tool},{amps}\n" for t, tool, amps in rows)
    assert [round(one["t_s"] - zero, 3) for one in replay(tmp_path, shifted, capsys)] == [
        one["t_s"] for one in replay(tmp_path, CUT, capsys)
    ]


def test_a_repeated_on_is_not_told_as_a_start(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The command is repeated every 20 s; the cut lasts two minutes."""
    long = "t_s,tool,amps\n0,band_saw,0\n" + "".join(f"{t},band_saw,6\n" for t in range(1, 120)) + "120,band_saw,0\n"
    assert len(timeline(replay(tmp_path, long, capsys), "collector_on")) == 1


def test_silence_stops_what_the_file_leaves_running(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """silent_after is 30 s, run-on 10 s: the collector goes off 40 s after the last reading."""
    told = replay(tmp_path, "t_s,tool,amps\n0,band_saw,0\n1,band_saw,6\n2,band_saw,6\n", capsys)
    assert timeline(told, "tool_silent", "collector_off") == [(32.0, "tool_silent"), (42.0, "collector_off")]


def test_a_sensor_that_speaks_only_on_change_leaves_its_tool_running_and_that_is_said(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    config = CONFIG.replace("start_amps = 2.5", "start_amps = 2.5\nsilent_after = 0\nrun_limit = 0")
    (tmp_path / "config.toml").write_text(config, "utf-8")
    (tmp_path / "log.csv").write_text("t_s,tool,amps\n0,band_saw,0\n1,band_saw,6\n", "utf-8")
    assert main(["replay", "--config", str(tmp_path / "config.toml"), "--readings", str(tmp_path / "log.csv")]) == 0
    assert "band_saw is still running when the readings end" in capsys.readouterr().err


def test_a_tool_that_the_file_never_names_is_not_told_to_be_silent(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    long = "t_s,tool,amps\n" + "".join(f"{t},band_saw,0\n" for t in range(0, 200, 5))
    assert replay(tmp_path, long, capsys) == []


def test_nan_infinite_and_absurd_readings_are_rejected_and_change_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rows = (
        "t_s,tool,amps\n0,band_saw,0\n1,band_saw,nan\n2,band_saw,inf\n3,band_saw,1001\n4,band_saw,-1e9\n5,band_saw,0\n"
    )
    told = replay(tmp_path, rows, capsys)
    assert timeline(told) == [(float(t), "reading_rejected") for t in (1, 2, 3, 4)]


def test_a_negative_reading_counts_as_zero(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    told = replay(tmp_path, "t_s,tool,amps\n0,band_saw,-3\n1,band_saw,6\n2,band_saw,-55\n20,band_saw,0\n", capsys)
    assert timeline(told, "tool_started", "tool_stopped") == [(1.0, "tool_started"), (2.0, "tool_stopped")]


def test_columns_may_stand_in_any_order_and_others_are_passed_over(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rows = "\ufeffnote,amps,tool,t_s\nx,0,band_saw,0\ny,6, band_saw ,1\n\n"
    assert timeline(replay(tmp_path, rows, capsys), "tool_started") == [(1.0, "tool_started")]


@pytest.mark.parametrize(
    ("rows", "says"),
    [
        (
            "",
            "first line is empty: wanted a first line that names the columns t_s,tool and any of amps,watts,running, ",
        ),
        ("t_s,tool,amps\n", "log.csv: holds no reading"),
        ("time;tool;amps\n1;a;2\n", "separated by semicolons: wanted a first line that names the columns t_s,tool and"),
        ("t_s,tool,current\n1,band_saw,2\n", 'log.csv:1: found "t_s,tool,current" as the header'),
        (
            "t_s,tool,amps\n1,bandsaw,2\n",
            'log.csv:2: found the tool "bandsaw", which the config does not have; did you mean band_saw?',
        ),
        ("t_s,tool,amps\n1,zzz,2\n", "there are band_saw and router"),
        (
            "t_s,tool,amps\n1,band_saw,0\n2,band_saw,3.1A\n",
            'log.csv:3: found "3.1A" as amps: wanted a number such as 3.1',
        ),
        (
            "t_s,tool,amps\n1,band_saw,0\n2,band_saw,\n",
            "log.csv:3: found no reading of band_saw: wanted one under amps, or no such line",
        ),
        ("t_s,tool,amps\n1,band_saw,0\nsoon,band_saw,1\n", 'log.csv:3: found "soon" as t_s'),
        ("t_s,tool,amps\n1,band_saw,0\n2,band_saw\n", "log.csv:3: found 2 of 3 columns"),
        (
            "t_s,tool,amps\n5,band_saw,0\n4.9,band_saw,1\n",
            "log.csv:3: t_s falls from 5 to 4.9: wanted rising seconds; sort the file by t_s",
        ),
        ("t_s,tool,amps\nnan,band_saw,0\n", "log.csv:2: found nan as t_s"),
        ("t_s,tool,amps\n1,band_saw,0\n1e300,band_saw,0\n", "log.csv:3: found 1e+300 as t_s"),
        ('t_s,tool,amps\n1,"band_saw,0\n', "log.csv:2: unexpected end of data"),
    ],
)
def test_a_bad_file_is_refused_with_the_line_and_what_is_wanted(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], rows: str, says: str
) -> None:
    (tmp_path / "config.toml").write_text(CONFIG, "utf-8")
    (tmp_path / "log.csv").write_text(rows, "utf-8")
    assert main(["replay", "--config", str(tmp_path / "config.toml"), "--readings", str(tmp_path / "log.csv")]) == 1
    said = capsys.readouterr()
    assert says in said.err
    assert said.out == ""


MIXED = (
    CONFIG
    + """
[gate.sander]
command = { topic = "g3/set", open = "open", shut = "shut" }
[tool.carving]
gates = ["router"]
power = { topic = "t3/w", pointer = "/power" }
start_watts = 100
[tool.sander]
gates = ["sander"]
running = { topic = "t4/on", active = "ON", clear = "OFF" }
run_on = 0
"""
)


def test_each_tools_readings_stand_under_what_its_sensor_measures(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rows = """t_s,tool,amps,watts,running
0,band_saw,0.1,,
0,carving,,4,
0,sander,,,false
5,band_saw,18,,
6,carving,,99.9,
7,carving,,100,
8,sander,,,1
20,band_saw,0.1,,
20,carving, ,4,
20,sander,,, True
22,sander,,,0.0
"""
    told = replay(tmp_path, rows, capsys, MIXED)
    begun = [one for one in told if one["event"] == "tool_started"]
    assert [(one["t_s"], one["tool"]) for one in begun] == [(5.0, "band_saw"), (7.0, "carving"), (8.0, "sander")]
    saw, carving, sander = begun
    assert (saw["amps"], saw["start_amps"]) == (18.0, 2.5)
    assert (carving["watts"], carving["start_watts"]) == (100.0, 100.0)
    assert sander["running"] is True
    assert not {"amps", "watts", "start_amps", "start_watts", "start_running"} & sander.keys()
    assert [(one["t_s"], one["tool"]) for one in told if one["event"] == "tool_stopped"] == [
        (20.0, "band_saw"),
        (20.0, "carving"),
        (22.0, "sander"),
    ]


def test_a_file_needs_only_the_columns_of_its_own_tools(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Its rows and those of a file with all columns come to the same."""
    told = replay(tmp_path, "watts,t_s,tool\n0,0,carving\n250,1,carving\n0,9,carving\n", capsys, MIXED)
    wide = replay(
        tmp_path,
        "t_s,tool,amps,watts,running\n0,carving,,0,\n1,carving,,250,\n9,carving,,0,\n",
        capsys,
        MIXED,
    )
    assert timeline(told, "tool_started", "tool_stopped") == [(1.0, "tool_started"), (9.0, "tool_stopped")]
    assert told == wide


def test_absurd_watts_are_rejected_with_their_unit(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """[calc] The largest is what 1,000 A are at 400 V."""
    rows = "t_s,tool,watts\n0,carving,0\n1,carving,400000\n2,carving,400000.1\n3,carving,-400001\n4,carving,nan\n"
    told = replay(tmp_path, rows, capsys, MIXED)
    assert [(one["t_s"], one["why"]) for one in told if one["event"] == "reading_rejected"] == [
        (2.0, "beyond 400,000 W"),
        (3.0, "beyond 400,000 W"),
        (4.0, "not a finite number"),
    ]


@pytest.mark.parametrize(
    ("rows", "says"),
    [
        (
            "1,carving,3,700,",
            "found amps and watts in one line: wanted one reading a line, that of carving under watts; leave",
        ),
        ("1,band_saw,3,,0", "found amps and running in one line"),
        ("1,sander,,,", "found no reading of sander: wanted one under running, or no such line"),
        (
            "1,band_saw,,700,",
            'found "700" under watts, but by its current in the config band_saw says amps: wanted a reading under amps',
        ),
        ("1,carving,3,,", 'found "3" under amps, but by its power in the config carving says watts'),
        ("1,carving,,,1", 'found "1" under running, but by its power in the config carving says watts'),
        ("1,sander,0.1,,", 'found "0.1" under amps, but by its running in the config sander says running'),
        ("1,sander,,,on", 'found "on" as running: wanted 1 or true while sander runs, else 0 or false'),
        ("1,sander,,,2", 'found "2" as running'),
        ("1,carving,,7W,", 'found "7W" as watts: wanted a number such as 3.1'),
    ],
)
def test_a_line_whose_reading_is_not_its_tools_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], rows: str, says: str
) -> None:
    """Also behind lines of that tool that are well, which are read in a shorter way."""
    well = {"band_saw": "0,band_saw,1,,", "carving": "0,carving,,1,", "sander": "0,sander,,,0"}[rows.split(",")[1]]
    for before in ("", f"{well}\n"):
        text = f"t_s,tool,amps,watts,running\n{before}{rows}\n"
        assert replay(tmp_path, text, capsys, MIXED, code=1) == []
        assert main(["tune", "--config", str(tmp_path / "config.toml"), "--readings", str(tmp_path / "log.csv")]) == 1
        assert f"log.csv:{3 if before else 2}: {says}" in capsys.readouterr().err


def test_a_file_without_the_column_of_a_tools_measure_says_so(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "config.toml").write_text(MIXED, "utf-8")
    (tmp_path / "log.csv").write_text("t_s,tool,amps\n1,sander,\n", "utf-8")
    assert main(["replay", "--config", str(tmp_path / "config.toml"), "--readings", str(tmp_path / "log.csv")]) == 1
    said = capsys.readouterr().err
    assert "log.csv:2: the file has no column running, and by its running in the config sander says running" in said


def test_bytes_that_are_no_text_are_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "config.toml").write_text(CONFIG, "utf-8")
    (tmp_path / "log.csv").write_bytes(bytes(range(256)) * 20)
    assert main(["replay", "--config", str(tmp_path / "config.toml"), "--readings", str(tmp_path / "log.csv")]) == 1
    assert "is not UTF-8 text" in capsys.readouterr().err


def test_options_of_the_recording_do_not_go_with_a_file(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "config.toml").write_text(CONFIG, "utf-8")
    args = ["replay", "--config", str(tmp_path / "config.toml"), "--readings", "x.csv", "--diff"]
    assert main(args) == 2
    assert "are for the recording, not for --readings" in capsys.readouterr().err


SHOPS = {
    "reports and a switch that answers": Shop(
        tools=(Tool(name="t", collector="main", gates=("g",), start_at=2, stop_at=1),),
        gates=(Gate(name="g", collector="main", reports=True),),
        collectors=(Collector(name="main", reports=True, senses_motor=True),),
    ),
    "blind": Shop(
        tools=(Tool(name="t", collector="main", gates=("g",), start_at=2, stop_at=1),),
        gates=(Gate(name="g", collector="main"), Gate(name="h", collector="main")),
        collectors=(Collector(name="main"),),
    ),
    "moved by hand": Shop(
        tools=(Tool(name="t", collector="main", gates=("g",), start_at=2, stop_at=1),),
        gates=(Gate(name="g", collector="main", commanded=False, reports=True),),
        collectors=(Collector(name="main", reports=True),),
    ),
    "left as they are": Shop(
        tools=(Tool(name="t", collector="main", start_at=2, stop_at=1),),
        gates=(),
        collectors=(Collector(name="main", min_open=0, rest="leave"),),
    ),
}


@pytest.mark.parametrize("name", SHOPS)
def test_the_shop_rests_when_the_file_begins(name: str) -> None:
    shop = SHOPS[name]
    state = rested(shop, 5_000_000)
    assert state.connected
    assert state.adopted
    assert all(isinstance(fan.phase, Off) for fan in state.collectors)
    by_hand = [not gate.commanded for gate in shop.gates]
    for hand, gate in zip(by_hand, state.gates, strict=True):
        assert isinstance(gate.move, GateOpen if hand else GateShut)
    assert all(tool == ToolUnknown(None, 5000.0) for tool in state.tools)
    assert state.alarms == frozenset()


def test_the_demo_shop_rests_too() -> None:
    from importlib.resources import files

    shop = load_text((files("gatehand.demo") / "shop.toml").read_text("utf-8"), Path("shop.toml")).shop
    assert shop is not None
    assert all(isinstance(fan.phase, Off) for fan in rested(shop, 5_000_000).collectors)


class _Screen(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_progress_shows_after_two_seconds_and_is_taken_away_again(monkeypatch: pytest.MonkeyPatch) -> None:
    now = [100.0]
    monkeypatch.setattr("gatehand.commands.time.monotonic", lambda: now[0])
    screen = _Screen()
    with progress("readings", 1000, to=screen) as count:
        count(100)
        assert screen.getvalue() == ""
        now[0] += 2.1
        count(500)
        assert "[###############               ]  50%  500 readings, 238 a second" in screen.getvalue()
    assert screen.getvalue().endswith("\r")


@pytest.mark.parametrize(("columns", "shown"), [(60, " 50%  500 readings, 238 a second"), (20, " 50%  500 readings,")])
def test_progress_keeps_to_one_line_of_a_narrow_terminal(
    columns: int, shown: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    now = [100.0]
    monkeypatch.setattr("gatehand.commands.time.monotonic", lambda: now[0])
    monkeypatch.setenv("COLUMNS", str(columns))
    screen = _Screen()
    with progress("readings", 1000, to=screen) as count:
        now[0] += 2.1
        count(500)
        assert screen.getvalue() == f"\r{shown}"


def test_progress_is_silent_where_nobody_watches(monkeypatch: pytest.MonkeyPatch) -> None:
    now = [100.0]
    monkeypatch.setattr("gatehand.commands.time.monotonic", lambda: now[0])
    pipe = io.StringIO()
    with progress("readings", to=pipe) as count:
        now[0] += 10
        count(500)
    assert pipe.getvalue() == ""
