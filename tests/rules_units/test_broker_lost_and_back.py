"""A connection lost and found: what may not have arrived, and what is said again."""

from math import inf
from typing import Any

import pytest
from msgspec.structs import replace
from unit_bench import Bench, commands, connected, events, gate, ready, running, saw_shop, shop, tool

from gatehand_rules import events as ev
from gatehand_rules.state import (
    CoastDown,
    Freshness,
    GateFault,
    GateMove,
    GateOpen,
    GateOpening,
    GateShut,
    GateState,
    GateUnknown,
    Hand,
    Held,
    Running,
    SubthresholdRise,
    ToolIdle,
    ToolMuted,
    ToolRunning,
    ToolRunOn,
    ToolSilent,
    ToolState,
    ToolUnknown,
)
from gatehand_rules.words import Position

OPEN, SHUT = Position.OPEN, Position.SHUT


@pytest.mark.parametrize(
    ("move", "unknown"),
    [
        (GateOpen(60.0), False),
        (GateOpen(60.001), True),
        (GateOpen(), False),
        (GateShut(60.001), True),
        (GateShut(60.0), False),
        (GateFault(OPEN, 60.001), True),
        (GateFault(OPEN, 60.0), False),
        (GateOpening(61.0, 61.0), False),
        (GateUnknown(), False),
    ],
)
def test_a_gate_told_after_the_broker_was_last_heard_may_not_have_been_told(move: GateMove, *, unknown: bool) -> None:
    bench = ready(saw_shop())
    bench.put(gates=(GateState(move=move),))
    bench.tell(ev.BrokerLost(60.0), 62.0)
    assert bench.gate_state().move == (GateUnknown() if unknown else move)


def test_a_lost_broker_is_told_with_how_long_it_was_not_heard() -> None:
    bench = ready(saw_shop())
    assert bench.tell(ev.BrokerLost(50.0), 52.25) == ["broker_lost/broker heard_before=2.25"]
    assert not bench.state.connected
    assert bench.state.wake_at is None


def test_lost_before_it_has_settled_it_settles_anew() -> None:
    bench = connected(saw_shop())
    bench.tell(ev.BrokerLost(0.2), 0.3)
    assert bench.state.settle_at is None
    assert bench.tick(1.0) == []
    assert bench.tell(ev.BrokerConnected(), 2.0) == ["broker_connected/broker first=True"]
    assert bench.state.wake_at == 2.5


@pytest.mark.parametrize(("heard_at", "none"), [(50.999, True), (51.0, False)])
def test_a_start_after_the_broker_was_last_heard_is_none(heard_at: float, *, none: bool) -> None:
    bench = running(saw_shop(refresh=0.0))
    bench.tell(ev.BrokerLost(heard_at), 56.0)
    state = bench.fan_state()
    if none:
        assert (state.phase, state.still_at, state.answer, state.told_on_at) == (CoastDown(), inf, None, None)
    else:
        assert (state.phase, state.told_on_at) == (Running(), 51.0)


def test_a_refresh_after_the_broker_was_last_heard_is_none_and_the_one_before_counts() -> None:
    for heard_at, told_on_at in ((71.0, 71.0), (70.999, 51.0)):
        bench = running(saw_shop(refresh=20.0))
        bench.until(71.0)
        bench.tell(ev.BrokerLost(heard_at), 75.0)
        assert bench.fan_state().told_on_at == told_on_at


def test_a_hand_start_lasts_through_a_lost_broker_with_its_collector_and_ends_without() -> None:
    place = shop(tool(), gate(), gate("sweep"))
    bench = ready(place)
    bench.tell(ev.HandAsked("sweep", on=True), 50.0)
    bench.is_open(51.0, "sweep")
    bench.is_on(51.1)
    bench.tell(ev.BrokerLost(60.0), 60.0)
    assert bench.gate_state(1).hand == Hand(50.0, kept=True)
    bench = ready(place)
    bench.tell(ev.HandAsked("sweep", on=True), 50.0)
    assert "hand_ended/broker" in events(bench.tell(ev.BrokerLost(50.2), 50.2))


# --- the broker back


