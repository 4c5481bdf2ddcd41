"""One word proves no change of the fan: what contradicts what was told counts as a hand once it has stood for 2 s.

No second word is needed for that: a meter may speak every ten seconds, or only on change. For caution nothing waits: a
fan that may turn, turns.
"""

from typing import Any

import pytest
from unit_bench import Bench, commands, events, fan, gate, happened, ready, running, saw_shop, shop, tool

from gatehand_rules import events as ev
from gatehand_rules.findings import Happened
from gatehand_rules.state import Answer, CoastDown, Freshness, Off, Running, ToolRunning

METER = {"reports": False, "senses_motor": True}


def meter(bench: Bench, at: float, amps: float) -> list[str]:
    return bench.tell(ev.CollectorReading("main", amps), at)


def metered(**more: Any) -> Bench:  # noqa: ANN401 - the fields of a collector
    """The saw cuts, and the collector's meter has shown that its motor draws."""
    bench = running(saw_shop(**METER, **more))
    meter(bench, 56.0, 6.0)
    return bench


def by_hand(bench: Bench) -> bool:
    return bench.fan_state().by_hand


# --- on, and shown off


def test_one_sample_of_no_current_ends_no_cut() -> None:
    bench = metered()
    assert commands(meter(bench, 60.0, 0.0)) == []
    assert commands(bench.until(61.0) + meter(bench, 61.0, 6.0)) == []
    assert commands(bench.until(100.0)) == []
    assert isinstance(bench.fan_state().phase, Running)
    assert bench.tool_state() == ToolRunning(5.0, 50.0, 50.0, Freshness.FRESH)


def test_off_and_on_within_a_fifth_of_a_second_is_nobodys_hand_and_the_run_ends_with_its_cut() -> None:
    bench = running(saw_shop())
    assert commands(bench.is_off(60.0) + bench.until(60.2) + bench.is_on(60.2)) == []
    assert not by_hand(bench)
    bench.amps(70.0, 0.0)
    assert "off main" in commands(bench.until(75.0)), "its run-on is 4 s"
    assert isinstance(bench.fan_state().phase, CoastDown)


def test_a_meter_that_speaks_every_ten_seconds_needs_no_second_word() -> None:
    bench = metered()
    meter(bench, 60.0, 0.0)
    assert bench.state.wake_at == 62.0
    assert commands(bench.tick(61.999)) == []
    assert commands(bench.tick(62.0)) == ["off main", "raise tool.saw.not_fresh"]


def test_a_switch_that_speaks_on_change_only_needs_no_second_word() -> None:
    bench = running(saw_shop())
    bench.is_off(60.0)
    assert commands(bench.until(61.999)) == []
    assert "off main" in commands(bench.tick(62.0))


def test_a_word_that_is_repeated_counts_from_its_first_time() -> None:
    bench = running(saw_shop())
    for at in (60.0, 60.5, 61.0, 61.5):
        assert commands(bench.is_off(at)) == []
    assert "off main" in commands(bench.tick(62.0))


def test_each_word_back_makes_it_begin_anew() -> None:
    bench = running(saw_shop())
    for at in range(60, 80, 2):
        assert commands(bench.is_off(float(at))) == []
        assert commands(bench.is_on(at + 1.9)) == []
    assert isinstance(bench.fan_state().phase, Running)


def test_nothing_is_repeated_to_a_switch_that_may_just_have_been_used() -> None:
    bench = running(saw_shop(refresh=20.0))  # switched on at 51 s
    bench.is_off(70.0)
    assert "on main" not in commands(bench.until(100.0))


def test_a_refresh_that_had_to_wait_leaves_once_the_switch_says_on_again() -> None:
    bench = running(saw_shop(refresh=20.0))
    bench.is_off(70.5)
    assert commands(bench.until(71.5)) == []
    assert commands(bench.is_on(71.5)) == ["on main"]


def test_a_cut_begun_after_the_switch_was_used_is_a_fresh_demand_and_one_begun_before_is_not() -> None:
    bench = running(shop(tool("saw"), tool("router"), gate("saw"), gate("router"), fan()))
    bench.is_off(60.0)
    bench.amps(61.0, 5.0, "router")
    bench.is_open(61.5, "router")
    said = bench.tick(62.0)
    assert [one for one in commands(said) if "main" in one or "raise" in one] == [
        "off main",
        "raise tool.saw.not_fresh",
        "on main",
    ]
    standings = [one.freshness for one in bench.state.tools if isinstance(one, ToolRunning)]
    assert standings == [Freshness.STALE, Freshness.FRESH]


