"""What moves a collector from one phase to the next, branch by branch."""

import pytest
from msgspec.structs import replace
from unit_bench import commands, fan, gate, happened, hose, ready, running, saw_shop, shop, tool

from gatehand_rules import events as ev
from gatehand_rules import sequence
from gatehand_rules.context import Context
from gatehand_rules.findings import Happened
from gatehand_rules.sequence import UnsettledError
from gatehand_rules.shop import CollectorAt
from gatehand_rules.state import (
    Freshness,
    GateFault,
    GateOpen,
    GateState,
    Hand,
    Off,
    Opening,
    Running,
    RunOn,
    SpinUp,
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
    bench.put(tools=(ToolRunning(5.0, 50.0, 50.0, Freshness.STALE),))
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
    assert commands(bench.tick(51.0)) == ["raise gate.b.fault", "on main"]


def test_with_none_of_its_gates_there_is_no_start() -> None:
    bench = ready(shop(tool(), gate(retries=0), gate("open", commanded=False)))
    bench.is_open(49.0, "open")
    bench.now = 50.0
    bench.amps(50.0, 5.0)
    said = bench.tick(51.0)
    assert commands(said) == ["raise gate.saw.fault", "raise tool.saw.not_served"]
    assert "start_refused/no_gate_proven tool=saw collector=main gates=saw" in said
    assert "alarm_raised/no_gate_proven tool=saw alarm=tool.saw.not_served gates=saw" in said
    assert bench.until(100.0) == []


def test_a_refusal_ends_when_a_gate_opens_after_all() -> None:
    bench = ready(shop(tool(), gate(retries=0)))
    bench.amps(50.0, 5.0)
    bench.tick(51.0)
    said = bench.is_open(55.0)
    assert "alarm_cleared/no_gate_proven tool=saw alarm=tool.saw.not_served" in said
    assert commands(said)[-1] == "on main"


def test_a_refusal_ends_with_its_tool() -> None:
    bench = ready(shop(tool(), gate(retries=0)))
    bench.amps(50.0, 5.0)
    bench.tick(51.0)
    assert "alarm_cleared/no_demand tool=saw alarm=tool.saw.not_served" in bench.amps(55.0, 0.0)


def test_a_gate_moved_by_hand_is_named_while_it_is_shut() -> None:
    bench = ready(shop(tool("wide", "a", "b"), gate("a", commanded=False), gate("b", commanded=False)))
    said = bench.amps(50.0, 5.0, "wide")
    assert said[-2:] == [
        "alarm_raised/gate_by_hand_is_shut tool=wide alarm=tool.wide.not_served gates=a, b",
        "start_refused/gate_by_hand_is_shut tool=wide collector=main gates=a, b",
    ]
    assert commands(bench.is_open(52.0, "a")) == ["clear tool.wide.not_served", "on main"]


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
    assert "raise collector.main.too_few_gates" in commands(said)
    assert "start_refused/min_open tool=saw collector=main proven_open=1 min_open=2" in said
    assert "alarm_raised/min_open collector=main alarm=collector.main.too_few_gates proven_open=1 min_open=2" in said
    assert bench.until(60.0) == []
    said = bench.is_open(61.0, "a")
    assert "alarm_cleared/min_open collector=main alarm=collector.main.too_few_gates" in said
    assert commands(said)[-1] == "on main"


def test_too_few_gates_are_no_longer_told_when_the_demand_is_over() -> None:
    bench = ready(shop(tool(run_on=0.0), gate("saw"), gate("a", retries=0), fan(min_open=2)))
    bench.amps(50.0, 5.0)
    bench.is_open(50.5)
    bench.tick(51.0)
    assert "alarm_cleared/no_demand collector=main alarm=collector.main.too_few_gates" in bench.amps(60.0, 0.0)


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


# --- the bin


def test_a_bin_that_fills_while_gates_travel_refuses_the_start() -> None:
    bench = ready(saw_shop())
    bench.amps(50.0, 5.0)
    said = bench.tell(ev.BinReport("main", full=True), 50.5)
    assert "start_refused/bin_full tool=saw collector=main amps=5 start_amps=3" in said
    assert bench.tool_state() == ToolRunning(5.0, 50.0, 50.0, Freshness.STALE)
    assert "on main" not in commands(bench.is_open(51.0) + bench.until(60.0))


def test_a_bin_that_fills_while_gates_travel_ends_a_hand_start() -> None:
    bench = ready(saw_shop())
    bench.tell(ev.ButtonPressed("saw"), 50.0)
    said = bench.tell(ev.BinReport("main", full=True), 50.5)
    assert "hand_ended/bin_full gate=saw collector=main lasted=0.5 hand_limit=1800" in said
    assert "start_refused/bin_full gate=saw collector=main" in said


def test_a_bin_that_fills_stops_no_running_collector_and_none_where_it_only_warns() -> None:
    bench = running(saw_shop())
    assert commands(bench.tell(ev.BinReport("main", full=True), 60.0)) == ["raise collector.main.bin_full"]
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


def test_a_hand_start_none_of_whose_gates_can_be_proven_is_refused_by_its_gate_and_told_over() -> None:
    bench = ready(shop(tool(), gate("saw"), gate("sweep", retries=0)))
    bench.amps(50.0, 5.0)
    bench.is_open(51.0)
    bench.is_on(51.1)
    bench.tell(ev.HandAsked("sweep", on=True), 60.0)
    said = bench.tick(61.0)
    assert "alarm_raised/no_gate_proven gate=sweep alarm=gate.sweep.not_served gates=sweep" in said
    assert "start_refused/no_gate_proven gate=sweep collector=main gates=sweep" in said
    assert "alarm_cleared/no_gate_proven gate=sweep alarm=gate.sweep.not_served" in bench.is_open(62.0, "sweep")


def test_a_hand_start_with_too_few_gates_is_refused_by_its_gate() -> None:
    bench = ready(shop(tool(), gate("saw"), gate("a", retries=0), fan(min_open=2)))
    bench.tell(ev.HandAsked("saw", on=True), 50.0)
    bench.is_open(50.5)
    assert "start_refused/min_open gate=saw collector=main proven_open=1 min_open=2" in bench.tick(51.0)


def test_an_adopted_fan_that_nothing_needs_is_in_run_on_for_its_grace() -> None:
    bench = ready(saw_shop())
    bench.put(
        gates=(GateState(move=GateOpen()),),
        collectors=(replace(bench.fan_state(), phase=Running(), reported_on=True, grace_until=60.0),),
    )
    bench.tick(55.0)
    assert bench.fan_state().phase == RunOn("adoption")


@pytest.mark.parametrize("full", [False, True])
def test_a_full_bin_is_not_passed_by_a_start_from_before_a_lost_broker(*, full: bool) -> None:
    bench = running(saw_shop(reports=False, refresh=20.0))
    bench.tell(ev.BrokerLost(60.0), 60.0)
    bench.tell(ev.BrokerConnected(), 90.0)
    bench.tick(90.5)
    bench.tell(ev.BinReport("main", full=full), 91.0)
    bench.amps(92.0, 5.0)
    assert ("on main" in commands(bench.amps(93.0, 5.0))) is not full


# --- changes within one instant


def test_a_gate_without_travel_may_use_up_every_retry_in_one_instant() -> None:
    bench = ready(shop(tool(), gate(travel=0.0, retries=20), gate("relief", travel=0.0, retries=20, relief=True)))
    said = bench.amps(50.0, 5.0)
    assert commands(said).count("open saw") == 21
    assert "raise gate.saw.fault" in commands(said)


def test_changes_without_an_end_are_an_error_and_never_taken_for_settled(monkeypatch: pytest.MonkeyPatch) -> None:
    bench = running(saw_shop())

    def to_and_fro(context: Context, at: int) -> None:
        phase = context.collectors[at].phase
        context.set_collector(CollectorAt(at), phase=Running() if isinstance(phase, RunOn) else RunOn("no_demand"))

    monkeypatch.setattr(sequence, "_one", to_and_fro)
    with pytest.raises(UnsettledError, match="collector main still changed after"):
        bench.tick(60.0)
