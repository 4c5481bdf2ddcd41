"""All solving for what is proposed, in lists: sets of open gates in, what falls short out. Each set is solved once.

The functions that take a list are the only places where proposals meet the solver, so that another that solves many
sets at once can take its place. Everything is judged with the dirty filter: what holds then holds with a clean one.
"""

from collections.abc import Iterable, Mapping, Sequence
from functools import cached_property
from typing import NamedTuple

from msgspec import Struct

from gatehand_air import many
from gatehand_air.ducting import Assessment, Ducting, Lack, Short, Verdict
from gatehand_air.gate_sets import GateSet
from gatehand_air.solve import Solution


class Case(NamedTuple):
    """One set of open gates and the hoods that take in dust."""

    gates: frozenset[str]
    dusty: frozenset[str]


class Look(Struct, frozen=True, dict=True):
    """How one case does with the dirty filter.

    Fields:
        shorts: what falls short beyond doubt, and what nobody knows; what is too close to call is not in it.
        slack: of all that is wanted, the least found as a part of it; 0 where it was not worked out.
    """

    shorts: tuple[Short, ...]
    slack: float = 0.0

    @cached_property
    def short(self) -> frozenset[tuple[Lack, str]]:
        """What falls short beyond doubt."""
        return frozenset((one.lack, one.where) for one in self.shorts if one.verdict is Verdict.SHORT)

    @property
    def fails(self) -> bool:
        """Whether anything falls short beyond doubt."""
        return any(one.verdict is Verdict.SHORT for one in self.shorts)

    @property
    def surely(self) -> tuple[Short, ...]:
        """What falls short beyond doubt, whole."""
        return tuple(one for one in self.shorts if one.verdict is Verdict.SHORT)

    @property
    def unknown(self) -> bool:
        """Whether the fan's curve does not tell all of it."""
        return any(one.verdict is Verdict.UNKNOWN for one in self.shorts)

    @property
    def well(self) -> bool:
        """Nothing is known to fall short, and nothing is unknown."""
        return not self.shorts


def assess_all(ducting: Ducting, sets: Sequence[GateSet]) -> list[Assessment]:
    """Each set solved with a clean and a dirty filter and judged, for the report."""
    return Book(ducting).assess_all(sets)


class Book:
    """What was looked at already, of one collector's ducts."""

    def __init__(self, ducting: Ducting) -> None:
        self.ducting = ducting
        self._many = many.Many(ducting)
        self._looks: dict[Case, Look] = {}
        self._clearing: dict[bool, dict[frozenset[str], Mapping[str, float]]] = {True: {}, False: {}}

    def look(self, case: Case) -> Look:
        """One case."""
        if case not in self._looks:
            self.prepare((case,))
        return self._looks[case]

    def prepare(self, cases: Iterable[Case]) -> None:
        """Look at all that are new, in one go."""
        new = [case for case in dict.fromkeys(cases) if case not in self._looks]
        self._looks.update(zip(new, (Look(*one) for one in self._many.fails(new)), strict=True))

    def assess_all(self, sets: Sequence[GateSet]) -> list[Assessment]:
        """Each set solved with a clean and a dirty filter and judged, for the report; and looked at with it."""
        found = self._many.assess_all([(one.gates, one.dusty) for one in sets])
        for one, (_, look) in zip(sets, found, strict=True):
            fails = tuple(short for short in look.shorts if short.fails)
            self._looks[Case(one.gates, one.dusty)] = Look(fails, look.slack)
        return [assessment for assessment, _ in found]

    def speed(self, case: Case, duct: str) -> float:
        """Velocity in a duct, m/s, with the dirty filter; 0 where it is not known."""
        answer = self.ducting.dirty.solve(case.gates)
        return answer.flows.get(duct, 0.0) / self.ducting.areas[duct] if isinstance(answer, Solution) else 0.0

    def clearing(self, asked: Sequence[tuple[Case, Iterable[str]]], *, lower: bool = True) -> list[float]:
        """Seconds until the last dust at some hoods has reached the collector; see `many.Many.clearing_times`."""
        known = self._clearing[lower]
        new = [gates for gates in dict.fromkeys(case.gates for case, _ in asked) if gates not in known]
        known.update(zip(new, self._many.clearing_times(new, lower=lower), strict=True))
        return [max(known[case.gates][hood] for hood in hoods) for case, hoods in asked]
