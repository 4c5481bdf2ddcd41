"""What a drawing of the air says of one set of open gates: each figure with its spread, what is wanted, a verdict.

A case is one fan with one filter. No shapes in here.
"""

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import cached_property
from typing import Final, Protocol

from msgspec import Struct
from msgspec.structs import replace

from gatehand.air import air_words
from gatehand.air.analysis import AssessedSet
from gatehand.air.duct_model import DuctSystem
from gatehand_air.ducting import Verdict, judge
from gatehand_air.solve import Solution, Solver, SolveResult, Unsolved, Why
from gatehand_air.spread import Spread, spread

CLEAN: Final = "clean filter"
DIRTY: Final = "dirty filter"
BOUNDS: Final[Mapping[Why, str]] = {Why.BEYOND_CURVE: "at least ", Why.BEFORE_CURVE: "at most "}
UNKNOWN: Final[Mapping[Why, str]] = {
    Why.BEYOND_CURVE: "unknown, beyond the curve",
    Why.BEFORE_CURVE: "unknown, before the curve",
}


class Looked(Protocol):
    """What a drawing needs of a report: one collector's ducts, and the sets of gates that were looked at."""

    @property
    def system(self) -> DuctSystem:
        """The ducts."""

    @property
    def views(self) -> Sequence[AssessedSet]:
        """The sets, one at least."""


class OtherFan(Struct, frozen=True):
    """A second fan to draw beside the first: its name, and the reports of the same ducts with it."""

    name: str
    reports: Sequence[Looked]


class Figure(Struct, frozen=True):
    """One flow (m3/s) or velocity (m/s).

    Fields:
        spread: its half-width.
        wanted, verdict: None where nothing is wanted.
        bound: why only a bound is known, else None.
        settles: so slow that sawdust settles.
    """

    found: float
    spread: float
    wanted: float | None
    verdict: Verdict | None
    bound: Why | None
    settles: bool = False

    def words(self, put: Callable[[float], str]) -> str:
        """Such as "520 ± 40", "at least 380"."""
        if self.bound is not None:
            return BOUNDS[self.bound] + put(self.found)
        return give(self.found, self.spread, put)

    def judged(self, put: Callable[[float], str], short: str) -> str:
        """The same with its verdict; `short`: what too little is called here."""
        if self.verdict is None:
            return self.words(put)
        return f"{self.words(put)}: {self._verdict(short)}"

    def _verdict(self, short: str) -> str:
        match self.verdict:
            case Verdict.MET:
                return "well"
            case Verdict.CLOSE:
                return "too close to call"
            case Verdict.UNKNOWN if self.bound is not None:
                return UNKNOWN[self.bound]
            case _:
                return "sawdust settles" if self.settles else short


def give(value: float, half: float, put: Callable[[float], str]) -> str:
    """A value with its half-width; without one where that is less than what rounding takes."""
    return f"{put(value)} ± {put(half)}" if re.search("[1-9]", put(half)) else put(value)


