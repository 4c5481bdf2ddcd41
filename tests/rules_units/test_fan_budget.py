"""The budget of starts (I8), and what time alone does to a collector."""

from math import inf
from typing import Any

import pytest
from unit_bench import Bench, commands, context_of, events, fan, ready, running, saw_shop

from gatehand_rules.collectors import free_again_at, spent, time_passes, wake_at
from gatehand_rules.reshape import adopt_shop
from gatehand_rules.shop import CollectorAt
from gatehand_rules.state import (
    Answer,
    CoastDown,
    CollectorState,
    Held,
    Off,
    Opening,
    Running,
    RunOn,
    SpinUp,
)
from gatehand_rules.timing import Timing

HOUR = 3600.0


def test_a_start_is_spent_for_an_hour_and_free_at_its_end() -> None:
    state = CollectorState(starts=(10.0, 20.0, 30.0))
    assert spent(state, 10.0 + HOUR - 0.001) == (10.0, 20.0, 30.0)
    assert spent(state, 10.0 + HOUR) == (20.0, 30.0)
    assert spent(state, 30.0 + HOUR) == ()


@pytest.mark.parametrize(
    ("budget", "starts", "free"),
    [
        (None, (10.0,), -inf),
        (2, (10.0,), -inf),
        (1, (10.0,), 10.0 + HOUR),
        (2, (10.0, 20.0), 10.0 + HOUR),
        (2, (10.0, 20.0, 30.0), 20.0 + HOUR),
        (3, (10.0, 20.0, 30.0), 10.0 + HOUR),
        (2, (10.0 - HOUR, 20.0), -inf),
    ],
)
def test_when_a_start_comes_free(budget: int | None, starts: tuple[float, ...], free: float) -> None:
    assert free_again_at(fan(starts_per_hour=budget), CollectorState(starts=starts), 40.0) == free


def cut(bench: Bench, at: float) -> list[str]:
    """A short cut from `at` to `at` + 2, told and obeyed."""
    told = bench.until(at) + bench.amps(at, 5.0)
    told += bench.is_open(round(at + 1.0, 3)) + bench.is_on(round(at + 1.1, 3))
    told += bench.amps(round(at + 2.0, 3), 0.0)
    return told


def test_the_collector_stays_on_until_a_start_is_free_again_in_a_sliding_hour() -> None:
    bench = ready(saw_shop(starts_per_hour=2))
    cut(bench, 100.0)
    assert events(bench.until(107.0)) == ["run_on_ended/run_on", "collector_off/no_demand"]
    bench.is_off(107.0)
    cut(bench, 200.0)
    assert bench.until(207.0) == [
        "run_on_ended/run_on tool=saw collector=main run_on=4",
        (
            "collector_kept_on/starts_per_hour collector=main starts_this_hour=2 starts_per_hour=2 "
            f"for_seconds={101.0 + HOUR - 206.0:g}"
        ),
    ]
    assert bench.fan_state().phase == RunOn("starts_per_hour")
    assert bench.state.wake_at == 101.0 + HOUR
    bench.amps(300.0, 5.0)
    assert bench.fan_state().phase == Running()
    assert events(bench.amps(310.0, 0.0) + bench.until(320.0)) == [
        "tool_stopped/stop_threshold",
        "run_on_ended/run_on",
        "collector_kept_on/starts_per_hour",
    ]
    assert bench.tick(101.0 + HOUR - 0.001) == []
    assert commands(bench.tick(101.0 + HOUR)) == ["off main"]
    assert bench.fan_state().starts == (201.0,)


def test_a_cutting_tool_is_never_refused_for_the_budget() -> None:
    bench = ready(saw_shop(starts_per_hour=1))
    cut(bench, 100.0)
    bench.until(110.0)
    bench.is_off(120.0)
    bench.until(130.0)
    bench.is_shut(131.0)
    bench.amps(200.0, 0.0)
    assert "> on main" in cut(bench, 201.0)


