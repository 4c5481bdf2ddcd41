"""What the simulation has found, kept as the shortest stories: each broke an invariant, or kept a shop from working."""

from math import inf

import pytest
from sim_draw import CONFIG, Drawn
from sim_happening import Happening
from sim_play import Result, play
from sim_script import DAY

from gatehand.config import load_text
from gatehand.shell import freshness
from gatehand.simshop.sim_shop import Habits
from gatehand.simshop.tool import ToolHabits
from gatehand_rules import collectors, zone

Patch = pytest.MonkeyPatch

GATE = """
[gate.{name}]
command = {{ topic = "shop/gate/{name}/set", open = "open", shut = "shut" }}
{state}
travel = {travel}
retries = 1
"""
TOOL = """
[tool.{name}]
gates = ["{name}"]
current = {{ topic = "shop/tool/{name}/amps" }}
start_amps = 2
run_on = {run_on}
silent_after = 240
"""


def shop(collector: str, *, travel: float = 1.5, run_on: float = 0, reports: bool = True) -> Drawn:
    """Two tools, `saw` and `jointer`, each with a gate of its own name."""
    command = 'command = { topic = "shop/fan", on = "1", off = "0" }'
    text = f'[log]\nfolder = "log"\n[collector.main]\n{command}\n{collector}\n'
    for name in ("saw", "jointer"):
        state = f'state = {{ topic = "shop/gate/{name}/state", open = "open", shut = "shut" }}' if reports else ""
        text += GATE.format(name=name, state=state, travel=travel) + TOOL.format(name=name, run_on=run_on)
    loaded = load_text(text, CONFIG, files=False)
    assert loaded.config is not None, loaded.problems
    sensors = ToolHabits(every=60.0, inrush=None)
    return Drawn(loaded, loaded.config, Habits(tools=dict.fromkeys(loaded.config.tool, sensors)))


def cut(at: float, tool: str, lasts: float) -> Happening:
    return Happening(at, "cut", tool, at + lasts)


def day(drawn: Drawn, *happenings: Happening) -> Result:
    return play("found", sorted(happenings), drawn)


def told(result: Result, topic: str, payload: str, since: float = 0.0) -> list[float]:
    """When, in seconds of the day; what the liveness phase adds is left out."""
    return [at - 1000 for at, t, p in result.told if t == topic and p == payload and since <= at - 1000 < DAY]


def rules_of(result: Result) -> set[str]:
    return {each.rule for each in result.breaches}


BUDGET = shop("coast_down = 1\nmax_open = 1\nstarts_per_hour = 2")
SHORT_CUT_WHILE_KEPT_ON = (cut(100, "saw", 5), cut(200, "saw", 5), cut(300, "jointer", 0.3))


def test_a_change_of_zone_that_nobody_wants_any_more_leaves_no_gate_open_beyond_the_limit() -> None:
    """The collector was kept on for its motor's sake, and both gates of the change stood open for an hour."""
    result = day(BUDGET, *SHORT_CUT_WHILE_KEPT_ON)
    assert result.breaches == []
    assert told(result, "shop/gate/jointer/set", "open")
    assert told(result, "shop/gate/saw/set", "shut", 300)[0] < 310


def test_that_story_can_fail(monkeypatch: Patch) -> None:
    monkeypatch.setattr(zone, "trim", lambda _context, _at: None)
    assert "I7" in rules_of(day(BUDGET, *SHORT_CUT_WHILE_KEPT_ON))


COASTS = shop("coast_down = 30\nmax_open = 1", run_on=0.5)
TWO_RUN_ONS = (cut(100, "saw", 10), cut(110.2, "jointer", 0.3))


def test_nor_does_one_that_is_half_done_when_the_collector_goes_off() -> None:
    result = day(COASTS, *TWO_RUN_ONS)
    assert result.breaches == []
    off = told(result, "shop/fan", "0", 100)[0]
    assert told(result, "shop/gate/jointer/set", "open", off - 1)
    assert told(result, "shop/gate/saw/set", "shut", off)[0] < off + 5


def test_that_story_can_fail_too(monkeypatch: Patch) -> None:
    monkeypatch.setattr(zone, "trim", lambda _context, _at: None)
    assert "I7" in rules_of(day(COASTS, *TWO_RUN_ONS))


TWO_NEEDED = shop("coast_down = 1\nmin_open = 2")
JAMMED_ONCE = (Happening(90, "gate_jam", "jointer", 200.0), cut(100, "jointer", 300), cut(300, "saw", 20))


def test_a_gate_that_jammed_once_is_tried_again_for_the_fan_by_the_next_tool() -> None:
    """With `min_open = 2` a gate in fault kept every other tool from starting, long after it had been freed."""
    result = day(TWO_NEEDED, *JAMMED_ONCE)
    assert result.breaches == []
    assert told(result, "shop/fan", "1", 300)


def test_that_story_can_fail_as_well(monkeypatch: Patch) -> None:
    monkeypatch.setattr(zone, "try_again", lambda _context, _at: None)
    result = day(TWO_NEEDED, *JAMMED_ONCE)
    assert not told(result, "shop/fan", "1", 300) or result.breaches


def test_a_gate_that_stayed_open_is_told_shut_again_after_the_next_run() -> None:
    """It stood open, and took air from every tool, until its own tool was used again."""
    plain = shop("coast_down = 1")
    result = day(plain, cut(100, "jointer", 20), Happening(110, "gate_jam", "jointer", 200.0), cut(300, "saw", 20))
    assert result.breaches == []
    assert told(result, "shop/gate/jointer/set", "shut", 320)


