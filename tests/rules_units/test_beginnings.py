"""The daemon's start and its clean stop."""

from math import inf
from typing import Any

import pytest
from unit_bench import commands, connected, events, fan, gate, ready, running, saw_shop, shop, tool

from gatehand_rules import events as ev
from gatehand_rules import initial
from gatehand_rules.shop import StopContact
from gatehand_rules.state import (
    Answer,
    CoastDown,
    CollectorState,
    GateOpen,
    GateState,
    Held,
    Off,
    Opening,
    Running,
    ToolUnknown,
)
from gatehand_rules.words import Position

OPEN, SHUT = Position.OPEN, Position.SHUT


# --- the daemon's start


def test_before_anything_is_known() -> None:
    state = initial(saw_shop(), 7.0)
    assert state.tools == (ToolUnknown(None, 7.0),)
    assert state.gates == (GateState(),)
    assert state.collectors == (CollectorState(),)
    assert state.stops == ()
    assert not state.connected
    assert not state.adopted
    assert state.wake_at is None


def test_the_starts_of_before_are_kept_with_and_without_a_budget_an_edit_may_set_one() -> None:
    assert initial(saw_shop(starts_per_hour=2), 7.0, {"main": (-40.0, 3.0)}).collectors[0].starts == (-40.0, 3.0)
    assert initial(saw_shop(starts_per_hour=2), 7.0, {"north": (3.0,)}).collectors[0].starts == ()
    assert initial(saw_shop(), 7.0, {"main": (3.0,)}).collectors[0].starts == (3.0,)


def test_nothing_is_commanded_before_what_the_broker_retains_is_in() -> None:
    bench = connected(saw_shop())
    assert bench.state.wake_at == 0.5
    assert bench.tick(0.499) == []
    assert commands(bench.tick(0.5)) == ["open saw", "off main"]
    assert bench.state.settle_at is None
    assert bench.state.adopted


def test_a_fan_not_known_to_stand_finds_its_gates_told_open_and_is_told_off() -> None:
    assert connected(saw_shop()).tick(0.5) == [
        "> open saw",
        "> off main",
        "gate_commanded/adoption gate=saw collector=main to=open travel=1 instead_of=None",
        "collector_off/adoption collector=main coast_down=8 why=None",
    ]


@pytest.mark.parametrize(
    ("settings", "found", "opened"),
    [
        ({}, ev.CollectorReport("main", on=False, retained=True), False),
        ({"senses_motor": True}, ev.CollectorReading("main", 0.0), False),
        ({"reports": False}, ev.Tick(), True),
        ({"senses_motor": True}, ev.CollectorReading("main", 9.0), True),
        ({}, ev.CollectorReport("main", on=True, retained=True), True),
    ],
)
def test_gates_of_unknown_position_open_for_a_fan_that_may_turn(
    settings: dict[str, Any], found: ev.Event, *, opened: bool
) -> None:
    assert ("open saw" in commands(connected(saw_shop(**settings), found).tick(0.5))) is opened


def test_only_gates_of_unknown_position_that_can_be_told_open_are_relief_gates_first_within_max_open() -> None:
    place = shop(
        tool(),
        gate("saw"),
        gate("a"),
        gate("b", relief=True),
        gate("c", commanded=False),
        gate("d"),
        gate("far", collector="other"),
        fan(max_open=2),
        fan("other", reports=False),
    )
    assert commands(connected(place).tick(0.5)) == ["open b", "open saw", "off main", "open far", "off other"]
    known = connected(place, ev.GateReport("b", SHUT, retained=True))
    assert commands(known.tick(0.5))[:3] == ["open saw", "open a", "off main"]
    stands = connected(place)
    stands.put(gates=(GateState(move=GateOpen()), *stands.state.gates[1:]))
    assert commands(stands.tick(0.5))[:2] == ["open b", "off main"]


def test_a_fan_that_turns_is_adopted_when_a_gate_is_proven() -> None:
    bench = connected(shop(tool(run_on=4.0), gate()), ev.CollectorReport("main", on=True, retained=True))
    bench.amps(0.2, 5.0)
    assert commands(bench.tick(0.5)) == ["open saw"]
    assert bench.fan_state().phase == Opening(0.5, adopting=True)
    assert bench.fan_state().still_at == inf
    said = bench.is_open(1.0)
    assert "collector_adopted/adoption collector=main grace=4" in said
    assert commands(said) == []
    assert (bench.fan_state().phase, bench.fan_state().grace_until) == (Running(), 5.0)
    assert bench.fan_state().confirmed


def test_an_adopted_fan_is_kept_for_its_longest_run_on_and_no_longer() -> None:
    place = shop(
        tool("a", run_on=4.0),
        tool("b", "a", run_on=9.0),
        tool("c", "c", run_on=99.0, collector="other"),
        gate("a"),
        gate("c", collector="other"),
        fan(),
        fan("other"),
    )
    bench = connected(place, ev.CollectorReport("main", on=True, retained=True))
    bench.amps(0.2, 0.0, "a")
    bench.tick(0.5)
    bench.is_open(1.0, "a")
    assert "off main" not in commands(bench.until(9.999))
    assert "collector_off/no_demand collector=main coast_down=8 why=None" in bench.tick(10.0)