def test_starts_are_kept_without_a_budget_and_count_for_one_that_an_edit_sets() -> None:
    place = saw_shop()
    bench = running(place)
    assert bench.fan_state().starts == (51.0,)
    limited = saw_shop(starts_per_hour=1)
    bench.state, bench.shop = adopt_shop(place, limited, bench.state, 60.0).state, limited
    bench.amps(61.0, 0.0)
    said = events(bench.until(80.0))
    assert "collector_kept_on/starts_per_hour" in said
    assert "collector_off/no_demand" not in said
    assert "collector_off/no_demand" in events(bench.until(51.0 + HOUR))


def test_without_a_budget_nothing_is_remembered_for_more_than_an_hour() -> None:
    bench = running(saw_shop())
    bench.until(51.0 + HOUR + 1.0)
    bench.amps(51.0 + HOUR + 2.0, 0.0)
    assert bench.fan_state().starts == ()


# --- what time alone does


def test_what_has_run_out_is_forgotten() -> None:
    state = CollectorState(phase=Off(), still_at=60.0, grace_until=60.0, starts=(10.0, 60.1 - HOUR, 60.0 - HOUR))
    context = context_of(state, 60.0, starts_per_hour=9)
    time_passes(context, CollectorAt(0))
    after = context.collectors[0]
    assert (after.still_at, after.grace_until) == (-inf, -inf)
    assert 60.0 - HOUR not in after.starts
    context = context_of(state, 59.999, starts_per_hour=9)
    time_passes(context, CollectorAt(0))
    assert (context.collectors[0].still_at, context.collectors[0].grace_until) == (60.0, 60.0)


def test_a_fan_that_is_on_or_seen_on_is_not_forgotten_to_stand() -> None:
    for phase, on in ((Running(), None), (Off(), True)):
        context = context_of(CollectorState(phase=phase, still_at=10.0, reported_on=on), 60.0)
        time_passes(context, CollectorAt(0))
        assert context.collectors[0].still_at == 10.0


@pytest.mark.parametrize(
    ("state", "settings", "wake"),
    [
        (CollectorState(phase=Off(), still_at=-inf), {}, inf),
        (CollectorState(phase=Off(), still_at=inf), {}, inf),
        (CollectorState(phase=CoastDown(), still_at=70.0), {}, 70.0),
        (CollectorState(phase=CoastDown(), still_at=70.0, reported_on=True), {}, inf),
        (CollectorState(phase=Held("x"), still_at=70.0), {}, 70.0),
        (CollectorState(phase=Opening(60.0), still_at=-inf), {}, inf),
        (CollectorState(phase=Opening(60.0, until=66.0), still_at=-inf), {}, 66.0),
        (CollectorState(phase=SpinUp(60.0)), {}, 63.0),
        (CollectorState(phase=Running(), still_at=70.0), {}, inf),
        (CollectorState(phase=Running(), grace_until=75.0), {}, 75.0),
        (CollectorState(phase=CoastDown(), still_at=-inf, grace_until=75.0), {}, inf),
        (CollectorState(phase=Running(), told_on_at=60.0), {"refresh": 20.0}, 80.0),
        (CollectorState(phase=Running(), starts=(60.0,)), {"starts_per_hour": 1}, 60.0 + HOUR),
        (CollectorState(phase=Running(), starts=(60.0,)), {"starts_per_hour": 2}, inf),
        (CollectorState(phase=Off(), still_at=-inf, starts=(60.0,)), {"starts_per_hour": 1}, inf),
        (CollectorState(phase=Running(), answer=Answer(on=True, since=60.0)), {}, 65.0),
        (CollectorState(phase=SpinUp(60.0), told_on_at=60.0, answer=Answer(on=True, since=60.0)), {}, 63.0),
    ],
)
def test_when_time_alone_next_changes_a_collector(state: CollectorState, settings: dict[str, Any], wake: float) -> None:
    assert wake_at(Timing(), fan(**settings), state, 0.0) == wake
