"""What walks and chance have found, each as the short story that it came down to. The observer checks every step.

Named after what must hold; before it was mended, each broke an invariant, needed the interlock, or stood still.
"""

from collections.abc import Iterable

from loose_shop import LooseShop
from msgspec.structs import replace
from small_shops import collector, gate, tool

from gatehand_rules import Shop
from gatehand_rules import events as ev
from gatehand_rules.commands import CollectorOff, CollectorOn, Command, OpenGate, ShutGate
from gatehand_rules.findings import Alarm
from gatehand_rules.shop import Circuit, Gate, StopContact
from gatehand_rules.words import Position

Story = Iterable[tuple[float, ev.Event]]

OPEN, SHUT = Position.OPEN, Position.SHUT


def shop(*gates: Gate, run_on: float = 1.0, **fan: object) -> Shop:
    """A saw on the first gate, a router on the last, a stop contact."""
    tools = (tool("saw", gates[0].name, run_on), tool("router", gates[-1].name, run_on))
    return Shop(
        tools=tools,
        gates=gates,
        collectors=(collector(**fan),),
        stops=(StopContact(name="stop", collectors=("main",)),),
    )


def at_rest(described: Shop, *, settled: bool = True) -> LooseShop:
    """Connected, tools idle, gates shut, fan standing."""
    loose = LooseShop(described)
    loose.hear(ev.BrokerConnected())
    for one in described.gates:
        if one.reports:
            loose.hear(ev.GateReport(one.name, SHUT, retained=True))
    if described.collectors[0].reports:
        loose.hear(ev.CollectorReport("main", on=False, retained=True))
    if settled:
        loose.wait(0.5)
    for one_tool in described.tools:
        loose.hear(ev.Reading(one_tool.name, 0.0))
    loose.wait(60.0 - loose.now)
    return loose


def heard(loose: LooseShop, event: ev.Event) -> list[Command]:
    """What one event leads to, alarms left out."""
    told = loose.hear(event).commands
    return [one for one in told if isinstance(one, CollectorOn | CollectorOff | OpenGate | ShutGate)]


def test_a_stop_that_comes_with_an_overdue_travel_lets_nothing_start() -> None:
    loose = at_rest(shop(gate("blind")))
    loose.hear(ev.Reading("saw", 6.0))
    loose.oversleep(1.5)  # the gate has arrived meanwhile, and nobody ticked
    assert heard(loose, ev.StopReport("stop", active=True)) == [CollectorOff("main")]


def test_an_off_that_nobody_answers_lets_the_gates_shut_when_the_fan_has_coasted() -> None:
    loose = at_rest(shop(gate("blind"), reports=True, coast_down=8.0))
    loose.hear(ev.Reading("saw", 6.0))
    loose.wait(2.0)
    loose.hear(ev.CollectorReport("main", on=True))
    loose.hear(ev.Reading("saw", 0.0))
    loose.wait(1.0)
    loose.hear(ev.CollectorReport("main", on=False))
    loose.wait(300.0)
    assert not loose.state.collectors[0].on_phase


def test_a_rise_from_before_a_reset_is_no_fresh_start() -> None:
    described = shop(gate("blind"))
    slow = replace(described.tools[0], start_after=2.0)
    loose = at_rest(replace(described, tools=(slow, described.tools[1])))
    loose = at_rest(Shop(tools=(slow,), gates=described.gates, collectors=described.collectors, stops=described.stops))
    loose.hear(ev.StopReport("stop", active=True))
    loose.hear(ev.StopReport("stop", active=False))
    loose.hear(ev.Reading("saw", 6.0))
    loose.wait(1.0)
    loose.hear(ev.ResetAsked("main"))
    loose.wait(30.0)
    assert not loose.state.collectors[0].on_phase


def test_a_rise_from_before_a_lost_broker_is_no_fresh_start() -> None:
    described = shop(gate("blind"))
    slow = replace(described.tools[0], start_after=2.0)
    loose = at_rest(Shop(tools=(slow,), gates=described.gates, collectors=described.collectors))
    loose.hear(ev.Reading("saw", 6.0))
    loose.hear(ev.BrokerLost(loose.now))
    loose.hear(ev.BrokerConnected())
    loose.wait(30.0)
    assert not loose.state.collectors[0].on_phase


