"""Stop contacts, holds and resets."""

from typing import Any

import pytest
from msgspec.structs import replace
from unit_bench import Bench, commands, events, fan, gate, ready, running, saw_shop, shop, tool

from gatehand_rules import Shop
from gatehand_rules import events as ev
from gatehand_rules.findings import Alarm
from gatehand_rules.shop import StopContact
from gatehand_rules.state import (
    CoastDown,
    Freshness,
    Held,
    Off,
    Running,
    SubthresholdRise,
    ToolIdle,
    ToolMuted,
    ToolRunning,
    ToolSilent,
    ToolState,
    ToolUnknown,
)

# --- stops


def stop_shop(**more: Any) -> Shop:  # noqa: ANN401 - the fields of a collector
    return shop(
        tool("saw"),
        tool("lathe", "lathe", collector="other"),
        gate("saw"),
        gate("lathe", collector="other"),
        fan(**more),
        fan("other"),
        StopContact(name="estop", collectors=("main",)),
        StopContact(name="spark", collectors=("main", "other")),
    )


def stop(bench: Bench, at: float, *, active: bool = True, name: str = "estop", retained: bool = False) -> list[str]:
    return bench.tell(ev.StopReport(name, active, retained), at)


def test_a_stop_turns_off_at_once_and_holds() -> None:
    bench = running(stop_shop())
    assert stop(bench, 60.0) == [
        "> off main",
        "> raise collector.main.held",
        "> raise stop.estop.active",
        "stop_active/stop_contact stop=estop",
        "collector_off/stop_contact collector=main coast_down=8 why=estop",
        "collector_held/stop_contact collector=main why=estop",
        "alarm_raised/stop_contact collector=main alarm=collector.main.held why=estop",
        "alarm_raised/stop_contact alarm=stop.estop.active stop=estop",
    ]
    assert bench.fan_state().phase == Held("estop")
    assert bench.tool_state() == ToolRunning(5.0, 50.0, 50.0, Freshness.STALE)
    assert bench.state.stops == (True, False)


def test_a_stop_said_twice_tells_off_once_and_a_second_contact_tells_again_and_keeps_its_name() -> None:
    bench = running(stop_shop())
    stop(bench, 60.0)
    assert stop(bench, 60.5) == []
    assert stop(bench, 61.0, name="spark")[:2] == ["> off main", "> off other"]
    assert bench.fan_state().phase == Held("spark")
    assert bench.fan_state(1).phase == Held("spark")


def test_a_stop_that_clears_starts_nothing_and_its_alarm_ends() -> None:
    bench = running(stop_shop())
    stop(bench, 60.0)
    bench.is_off(60.5)
    assert stop(bench, 70.0, active=False) == [
        "> clear stop.estop.active",
        "stop_cleared/stop_contact stop=estop",
        "alarm_cleared/stop_contact alarm=stop.estop.active",
    ]
    assert bench.fan_state().phase == Held("estop")
    assert stop(bench, 70.5, active=False) == []


def test_a_stop_still_active_said_again_after_a_hold_ended_otherwise_holds_again() -> None:
    bench = running(stop_shop())
    stop(bench, 60.0)
    bench.put(collectors=(replace(bench.fan_state(), phase=CoastDown()), bench.fan_state(1)))
    assert commands(stop(bench, 61.0))[0] == "off main"
    assert bench.fan_state().phase == Held("estop")


def test_a_stop_that_is_not_understood_is_an_alarm_until_it_is() -> None:
    bench = running(stop_shop())
    assert bench.tell(ev.StopUnclear("estop", "pressed"), 60.0) == [
        "> raise stop.estop.unclear",
        "alarm_raised/bad_value alarm=stop.estop.unclear stop=estop says=pressed",
    ]
    assert bench.tell(ev.StopUnclear("estop", "pressed"), 60.1) == []
    assert bench.state.stops == (False, False)
    assert bench.fan_state().phase == Running()
    assert stop(bench, 61.0, active=False) == [
        "> clear stop.estop.unclear",
        "alarm_cleared/stop_contact alarm=stop.estop.unclear",
    ]


def goes(bench: Bench, at: float, name: str = "estop", *, back: bool = False, retained: bool = False) -> list[str]:
    return bench.tell(ev.DeviceOnline("stop", name, back, retained), at)


@pytest.mark.parametrize("retained", [False, True])
def test_a_stop_whose_device_is_gone_is_told_and_changes_nothing_else(*, retained: bool) -> None:
    bench = running(stop_shop())
    before = bench.state
    assert goes(bench, 60.0, retained=retained) == [
        "> raise stop.estop.offline",
        "alarm_raised/offline alarm=stop.estop.offline",
        "device_offline/offline stop=estop",
    ]
    assert replace(bench.state, alarms=before.alarms, wake_at=before.wake_at) == before
    assert goes(bench, 61.0) == []
    assert goes(bench, 62.0, back=True) == [
        "> clear stop.estop.offline",
        "device_online/offline stop=estop",
        "alarm_cleared/offline alarm=stop.estop.offline",
    ]
    assert goes(bench, 63.0, back=True) == []


