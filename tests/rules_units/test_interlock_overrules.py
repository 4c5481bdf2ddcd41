"""A sequence broken on purpose, and what the interlock makes of it."""

import sys
from collections.abc import Callable
from math import inf

import pytest
from unit_bench import Bench, fan, gate, ready, running, saw_shop, shop, tool

from gatehand_rules import events as ev
from gatehand_rules import holds
from gatehand_rules.collectors import tell_on
from gatehand_rules.context import Context
from gatehand_rules.findings import Rule
from gatehand_rules.gates import tell_open, tell_shut
from gatehand_rules.phases import Cause, transition
from gatehand_rules.shop import CollectorAt, GateAt, StopContact
from gatehand_rules.state import GateOpen, GateOpening, GateState, Opening


def start_at_once(context: Context) -> None:
    """What a broken sequence would do: no gate is waited for."""
    transition(context, CollectorAt(0), Cause.DEMAND, Opening(context.now))
    tell_on(context, CollectorAt(0), Rule.DEMAND)


def test_a_veto_holds_the_collector_with_an_alarm_and_tells_it_off(monkeypatch: pytest.MonkeyPatch) -> None:
    """The sequence is broken on purpose: it starts the collector with no gate open."""
    bench = ready(saw_shop())
    door = sys.modules["gatehand_rules.step"]  # the package shows the function of that name
    monkeypatch.setattr(door, "settle", start_at_once)
    said = bench.tick(50.0)
    assert said == [
        "> off main",
        "> raise collector.main.held",
        "collector_on/demand collector=main starts_this_hour=1 starts_per_hour=None",
        "command_vetoed/min_open collector=main command=on proven_open=0 min_open=1",
        "collector_off/min_open collector=main coast_down=8 why=interlock",
        "collector_held/min_open collector=main why=interlock",
        "alarm_raised/min_open collector=main alarm=collector.main.held why=interlock",
    ]


def test_what_may_leave_beside_a_veto_does(monkeypatch: pytest.MonkeyPatch) -> None:
    """The sequence is broken on purpose: it starts the collector at once with the telling of its gate."""

    def settle(context: Context) -> None:
        tell_open(context, GateAt(0), Rule.DEMAND)
        start_at_once(context)

    bench = ready(saw_shop())
    monkeypatch.setattr(sys.modules["gatehand_rules.step"], "settle", settle)
    assert bench.tick(50.0)[:3] == ["> open saw", "> off main", "> raise collector.main.held"]


def test_a_sequence_that_forgets_a_stop_is_overruled(monkeypatch: pytest.MonkeyPatch) -> None:
    """The sequence is broken on purpose: it does not hold the collector under a stop."""
    stop = StopContact(name="estop", collectors=("main",))
    bench = ready(shop(tool(), gate(), stop))
    bench.amps(50.0, 5.0)
    bench.is_open(51.0)
    monkeypatch.setattr(holds, "stop", lambda *_, **__: None)
    said = bench.tell(ev.StopReport("estop", active=True), 52.0)
    assert said[0] == "> off main"
    assert "command_vetoed/stop_contact collector=main command=off forced=True proven_open=1" in said
    assert "collector_held/stop_contact collector=main why=interlock" in said


def test_a_vetoed_command_is_not_believed(monkeypatch: pytest.MonkeyPatch) -> None:
    """The sequence is broken on purpose: a gate beyond the limit, a start without a gate, the last gate shut."""
    place = shop(tool("saw"), gate("saw"), gate("other"), fan(max_open=1, starts_per_hour=5))
    door = sys.modules["gatehand_rules.step"]

    def told(bench: Bench, tell: Callable[[Context], None]) -> list[str]:
        with monkeypatch.context() as broken:
            broken.setattr(door, "settle", tell)
            said = bench.tick(bench.now)
        assert any(one.startswith("command_vetoed") for one in said)
        assert "collector_held" in " ".join(said)
        return said

    bench = running(place)
    before = bench.gate_state(1)
    told(bench, lambda context: tell_open(context, GateAt(1), Rule.DEMAND))
    assert bench.gate_state(1) == before
    assert bench.gate_state(0).move == GateOpen(50.0)

    bench = running(place)
    before = bench.gate_state(0)
    told(bench, lambda context: tell_shut(context, GateAt(0), Rule.REST))
    assert bench.gate_state(0) == before

    bench = ready(place)
    told(bench, start_at_once)
    assert bench.fan_state().starts == ()
    assert bench.fan_state().started_at == -inf


def test_a_telling_repeated_that_is_vetoed_is_not_believed() -> None:
    place = shop(tool("saw"), gate("saw"), gate("other"), fan(max_open=1))
    bench = running(place)
    # The interlock does not know of it: to the sequence it is on its way, and is told again.
    bench.put(gates=(bench.gate_state(0), GateState(move=GateOpening(53.0, 53.0), live=True)))
    said = bench.tick(55.0)
    assert "command_vetoed/max_open gate=other collector=main command=open standing=1 max_open=1" in said
    assert bench.gate_state(1).move == GateOpening(53.0, 53.0)
