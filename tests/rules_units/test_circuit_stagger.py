"""Two inrushes on one circuit must not meet."""

import pytest
from unit_bench import commands, fan, gate, ready, shop, tool

from gatehand_rules import Shop
from gatehand_rules.collectors import inrush_clear_at
from gatehand_rules.shop import Circuit, CollectorAt
from gatehand_rules.state import CollectorState, Freshness, Opening, ToolIdle, ToolRunning, ToolState


def circuit_shop(gap: float = 5.0) -> Shop:
    return shop(
        tool("saw"),
        tool("lathe", collector="other"),
        gate("saw"),
        gate("lathe", collector="other"),
        fan(),
        fan("other"),
        Circuit(name="far", tools=("lathe",), collectors=(), start_gap=60.0),
        Circuit(name="wall", tools=("saw",), collectors=("main", "other"), start_gap=gap),
    )


def test_a_start_waits_until_the_tools_inrush_on_its_circuit_is_over() -> None:
    bench = ready(circuit_shop())
    bench.amps(50.0, 5.0)
    said = bench.is_open(51.5)
    assert said[-1] == "collector_waited/start_gap collector=main for_seconds=3.5"
    assert commands(said) == []
    assert bench.fan_state().phase == Opening(50.0, until=55.0)
    assert bench.state.wake_at == 55.0
    assert bench.tick(54.999) == []
    assert commands(bench.tick(55.0)) == ["on main"]


def test_a_start_waits_for_another_collectors_inrush_and_not_for_its_own() -> None:
    bench = ready(circuit_shop())
    bench.amps(50.0, 5.0)
    bench.is_open(51.0)
    bench.until(55.0)
    bench.is_on(55.1)
    bench.amps(55.5, 5.0, "lathe")
    said = bench.is_open(56.5, "lathe")
    assert said[-1] == "collector_waited/start_gap collector=other for_seconds=3.5"
    assert commands(bench.until(60.0)) == ["on other"]


def test_a_circuit_without_gap_staggers_nothing() -> None:
    bench = ready(circuit_shop(gap=0.0))
    bench.amps(50.0, 5.0)
    assert commands(bench.is_open(50.5)) == ["on main"]


def test_a_wait_whose_inrush_is_long_over_is_none() -> None:
    bench = ready(circuit_shop())
    bench.amps(50.0, 5.0)
    assert commands(bench.is_open(55.0)) == ["on main"]


@pytest.mark.parametrize(
    ("tools", "started", "clear"),
    [
        ((), (), float("-inf")),
        ((ToolRunning(5.0, 9.0, 7.0, Freshness.STALE),), (), 12.0),
        ((), (10.0,), float("-inf")),
        ((), (float("-inf"), 10.0), 15.0),
        ((ToolRunning(5.0, 9.0, 7.0, Freshness.STALE),), (10.0, 6.0), 12.0),
        ((ToolRunning(5.0, 9.0, 7.0, Freshness.STALE),), (10.0, 8.0), 13.0),
    ],
)
def test_when_the_circuit_is_clear(tools: tuple[ToolState, ...], started: tuple[float, ...], clear: float) -> None:
    place = circuit_shop()
    states = [*tools, *(ToolIdle(0.0, 0.0) for _ in place.tools[len(tools) :])]
    collectors = [CollectorState(started_at=at) for at in started]
    collectors += [CollectorState() for _ in place.collectors[len(started) :]]
    assert inrush_clear_at(place, states, collectors, CollectorAt(0)) == clear


def test_a_gap_of_a_second_or_less_counts() -> None:
    bench = ready(circuit_shop(gap=0.75))
    bench.amps(50.0, 5.0)
    bench.is_open(50.5)
    assert bench.state.wake_at == 50.75


def test_of_two_circuits_the_longer_wait_counts() -> None:
    place = shop(
        tool("saw"),
        tool("lathe"),
        gate("saw"),
        gate("lathe"),
        Circuit(name="one", tools=("saw",), collectors=("main",), start_gap=9.0),
        Circuit(name="two", tools=("lathe",), collectors=("main",), start_gap=2.0),
    )
    cutting = [ToolRunning(5.0, 9.0, since, Freshness.FRESH) for since in (1.0, 3.0)]
    assert inrush_clear_at(place, cutting, [CollectorState()], CollectorAt(0)) == 10.0


def test_a_wait_that_is_over_is_forgotten_also_when_a_gate_was_lost_meanwhile() -> None:
    bench = ready(circuit_shop())
    bench.amps(50.0, 5.0)
    bench.is_open(51.0)
    bench.is_shut(54.0)
    bench.tick(55.0)
    assert bench.fan_state().phase == Opening(50.0)
    assert commands(bench.is_open(55.5)) == ["on main"]
