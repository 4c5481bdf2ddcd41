"""A sequence broken on purpose, and what the interlock makes of it."""

import sys

import pytest
from unit_bench import gate, ready, saw_shop, shop, tool

from gatehand_rules import events as ev
from gatehand_rules import holds
from gatehand_rules.draft import Draft
from gatehand_rules.fan import tell_on
from gatehand_rules.findings import Rule
from gatehand_rules.gates import tell_open
from gatehand_rules.shop import StopContact


def test_a_veto_holds_the_collector_with_an_alarm_and_tells_it_off(monkeypatch: pytest.MonkeyPatch) -> None:
    """The sequence is broken on purpose: it starts the collector with no gate open."""
    bench = ready(saw_shop())
    door = sys.modules["gatehand_rules.step"]  # the package shows the function of that name
    monkeypatch.setattr(door, "settle", lambda draft: tell_on(draft, 0, Rule.DEMAND))
    said = bench.tick(50.0)
    assert said == [
        "> off main",
        "> raise collector.main.held",
        "collector_on/demand collector=main starts_this_hour=None starts_per_hour=None",
        "command_vetoed/min_open collector=main command=on proven_open=0 min_open=1",
        "collector_off/min_open collector=main coast_down=8 why=interlock",
        "collector_held/min_open collector=main why=interlock",
        "alarm_raised/min_open collector=main alarm=collector.main.held why=interlock",
    ]


def test_what_may_leave_beside_a_veto_does(monkeypatch: pytest.MonkeyPatch) -> None:
    """The sequence is broken on purpose: it starts the collector at once with the telling of its gate."""

    def settle(draft: Draft) -> None:
        tell_open(draft, 0, Rule.DEMAND)
        tell_on(draft, 0, Rule.DEMAND)

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