def test_a_full_disk_keeps_no_daemon_from_starting() -> None:
    """It ended with the exit code that keeps a service manager from trying again."""
    plain = shop("coast_down = 1")
    full = Happening(100, "disk_full", "", 400.0)
    result = day(plain, full, cut(110, "saw", 20), Happening(200, "daemon_killed", "", 202.0), cut(300, "saw", 20))
    assert result.breaches == []
    assert told(result, "shop/fan", "1", 300)


FORGETS = shop("coast_down = 1\nrefresh = 20\nstarts_per_hour = 2")
START_AFTER_A_GAP = (
    *(cut(100, "saw", 5), cut(400, "saw", 5)),
    *(Happening(600, "cable_out", "", 690.0), cut(3000, "saw", 5), cut(3600, "saw", 5)),
)


def test_a_start_after_a_gap_in_which_the_switch_may_have_opened_counts_against_the_budget() -> None:
    result = day(FORGETS, *START_AFTER_A_GAP)
    assert result.breaches == []
    assert told(result, "shop/fan", "0", 3000)[0] > 4000


def test_that_the_budget_can_be_broken_is_seen(monkeypatch: Patch) -> None:
    monkeypatch.setattr(collectors, "free_again_at", lambda _collector, _state, _now: -inf)
    assert "I8" in rules_of(day(FORGETS, *START_AFTER_A_GAP))


STOPPED_AT_THE_START = [
    *(Happening(99, "disk_stalls", "", 200.0), cut(100, "saw", 60)),
    *(Happening(100.9 + 0.01 * i, "hold_asked", "main") for i in range(12)),
]


def test_an_on_that_waits_for_the_disk_never_follows_the_hold_that_came_meanwhile() -> None:
    result = day(shop("coast_down = 1"), *STOPPED_AT_THE_START)
    assert result.breaches == []


@pytest.mark.parametrize("frozen", [0.2, 0.6, 1.0, 1.6, 2.4, 3.5, 8.0])
@pytest.mark.parametrize("since", [99.98, 100.0, 100.02, 101.4, 101.55])
def test_a_broker_that_freezes_never_lets_an_on_out_before_its_gate_has_had_time(since: float, frozen: float) -> None:
    """What a quiet broker had held up left all at once: the gate began to move and the collector started with it."""
    blind = shop("coast_down = 1", reports=False)
    freeze = Happening(since, "broker_frozen", "", round(since + frozen, 3))
    result = day(blind, cut(100, "saw", 30), freeze)
    assert result.breaches == []
    opened = told(result, "shop/gate/saw/set", "open")
    assert all(any(on - 1.5 + 0.6 >= at for at in opened) for on in told(result, "shop/fan", "1"))


@pytest.mark.parametrize("edit", ["edit_travel", "edit_rename"])
def test_the_alarm_about_a_retained_command_ends_after_an_edit_too(edit: str) -> None:
    """A reload ended the subscription by which the daemon hears that the broker has forgotten the message."""
    result = day(shop(""), Happening(100, "retained_command", "saw"), Happening(200, edit, "saw", 300.0, 0.5))
    assert result.breaches == []


def _says_when(drawn: Drawn) -> Drawn:
    """The same shop; the saw's sensor says when it measured."""
    plain = '"shop/tool/saw/amps"'
    text = drawn.loaded.text.replace(plain, f'{plain}, pointer = "/amps", at = "/at"')
    loaded = load_text(text, CONFIG, files=False)
    assert loaded.config is not None, loaded.problems
    return Drawn(loaded, loaded.config, drawn.habits)


HELD_BACK = (Happening(1098, "held_back", "saw", 1112.0, 0.7), cut(1100, "saw", 60))


def test_what_a_sensor_held_back_through_an_outage_starts_nothing() -> None:
    result = day(_says_when(shop("coast_down = 1")), *HELD_BACK)
    assert result.breaches == []
    assert told(result, "shop/fan", "1")[0] > 1115, "not by what it said at 1112, but by the next reading"


def test_that_what_was_held_back_starts_something_is_seen(monkeypatch: Patch) -> None:
    monkeypatch.setattr(freshness.ReadingAge, "judge_time", lambda _self, _at, _now, **_: False)
    assert "I5, I6" in rules_of(day(_says_when(shop("coast_down = 1")), *HELD_BACK))


LEAVES = shop('coast_down = 1\nmax_open = 1\nrest = "leave"')
FROZEN_IN_A_CHANGE = (cut(100, "jointer", 5), cut(300, "saw", 45), Happening(300.4, "daemon_slow", "", 306.0))


def test_a_start_that_is_to_be_confirmed_leaves_no_gate_of_before_open_beyond_the_limit() -> None:
    """Frozen in the middle of a change of zone, it waited for its tool's next word with both gates open."""
    result = day(LEAVES, *FROZEN_IN_A_CHANGE)
    assert result.breaches == []
    assert told(result, "shop/gate/jointer/set", "shut", 300)[0] < 310


def test_that_the_gate_of_before_stays_open_is_seen(monkeypatch: Patch) -> None:
    monkeypatch.setattr(zone, "shut_others", lambda _context, _at, _chosen: None)
    assert "I7" in rules_of(day(LEAVES, *FROZEN_IN_A_CHANGE))
