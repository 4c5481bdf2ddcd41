"""A window of the recording in both runs: what is counted and heard, and where the changed run begins anew."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest
from support.virtual_time import Clocks

from gatehand.config import load_text
from gatehand.past.player import rested
from gatehand.past.stretches import Stretch, Track
from gatehand.recording.recorder import Recorder
from gatehand.replay.history import History, replay
from gatehand.replay.play_csv import as_line, longest_end_ms, play
from gatehand.times import from_ms
from gatehand_rules import Finding, Outcome, Shop
from gatehand_rules.events import Reading
from gatehand_rules.findings import Happened, Rule
from gatehand_rules.shop import Collector, Gate, Tool

TEXT = """
[collector.main]
command = { topic = "fan/set", on = "1", off = "0" }
[gate.saw]
command = { topic = "gate/set", open = "1", shut = "0" }
travel = 1.5
[tool.saw]
gates = ["saw"]
current = { topic = "saw/amps" }
start_amps = 2.5
"""
BEGAN = 1_800_000_000_000
CUT = ((1000, 0.1), (2000, 6.0), (4000, 6.0), (6000, 0.1))
"""Starts at 2 s by the run's own clock, the fan at 3.5 s; stops at 6 s."""


def shop_of(text: str = TEXT) -> Shop:
    shop = load_text(text, Path("config.toml")).shop
    assert shop is not None
    return shop


def write(
    folder: Path,
    readings: Sequence[tuple[int, float]] = CUT,
    *,
    run: str = "a",
    wall_ms: int = BEGAN,
    text: str = TEXT,
    ends: str = "shutdown",
) -> None:
    """A file of a shop that was at rest; its clock stands at 1,000 when the wall's does at `wall_ms`."""
    clocks = Clocks(wall_ms / 1000, 1.0)
    made = Recorder(folder, run=run, clock=clocks, threaded=False)
    made.begin(text, ("saw",), ("main",))
    state = rested(shop_of(), 1000)
    for ms, amps in readings:
        clocks.now = ms / 1000
        made.record(ms, Reading("saw", amps), state)
    made.close(readings[-1][0], ends)


class Heard:
    """Both runs: wall ms from the beginning on, and the event."""

    def __init__(self) -> None:
        self.recorded: list[tuple[int, str]] = []
        self.changed: list[tuple[int, str]] = []
        self.counts: list[int] = []

    def replay(
        self, folder: Path, changed: Shop | None = None, *, since: int | None = None, until: int | None = None
    ) -> History:
        moments = [None if ms is None else from_ms(BEGAN + ms) for ms in (since, until)]
        return replay(
            folder,
            lambda ms, outcome: self._hear(self.recorded, ms, outcome),
            changed=changed,
            changed_heard=lambda ms, outcome: self._hear(self.changed, ms, outcome),
            progress=self.counts.append,
            since=moments[0],
            until=moments[1],
        )

    def _hear(self, into: list[tuple[int, str]], ms: int, outcome: Outcome) -> None:
        into += [(ms - BEGAN, str(finding.event)) for finding in outcome.findings]


STARTED = [(1000, "tool_started"), (1000, "gate_commanded")]
SERVED = [*STARTED, (3000, "gate_open"), (3000, "collector_on"), (5000, "tool_stopped")]
"""As recorded: the gate's travel is looked at with the next reading, half a second late."""


def test_a_file_replays_with_its_items_and_the_changed_run_with_a_better_timer(tmp_path: Path) -> None:
    write(tmp_path)
    heard = Heard()
    history = heard.replay(tmp_path, shop_of())
    assert heard.recorded == SERVED
    assert heard.changed == [*STARTED, (2500, "gate_open"), (2500, "collector_on"), (5000, "tool_stopped")]
    assert history == History(files=1, readings=4, first_ms=BEGAN, last_ms=BEGAN + 5000, gaps=0, troubles=[])
    assert heard.counts == [4]


def test_without_a_changed_shop_the_recorded_run_alone_is_heard(tmp_path: Path) -> None:
    write(tmp_path)
    heard = Heard()
    assert heard.replay(tmp_path) == History(files=1, readings=4, first_ms=BEGAN, last_ms=BEGAN + 5000)
    assert (heard.recorded, heard.changed) == (SERVED, [])
    assert replay(tmp_path, lambda _ms, _outcome: None, changed=shop_of()).readings == 4


