"""The least run-on of each tool: until the last dust at its hoods has reached the collector. SI units, no sentences.

A drop slows when other gates are open too, so the slowest of all sets that can open with the tool counts, and of its
velocities the lower end of their spread.
"""

from collections.abc import Iterator, Mapping, Sequence
from math import ceil
from typing import Final

from msgspec import Struct

from gatehand_air.answers import Book, Case
from gatehand_air.gate_sets import MOST_LISTED, Admit, Asker, GateDemand, GateSet

CLEARING_MARGIN: Final = 1.0
"""Seconds on top of spin-down and twice the clearing time."""


class LeastRunOn(Struct, frozen=True):
    """The least run-on for a tool: `spin_down` plus twice `clearing` plus 1 s.

    Fields:
        clearing: seconds that the dust takes to the collector, in the slowest set.
        gates: that set.
        settles: a duct on the way is so slow that no run-on clears it.
    """

    tool: str
    spin_down: float
    clearing: float
    gates: frozenset[str]
    settles: bool

    @property
    def wanted(self) -> float:
        """Seconds, not rounded."""
        return self.spin_down + 2 * self.clearing + CLEARING_MARGIN

    @property
    def least(self) -> float:
        """Rounded up to whole seconds."""
        return float(ceil(self.wanted - 1e-9))


def least_run_ons(
    book: Book,
    demands: Sequence[GateDemand],
    sets: Sequence[GateSet],
    admit: Admit,
    spin_downs: Mapping[str, float],
) -> tuple[LeastRunOn, ...]:
    """One for each tool with hoods of which any set has an answer.

    Args:
        book: what the ducts answer.
        demands: who asks, with the assists as they are to be.
        sets: what can be asked for.
        admit: what the rules open.
        spin_downs: by tool, seconds.
    """
    cases: dict[str, list[Case]] = {}
    for one in sets:
        case = Case(one.gates, one.dusty)
        for name in {demand.name for who in one.demands for demand in who if demand.asker is Asker.TOOL}:
            cases.setdefault(name, []).append(case)
    tools = [demand for demand in demands if demand.asker is Asker.TOOL and demand.hoods]
    if len(sets) >= MOST_LISTED:  # not all are listed: go the way on which a tool's own air falls most
        for tool in tools:
            cases.setdefault(tool.name, []).extend(_slower_and_slower(book, tool, demands, admit))
    found = (_least(book, tool, cases.get(tool.name, []), spin_downs.get(tool.name, 0.0)) for tool in tools)
    return tuple(one for one in found if one is not None)


def _least(book: Book, tool: GateDemand, cases: Sequence[Case], spin_down: float) -> LeastRunOn | None:
    times = [(time, case) for case, time in zip(cases, _clearing(book, tool, cases), strict=True) if time is not None]
    if not times:
        return None
    slowest, case = max(times, key=lambda pair: pair[0])
    ways = {name for hood in tool.hoods for name in book.ducting.ways[hood]}
    settles = any(short.settles and short.where in ways for short in book.look(case).shorts)
    return LeastRunOn(tool.name, spin_down, slowest, case.gates, settles)


def _clearing(book: Book, tool: GateDemand, cases: Sequence[Case]) -> list[float | None]:
    """Seconds until the last dust at the tool's hoods has reached the collector, by case."""
    ducting = book.ducting
    network, speed, areas = ducting.network, ducting.particle_speed, ducting.areas
    found: list[float | None] = []
    for flows in book.lower(cases):
        ways = [ducting.ways[hood] for hood in tool.hoods]
        if flows is None or any(name not in flows for way in ways for name in way):
            found.append(None)
            continue
        times = [sum(network.duct(name).length * areas[name] / (speed * flows[name]) for name in way) for way in ways]
        found.append(max(times))
    return found


def _slower_and_slower(book: Book, tool: GateDemand, demands: Sequence[GateDemand], admit: Admit) -> Iterator[Case]:
    """Sets with the tool, each with the one further demand that slows its dust most, as long as the rules open it."""
    together = [tool]
    while True:
        further = [demand for demand in demands if demand not in together]
        opened = [(demand, opens) for demand in further if (opens := admit([*together, demand])) is not None]
        cases = [Case(opens, frozenset().union(*(d.hoods for d in (*together, one)))) for one, opens in opened]
        times = _clearing(book, tool, cases)
        known = [(time, at) for at, time in enumerate(times) if time is not None]
        if not known:
            return
        _, at = max(known)
        yield cases[at]
        together.append(opened[at][0])