@pytest.mark.parametrize(
    ("state", "after"),
    [
        (ToolUnknown(2.5, 40.0), ToolUnknown(2.5, 70.0)),
        (ToolIdle(1.6, 40.0, SubthresholdRise(39.0, 1.6)), ToolIdle(1.6, 70.0)),
        (ToolMuted(5.0, 40.0), ToolMuted(5.0, 70.0)),
        (
            ToolRunning(5.0, 40.0, 30.0, Freshness.FRESH),
            ToolRunning(5.0, 70.0, 30.0, Freshness.UNCONFIRMED),
        ),
        (ToolRunning(5.0, 40.0, 30.0, Freshness.STALE), ToolRunning(5.0, 70.0, 30.0, Freshness.STALE)),
        (
            ToolSilent(ToolRunning(5.0, 40.0, 30.0, Freshness.FRESH), 60.0, let_go=True),
            ToolSilent(ToolRunning(5.0, 40.0, 30.0, Freshness.UNCONFIRMED), 60.0, let_go=True),
        ),
    ],
)
def test_the_broker_was_away_and_not_the_sensor(state: ToolState, after: ToolState) -> None:
    bench = ready(saw_shop())
    bench.tell(ev.BrokerLost(69.0), 69.0)
    bench.put(tools=(state,))
    bench.tell(ev.BrokerConnected(), 70.0)
    assert bench.tool_state() == after


def test_a_rise_in_run_on_from_before_the_gap_has_not_lasted_through_it() -> None:
    bench = running(saw_shop())
    bench.tell(ev.BrokerLost(69.0), 69.0)
    bench.put(tools=(ToolRunOn(2.0, 68.0, 68.0, Freshness.FRESH, SubthresholdRise(68.0, 2.0)),))
    bench.tell(ev.BrokerConnected(), 70.0)
    assert bench.tool_state() == ToolRunOn(2.0, 70.0, 68.0, Freshness.UNCONFIRMED)


def back(bench: Bench, at: float, heard_at: float) -> list[str]:
    """Lost at `at`, back a second later, settled half a second after that."""
    bench.tell(ev.BrokerLost(heard_at), at)
    assert bench.tell(ev.BrokerConnected(), at + 1.0)[-1:] == ["broker_connected/broker first=False"]
    return bench.tick(at + 1.5)


def test_an_off_is_said_again() -> None:
    assert back(ready(saw_shop()), 60.0, 60.0) == [
        "> off main",
        "collector_off/broker collector=main coast_down=8 why=None",
    ]


def test_a_hold_is_one_still_and_its_off_is_said_again() -> None:
    bench = ready(saw_shop())
    bench.tell(ev.HoldAsked("main", "x"), 50.0)
    bench.tell(ev.BrokerLost(60.0), 60.0)
    said = bench.tell(ev.BrokerConnected(), 61.0)
    assert commands(said) == ["off main"]  # at once
    assert "collector_off/broker collector=main coast_down=8 why=x" in said
    assert commands(bench.tick(61.5)) == []
    assert bench.fan_state().phase == Held("x")


def test_a_collector_that_is_on_and_seen_on_goes_on() -> None:
    bench = running(saw_shop())
    assert back(bench, 60.0, 60.0) == []
    assert bench.fan_state().phase == Running()


@pytest.mark.parametrize(
    ("settings", "reported_on", "drawing", "off"),
    [
        ({}, False, None, True),
        ({}, None, False, False),
        ({"reports": False, "senses_motor": True}, None, False, True),
        ({"reports": False, "senses_motor": True}, None, None, False),
    ],
)
def test_a_collector_found_to_stand_is_told_off(
    settings: dict[str, Any], reported_on: bool | None, drawing: bool | None, *, off: bool
) -> None:
    bench = running(saw_shop(**settings))
    bench.tell(ev.BrokerLost(60.0), 60.0)
    bench.tell(ev.BrokerConnected(), 61.0)
    seen = replace(bench.fan_state(), reported_on=reported_on, drawing=drawing)
    bench.put(collectors=(seen,))
    assert ("off main" in commands(bench.tick(61.5))) is off


@pytest.mark.parametrize(
    ("seen", "wait", "ours"), [(True, 30.0, True), (None, 30.0, False), (None, 19.5, True), (None, 19.501, False)]
)
def test_after_its_own_time_limit_a_switch_that_does_not_report_is_not_told_on(
    seen: bool | None, wait: float, *, ours: bool
) -> None:
    bench = running(saw_shop(reports=False, refresh=20.0))
    bench.tell(ev.BrokerLost(55.0), 55.0)
    settled_at = round(51.0 + wait + 0.5, 3)
    bench.tell(ev.BrokerConnected(), round(settled_at - 0.5, 3))
    bench.put(collectors=(replace(bench.fan_state(), reported_on=seen),))
    bench.tick(settled_at)
    assert (bench.fan_state().told_on_at is not None) is ours


def test_a_gate_on_its_way_is_told_again_as_if_for_the_first_time() -> None:
    bench = ready(saw_shop())
    bench.amps(50.0, 5.0)
    bench.tick(51.0)
    said = back(bench, 51.2, 49.0)
    assert "gate_commanded/broker gate=saw collector=main to=open travel=1 tries=0 retries=2" in said
    assert bench.gate_state().move == GateOpening(52.7, 52.7)