def test_a_switch_whose_time_limit_may_have_passed_unheard_is_not_refreshed() -> None:
    loose = at_rest(shop(gate("blind"), refresh=20.0))
    loose.hear(ev.Reading("saw", 6.0))
    loose.wait(5.0)
    loose.hear(ev.BrokerLost(loose.now))
    loose.wait(600.0)
    loose.hear(ev.BrokerConnected())
    loose.wait(100.0)
    assert not [one for at, one in loose.story if at > 700 and isinstance(one, CollectorOn)]
    assert CollectorOn("main") in heard(loose, ev.Reading("saw", 6.0, young=True))  # confirmed: it still cuts


def test_a_hand_start_from_before_a_lost_broker_starts_nothing() -> None:
    loose = at_rest(shop(gate("blind", hand_limit=1800.0)))
    loose.hear(ev.HandAsked("blind", on=True))
    loose.hear(ev.BrokerLost(loose.now))
    loose.hear(ev.BrokerConnected())
    loose.wait(60.0)
    assert not loose.state.collectors[0].on_phase


def test_a_gate_opened_by_hand_after_it_was_told_shut_gives_air() -> None:
    loose = at_rest(shop(gate("told", reports=True), reports=True))
    loose.hear(ev.Reading("saw", 6.0))
    loose.hear(ev.GateReport("told", OPEN))
    loose.hear(ev.CollectorReport("main", on=True))
    loose.hear(ev.Reading("saw", 0.0))
    loose.wait(1.0)
    loose.hear(ev.CollectorReport("main", on=False))
    loose.wait(1.0)
    loose.hear(ev.GateReport("told", SHUT))
    loose.hear(ev.GateReport("told", OPEN))
    assert CollectorOn("main") in heard(loose, ev.Reading("saw", 6.0))


def test_a_gate_opened_by_hand_and_told_shut_again_is_open_no_longer() -> None:
    loose = at_rest(shop(gate("told", reports=True), gate("blind"), max_open=1, reports=True))
    loose.hear(ev.HandAsked("told", on=True))
    loose.hear(ev.GateReport("told", OPEN))
    loose.hear(ev.HandAsked("told", on=False))
    loose.wait(2.0)
    loose.hear(ev.GateReport("told", SHUT))
    loose.hear(ev.GateReport("told", OPEN))
    loose.hear(ev.HandAsked("blind", on=True))
    loose.wait(1.0)
    assert loose.state.collectors[0].on_phase
    loose.wait(20.0)
    loose.hear(ev.CollectorReport("main", on=True))
    loose.hear(ev.HandAsked("blind", on=False))
    loose.wait(60.0)


def test_a_retry_of_a_gate_that_gives_way_is_no_new_opening() -> None:
    loose = at_rest(shop(gate("told", reports=True, retries=2), gate("blind"), max_open=1, run_on=10.0))
    loose.hear(ev.Reading("saw", 6.0))
    loose.hear(ev.Reading("saw", 0.0))
    loose.hear(ev.Reading("router", 6.0))
    loose.wait(20.0)
    assert loose.state.collectors[0].on_phase


def test_a_jammed_gate_in_run_on_gives_way_where_there_is_room_for_one() -> None:
    loose = at_rest(shop(gate("told", reports=True), gate("blind"), max_open=1, run_on=10.0))
    loose.hear(ev.Reading("saw", 6.0))
    loose.wait(1.0)  # a fault
    loose.hear(ev.Reading("saw", 0.0))
    assert OpenGate("blind", instead_of=("told",)) in heard(loose, ev.Reading("router", 6.0))


def test_a_stale_demand_takes_no_room_from_a_fresh_one() -> None:
    described = shop(gate("a"), gate("b"), max_open=1)
    loose = LooseShop(described)
    loose.hear(ev.BrokerConnected())
    loose.wait(0.5)
    loose.hear(ev.Reading("saw", 6.0))  # it draws when first seen: stale
    loose.hear(ev.Reading("router", 0.0))
    loose.wait(30.0)
    loose.hear(ev.Reading("router", 6.0))
    loose.wait(1.0)
    assert loose.state.collectors[0].on_phase


def test_an_assist_gate_that_a_hand_must_open_takes_no_room() -> None:
    by_hand = gate("by_hand", commanded=False, reports=True)
    saw = replace(tool("saw", "a", 1.0), assist=("by_hand",))
    described = Shop(
        tools=(saw,), gates=(by_hand, gate("a"), gate("b")), collectors=(collector(min_open=2, max_open=2),)
    )
    loose = at_rest(described)
    loose.hear(ev.Reading("saw", 6.0))
    loose.wait(1.0)
    assert loose.state.collectors[0].on_phase


