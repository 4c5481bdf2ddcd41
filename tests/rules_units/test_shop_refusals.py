"""A shop that cannot be is refused, with its reason."""

from collections.abc import Callable
from math import inf, nan

import pytest
from msgspec.structs import replace
from unit_bench import fan, gate, shop, tool

from gatehand_rules.shop import Circuit, Collector, CollectorAt, Gate, StopContact, Tool, ToolAt


def test_a_stop_threshold_above_the_start_threshold_is_refused_and_one_at_it_is_not() -> None:
    with pytest.raises(ValueError, match=r"stop_at 3\.5 is above start_at 3"):
        tool(stop_at=3.5)
    assert tool(stop_at=3.0).stop_at == 3.0


def test_a_gate_that_can_neither_be_told_nor_report_is_refused() -> None:
    with pytest.raises(ValueError, match="must report its position"):
        gate(commanded=False, reports=False)
    assert gate(commanded=False).reports


@pytest.mark.parametrize(
    ("parts", "why"),
    [
        ((tool("a"), tool("a"), gate("a")), "two tools have one name"),
        ((gate("a"), gate("a")), "two gates have one name"),
        ((fan(), fan()), "two collectors have one name"),
        ((StopContact(name="s", collectors=()), StopContact(name="s", collectors=())), "two stops have one name"),
        ((gate("a", collector="x"),), "gate a: no collector x"),
        ((tool("a", "a", collector="x"), gate("a")), "tool a: no collector x"),
        ((tool("a", "b"), gate("a")), "tool a: no gate b at collector main"),
        ((tool("a", assist=("b",)), gate("a")), "tool a: no gate b at collector main"),
        ((tool("a"), gate("a", collector="x"), fan(), fan("x")), "tool a: no gate a at collector main"),
        ((StopContact(name="s", collectors=("main", "x")),), "stop s: names a collector that is not there"),
    ],
)
def test_what_does_not_fit_together_is_refused(
    parts: tuple[Tool | Gate | Collector | StopContact, ...], why: str
) -> None:
    with pytest.raises(ValueError, match=why):
        shop(*parts)


def test_names_of_different_kinds_may_be_the_same_and_are_found_at_their_place() -> None:
    place = shop(tool("a", "b"), gate("x"), gate("b"), fan(), fan("other"), StopContact(name="a", collectors=("main",)))
    assert (place.tool_at("a"), place.gate_at("b"), place.collector_at("other"), place.stop_at("a")) == (0, 1, 1, 0)
    assert (place.tool_at("b"), place.gate_at("a"), place.collector_at("a"), place.stop_at("b")) == (None,) * 4


def test_a_changed_shop_is_checked_anew_and_finds_things_where_they_are_now() -> None:
    saw, main, other = ToolAt(0), CollectorAt(0), CollectorAt(1)
    before = shop(tool("a"), tool("b"), gate("a"), gate("b"), fan(), fan("other"))
    assert (before.tool_at("b"), before.gate_at("b")) == (1, 1)
    assert (before.ways_of(saw), before.tools_of(main)) == (((0,), ()), (0, 1))
    after = replace(before, tools=before.tools[1:], gates=before.gates[::-1])
    assert (after.tool_at("a"), after.tool_at("b"), after.gate_at("b")) == (None, 0, 0)
    assert (after.ways_of(saw), after.tools_of(main), after.tools_of(other)) == (((0,), ()), (0,), ())
    assert (after.each_tool, after.each_gate, after.each_collector) == ((0,), (0, 1), (0, 1))
    with pytest.raises(ValueError, match="tool a: no gate a at collector main"):
        replace(before, gates=before.gates[1:])


@pytest.mark.parametrize(
    ("make", "wrong", "why"),
    [
        (gate, {"travel": -1.0}, "gate saw: travel -1 must be 0 or more"),
        (gate, {"travel": inf}, "travel inf must be"),
        (gate, {"travel": nan}, "travel nan must be"),
        (gate, {"retries": -1}, "retries -1 must be 0 or more"),
        (gate, {"retries": 21}, "retries 21 are more than 20"),
        (gate, {"on_hand_open": "wait"}, "on_hand_open 'wait' must be one of start, ignore"),
        (tool, {"run_on": -0.1}, "tool saw: run_on -0.1 must be 0 or more"),
        (tool, {"stop_at": 0.0}, "stop_at 0 must be above 0"),
        (tool, {"start_at": nan}, "start_at nan must be above 0"),
        (fan, {"min_open": -1}, "collector main: min_open -1 must be 0 or more"),
        (fan, {"max_open": 0}, "max_open 0 must be 1 or more"),
        (fan, {"starts_per_hour": 0}, "starts_per_hour 0 must be 1 or more"),
        (fan, {"turns_at": inf}, "turns_at inf must be above 0"),
        (fan, {"rest": "open"}, "rest 'open' must be one of shut, leave"),
        (Circuit, {"name": "wall", "start_gap": -1.0}, "circuit wall: start_gap -1 must be 0 or more"),
    ],
)
def test_impossible_numbers_and_words_are_refused(
    make: Callable[..., object], wrong: dict[str, object], why: str
) -> None:
    with pytest.raises(ValueError, match=why):
        make(**wrong)


def test_what_a_gate_does_not_have_is_refused() -> None:
    with pytest.raises(TypeError, match="colour"):
        gate(colour="red")
