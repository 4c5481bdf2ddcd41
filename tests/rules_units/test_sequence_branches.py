"""What moves a collector from one phase to the next, branch by branch."""

from dataclasses import replace
from typing import Any

import pytest
from unit_bench import commands, events, fan, gate, happened, hose, ready, running, saw_shop, shop, tool

from gatehand_rules import events as ev
from gatehand_rules.findings import Happened
from gatehand_rules.state import (
    CoastDown,
    GateFault,
    GateOpen,
    GateShut,
    GateState,
    Hand,
    Off,
    Opening,
    Running,
    RunOn,
    SpinUp,
    Standing,
    ToolIdle,
    ToolRunning,
)
from gatehand_rules.words import Position

# --- off, opening, on


def test_a_demand_opens_its_gate_and_waits_for_it() -> None:
    bench = ready(saw_shop())
    bench.amps(50.0, 5.0)
    assert bench.fan_state().phase == Opening(50.0)
    assert bench.state.wake_at == 51.0


def test_a_demand_that_may_start_nothing_leaves_an_off_collector_off() -> None:
    bench = ready(saw_shop())
    bench.put(tools=(ToolRunning(5.0, 50.0, 50.0, Standing.STALE),))
    assert commands(bench.until(60.0)) == []
    assert bench.fan_state().phase == Off()


def test_a_cut_over_before_its_gate_is_open_leaves_a_missed_start() -> None:
    bench = ready(shop(tool(run_on=0.0), gate()))
    bench.amps(50.0, 5.0)
    assert bench.amps(50.75, 0.0) == [
        "> shut saw",
        "tool_stopped/stop_threshold tool=saw collector=main amps=0 stop_amps=2 stop_after=0 ran_for=0.75 run_on=0",
        "run_on_ended/run_on tool=saw collector=main run_on=0",
        "start_missed/cut_ended_before_gate collector=main waited=0.75",
        "gate_commanded/rest gate=saw collector=main to=shut travel=1",
    ]
    assert bench.fan_state().phase == Off()


def test_a_cut_over_within_its_run_on_starts_the_collector_all_the_same() -> None:
    bench = ready(saw_shop())
    bench.amps(50.0, 5.0)
    bench.amps(50.5, 0.0)
    assert commands(bench.is_open(51.0)) == ["on main"]


def test_within_coast_down_a_fresh_demand_starts_anew() -> None:
    bench = running(saw_shop())
    bench.amps(60.0, 0.0)
    bench.until(64.0)
    bench.is_off(64.5)
    assert commands(bench.amps(66.0, 5.0)) == ["on main"]


def test_a_start_waits_for_every_gate_of_every_tool_that_demands() -> None:
    bench = ready(shop(tool("wide", "a", "b"), gate("a"), gate("b")))
    assert commands(bench.amps(50.0, 5.0, "wide")) == ["open a", "open b"]
    assert commands(bench.is_open(50.5, "a")) == []
    assert commands(bench.is_open(50.9, "b")) == ["on main"]


def test_a_gate_in_fault_is_no_longer_waited_for() -> None:
    bench = ready(shop(tool("wide", "a", "b"), gate("a"), gate("b", retries=0)))
    bench.amps(50.0, 5.0, "wide")
    bench.is_open(50.5, "a")
    assert commands(bench.tick(51.0)) == ["raise gate_b_fault", "on main"]


def test_with_none_of_its_gates_there_is_no_start() -> None:
    bench = ready(shop(tool(), gate(retries=0), gate("open", commanded=False)))
    bench.is_open(49.0, "open")
    bench.now = 50.0
    bench.amps(50.0, 5.0)
    said = bench.tick(51.0)
    assert commands(said) == ["raise gate_saw_fault", "raise tool_saw_not_served"]
    assert "start_refused/no_gate_proven tool=saw collector=main gates=saw" in said
    assert "alarm_raised/no_gate_proven tool=saw alarm=tool_saw_not_served gates=saw" in said
    assert bench.until(100.0) == []


def test_a_refusal_ends_when_a_gate_opens_after_all() -> None:
    bench = ready(shop(tool(), gate(retries=0)))
    bench.amps(50.0, 5.0)
    bench.tick(51.0)
    said = bench.is_open(55.0)
    assert "alarm_cleared/no_gate_proven tool=saw alarm=tool_saw_not_served" in said
    assert commands(said)[-1] == "on main"