def test_a_fan_found_on_gets_the_shut_gates_when_the_unknown_ones_fail() -> None:
    described = shop(gate("mute", reports=True), gate("told", reports=True), reports=True)
    loose = LooseShop(described)
    loose.hear(ev.BrokerConnected())
    loose.hear(ev.CollectorReport("main", on=True, retained=True))
    loose.hear(ev.GateReport("told", SHUT, retained=True))
    loose.wait(0.5)
    loose.wait(3.0)  # the mute gate ends in fault
    told = [move for move in loose.state.gates if move.move.__class__.__name__ == "GateOpening"]
    assert told or not loose.state.collectors[0].on_phase
    loose.hear(ev.GateReport("told", OPEN))
    loose.wait(1.0)
    loose.hear(ev.CollectorReport("main", on=False))
    loose.wait(60.0)


def test_a_gate_that_another_has_left_alone_is_not_told_shut_again() -> None:
    loose = at_rest(shop(gate("told", reports=True, retries=2), gate("blind"), run_on=0.0))
    loose.hear(ev.Reading("saw", 6.0))
    loose.hear(ev.GateReport("told", OPEN))
    loose.hear(ev.Reading("router", 6.0))
    loose.wait(1.0)
    loose.hear(ev.Reading("saw", 0.0))  # the gate is told shut, and says nothing
    loose.hear(ev.BrokerLost(loose.now - 1.5))  # of the router's gate it is not sure that it was told open
    loose.hear(ev.BrokerConnected())
    loose.wait(30.0)


def test_a_full_bin_is_not_passed_by_a_start_from_before_it_was_full() -> None:
    loose = at_rest(shop(gate("blind")))
    loose.hear(ev.Reading("saw", 6.0))
    loose.hear(ev.BinReport("main", full=True))
    loose.wait(30.0)
    assert not loose.state.collectors[0].on_phase


def test_no_deadline_stays_behind_an_adopted_fan() -> None:
    described = shop(gate("told", reports=True), reports=True, starts_per_hour=1)
    loose = LooseShop(described)
    loose.hear(ev.BrokerConnected())
    loose.hear(ev.CollectorReport("main", on=True, retained=True))
    loose.hear(ev.GateReport("told", OPEN))
    loose.wait(0.5)
    loose.hear(ev.Reading("saw", 6.0))
    loose.wait(8000.0)
    assert loose.state.collectors[0].on_phase  # kept by the stale demand of a tool that draws


def test_a_start_that_waits_for_its_circuit_does_not_keep_two_gates_open_where_one_is_allowed() -> None:
    rests = shop(gate("old", reports=True), gate("new", reports=True), max_open=1, rest="leave")
    described = replace(
        rests, circuits=(Circuit(name="wall", tools=("router",), collectors=("main",), start_gap=20.0),)
    )
    loose = at_rest(described)
    loose.hear(ev.Reading("saw", 6.0))
    loose.hear(ev.GateReport("old", OPEN))
    loose.hear(ev.Reading("saw", 0.0))
    loose.wait(60.0)
    loose.hear(ev.Reading("router", 6.0))
    assert heard(loose, ev.GateReport("new", OPEN)) == [ShutGate("old")]
    loose.wait(20.0)
    assert loose.state.collectors[0].on_phase


def test_a_gate_in_fault_that_was_said_to_be_open_while_the_broker_was_away_stands_in_nobodys_way() -> None:
    """Room for one gate: the old word proves nothing, and does not take the room of the next tool's gate."""
    loose = at_rest(shop(gate("told", reports=True), gate("blind"), max_open=1))
    loose.hear(ev.Reading("saw", 6.0))
    loose.hear(ev.GateReport("told", SHUT))
    loose.wait(3.0)
    assert Alarm("gate", "told", "fault") in loose.state.alarms
    loose.hear(ev.BrokerLost(loose.now))
    loose.hear(ev.BrokerConnected())
    loose.hear(ev.GateReport("told", OPEN, retained=True))
    loose.wait(1.0)
    loose.hear(ev.Reading("saw", 0.0))
    loose.hear(ev.Reading("router", 0.0))
    loose.wait(2.0)
    assert any(isinstance(one, OpenGate) and one.gate == "blind" for one in heard(loose, ev.Reading("router", 6.0)))
    loose.wait(1.0)
    assert loose.state.collectors[0].on_phase
    assert Alarm("collector", "main", "held") not in loose.state.alarms
