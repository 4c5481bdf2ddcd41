"""Buttons and hand starts."""

import pytest
from msgspec.structs import replace
from unit_bench import Bench, commands, events, fan, gate, ready, running, saw_shop, shop, tool

from gatehand_rules import events as ev
from gatehand_rules.findings import Alarm
from gatehand_rules.state import (
    CoastDown,
    Freshness,
    GateOpen,
    GateState,
    Hand,
    Off,
    Opening,
    Phase,
    Running,
    ToolIdle,
    ToolMuted,
    ToolRunning,
    ToolRunOn,
    ToolSilent,
    ToolState,
)


def press(bench: Bench, at: float, name: str = "saw") -> list[str]:
    return bench.tell(ev.ButtonPressed(name), at)


# --- the button


def test_a_press_begins_a_hand_start_and_the_next_ends_it() -> None:
    bench = ready(saw_shop())
    assert press(bench, 50.0) == [
        "> open saw",
        "hand_started/button gate=saw collector=main hand_limit=1800",
        "gate_commanded/demand gate=saw collector=main to=open travel=1 instead_of=None",
    ]
    assert bench.gate_state().hand == Hand(50.0)
    bench.is_open(51.0)
    bench.is_on(51.1)
    assert press(bench, 60.0) == [
        "> off main",
        "hand_ended/button gate=saw collector=main lasted=10 hand_limit=1800",
        "collector_off/no_demand collector=main coast_down=8 why=None",
    ]


@pytest.mark.parametrize(("later", "one"), [(0.399, True), (0.4, False)])
def test_presses_within_four_tenths_of_a_second_are_one(later: float, *, one: bool) -> None:
    bench = ready(saw_shop())
    press(bench, 50.0)
    press(bench, round(50.0 + later, 3))
    assert (bench.gate_state().hand is not None) is one


def test_a_button_that_chatters_on_and_on_is_one_press() -> None:
    bench = ready(saw_shop())
    for at in (50.0, 50.3, 50.6, 50.9):
        press(bench, at)
    assert bench.gate_state().hand == Hand(50.0)


def test_a_press_while_the_tool_runs_mutes_it() -> None:
    bench = running(saw_shop())
    assert press(bench, 60.0) == [
        "> off main",
        "tool_muted/button tool=saw amps=5 stop_amps=2",
        "collector_off/no_demand collector=main coast_down=8 why=None",
    ]
    assert bench.tool_state() == ToolMuted(5.0, 50.0)


def test_a_press_mutes_every_tool_of_the_gate_and_no_other() -> None:
    bench = running(
        shop(tool("saw"), tool("jointer", "saw"), tool("sander"), gate("saw"), gate("sander"), fan()),
    )
    bench.amps(56.0, 5.0, "jointer")
    bench.amps(57.0, 5.0, "sander")
    press(bench, 60.0)
    assert [type(state) for state in bench.state.tools] == [ToolMuted, ToolMuted, ToolRunning]


def test_a_press_in_run_on_ends_it() -> None:
    bench = running(saw_shop())
    bench.amps(60.0, 0.0)
    assert press(bench, 61.0) == [
        "> off main",
        "run_on_ended/button tool=saw collector=main",
        "collector_off/no_demand collector=main coast_down=8 why=None",
    ]
    assert bench.tool_state() == ToolIdle(0.0, 60.0)


@pytest.mark.parametrize(
    ("phase", "state", "released"),
    [
        (Running(), ToolRunning(5.0, 50.0, 50.0, Freshness.FRESH), True),
        (Running(), ToolRunning(5.0, 50.0, 50.0, Freshness.STALE), True),
        (Opening(50.0), ToolRunning(5.0, 50.0, 50.0, Freshness.STALE), True),
        (Off(), ToolRunning(5.0, 50.0, 50.0, Freshness.FRESH), True),
        (Off(), ToolRunning(5.0, 50.0, 50.0, Freshness.STALE), False),
        (CoastDown(), ToolRunning(5.0, 50.0, 50.0, Freshness.UNCONFIRMED), False),
        (Running(), ToolRunOn(0.0, 50.0, 50.0, Freshness.STALE), True),
        (Off(), ToolRunOn(0.0, 50.0, 50.0, Freshness.FRESH), False),
        (Running(), ToolMuted(5.0, 50.0), False),
        (Running(), ToolIdle(0.0, 50.0), False),
        (Running(), ToolSilent(ToolRunning(5.0, 40.0, 40.0, Freshness.FRESH), 50.0), True),
        (Running(), ToolSilent(ToolRunning(5.0, 40.0, 40.0, Freshness.FRESH), 50.0, let_go=True), False),
    ],
)
def test_a_press_releases_what_is_served_or_may_start_and_begins_a_hand_start_otherwise(
    phase: Phase, state: ToolState, *, released: bool
) -> None:
    bench = ready(saw_shop())
    bench.put(
        tools=(state,),
        gates=(GateState(move=GateOpen(40.0)),),
        collectors=(replace(bench.fan_state(), phase=phase, reported_on=None),),
    )
    said = press(bench, 50.5)
    assert ("hand_started/button" in events(said)) is not released


