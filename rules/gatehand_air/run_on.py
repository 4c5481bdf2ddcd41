"""The least run-on of each tool: until the last dust at its hoods has reached the collector. SI units, no sentences.

A drop slows when other gates are open too, so the slowest of all sets that can open with the tool counts, and of its
velocities the lower end of their spread.
"""

from collections.abc import Iterator, Mapping, Sequence
from itertools import count
from math import ceil, inf
from typing import Final

from msgspec import Struct

from gatehand_air.answers import Book, Case
from gatehand_air.gate_sets import MOST_LISTED, Admit, Asker, GateDemand, GateSet

CLEARING_MARGIN: Final = 1.0
"""Seconds on top of spin-down and twice the clearing time."""
ALL_TRIED: Final = 4
"""Further demands beside a tool up to which all are tried."""
FEW: Final = 3
"""Of these so many are looked at closely."""
TRIED: Final = 2
"""After them so many are tried, of those that slow the tool most."""


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
        for tool, case in _slower_and_slower(book, tools, demands, admit):
            cases.setdefault(tool.name, []).append(case)
    book.clearing([(case, tool.hoods) for tool in tools for case in cases.get(tool.name, [])])
    found = (_least(book, tool, cases.get(tool.name, []), spin_downs.get(tool.name, 0.0)) for tool in tools)
    return tuple(one for one in found if one is not None)


def _least(book: Book, tool: GateDemand, cases: Sequence[Case], spin_down: float) -> LeastRunOn | None:
    found = book.clearing([(case, tool.hoods) for case in cases])
    times = [(time, case) for case, time in zip(cases, found, strict=True) if time < inf]
    if not times:
        return None
    slowest, case = max(times, key=lambda pair: pair[0])
    ways = {name for hood in tool.hoods for name in book.ducting.ways[hood]}
    settles = any(short.settles and short.where in ways for short in book.look(case).shorts)
    return LeastRunOn(tool.name, spin_down, slowest, case.gates, settles)


class _Way:
    """A tool with those that are asked for beside it, so far, and those that may yet be: what slows it most first."""

    def __init__(self, tool: GateDemand, others: Sequence[GateDemand]) -> None:
        self.tool = tool
        self.together = [tool]
        self.others = list(others)
        self._dusty = tool.hoods

    def next(self, admit: Admit, most: int) -> list[tuple[GateDemand, Case]]:
        """Those to try next, and what opens then. Whom the rules let wait now, they let wait with more."""
        found: list[tuple[GateDemand, Case]] = []
        kept: list[GateDemand] = []
        for at, demand in enumerate(self.others):
            if len(found) == most:
                kept += self.others[at:]
                break
            if (opens := admit([*self.together, demand])) is not None:
                found.append((demand, Case(opens, self._dusty | demand.hoods)))
                kept.append(demand)
        self.others = kept
        return found

    def slowed(self, slowest: GateDemand, tried: Sequence[GateDemand]) -> None:
        """Take the slowest, and remember the order in which those tried slow the tool."""
        self.together.append(slowest)
        self._dusty |= slowest.hoods
        self.others = [one for one in (*tried, *(one for one in self.others if one not in tried)) if one != slowest]


def _slower_and_slower(
    book: Book, tools: Sequence[GateDemand], demands: Sequence[GateDemand], admit: Admit
) -> Iterator[tuple[GateDemand, Case]]:
    """Sets with each tool, each with the one further demand that slows its dust most, as long as the rules open it.

    All tools in one go. The flows themselves say which few are slowest, their lower ends which of these is. After some
    rounds no more than a few are tried: those that slowed it most when all were.
    """
    ways = [_Way(tool, [demand for demand in demands if demand != tool]) for tool in tools]
    for size in count():
        early = size < ALL_TRIED
        tried = [(way, way.next(admit, len(demands) if early else TRIED)) for way in ways]
        times = iter(book.clearing([(case, way.tool.hoods) for way, some in tried for _, case in some], lower=False))
        ranked: list[tuple[_Way, list[tuple[GateDemand, Case]]]] = []
        for way, some in tried:
            known = sorted(((next(times), at) for at in range(len(some))), reverse=True)
            if slow := [some[at] for time, at in known if time < inf]:
                ranked.append((way, slow))
        if not ranked:
            return
        few = [(way, slow, slow[: FEW if early else 1]) for way, slow in ranked]
        times = iter(book.clearing([(case, way.tool.hoods) for way, _, some in few for _, case in some]))
        for way, slow, some in few:
            slowest = max((next(times), -at) for at in range(len(some)))
            yield from ((way.tool, case) for _, case in some)
            way.slowed(some[-slowest[1]][0], [demand for demand, _ in slow])
        ways = [way for way, _ in ranked]