def test_a_refusal_ends_with_its_tool() -> None:
    bench = ready(shop(tool(), gate(retries=0)))
    bench.amps(50.0, 5.0)
    bench.tick(51.0)
    assert "alarm_cleared/no_demand tool=saw alarm=tool_saw_not_served" in bench.amps(55.0, 0.0)


def test_a_gate_moved_by_hand_is_named_while_it_is_shut() -> None:
    bench = ready(shop(tool("wide", "a", "b"), gate("a", commanded=False), gate("b", commanded=False)))
    said = bench.amps(50.0, 5.0, "wide")
    assert said[-2:] == [
        "alarm_raised/gate_by_hand_is_shut tool=wide alarm=tool_wide_not_served gates=a, b",
        "start_refused/gate_by_hand_is_shut tool=wide collector=main gates=a, b",
    ]
    assert commands(bench.is_open(52.0, "a")) == ["clear tool_wide_not_served", "on main"]


def test_of_gates_by_hand_and_others_in_fault_those_by_hand_are_named() -> None:
    bench = ready(shop(tool("wide", "a", "b"), gate("a", retries=0), gate("b", commanded=False)))
    bench.amps(50.0, 5.0, "wide")
    assert "start_refused/gate_by_hand_is_shut tool=wide collector=main gates=b" in bench.until(52.0)


def test_too_few_gates_for_the_fan_are_told_once() -> None:
    place = shop(tool(), gate("saw"), gate("a", retries=0), fan(min_open=2))
    bench = ready(place)
    assert commands(bench.amps(50.0, 5.0)) == ["open saw", "open a"]
    assert commands(bench.is_open(50.5)) == []
    said = bench.tick(51.0)
    assert "raise collector_main_too_few_gates" in commands(said)
    assert "start_refused/min_open tool=saw collector=main proven_open=1 min_open=2" in said
    assert "alarm_raised/min_open collector=main alarm=collector_main_too_few_gates proven_open=1 min_open=2" in said
    assert bench.until(60.0) == []
    said = bench.is_open(61.0, "a")
    assert "alarm_cleared/min_open collector=main alarm=collector_main_too_few_gates" in said
    assert commands(said)[-1] == "on main"


def test_too_few_gates_are_no_longer_told_when_the_demand_is_over() -> None:
    bench = ready(shop(tool(run_on=0.0), gate("saw"), gate("a", retries=0), fan(min_open=2)))
    bench.amps(50.0, 5.0)
    bench.is_open(50.5)
    bench.tick(51.0)
    assert "alarm_cleared/no_demand collector=main alarm=collector_main_too_few_gates" in bench.amps(60.0, 0.0)


def test_makeup_gates_are_waited_for_only_while_there_are_too_few() -> None:
    place = shop(tool(), gate("saw"), gate("a"), gate("b"), fan(min_open=2))
    bench = ready(place)
    assert commands(bench.amps(50.0, 5.0)) == ["open saw", "open a"]
    bench.is_open(50.4)
    assert bench.fan_state().phase == Opening(50.0)
    assert commands(bench.is_open(50.8, "a")) == ["on main"]


def test_a_hose_without_gate_starts_at_once() -> None:
    place = shop(hose(), gate("other"), fan(min_open=0))
    bench = ready(place)
    assert commands(bench.amps(50.0, 5.0)) == ["on main"]
    bench.is_on(50.1)
    assert bench.fan_state().phase == SpinUp(50.0)
    bench.until(55.0)
    assert bench.fan_state().phase == Running()
    bench.amps(60.0, 0.0)
    assert commands(bench.until(64.0)) == ["off main"]


def test_a_hose_beside_a_tool_whose_gate_is_in_fault_starts() -> None:
    place = shop(hose("hose"), tool("saw"), gate("saw", retries=0), fan(min_open=0))
    bench = ready(place)
    bench.put(gates=(GateState(move=GateFault(Position.OPEN, 40.0)),))
    assert "on main" in commands(bench.amps(50.0, 5.0, "hose"))


def test_a_tool_with_its_gate_in_fault_starts_no_fan_that_wants_no_gate() -> None:
    place = shop(tool("saw"), gate("saw", retries=0), fan(min_open=0))
    bench = ready(place)
    bench.amps(50.0, 5.0)
    assert "on main" not in commands(bench.until(60.0))