def test_a_hand_start_beside_a_running_tool_ends_first() -> None:
    bench = ready(saw_shop())
    press(bench, 50.0)
    bench.is_open(51.0)
    bench.is_on(51.1)
    bench.amps(52.0, 5.0)
    assert events(press(bench, 55.0)) == ["hand_ended/button"]
    assert isinstance(bench.tool_state(), ToolRunning)


@pytest.mark.parametrize("event", [ev.ButtonPressed("saw", retained=True), ev.HandAsked("saw", on=True, retained=True)])
def test_an_old_press_or_asking_acts_on_nothing(event: ev.Event) -> None:
    bench = ready(saw_shop())
    what = type(event).__name__
    assert bench.tell(event, 50.0) == [f"message_ignored/retained gate=saw what={what}"]
    assert bench.gate_state().hand is None


def test_a_press_passes_over_tools_of_other_gates() -> None:
    bench = ready(shop(tool("saw"), tool("sander"), gate("saw"), gate("sander"), fan()))
    bench.amps(50.0, 5.0, "sander")
    assert "tool_muted/button" in events(press(bench, 51.0, "sander"))


# --- asked for over MQTT


def test_asking_twice_is_asking_once() -> None:
    bench = ready(saw_shop())
    assert events(bench.tell(ev.HandAsked("saw", on=True), 50.0))[0] == "hand_started/button"
    assert bench.tell(ev.HandAsked("saw", on=True), 50.1) == []
    assert events(bench.tell(ev.HandAsked("saw", on=False), 50.2))[0] == "hand_ended/button"
    assert bench.tell(ev.HandAsked("saw", on=False), 50.3) == []


def test_a_hand_start_ends_at_its_limit() -> None:
    bench = ready(shop(tool(), gate(hand_limit=60.0)))
    press(bench, 50.0)
    bench.is_open(51.0)
    bench.is_on(51.1)
    bench.tick(54.0)
    assert bench.state.wake_at == 110.0
    assert bench.tick(109.999) == []
    assert bench.tick(110.0) == [
        "> off main",
        "hand_ended/hand_limit gate=saw collector=main lasted=60 hand_limit=60",
        "collector_off/no_demand collector=main coast_down=8 why=None",
    ]


def test_a_hand_start_that_is_over_takes_its_alarms_along() -> None:
    bench = ready(shop(tool(), gate(retries=0)))
    press(bench, 50.0)
    assert "raise gate.saw.not_served" in commands(bench.until(52.0))
    assert commands(press(bench, 60.0)) == ["clear gate.saw.not_served", "shut saw"]
    bench = ready(shop(tool(), gate(), gate("sweep"), fan(max_open=1)))
    bench.amps(50.0, 5.0)
    assert "raise gate.sweep.max_open" in commands(press(bench, 50.5, "sweep"))
    assert commands(press(bench, 50.95, "sweep")) == ["clear gate.sweep.max_open"]


# --- refused


def test_no_hand_start_while_held_or_with_a_full_bin() -> None:
    bench = ready(saw_shop())
    bench.tell(ev.HoldAsked("main"), 50.0)
    assert press(bench, 51.0) == ["start_refused/hold gate=saw collector=main asked_by=button"]
    bench = ready(saw_shop())
    bench.tell(ev.BinReport("main", full=True), 50.0)
    assert press(bench, 51.0) == ["start_refused/bin_full gate=saw collector=main asked_by=button"]
    assert bench.gate_state().hand is None


def test_a_full_bin_that_only_warns_or_a_running_collector_refuses_no_hand_start() -> None:
    bench = ready(saw_shop(on_bin_full="warn"))
    bench.tell(ev.BinReport("main", full=True), 50.0)
    assert events(press(bench, 51.0))[0] == "hand_started/button"
    bench = running(shop(tool(), gate(), gate("sweep")))
    bench.tell(ev.BinReport("main", full=True), 55.0)
    assert events(press(bench, 56.0, "sweep"))[0] == "hand_started/button"


def test_a_hand_start_tries_a_gate_in_fault_again() -> None:
    bench = ready(shop(tool(), gate(retries=0)))
    bench.amps(50.0, 5.0)
    bench.until(52.0)
    bench.amps(53.0, 0.0)
    bench.until(60.0)
    assert "open saw" in commands(press(bench, 61.0))


def test_a_press_that_mutes_a_tool_ends_the_alarm_that_it_was_not_fresh() -> None:
    bench = running(saw_shop())
    bench.is_off(60.0)
    bench.tick(62.0)
    assert Alarm("tool", "saw", "not_fresh") in bench.state.alarms
    bench.is_on(63.0)
    bench.tick(65.0)
    said = press(bench, 66.0)
    assert "alarm_cleared/button tool=saw alarm=tool.saw.not_fresh" in said