def test_within_100_ms_of_a_deadline_the_changed_run_takes_it_with_the_recorded_item(tmp_path: Path) -> None:
    for late, told in ((100, 2600), (101, 2500)):
        folder = tmp_path / str(late)
        write(folder, ((1000, 0.1), (2000, 6.0), (3500 + late, 6.0)))
        heard = Heard()
        heard.replay(folder, shop_of())
        assert heard.changed[2:] == [(told, "gate_open"), (told, "collector_on")]
        assert heard.recorded[2:] == [(2500 + late, "gate_open"), (2500 + late, "collector_on")]


def test_a_window_is_heard_from_its_first_moment_to_before_its_last_but_played_from_the_files_start(
    tmp_path: Path,
) -> None:
    write(tmp_path)
    for window, told in (
        ({"since": 1001}, SERVED[2:]),
        ({"since": 1000}, SERVED),
        ({"until": 5000}, SERVED[:-1]),
        ({"until": 5001}, SERVED),
        ({"since": 3000, "until": 3001}, SERVED[2:4]),
    ):
        heard = Heard()
        history = heard.replay(tmp_path, since=window.get("since"), until=window.get("until"))
        assert heard.recorded == told
        assert history.first_ms == BEGAN + window.get("since", 0)
        assert history.last_ms == BEGAN + min(5000, window.get("until", 5000))


def test_a_file_that_begins_at_the_windows_end_is_not_played(tmp_path: Path) -> None:
    write(tmp_path)
    write(tmp_path, ((1000, 0.1), (2000, 6.0)), run="b", wall_ms=BEGAN + 60_000)
    history = Heard().replay(tmp_path, until=60_000)
    assert (history.files, history.readings, history.last_ms) == (1, 4, BEGAN + 5000)
    assert Heard().replay(tmp_path, until=60_001).files == 2


@pytest.mark.parametrize(
    ("second", "gaps"),
    [
        ({"ends": "full"}, 0),
        ({"ends": "clock"}, 0),
        ({"ends": "config"}, 0),
        ({"ends": "shutdown"}, 1),
        ({"ends": "full", "run": "b"}, 1),
    ],
)
def test_the_changed_run_goes_on_over_files_between_which_nothing_is_missing(
    tmp_path: Path, second: dict[str, str], gaps: int
) -> None:
    """The first file ends while the saw runs: a changed run that begins anew sees it draw at first."""
    write(tmp_path, ((1000, 0.1), (2000, 6.0), (4000, 6.0)), ends=second["ends"])
    write(tmp_path, ((5000, 6.0), (6000, 0.1)), run=second.get("run", "a"), wall_ms=BEGAN)
    heard = Heard()
    history = heard.replay(tmp_path, shop_of(TEXT.replace("2.5", "2.4")))
    assert (history.files, history.gaps) == (2, gaps)
    anew = ["start_refused", "alarm_raised", "tool_stopped", "alarm_cleared"]
    assert [event for ms, event in heard.changed if ms >= 4000] == (anew if gaps else ["tool_stopped"])


def test_a_changed_config_on_the_way_begins_the_changed_run_anew(tmp_path: Path) -> None:
    write(tmp_path, ((1000, 0.1), (2000, 6.0)), ends="config")
    write(tmp_path, ((5000, 6.0), (6000, 0.1)), text=TEXT.replace("travel = 1.5", "travel = 1.6"))
    assert Heard().replay(tmp_path, shop_of()).gaps == 1


def test_a_damaged_file_and_one_of_a_config_of_no_use_are_gaps(tmp_path: Path) -> None:
    write(tmp_path, ((1000, 0.1), (2000, 6.0)), ends="full")
    write(tmp_path, ((3000, 6.0),), text="[gate.saw]\n", ends="full")
    write(tmp_path, ((5000, 6.0), (6000, 0.1)))
    history = Heard().replay(tmp_path, shop_of())
    assert (history.files, history.gaps, len(history.troubles)) == (2, 1, 1)
    assert "refused by this version" in history.troubles[0]


def test_a_tool_of_another_measure_is_a_trouble_once_however_many_files_there_are(tmp_path: Path) -> None:
    for run in "ab":
        write(tmp_path, run=run)
    watts = TEXT.replace("current =", "power =").replace("start_amps = 2.5", "start_watts = 2.5")
    history = Heard().replay(tmp_path, shop_of(watts))
    assert history.troubles == ["readings of saw recorded as amps: by this config its sensor says watts"]
    assert history.gaps == 1