def test_a_demand_none_of_whose_gates_is_proven_keeps_no_collector_on() -> None:
    bench = running(shop(tool("saw"), tool("jointer"), gate("saw"), gate("jointer", retries=0)))
    bench.amps(60.0, 5.0, "jointer")
    bench.until(62.0)
    bench.amps(63.0, 0.0)
    assert "off main" in commands(bench.until(67.0))


def test_the_gate_that_last_carried_air_is_remembered() -> None:
    bench = running(shop(tool("saw"), tool("jointer"), gate("jointer"), gate("saw")))
    assert bench.fan_state().last_gate == 1
    bench.amps(60.0, 0.0)
    bench.amps(61.0, 5.0, "jointer")
    bench.is_open(62.0, "jointer")
    assert bench.fan_state().last_gate == 0


# --- I4: a fan against shut gates


def test_a_fan_that_loses_its_last_gate_is_told_off_and_given_air() -> None:
    bench = running(saw_shop())
    assert bench.is_shut(60.0) == [
        "> raise collector_main_shut_gates",
        "> open saw",
        "> off main",
        "gate_shut/moved_by_hand gate=saw collector=main",
        ("alarm_raised/fan_against_shut_gates collector=main alarm=collector_main_shut_gates proven_open=0 min_open=1"),
        ("fan_unsafe/fan_against_shut_gates collector=main proven_open=0 min_open=1 reported_on=True drawing=None"),
        "gate_commanded/fan_against_shut_gates gate=saw collector=main to=open travel=1 instead_of=None",
        "collector_off/fan_against_shut_gates collector=main coast_down=8 why=None",
    ]
    assert bench.fan_state().phase == CoastDown(tripped=True)


def test_tripped_it_starts_again_once_it_stands_still_its_gate_not_told_to_shut_between_and_its_alarm_ends() -> None:
    bench = running(saw_shop())
    bench.is_shut(60.0)
    bench.is_open(61.0)
    bench.is_off(62.0)
    assert commands(bench.tick(69.999)) == []
    assert bench.fan_state().phase == CoastDown(tripped=True)
    assert "collector_main_shut_gates" in bench.state.alarms
    assert commands(bench.tick(70.0)) == ["on main", "clear collector_main_shut_gates"]


def test_relief_gates_come_first_then_the_last_used_then_the_others() -> None:
    place = shop(tool("saw"), gate("a"), gate("saw"), gate("b", relief=True), gate("c"), fan())
    for min_open, opened in ((1, ["open b"]), (2, ["open b", "open saw"]), (3, ["open b", "open saw", "open a"])):
        bench = ready(place)
        bench.shop = shop(*place.tools, *place.gates, fan(min_open=min_open))
        bench.put(
            collectors=(replace(bench.fan_state(), phase=Running(), last_gate=1, confirmed=True),),
            gates=tuple(GateState(move=GateShut()) for _ in place.gates),
        )
        said = commands(bench.tick(50.0))
        assert [one for one in said if one.startswith("open")] == opened


def test_a_fan_switched_on_by_hand_with_a_gate_open_is_adopted_and_without_one_given_air_and_told_off() -> None:
    bench = ready(saw_shop())
    bench.is_open(50.0)
    assert bench.is_on(51.0) == [
        "collector_running/report collector=main reported_on=True drawing=None",
        "collector_adopted/switched_by_hand collector=main",
    ]
    assert (bench.fan_state().phase, bench.fan_state().by_hand) == (Running(), True)
    assert commands(bench.until(500.0)) == []
    bench = ready(saw_shop())
    assert commands(bench.is_on(51.0)) == ["raise collector_main_shut_gates", "open saw", "off main"]
    assert bench.fan_state().phase == CoastDown(tripped=True)
    assert commands(bench.is_open(52.0)) == []


def test_adopted_by_its_current_where_its_switch_says_nothing() -> None:
    for settings, adopted in (({"reports": False, "senses_current": True}, True), ({"senses_current": True}, False)):
        bench = ready(saw_shop(**settings))
        bench.is_open(50.0)
        said = events(bench.tell(ev.CollectorCurrent("main", 9.0), 51.0))
        assert ("collector_adopted/switched_by_hand" in said) is adopted