def test_a_cut_starts_the_collector_though_the_device_of_a_stop_is_gone() -> None:
    bench = ready(stop_shop())
    goes(bench, 45.0)
    goes(bench, 45.0, "spark")
    assert commands(bench.amps(50.0, 5.0)) == ["open saw"]
    assert commands(bench.is_open(51.0)) == ["on main"]


def test_a_stop_that_was_active_when_its_device_went_stays_so_and_holds() -> None:
    bench = running(stop_shop())
    stop(bench, 60.0)
    bench.is_off(60.5)
    assert commands(goes(bench, 61.0)) == ["raise stop.estop.offline"]
    assert commands(goes(bench, 70.0, back=True)) == ["clear stop.estop.offline"]
    assert bench.state.stops == (True, False)
    assert bench.fan_state().phase == Held("estop")
    assert "reset_refused/stop_contact" in events(bench.tell(ev.ResetAsked("main"), 80.0))


def test_a_word_of_the_contact_says_nothing_of_its_device() -> None:
    """It may have been sent before the device went, and the broker keeps it."""
    bench = running(stop_shop())
    goes(bench, 60.0)
    stop(bench, 61.0, active=False, retained=True)
    assert Alarm("stop", "estop", "offline") in bench.state.alarms


def test_a_stop_without_online_has_no_device_that_could_go() -> None:
    place = stop_shop()
    bench = ready(replace(place, stops=tuple(replace(one, tells_online=False) for one in place.stops)))
    assert goes(bench, 50.0) == ["message_ignored/unknown_name what=DeviceOnline"]


def test_a_stop_that_was_active_stays_so_through_a_word_that_is_not_understood() -> None:
    bench = running(stop_shop())
    stop(bench, 60.0)
    bench.tell(ev.StopUnclear("estop", "pressed"), 60.1)
    assert bench.state.stops == (True, False)
    assert "> clear stop.estop.unclear" in stop(bench, 61.0)


def test_a_stop_that_is_not_there_is_ignored_whatever_it_says() -> None:
    bench = running(stop_shop())
    assert events(bench.tell(ev.StopUnclear("smoke", "pressed"), 60.0)) == ["message_ignored/unknown_name"]


def test_a_stop_ends_hand_starts_and_run_on_of_its_collector_alone() -> None:
    bench = running(stop_shop())
    bench.amps(59.0, 0.0)
    bench.tell(ev.HandAsked("saw", on=True), 59.1)
    bench.tell(ev.HandAsked("lathe", on=True), 59.2)
    bench.amps(59.3, 5.0, "lathe")
    said = stop(bench, 60.0)
    assert "hand_ended/stop_contact gate=saw collector=main lasted=0.9 hand_limit=1800" in said
    assert bench.tool_state() == ToolIdle(0.0, 59.0)
    assert bench.gate_state(1).hand is not None
    assert bench.tool_state(1) == ToolRunning(5.0, 59.3, 59.3, Freshness.FRESH)


def test_a_silent_tool_is_made_stale_too() -> None:
    bench = running(stop_shop())
    bench.put(tools=(ToolSilent(ToolRunning(5.0, 40.0, 40.0, Freshness.FRESH, 45.0), 58.0), bench.tool_state(1)))
    stop(bench, 60.0)
    assert bench.tool_state() == ToolSilent(ToolRunning(5.0, 40.0, 40.0, Freshness.STALE, 45.0), 58.0)


# --- holds and resets


def test_a_hold_asked_for_names_its_reason() -> None:
    bench = ready(saw_shop())
    assert "collector_held/hold collector=main why=filter change" in bench.tell(
        ev.HoldAsked("main", "filter change"), 50.0
    )
    assert bench.tell(ev.HoldAsked("main", "again"), 51.0) == []
    assert bench.fan_state().phase == Held("filter change")
    bench = ready(saw_shop())
    bench.tell(ev.HoldAsked("main"), 50.0)
    assert bench.fan_state().phase == Held("asked for")


def reset(bench: Bench, at: float) -> list[str]:
    return bench.tell(ev.ResetAsked("main"), at)


def test_a_reset_ends_a_hold_and_starts_nothing() -> None:
    bench = running(stop_shop())
    stop(bench, 60.0)
    bench.is_off(60.1)
    stop(bench, 70.0, active=False)
    assert reset(bench, 80.0) == [
        "> clear collector.main.held",
        "> raise tool.saw.not_fresh",
        "> shut saw",
        "hold_reset/hold collector=main why=estop",
        "alarm_cleared/hold collector=main alarm=collector.main.held",
        "start_refused/not_fresh tool=saw collector=main amps=5 start_amps=3",
        "alarm_raised/not_fresh tool=saw alarm=tool.saw.not_fresh amps=5",
        "gate_commanded/rest gate=saw collector=main to=shut travel=1",
    ]
    assert bench.fan_state().phase == Off()
    assert "on main" not in commands(bench.until(200.0))


