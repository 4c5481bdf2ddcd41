"""Shops for the proofs: drawn from a source of choices, so that hypothesis and a seeded generator share them."""

from collections.abc import Sequence
from typing import Protocol, TypeVar

from gatehand_rules import Shop
from gatehand_rules.shop import Circuit, Collector, Gate, StopContact, Tool
from gatehand_rules.words import Measure

T = TypeVar("T")


class Choices(Protocol):
    """Where a drawn shop's choices come from."""

    def whole(self, low: int, high: int) -> int:
        """A whole number, both ends included."""

    def one_of(self, options: Sequence[T]) -> T:
        """One of several."""


def drawn_shop(choose: Choices, *, wild: bool = False, circuits: bool = True) -> Shop:
    """1 to 2 collectors, 1 to 6 gates, 1 to 8 tools, a stop contact, with every option of the config.

    `wild`: also what the config refuses (travel without time, a fan that wants more gates than there are). Without
    `circuits` no start waits for another inrush.
    """
    fans = [f"fan_{i}" for i in range(choose.whole(1, 2))]
    gates = [_gate(choose, f"gate_{i}", choose.one_of(fans), wild=wild) for i in range(choose.whole(1, 6))]
    collectors = [_collector(choose, name, gates, wild=wild) for name in fans]
    tools = [_tool(choose, f"tool_{i}", choose.one_of(collectors), gates, wild=wild) for i in range(choose.whole(1, 8))]
    homes = tuple(fans) if choose.one_of([True, False]) else (fans[0],)
    return Shop(
        tools=tuple(tools),
        gates=tuple(gates),
        collectors=tuple(collectors),
        stops=(StopContact(name="stop", collectors=homes),),
        circuits=_circuits(choose, fans, tools) if circuits else (),
    )


def _circuits(choose: Choices, fans: list[str], tools: list[Tool]) -> tuple[Circuit, ...]:
    if choose.whole(0, 3) > 0:
        return ()
    mine = tuple(tool.name for tool in tools[: choose.whole(0, len(tools))])
    return (Circuit(name="breaker", tools=mine, collectors=tuple(fans), start_gap=choose.one_of([0.5, 2.0])),)


def _gate(choose: Choices, name: str, collector: str, *, wild: bool) -> Gate:
    commanded = choose.one_of([True, True, True, False])
    reports = not commanded or choose.one_of([True, False])
    return Gate(
        name=name,
        collector=collector,
        commanded=commanded,
        reports=reports,
        travel=choose.one_of([0.0, 1.0, 1.5] if wild else [0.3, 1.0, 1.5]),
        retries=choose.one_of([0, 1, 2]),
        hand_limit=choose.one_of([5.0, 1800.0]),
        relief=commanded and choose.one_of([False, False, True]),
        on_hand_open=choose.one_of(["ignore", "start"] if wild or reports else ["ignore"]),
    )


def _tool(choose: Choices, name: str, fan: Collector, gates: list[Gate], *, wild: bool) -> Tool:
    own = [gate.name for gate in gates if gate.collector == fan.name]
    moved = [gate.name for gate in gates if gate.collector == fan.name and (gate.commanded or wild)]
    most = 2 if fan.max_open is None or wild else min(2, fan.max_open)
    first = choose.whole(0, len(own))
    named = tuple(own[first : first + choose.whole(0, most)])
    assist = tuple(one for one in moved[:1] if one not in named and (named or wild))
    measure = choose.one_of([Measure.AMPS, Measure.AMPS, Measure.WATTS, Measure.RUNNING])
    start = 1.0 if measure is Measure.RUNNING else 2.5
    return Tool(
        name=name,
        collector=fan.name,
        gates=named,
        assist=assist if choose.one_of([True, False, False]) else (),
        measure=measure,
        start_at=start,
        stop_at=start if measure is Measure.RUNNING else choose.one_of([1.75, 2.5, 0.5]),
        start_after=choose.one_of([0.0, 0.0, 1.0]),
        stop_after=choose.one_of([0.0, 0.0, 1.0]),
        run_on=choose.one_of([0.0, 2.0, 10.0]),
        silent_after=choose.one_of([0.0, 6.0, 30.0]),
        run_limit=choose.one_of([0.0, 20.0, 28800.0]),
    )


def _collector(choose: Choices, name: str, gates: list[Gate], *, wild: bool) -> Collector:
    own = sum(1 for gate in gates if gate.collector == name)
    least = choose.one_of([0, 1, 1, 1, 2])
    least = least if wild else min(least, own)
    most = choose.one_of([None, None, 1, 2])
    senses = choose.one_of([True, False])
    measure = choose.one_of(list(Measure)) if senses else Measure.AMPS
    return Collector(
        name=name,
        reports=choose.one_of([True, False]),
        senses_motor=senses,
        measure=measure,
        turns_at=1.0 if measure is Measure.RUNNING else 2.0,
        spin_up=choose.one_of([0.0, 3.0]),
        coast_down=choose.one_of([0.0, 2.0, 8.0]),
        refresh=choose.one_of([0.0, 4.0, 20.0]),
        min_open=least,
        max_open=None if most is None else max(most, least),
        starts_per_hour=choose.one_of([None, None, 1, 2, 12]),
        on_bin_full=choose.one_of(["refuse", "warn"]),
        rest=choose.one_of(["shut", "leave"]),
    )