def test_a_late_obedience_is_no_hand() -> None:
    bench = running(saw_shop())
    bench.amps(60.0, 0.0)
    bench.tick(64.0)
    assert bench.is_on(64.1) == []
    assert bench.fan_state().phase == CoastDown()


def test_an_old_report_of_on_is_no_hand() -> None:
    bench = ready(saw_shop())
    bench.is_open(50.0)
    assert events(bench.tell(ev.CollectorReport("main", on=True, retained=True), 51.0)) == [
        "collector_running/retained"
    ]
    assert bench.fan_state().phase == Off()


def test_switched_on_by_hand_a_tool_opens_its_gate_and_leaves_the_switch_to_the_hand() -> None:
    bench = ready(shop(tool("saw"), gate("saw"), gate("sweep"), fan(refresh=20.0)))
    bench.is_open(50.0, "sweep")
    bench.is_on(51.0)
    assert commands(bench.amps(52.0, 5.0)) == ["open saw instead of sweep"]
    assert commands(bench.is_open(53.0)) == ["shut sweep"]
    bench.is_shut(53.5, "sweep")
    bench.amps(54.0, 0.0)
    assert commands(bench.until(300.0)) == []
    assert bench.fan_state().phase == Running()


def test_switched_off_by_hand_it_stays_off_and_says_so_of_each_cutting_tool() -> None:
    bench = running(saw_shop())
    assert bench.is_off(60.0) == [
        "> off main",
        "> raise tool_saw_not_fresh",
        "collector_stood/report collector=main reported_on=False drawing=None",
        "collector_off/switched_by_hand collector=main coast_down=8 why=None",
        "start_refused/switched_by_hand tool=saw collector=main",
        "alarm_raised/switched_by_hand tool=saw alarm=tool_saw_not_fresh",
    ]
    assert bench.tool_state() == ToolRunning(5.0, 50.0, 50.0, Standing.STALE)
    assert "on main" not in commands(bench.until(300.0))


def test_switched_off_and_on_again_by_hand_it_is_not_fought() -> None:
    bench = running(saw_shop())
    bench.is_off(60.0)
    assert "collector_adopted/switched_by_hand collector=main" in bench.is_on(61.0)
    assert commands(bench.until(300.0)) == []


def test_switched_off_by_hand_it_ends_run_on_and_hand_starts_without_a_refusal() -> None:
    bench = running(saw_shop())
    bench.tell(ev.HandAsked("saw", on=True), 59.0)
    bench.amps(60.0, 0.0)
    said = events(bench.is_off(61.0))
    assert said == ["collector_stood/report", "collector_off/switched_by_hand", "hand_ended/switched_by_hand"]
    assert bench.tool_state() == ToolIdle(0.0, 60.0)


def test_an_off_before_the_on_was_answered_is_no_hand() -> None:
    bench = ready(saw_shop())
    bench.amps(50.0, 5.0)
    bench.is_open(51.0)
    assert bench.is_off(51.2) == []
    assert bench.fan_state().phase == SpinUp(51.0)


def test_what_was_switched_on_by_hand_may_be_switched_off_by_hand() -> None:
    bench = ready(saw_shop())
    bench.is_open(50.0)
    bench.is_on(51.0)
    assert commands(bench.is_off(60.0)) == ["off main"]


@pytest.mark.parametrize(
    ("settings", "event", "off"),
    [
        ({}, ev.CollectorReport("main", on=False, retained=True), False),
        ({"reports": False, "senses_current": True}, ev.CollectorCurrent("main", 0.0), True),
    ],
)
def test_what_counts_as_switched_off_by_hand(settings: dict[str, Any], event: ev.Event, *, off: bool) -> None:
    bench = running(saw_shop(**settings))
    if settings:
        bench.tell(ev.CollectorCurrent("main", 9.0), 56.0)
    assert ("off main" in commands(bench.tell(event, 60.0))) is off


# --- the bin


def test_a_bin_that_fills_while_gates_travel_refuses_the_start() -> None:
    bench = ready(saw_shop())
    bench.amps(50.0, 5.0)
    said = bench.tell(ev.BinReport("main", full=True), 50.5)
    assert "start_refused/bin_full tool=saw collector=main amps=5 start_amps=3" in said
    assert bench.tool_state() == ToolRunning(5.0, 50.0, 50.0, Standing.STALE)
    assert "on main" not in commands(bench.is_open(51.0) + bench.until(60.0))