def test_a_hand_start_begun_after_the_switch_was_used_stays() -> None:
    bench = running(saw_shop())
    bench.is_off(60.0)
    bench.tell(ev.HandAsked("saw", on=True), 61.0)
    assert "on main" in commands(bench.tick(62.0))
    assert bench.gate_state().hand is not None


# --- off, and shown on


def test_on_by_hand_is_adopted_after_two_seconds_and_not_before() -> None:
    bench = ready(saw_shop())
    bench.is_open(50.0)
    bench.is_on(51.0)
    assert bench.fan_state().phase == Off()
    assert bench.state.wake_at == 53.0
    assert events(bench.tick(53.0)) == ["collector_adopted/switched_by_hand"]
    assert by_hand(bench)


def test_one_sample_of_current_after_the_run_adopts_nothing() -> None:
    bench = metered(rest="leave")
    bench.amps(60.0, 0.0)
    bench.until(64.0)
    meter(bench, 64.1, 0.0)
    bench.until(100.0)
    meter(bench, 100.0, 6.0)
    bench.until(101.0)
    meter(bench, 101.0, 0.0)
    bench.until(200.0)
    assert happened(bench, Happened.COLLECTOR_ADOPTED) == []
    assert bench.fan_state().phase == Off()


def test_a_fan_seen_to_turn_turns_at_once_and_keeps_its_gate() -> None:
    bench = ready(saw_shop())
    bench.is_open(50.0)
    bench.is_on(51.0)
    assert bench.fan_state().still_at == float("inf")
    bench.is_off(51.2)
    assert bench.fan_state().still_at == 59.2
    assert "shut saw" not in commands(bench.tick(59.0))


def test_a_fan_seen_to_turn_against_shut_gates_is_acted_upon_at_once() -> None:
    bench = ready(saw_shop())
    assert commands(bench.is_on(51.0)) == ["raise collector.main.shut_gates", "open saw", "off main"]


def test_a_word_from_before_a_lost_broker_is_no_hand_after_it() -> None:
    bench = ready(saw_shop())
    bench.is_open(50.0)
    bench.is_on(51.0)
    bench.tell(ev.BrokerLost(51.0), 51.5)
    bench.tell(ev.BrokerConnected(), 60.0)
    assert "off main" in commands(bench.tick(60.5)), "switched off anew: it owes its answer"
    assert not by_hand(bench)


# --- a motor that no longer draws while its switch says on


def test_one_sample_without_current_is_no_tripped_motor() -> None:
    bench = running(saw_shop(senses_motor=True))
    meter(bench, 56.0, 6.0)
    meter(bench, 60.0, 0.0)
    bench.until(60.5)
    meter(bench, 60.5, 6.0)
    assert bench.fan_state().confirmed
    assert bench.fan_state().answer is None


def test_a_motor_that_stays_without_current_owes_its_answer_without_a_second_word() -> None:
    bench = running(saw_shop(senses_motor=True))
    meter(bench, 56.0, 6.0)
    meter(bench, 60.0, 0.0)
    bench.until(62.0)
    assert bench.fan_state().answer == Answer(on=True, since=62.0)
    assert commands(bench.until(67.0)) == ["on main"]


def test_a_motor_that_stood_before_its_switch_was_used_does_not_shorten_the_two_seconds() -> None:
    bench = running(saw_shop(senses_motor=True))
    meter(bench, 56.0, 6.0)
    meter(bench, 60.0, 0.0)
    bench.is_off(61.5)
    assert commands(bench.until(63.499)) == []
    assert "off main" in commands(bench.tick(63.5))


# --- changed, restarted, held


def test_a_hold_ends_what_contradicted() -> None:
    bench = running(saw_shop())
    bench.is_off(60.0)
    bench.tell(ev.HoldAsked("main"), 60.5)
    assert bench.fan_state().contrary is None
    assert happened(bench, Happened.COLLECTOR_ADOPTED) == []


@pytest.mark.parametrize("settings", [{}, METER])
def test_time_passes_whatever_the_fan_is_seen_to_do(settings: dict[str, Any]) -> None:
    bench = running(saw_shop(**settings))
    for at in range(56, 120, 3):
        if settings:
            meter(bench, float(at), 6.0 * (at % 2))
        else:
            bench.tell(ev.CollectorReport("main", on=at % 2 == 1), float(at))
        bench.until(at + 2.9)
