"""A shop that cannot be is refused, with its reason."""

from typing import Any

import pytest
from pydantic import ValidationError
from unit_bench import fan, gate, shop, tool

from gatehand_rules.shop import Collector, Gate, StopContact, Tool


def test_a_stop_threshold_above_the_start_threshold_is_refused_and_one_at_it_is_not() -> None:
    with pytest.raises(ValidationError, match=r"stop_amps 3\.5 is above start_amps 3"):
        tool(stop_amps=3.5)
    assert tool(stop_amps=3.0).stop_amps == 3.0


def test_a_gate_that_can_neither_be_told_nor_report_is_refused() -> None:
    with pytest.raises(ValidationError, match="must report its position"):
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
    with pytest.raises(ValidationError, match=why):
        shop(*parts)


def test_names_of_different_kinds_may_be_the_same_and_are_found_at_their_place() -> None:
    place = shop(tool("a", "b"), gate("x"), gate("b"), fan(), fan("other"), StopContact(name="a", collectors=("main",)))
    assert (place.tool_at("a"), place.gate_at("b"), place.collector_at("other"), place.stop_at("a")) == (0, 1, 1, 0)
    assert (place.tool_at("b"), place.gate_at("a"), place.collector_at("a"), place.stop_at("b")) == (None,) * 4


@pytest.mark.parametrize(
    "wrong",
    [
        {"travel": -1.0},
        {"travel": float("inf")},
        {"travel": float("nan")},
        {"retries": -1},
        {"retries": 21},
        {"colour": "red"},
    ],
)
def test_impossible_numbers_and_unknown_words_are_refused(wrong: dict[str, Any]) -> None:
    with pytest.raises(ValidationError):
        gate(**wrong)