def test_a_bin_that_fills_while_gates_travel_ends_a_hand_start() -> None:
    bench = ready(saw_shop())
    bench.tell(ev.ButtonPressed("saw"), 50.0)
    said = bench.tell(ev.BinReport("main", full=True), 50.5)
    assert "hand_ended/bin_full gate=saw collector=main lasted=0.5 hand_limit=1800" in said
    assert "start_refused/bin_full gate=saw collector=main" in said


def test_a_bin_that_fills_stops_no_running_collector_and_none_where_it_only_warns() -> None:
    bench = running(saw_shop())
    assert commands(bench.tell(ev.BinReport("main", full=True), 60.0)) == ["raise collector_main_bin_full"]
    assert bench.until(100.0) == []
    bench = ready(saw_shop(on_bin_full="warn"))
    bench.amps(50.0, 5.0)
    bench.tell(ev.BinReport("main", full=True), 50.5)
    assert commands(bench.is_open(51.0)) == ["on main"]


# --- kept on


def test_run_on_and_the_budget_have_their_own_words() -> None:
    bench = running(saw_shop(starts_per_hour=1))
    bench.amps(60.0, 0.0)
    assert bench.fan_state().phase == RunOn("run_on")
    bench.until(64.0)
    assert bench.fan_state().phase == RunOn("starts_per_hour")


def test_a_short_cut_within_spin_up_says_once_that_the_budget_keeps_it_on() -> None:
    bench = ready(shop(tool(run_on=0.0), gate(), fan(starts_per_hour=1)))
    bench.amps(50.0, 5.0)
    bench.is_open(51.0)
    bench.is_on(51.1)
    bench.amps(51.5, 0.0)
    bench.tick(52.0)
    bench.until(60.0)
    assert len(happened(bench, Happened.COLLECTOR_KEPT_ON)) == 1


# --- two collectors


def test_each_collector_goes_its_own_way() -> None:
    place = shop(
        tool("saw"),
        tool("lathe", collector="other"),
        gate("saw"),
        gate("lathe", collector="other"),
        fan(),
        fan("other"),
    )
    bench = ready(place)
    assert commands(bench.amps(50.0, 5.0, "lathe")) == ["open lathe"]
    assert commands(bench.is_open(51.0, "lathe")) == ["on other"]
    assert bench.fan_state().phase == Off()
    assert commands(bench.tell(ev.HoldAsked("main"), 52.0))[:1] == ["off main"]
    assert bench.fan_state(1).phase == SpinUp(51.0)


def test_a_hand_start_kept_through_a_lost_broker_starts_no_collector() -> None:
    bench = ready(saw_shop())
    bench.put(gates=(GateState(move=GateOpen(), hand=Hand(40.0, kept=True)),))
    assert commands(bench.until(60.0)) == []


def test_a_start_does_not_wait_for_an_assist_gate() -> None:
    bench = ready(shop(tool("saw", assist=("sweep",)), gate("saw"), gate("sweep")))
    assert commands(bench.amps(50.0, 5.0)) == ["open saw", "open sweep"]
    assert commands(bench.is_open(50.5)) == ["on main"]


def test_a_fan_that_keeps_some_of_its_gates_is_given_those_that_it_lacks() -> None:
    place = shop(tool("wide", "a", "b"), gate("a"), gate("b"), gate("c"), fan(min_open=2))
    bench = ready(place)
    bench.amps(50.0, 5.0, "wide")
    bench.is_open(51.0, "a")
    bench.is_open(51.0, "b")
    bench.is_on(51.1)
    bench.until(55.0)
    said = commands(bench.is_shut(60.0, "a"))
    assert len([one for one in said if one.startswith("open")]) == 1
    assert "off main" in said


def test_a_fan_against_shut_gates_shows_what_is_seen_of_its_motor() -> None:
    bench = running(saw_shop(senses_current=True))
    bench.tell(ev.CollectorCurrent("main", 9.0), 56.0)
    said = bench.is_shut(60.0)
    assert (
        "fan_unsafe/fan_against_shut_gates collector=main proven_open=0 min_open=1 reported_on=True drawing=True"
    ) in said
