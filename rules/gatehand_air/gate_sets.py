"""Which sets of gates can stand open together: who asks for them, and what of that the rules let open.

The rules are asked, never copied: `Admit` is how. No pressures, no flows in here.
"""

from collections.abc import Callable, Iterator, Sequence
from enum import StrEnum
from itertools import combinations, permutations
from typing import Final, TypeAlias

from msgspec import Struct

MOST_LISTED: Final = 400
"""Sets of three and more demands are listed up to this many in all; fewer than that stay legible."""
MOST_ORDERED: Final = 3
"""Demands whose every order is asked about; of more, the order given and its reverse."""


class Asker(StrEnum):
    """Who asks for gates."""

    TOOL = "tool"
    HAND = "hand"


class GateDemand(Struct, frozen=True):
    """What one tool or one hand start asks for.

    Fields:
        gates: its own.
        assist: gates that come along to keep the main moving, where there is room; first named, first opened.
        hoods: those that take in its dust; through other hoods behind its gates only clean air comes.
    """

    asker: Asker
    name: str
    gates: frozenset[str]
    assist: tuple[str, ...] = ()
    hoods: frozenset[str] = frozenset()


Admit: TypeAlias = Callable[[Sequence[GateDemand]], frozenset[str] | None]
"""The gates that the rules open for these demands, oldest first; None where one of them would have to wait."""


class GateSet(Struct, frozen=True):
    """One set of open gates, the hoods that take in dust, and who asks for it: each way that leads to it."""

    gates: frozenset[str]
    dusty: frozenset[str]
    demands: tuple[tuple[GateDemand, ...], ...]

    @property
    def together(self) -> int:
        """How many ask at once, at the least; 0: nobody can."""
        return min(map(len, self.demands), default=0)


def gate_sets(demands: Sequence[GateDemand], admit: Admit, most: int | None) -> tuple[GateSet, ...]:
    """Every set of gates that can be asked for, in the order: each demand alone, pairs, more. Each set once.

    `most`: as many demands at once as are looked at beyond pairs (a collector's `max_open`; None: pairs only).
    A demand that the rules never let open leads to no set.
    """
    found: dict[tuple[frozenset[str], frozenset[str]], list[tuple[GateDemand, ...]]] = {}
    for together in _together(demands, most):
        dusty = frozenset().union(*(demand.hoods for demand in together))
        for opens in dict.fromkeys(admit(order) for order in orders(together)):
            if opens is None:
                continue
            ways = found.setdefault((opens, dusty), [])
            if not ways or len(ways[0]) == len(together):  # more of them would ask for no more gates
                ways.append(together)
    return tuple(GateSet(opens, dusty, tuple(who)) for (opens, dusty), who in found.items())


def _together(demands: Sequence[GateDemand], most: int | None) -> Iterator[tuple[GateDemand, ...]]:
    """Each demand alone, every two, and with `most` above two every number up to it, as far as is legible."""
    listed = 0
    for count in range(1, max(most or 2, 2) + 1):
        for together in combinations(demands, count):
            if count > 2 and listed >= MOST_LISTED:  # noqa: PLR2004
                return
            listed += 1
            yield together


def orders(together: tuple[GateDemand, ...]) -> Iterator[tuple[GateDemand, ...]]:
    """In which order they can have started, where that changes what opens: it does only for assist gates."""
    assisted = [demand for demand in together if demand.assist]
    if len(assisted) < 2:  # noqa: PLR2004 - own gates come first, whoever began
        return iter((together,))
    if len(together) > MOST_ORDERED:
        return iter((together, together[::-1]))
    plain = tuple(demand for demand in together if not demand.assist)
    return ((*plain, *some) for some in permutations(assisted))