# A logger's file


SAW = Tool(name="saw", collector="main", gates=("saw",), start_at=2.5, stop_at=1.75)
SHOP = Shop(tools=(SAW,), gates=(Gate(name="saw", collector="main"),), collectors=(Collector(name="main"),))


@pytest.mark.parametrize(
    ("tools", "gates", "fans", "ms"),
    [
        # silent 30 + run-on 10, four times 1.5 s thrice, spin-up 3 + coast-down 8, and 10 s more
        ({}, {}, {}, 40_000 + 18_000 + 11_000 + 10_000),
        ({"start_after": 0.5, "stop_after": 2.0, "run_on": 0.0}, {}, {}, 32_500 + 18_000 + 11_000 + 10_000),
        ({}, {"retries": 0, "travel": 2.0}, {}, 40_000 + 8000 + 11_000 + 10_000),
        ({}, {}, {"starts_per_hour": 6}, 40_000 + 18_000 + 11_000 + 3_600_000 + 10_000),
        ({}, {}, {"spin_up": 1.0, "coast_down": 0.5}, 40_000 + 18_000 + 1500 + 10_000),
    ],
)
def test_a_shop_comes_to_rest_within_its_longest_times(
    tools: dict[str, Any], gates: dict[str, Any], fans: dict[str, Any], ms: int
) -> None:
    shop = Shop(
        tools=(Tool(name="saw", collector="main", gates=("saw",), start_at=2.5, stop_at=1.75, **tools),),
        gates=(Gate(name="saw", collector="main", **gates),),
        collectors=(Collector(name="main", **fans),),
    )
    assert longest_end_ms(shop) == ms
    assert longest_end_ms(Shop(tools=(), gates=(), collectors=())) == 10_000


def played(shop: Shop, *readings: tuple[int, int], zero_ms: int = 0) -> tuple[list[str], list[tuple[int, str]]]:
    stretch = Stretch(tracks={"saw": Track()}, zero_ms=zero_ms)
    for order, (ms, ma) in enumerate(readings):
        track = stretch.tracks["saw"]
        track.ms.append(100_000 + ms)
        track.ma.append(ma)
        track.order.append(order)
    told: list[tuple[int, str]] = []
    return play(stretch, shop, lambda ms, finding: told.append((ms - 100_000, str(finding.event)))), told


def test_after_the_last_reading_time_runs_on_until_all_is_at_rest() -> None:
    runs, told = played(SHOP, (0, 100), (1000, 6000), (30_000, 6000), (31_000, 100), zero_ms=0)
    assert runs == []
    assert told == [
        (1000, "tool_started"),
        (1000, "gate_commanded"),
        (2500, "gate_open"),
        (2500, "collector_on"),
        (31_000, "tool_stopped"),
        (41_000, "run_on_ended"),
        (41_000, "collector_off"),
        (49_000, "gate_commanded"),
        (50_500, "gate_shut"),
    ]
    assert played(SHOP, (0, 100), (1000, 6000), zero_ms=70_000)[1][0] == (1000 - 70_000, "tool_started")


def test_a_tool_still_runs_at_the_end_where_its_sensor_speaks_only_on_change() -> None:
    quiet = Shop(
        tools=(Tool(name="saw", collector="main", gates=("saw",), start_at=2.5, stop_at=1.75, silent_after=0.0),),
        gates=SHOP.gates,
        collectors=SHOP.collectors,
    )
    assert played(quiet, (0, 100), (1000, 6000))[0] == ["saw"]
    assert played(quiet, (0, 100), (1000, 6000), (2000, 100))[0] == []
    assert played(SHOP, (0, 100), (1000, 6000))[0] == []


def test_an_empty_file_plays_nothing() -> None:
    assert played(SHOP) == ([], [])


def test_a_finding_becomes_a_line_with_its_seconds_from_the_files_zero() -> None:
    finding = Finding(event=Happened.TOOL_STARTED, rule=Rule.START_THRESHOLD, tool="saw", facts=(("amps", 6.0),))
    assert as_line(1250, finding) == {
        "t_s": 1.25,
        "event": "tool_started",
        "tool": "saw",
        "rule": "start_threshold",
        "amps": 6.0,
    }