class Case(Struct, frozen=True, dict=True):
    """One fan with one filter, and its answer for the set that is drawn.

    Fields:
        label: what sets it apart from the others, such as "dirty filter".
        fan: the fan's name.
        is_dirty: whether the filter is.
        is_other: whether the fan is the second one.
    """

    label: str
    fan: str
    system: DuctSystem
    solver: Solver
    view: AssessedSet
    answer: SolveResult
    is_dirty: bool = False
    is_other: bool = False

    @property
    def shown(self) -> Solution | None:
        """What there is to show: the answer, or the ducts at the end of the fan's curve."""
        return self.answer if isinstance(self.answer, Solution) else self.answer.bound

    @property
    def bound(self) -> Why | None:
        """Why `shown` is but a bound."""
        return self.answer.why if isinstance(self.answer, Unsolved) and self.answer.bound is not None else None

    @cached_property
    def half(self) -> Spread | None:
        """Half-widths of `shown`."""
        if self.shown is None:
            return None
        return spread(self.solver, self.view.assessment.gates, self.shown, self.system.ducting.ignorance)

    @cached_property
    def _flows(self) -> Mapping[str, float]:
        return {} if self.shown is None else self.shown.flows

    @cached_property
    def _speeds_wanted(self) -> Mapping[str, float]:
        return self.system.ducting.wanted_for(self.view.assessment.dusty)

    @cached_property
    def _settling(self) -> frozenset[str]:
        """Ducts in which sawdust settles."""
        assessment = self.view.assessment
        shorts = self.system.ducting.shorts(self.solver, assessment.gates, self.answer, assessment.dusty)
        return frozenset(short.where for short in shorts if short.settles)

    def flow(self, hood: str) -> Figure | None:
        """At a hood; None: nothing is known."""
        dusty = hood in self.view.assessment.dusty
        return self._figure(hood, self.system.ducting.hood_flows.get(hood) if dusty else None)

    def speed(self, duct: str) -> Figure | None:
        """In a duct; None: nothing is known."""
        return self._figure(duct, self._speeds_wanted.get(duct), self.system.ducting.areas[duct])

    def _figure(self, duct: str, wanted: float | None, area: float | None = None) -> Figure | None:
        """A duct's flow, or with its area its velocity."""
        if duct not in self._flows or self.half is None:
            return None
        per = 1.0 if area is None else area
        found, half = self._flows[duct] / per, self.half.flows[duct] / per
        if wanted is None:
            return Figure(found, half, None, None, self.bound)
        verdict = judge(found, half, wanted)
        sure = {Why.BEYOND_CURVE: Verdict.MET, Why.BEFORE_CURVE: Verdict.SHORT}
        if self.bound is not None and verdict is not sure[self.bound]:
            verdict = Verdict.UNKNOWN
        return Figure(found, half, wanted, verdict, self.bound, area is not None and duct in self._settling)

    def point(self) -> str:
        """Flow and pressure at the working point, or what is known of them."""
        say = self.system.say
        if self.shown is None:
            return ""
        if self.bound is not None:
            return f"{BOUNDS[self.bound]}{say.flow(self.shown.flow)}"
        off = self.half.flows[self.system.ducting.network.root.name] if self.half is not None else 0.0
        flow = give(self.shown.flow, off, lambda value: say.flow(value, word=False))
        return f"{flow} {self.system.units.flow_word} at {say.pressure(self.shown.pressure)}"

    def trouble(self) -> str:
        """Why there is no answer, and what to do; empty where there is one."""
        if isinstance(self.answer, Solution):
            return ""
        return air_words.unsolved(self.answer, self.fan, self.system.say)


def lines(said: Sequence[tuple[str, str]]) -> list[str]:
    """Labels and what is said under each, a line for each; what is alike under all filters once."""
    if len(said) == len((CLEAN, DIRTY)) and {label for label, _ in said} == {CLEAN, DIRTY}:
        (_, first), (_, second) = said
        if first == second:
            return [f"either filter {first}"]
    return [f"{label} {words}" for label, words in said]


def cases(system: DuctSystem, view: AssessedSet, other: DuctSystem | None = None, name: str = "") -> list[Case]:
    """The set with each filter, and with the other fan too; what is the same with both filters once."""
    found = list(_with_one_fan(system, view, system.collector, is_other=False, apart=other is not None))
    if other is not None:
        assessment = other.ducting.assess(view.assessment.gates, view.assessment.dusty)
        seen = replace(view, assessment=assessment)
        found += _with_one_fan(other, seen, name, is_other=True, apart=True)
    return found


def _with_one_fan(system: DuctSystem, view: AssessedSet, fan: str, *, is_other: bool, apart: bool) -> Iterator[Case]:
    ducting, assessment = system.ducting, view.assessment
    filters = [(CLEAN, ducting.clean, assessment.clean), (DIRTY, ducting.dirty, assessment.dirty)]
    if ducting.dirty is ducting.clean:
        filters = [("", ducting.clean, assessment.clean)]
    for label, solver, answer in filters:
        words = ", ".join(word for word in (f"fan {fan}" if apart else "", label) if word) or "found"
        yield Case(words, fan, system, solver, view, answer, label == DIRTY, is_other)