def test_an_adopted_fan_becomes_ours_with_a_fresh_demand() -> None:
    place = shop(tool(run_on=30.0), gate(), fan(refresh=20.0))
    bench = connected(place, ev.CollectorReport("main", on=True, retained=True))
    bench.amps(0.2, 0.0)
    bench.tick(0.5)
    bench.is_open(1.0)
    assert bench.fan_state().told_on_at is None
    said = bench.amps(2.0, 5.0)
    assert commands(said) == ["on main"]
    assert bench.fan_state().told_on_at == 2.0
    assert bench.fan_state().answer == Answer(on=True, since=2.0)
    assert bench.fan_state().phase == Running()
    assert bench.fan_state().started_at == -inf


def test_a_tool_that_drew_before_the_daemon_makes_no_adopted_fan_ours() -> None:
    bench = connected(saw_shop(refresh=20.0), ev.CollectorReport("main", on=True, retained=True))
    bench.amps(0.2, 5.0)
    bench.tick(0.5)
    assert commands(bench.is_open(1.0) + bench.until(100.0)) == []


def test_a_fan_that_stops_while_it_is_adopted_is_told_off() -> None:
    bench = connected(saw_shop(), ev.CollectorReport("main", on=True, retained=True))
    bench.tick(0.5)
    assert "collector_off/adoption collector=main coast_down=8 why=None" in bench.is_off(0.8)
    assert bench.fan_state().phase == CoastDown()


def test_a_fan_that_turns_and_can_be_given_no_air_is_told_off_with_an_alarm() -> None:
    place = shop(tool(), gate(retries=0), fan())
    bench = connected(place, ev.CollectorReport("main", on=True, retained=True))
    bench.tick(0.5)
    said = bench.tick(1.5)
    assert commands(said) == ["raise gate.saw.fault", "raise collector.main.shut_gates", "off main"]
    assert "collector_off/no_gate_proven collector=main coast_down=8 why=None" in said
    assert bench.fan_state().phase == CoastDown(tripped=True)


def test_a_fan_that_turns_is_adopted_with_as_many_gates_as_it_needs() -> None:
    place = shop(tool(), gate("saw"), gate("a"), fan(min_open=2))
    bench = connected(place, ev.CollectorReport("main", on=True, retained=True))
    assert commands(bench.tick(0.5)) == ["open saw", "open a"]
    assert "collector_adopted/adoption" not in events(bench.is_open(1.0))
    assert "collector_adopted/adoption" in events(bench.is_open(1.1, "a"))


def test_a_hold_from_before_a_restart_is_one_still() -> None:
    bench = connected(saw_shop())
    assert bench.tell(ev.HoldRemembered("main"), 0.2) == [
        "> off main",
        "> raise collector.main.held",
        "collector_off/hold collector=main coast_down=8 why=on hold since before the daemon's restart",
        "collector_held/hold collector=main why=on hold since before the daemon's restart",
        ("alarm_raised/hold collector=main alarm=collector.main.held why=on hold since before the daemon's restart"),
    ]
    assert bench.tell(ev.HoldRemembered("main"), 0.3) == []
    assert bench.tell(ev.HoldRemembered("nobody"), 0.3) == []
    assert bench.tick(0.5) == ["> off main", "collector_off/adoption collector=main coast_down=8 why=None"]
    assert isinstance(bench.fan_state().phase, Held)


def test_readings_within_the_half_second_are_heard_and_start_nothing_before_its_end() -> None:
    bench = connected(saw_shop(), ev.CollectorReport("main", on=False, retained=True))
    bench.amps(0.2, 0.0)
    assert bench.tell(ev.Reading("saw", 5.0, young=True), 0.3) == [
        "tool_started/start_threshold tool=saw collector=main amps=5 start_amps=3 start_after=0"
    ]
    assert commands(bench.tick(0.5)) == ["off main", "open saw"]


# --- the end


def test_a_clean_stop_tells_off_and_leaves_the_gates() -> None:
    place = shop(
        tool("saw"),
        tool("lathe", collector="other"),
        gate("saw"),
        gate("lathe", collector="other"),
        fan(),
        fan("other"),
        StopContact(name="estop", collectors=("main",)),
    )
    bench = running(place)
    bench.tell(ev.HandAsked("saw", on=True), 60.0)
    said = bench.tell(ev.ShutdownAsked(), 61.0)
    assert commands(said) == ["off main", "off other"]
    assert "hand_ended/shutdown gate=saw collector=main lasted=1 hand_limit=1800" in said
    assert "collector_off/shutdown collector=main coast_down=8 why=None" in said
    assert [state.phase for state in bench.state.collectors] == [CoastDown(), Off()]
    assert bench.gate_state().move == GateOpen(50.0)
    assert bench.state.stopping
    assert bench.state.wake_at is None
    assert bench.until(1000.0) == []
    bench.amps(1001.0, 0.0)
    assert commands(bench.amps(1002.0, 5.0)) == []


def test_a_clean_stop_leaves_a_hold_a_hold() -> None:
    bench = ready(saw_shop())
    bench.tell(ev.HoldAsked("main", "x"), 50.0)
    bench.tell(ev.ShutdownAsked(), 51.0)
    assert bench.fan_state().phase == Held("x")


def test_a_fan_without_tools_is_adopted_for_no_time() -> None:
    place = shop(gate("sweep", on_hand_open="start"), fan())
    bench = connected(place, ev.CollectorReport("main", on=True, retained=True))
    bench.tick(0.5)
    assert "collector_adopted/adoption collector=main grace=0" in bench.is_open(1.0, "sweep")


def test_a_stop_before_it_has_settled_is_the_end() -> None:
    bench = connected(saw_shop())
    bench.tell(ev.ShutdownAsked(), 0.2)
    assert bench.tick(0.6) == []
