"""The sets of gates that a shop can ask for: each tool, each hand start, several up to `max_open`, and all."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import combinations
from typing import Final

MOST_SETS: Final = 400
"""Sets of three and more demands are listed up to this many in all; fewer than that stay legible."""


class Asker(StrEnum):
    """Who asks for gates."""

    TOOL = "tool"
    HAND = "hand"


@dataclass(frozen=True, slots=True)
class Demand:
    """Gates opened by one tool or one hand start. `assist` come along to keep the main moving and take in no dust."""

    asker: Asker
    name: str
    gates: frozenset[str]
    assist: frozenset[str] = frozenset()

    @property
    def opens(self) -> frozenset[str]:
        """All gates that stand open for it."""
        return self.gates | self.assist


@dataclass(frozen=True, slots=True)
class Asked:
    """One set of open gates, which of them take in dust, and who asks for it: each way that leads to it."""

    gates: frozenset[str]
    dusty: frozenset[str]
    demands: tuple[tuple[Demand, ...], ...]


def asked_sets(demands: Sequence[Demand], gates: frozenset[str], max_open: int | None) -> tuple[Asked, ...]:
    """Every set of gates that can be asked for, in the order: each alone, pairs, more, all. Each set once.

    A demand alone is listed even where it opens more gates than `max_open`. "All" is there also when `max_open` forbids
    it (then nobody asks for it: its `demands` is empty), because people want to know it.
    """
    found: dict[tuple[frozenset[str], frozenset[str]], list[tuple[Demand, ...]]] = {}
    for together in _together(demands, max_open):
        opens = frozenset().union(*(demand.opens for demand in together))
        if len(together) > 1 and max_open is not None and len(opens) > max_open:
            continue
        dusty = frozenset().union(*(demand.gates for demand in together))
        ways = found.setdefault((opens, dusty), [])
        if not ways or len(ways[0]) == len(together):  # more of them would ask for no more gates
            ways.append(together)
    asked = [Asked(opens, dusty, tuple(who)) for (opens, dusty), who in found.items()]
    if gates and all(one.dusty != gates for one in asked):
        allowed = max_open is None or len(gates) <= max_open
        asked.append(Asked(gates, gates, ((*demands,),) if allowed else ()))
    return tuple(asked)


def _together(demands: Sequence[Demand], max_open: int | None) -> Iterator[tuple[Demand, ...]]:
    """Each demand alone, every two, and with a `max_open` above two every number up to it, as far as is legible."""
    listed = 0
    for count in range(1, max(max_open or 2, 2) + 1):
        for together in combinations(demands, count):
            if count > 2 and listed >= MOST_SETS:  # noqa: PLR2004
                return
            listed += 1
            yield together