def test_a_reset_is_refused_while_a_stop_of_this_collector_is_active() -> None:
    bench = running(stop_shop())
    stop(bench, 60.0)
    stop(bench, 60.5, name="spark")
    assert reset(bench, 61.0) == ["reset_refused/stop_contact collector=main active=estop, spark"]
    stop(bench, 62.0, active=False, name="spark")
    assert reset(bench, 63.0) == ["reset_refused/stop_contact collector=main active=estop"]
    assert bench.fan_state().phase == Held("spark")


def test_a_stop_of_another_collector_refuses_no_reset() -> None:
    bench = running(stop_shop())
    stop(bench, 60.0)
    stop(bench, 61.0, active=False)
    bench.shop = replace(bench.shop, stops=(*bench.shop.stops, StopContact(name="far", collectors=("other",))))
    guard = replace(bench.state.guard, stops=(*bench.state.guard.stops, True))
    bench.put(stops=(*bench.state.stops, True), guard=guard)
    assert "hold_reset/hold" in events(reset(bench, 65.0))


def test_a_reset_of_what_is_not_held_is_refused() -> None:
    assert reset(ready(saw_shop()), 50.0) == ["reset_refused/hold collector=main why=not held"]


def test_an_old_reset_or_hold_acts_on_nothing() -> None:
    bench = ready(saw_shop())
    assert bench.tell(ev.HoldAsked("main", retained=True), 50.0) == [
        "message_ignored/retained collector=main what=HoldAsked"
    ]
    bench.tell(ev.HoldAsked("main"), 51.0)
    assert bench.tell(ev.ResetAsked("main", retained=True), 52.0) == [
        "message_ignored/retained collector=main what=ResetAsked"
    ]


@pytest.mark.parametrize(
    ("state", "after"),
    [
        (ToolIdle(1.999, 58.0), ToolIdle(1.999, 58.0)),
        (ToolIdle(2.0, 58.0), ToolUnknown(2.0, 58.0)),
        (ToolIdle(2.0, 58.0, SubthresholdRise(58.0, 2.0)), ToolUnknown(2.0, 58.0)),
        (ToolIdle(None, 58.0), ToolIdle(None, 58.0)),
        (ToolMuted(5.0, 58.0), ToolMuted(5.0, 58.0)),
        (ToolSilent(ToolIdle(2.5, 30.0), 58.0), ToolSilent(ToolUnknown(2.5, 30.0), 58.0)),
        (ToolSilent(ToolIdle(0.5, 30.0), 58.0), ToolSilent(ToolIdle(0.5, 30.0), 58.0)),
    ],
)
def test_after_a_reset_what_draws_at_all_is_not_taken_for_idle(state: ToolState, after: ToolState) -> None:
    bench = ready(saw_shop())
    bench.tell(ev.HoldAsked("main"), 57.0)
    bench.put(tools=(state,))
    reset(bench, 59.0)
    assert bench.tool_state() == after


def test_a_reset_leaves_the_tools_of_another_collector_alone() -> None:
    bench = ready(stop_shop())
    bench.amps(50.0, 2.5, "lathe")
    bench.tell(ev.HoldAsked("main"), 51.0)
    reset(bench, 52.0)
    assert isinstance(bench.tool_state(1), ToolIdle)


def test_a_held_collector_that_turns_all_the_same_gets_air_and_is_told_off_again() -> None:
    bench = ready(saw_shop())
    bench.tell(ev.HoldAsked("main", "filter"), 50.0)
    bench.is_off(50.5)
    assert bench.is_on(60.0) == [
        "> raise collector.main.shut_gates",
        "> open saw",
        "> off main",
        "collector_running/report collector=main reported_on=True drawing=None",
        ("alarm_raised/fan_against_shut_gates collector=main alarm=collector.main.shut_gates proven_open=0 min_open=1"),
        ("fan_unsafe/fan_against_shut_gates collector=main proven_open=0 min_open=1 reported_on=True drawing=None"),
        "gate_commanded/fan_against_shut_gates gate=saw collector=main to=open travel=1 instead_of=None",
        "collector_off/hold collector=main coast_down=8 why=filter",
    ]
    assert bench.fan_state().phase == Held("filter")
    assert bench.is_open(61.0) == ["gate_open/report gate=saw collector=main took=1 travel=1 late_by=None"]


def test_a_held_collector_with_enough_air_is_told_off_again_and_nothing_more() -> None:
    bench = ready(saw_shop(min_open=0))
    bench.tell(ev.HoldAsked("main", "filter"), 50.0)
    bench.is_off(50.5)
    assert commands(bench.is_on(60.0)) == ["off main"]
