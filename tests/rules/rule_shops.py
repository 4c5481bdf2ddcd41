"""Shops for the proofs: drawn from a source of choices, so that hypothesis and a seeded generator share them."""

from collections.abc import Sequence
from typing import Protocol, TypeVar

from gatehand_rules import Shop
from gatehand_rules.shop import Collector, Gate, StopContact, Tool

T = TypeVar("T")


class Choices(Protocol):
    """Where a drawn shop's choices come from."""

    def whole(self, low: int, high: int) -> int:
        """A whole number, both ends included."""

    def one_of(self, options: Sequence[T]) -> T:
        """One of several."""


def drawn_shop(choose: Choices) -> Shop:
    """1 to 2 collectors, 1 to 6 gates, 1 to 8 tools, a stop contact, with every option of the config."""
    fans = [f"fan_{i}" for i in range(choose.whole(1, 2))]
    gates = [_gate(choose, f"gate_{i}", choose.one_of(fans)) for i in range(choose.whole(1, 6))]
    tools = [_tool(choose, f"tool_{i}", choose.one_of(fans), gates) for i in range(choose.whole(1, 8))]
    homes = tuple(fans) if choose.one_of([True, False]) else (fans[0],)
    return Shop(
        tools=tuple(tools),
        gates=tuple(gates),
        collectors=tuple(_collector(choose, name) for name in fans),
        stops=(StopContact(name="stop", collectors=homes),),
    )


def _gate(choose: Choices, name: str, collector: str) -> Gate:
    commanded = choose.one_of([True, True, True, False])
    return Gate(
        name=name,
        collector=collector,
        commanded=commanded,
        reports=not commanded or choose.one_of([True, False]),
        travel=choose.one_of([0.0, 1.0, 1.5]),
        retries=choose.one_of([0, 1, 2]),
        hand_limit=choose.one_of([5.0, 1800.0]),
        relief=choose.one_of([False, False, True]),
        on_hand_open=choose.one_of(["ignore", "start"]),
    )


def _tool(choose: Choices, name: str, collector: str, gates: list[Gate]) -> Tool:
    own = [gate.name for gate in gates if gate.collector == collector]
    first = choose.whole(0, len(own))
    count = choose.whole(0, 2)
    return Tool(
        name=name,
        collector=collector,
        gates=tuple(own[first : first + count]),
        assist=tuple(own[:1]) if own[:1] != own[first : first + 1] and choose.one_of([True, False, False]) else (),
        start_amps=2.5,
        stop_amps=choose.one_of([1.75, 2.5, 0.5]),
        start_after=choose.one_of([0.0, 0.0, 1.0]),
        stop_after=choose.one_of([0.0, 0.0, 1.0]),
        run_on=choose.one_of([0.0, 2.0, 10.0]),
        silent_after=choose.one_of([0.0, 6.0, 30.0]),
        run_limit=choose.one_of([0.0, 20.0, 28800.0]),
    )


def _collector(choose: Choices, name: str) -> Collector:
    least = choose.one_of([0, 1, 1, 1, 2])
    most = choose.one_of([None, None, 1, 2])
    return Collector(
        name=name,
        reports=choose.one_of([True, False]),
        senses_current=choose.one_of([True, False]),
        spin_up=choose.one_of([0.0, 3.0]),
        coast_down=choose.one_of([0.0, 2.0, 8.0]),
        refresh=choose.one_of([0.0, 4.0, 20.0]),
        min_open=least,
        max_open=None if most is None else max(most, least),
        starts_per_hour=choose.one_of([None, None, 1, 2, 12]),
        on_bin_full=choose.one_of(["refuse", "warn"]),
        rest=choose.one_of(["shut", "leave"]),
    )
