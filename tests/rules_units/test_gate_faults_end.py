"""An alarm about a gate ends when its cause has: known again, tried anew, asked for no more, or another gate's now."""

from unit_bench import Bench, commands, fan, gate, ready, saw_shop, shop, tool

from gatehand_rules import events as ev
from gatehand_rules.commands import ClearAlarm
from gatehand_rules.findings import Alarm
from gatehand_rules.reshape import Rewired, adopt_shop
from gatehand_rules.state import GateFault, GateMove, GateShut
from gatehand_rules.words import Position

FAULT = Alarm("gate", "saw", "fault")


def jammed(bench: Bench, at: float = 50.0) -> Bench:
    """The saw cuts from then on, its gate does not come, and every retry has passed."""
    bench.amps(at, 5.0)
    bench.until(at + 3.1)
    assert FAULT in bench.state.alarms
    return bench


def move(bench: Bench, at: int = 0) -> GateMove:
    return bench.gate_state(at).move


def test_a_gate_that_says_it_is_shut_and_is_asked_for_stays_in_fault() -> None:
    bench = jammed(ready(saw_shop()))
    bench.is_shut(54.0)
    bench.until(60.0)
    assert isinstance(move(bench), GateFault)
    assert FAULT in bench.state.alarms


def test_its_fault_ends_once_the_demand_is_over_and_it_is_shut_also_where_gates_are_left_at_rest() -> None:
    for rest in ("shut", "leave"):
        bench = jammed(ready(saw_shop(rest=rest)))
        bench.is_shut(54.0)
        bench.amps(55.0, 0.0)
        said = bench.until(80.0)
        assert "shut saw" in commands(said), rest
        assert isinstance(move(bench), GateShut)
        assert bench.state.alarms == frozenset(), rest


def test_its_fault_ends_while_the_collector_is_held_and_it_says_that_it_is_shut() -> None:
    bench = jammed(ready(saw_shop()))
    bench.tell(ev.HoldAsked("main"), 54.0)
    bench.amps(55.0, 0.0)
    assert FAULT in bench.state.alarms
    bench.until(70.0)
    said = bench.is_shut(70.0)
    assert f"clear {FAULT.id}" in commands(said)
    assert isinstance(move(bench), GateShut)
    assert "shut saw" not in commands(said)  # while held no gate moves


def test_the_fault_of_a_gate_that_was_told_in_vain_before_the_broker_went_is_over_with_it() -> None:
    """What was told may not have arrived, so that nothing is expected of the gate."""
    bench = jammed(ready(saw_shop()))
    said = bench.tell(ev.BrokerLost(49.0), 54.0)
    assert f"clear {FAULT.id}" in commands(said)


def test_a_gate_that_would_not_shut_and_is_found_shut_at_a_new_connection_has_no_fault() -> None:
    bench = ready(saw_shop(min_open=0, rest="shut"))
    bench.amps(50.0, 5.0)
    bench.is_open(51.0)
    bench.amps(52.0, 0.0)
    bench.is_on(52.0)
    bench.until(56.0)
    bench.is_off(56.1)
    bench.until(75.0)
    assert move(bench) == GateFault(Position.SHUT, 64.1)
    assert FAULT in bench.state.alarms
    bench.tell(ev.BrokerLost(80.0), 80.0)
    bench.tell(ev.BrokerConnected(), 81.0)
    said = bench.tell(ev.GateReport("saw", Position.SHUT, retained=True), 81.1)
    assert f"clear {FAULT.id}" in commands(said)
    assert isinstance(move(bench), GateShut)


def test_a_gate_moved_by_hand_after_a_fault_has_none() -> None:
    place = shop(tool("saw"), tool("other"), gate("saw"), gate("other"), fan(max_open=1))
    bench = jammed(ready(place))
    bench.tell(ev.DeviceOnline("gate", "saw", online=False), 54.0)
    bench.amps(55.0, 0.0)
    bench.until(55.5)
    bench.is_shut(56.0)
    bench.until(75.0)
    assert FAULT not in bench.state.alarms


def test_an_edit_that_gives_a_gate_another_topic_ends_its_alarms() -> None:
    place = saw_shop()
    bench = jammed(ready(place))
    bench.amps(55.0, 0.0)
    bench.tell(ev.HoldAsked("main"), 56.0)
    bench.until(70.0)
    assert FAULT in bench.state.alarms
    outcome = adopt_shop(place, place, bench.state, 70.0, Rewired(gates=frozenset({"saw"})))
    assert FAULT not in outcome.state.alarms
    assert outcome.commands == (ClearAlarm(FAULT),)
    assert FAULT in adopt_shop(place, place, bench.state, 70.0).state.alarms


def too_few() -> Bench:
    """A fan that wants two gates, one of which does not come: the start is refused."""
    bench = ready(shop(tool("saw"), gate("saw"), gate("other"), fan(min_open=2)))
    bench.amps(50.0, 5.0)
    bench.is_open(50.5)
    bench.until(54.0)
    assert Alarm("collector", "main", "too_few_gates") in bench.state.alarms
    return bench


def test_too_few_gates_ends_with_a_hold_and_does_not_stand_in_a_healthy_shop_after_the_reset() -> None:
    bench = too_few()
    said = bench.tell(ev.HoldAsked("main"), 55.0)
    assert "clear collector.main.too_few_gates" in commands(said)
    bench.amps(56.0, 0.0)
    bench.tell(ev.ResetAsked("main"), 60.0)
    bench.until(80.0)
    assert Alarm("collector", "main", "too_few_gates") not in bench.state.alarms


def test_too_few_gates_ends_with_the_demand_and_with_a_lost_connection() -> None:
    bench = too_few()
    bench.amps(55.0, 0.0)
    assert "clear collector.main.too_few_gates" in commands(bench.until(60.0))
    bench = too_few()
    bench.tell(ev.BrokerLost(55.0), 55.0)
    bench.tell(ev.BrokerConnected(), 56.0)
    assert "clear collector.main.too_few_gates" in commands(bench.until(57.0))
