"""A fan against shut gates (I4), and a switch used by hand."""

from typing import Any

import pytest
from msgspec.structs import replace
from unit_bench import commands, events, fan, gate, ready, running, saw_shop, shop, tool

from gatehand_rules import events as ev
from gatehand_rules.findings import Alarm
from gatehand_rules.state import (
    CoastDown,
    Freshness,
    GateShut,
    GateState,
    Off,
    Running,
    SpinUp,
    ToolIdle,
    ToolRunning,
)

# --- I4: a fan against shut gates


def test_a_fan_that_loses_its_last_gate_is_told_off_and_given_air() -> None:
    bench = running(saw_shop())
    assert bench.is_shut(60.0) == [
        "> raise collector.main.shut_gates",
        "> open saw",
        "> off main",
        "gate_shut/moved_by_hand gate=saw collector=main",
        ("alarm_raised/fan_against_shut_gates collector=main alarm=collector.main.shut_gates proven_open=0 min_open=1"),
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
    assert Alarm("collector", "main", "shut_gates") in bench.state.alarms
    assert commands(bench.tick(70.0)) == ["on main", "clear collector.main.shut_gates"]


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
    ]
    assert bench.tick(53.0) == ["collector_adopted/switched_by_hand collector=main stood_for=2"]
    assert (bench.fan_state().phase, bench.fan_state().by_hand) == (Running(), True)
    assert commands(bench.until(500.0)) == []
    bench = ready(saw_shop())
    assert commands(bench.is_on(51.0)) == ["raise collector.main.shut_gates", "open saw", "off main"]
    assert bench.fan_state().phase == CoastDown(tripped=True)
    assert commands(bench.is_open(52.0)) == []


def test_adopted_by_its_current_where_its_switch_says_nothing() -> None:
    for settings, adopted in (({"reports": False, "senses_motor": True}, True), ({"senses_motor": True}, False)):
        bench = ready(saw_shop(**settings))
        bench.is_open(50.0)
        bench.tell(ev.CollectorReading("main", 9.0), 51.0)
        said = events(bench.until(53.0))
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
    bench.tick(53.0)
    assert commands(bench.amps(54.0, 5.0)) == ["open saw instead of sweep"]
    assert commands(bench.is_open(55.0)) == ["shut sweep"]
    bench.is_shut(55.5, "sweep")
    bench.amps(56.0, 0.0)
    assert commands(bench.until(300.0)) == []
    assert bench.fan_state().phase == Running()


def test_switched_off_by_hand_it_stays_off_and_says_so_of_each_cutting_tool() -> None:
    bench = running(saw_shop())
    assert bench.is_off(60.0) == ["collector_stood/report collector=main reported_on=False drawing=None"]
    assert bench.tick(62.0) == [
        "> off main",
        "> raise tool.saw.not_fresh",
        "collector_off/switched_by_hand collector=main coast_down=8 why=None",
        "start_refused/switched_by_hand tool=saw collector=main",
        "alarm_raised/switched_by_hand tool=saw alarm=tool.saw.not_fresh",
    ]
    assert bench.tool_state() == ToolRunning(5.0, 50.0, 50.0, Freshness.STALE)
    assert "on main" not in commands(bench.until(300.0))


def test_switched_off_and_on_again_by_hand_it_is_not_fought() -> None:
    bench = running(saw_shop())
    bench.is_off(60.0)
    bench.tick(62.0)
    bench.is_on(63.0)
    assert bench.tick(65.0) == ["collector_adopted/switched_by_hand collector=main stood_for=2"]
    assert commands(bench.until(300.0)) == []


def test_switched_off_by_hand_it_ends_run_on_and_hand_starts_without_a_refusal() -> None:
    bench = running(saw_shop())
    bench.tell(ev.HandAsked("saw", on=True), 59.0)
    bench.amps(60.0, 0.0)
    said = events(bench.is_off(61.0)) + events(bench.tick(63.0))
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
    bench.tick(53.0)
    bench.is_off(60.0)
    assert commands(bench.tick(62.0)) == ["off main"]


@pytest.mark.parametrize(
    ("settings", "event", "off"),
    [
        ({}, ev.CollectorReport("main", on=False, retained=True), False),
        ({"reports": False, "senses_motor": True}, ev.CollectorReading("main", 0.0), True),
    ],
)
def test_what_counts_as_switched_off_by_hand(settings: dict[str, Any], event: ev.Event, *, off: bool) -> None:
    bench = running(saw_shop(**settings))
    if settings:
        bench.tell(ev.CollectorReading("main", 9.0), 56.0)
    bench.tell(event, 60.0)
    assert ("off main" in commands(bench.until(62.0))) is off


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
    bench = running(saw_shop(senses_motor=True))
    bench.tell(ev.CollectorReading("main", 9.0), 56.0)
    said = bench.is_shut(60.0)
    assert (
        "fan_unsafe/fan_against_shut_gates collector=main proven_open=0 min_open=1 reported_on=True drawing=True"
    ) in said
