"""One question about many sets of open gates: with numpy where that is here and pays, else one by one. No sentences.

Both ways give the same answers but for rounding. `arrays`: True always asks for numpy, False never; by itself it is
taken for lists that are worth it.
"""

import sys
from collections.abc import Collection, Iterator, Mapping, Sequence
from math import inf
from typing import Final, TypeAlias

from msgspec import Struct

from gatehand_air.batch_answer import CODES, SOLVED, is_here
from gatehand_air.batch_spread import Judge, JudgedPart
from gatehand_air.ducting import LEAST_FLOW, WORSE, Assessment, Ducting, Lack, Short, Verdict, merged
from gatehand_air.friction import LAWS
from gatehand_air.solve import Solution, Solver, SolveResult, Unsolved, Why
from gatehand_air.spread import spread

Asked: TypeAlias = tuple[Collection[str], Collection[str] | None]
"""Open gates and the hoods that take in dust, as `Ducting.assess` has them."""

WORTH_IMPORT: Final = 500
"""Sets from which arrays are faster although numpy has to be imported first (0.1 s)."""
WORTH_ARRAYS: Final = 24
"""The same once it is imported."""
WORTH_READY: Final = 4
"""The same once the ducts are made ready as arrays."""
WORTH_DUCTS: Final = 30
"""Of a shop with so many ducts so many sets are asked for sooner or later that numpy is imported at once."""


class Look(Struct, frozen=True):
    """How one set does.

    Fields:
        answer: its flows.
        half: half-widths of the answer's flows, or of the bound's, m3/s by duct; of ducts without air 0, or none.
        shorts: what is not known to be met, as `Ducting.shorts` has it.
        slack: of all that is wanted, the least found as a part of it; 1 where nothing is, 0 where there is no answer.
    """

    answer: SolveResult
    half: Mapping[str, float]
    shorts: tuple[Short, ...]
    slack: float

    @property
    def worst(self) -> Verdict:
        """Of all that is wanted."""
        return worst(self.shorts)


def worst(shorts: Sequence[Short]) -> Verdict:
    """Of all that is not known to be met; `MET` where that is nothing."""
    return max((short.verdict for short in shorts), key=WORSE.index, default=Verdict.MET)


class Many:
    """One ducting, and what was made ready of it: whoever asks again and again keeps one."""

    def __init__(self, ducting: Ducting) -> None:
        self.ducting = ducting
        self._judges: dict[bool, Judge] = {}

    def look_at_all(
        self, asked: Sequence[Asked], *, dirty: bool = True, arrays: bool | None = None
    ) -> tuple[Look, ...]:
        """Each set solved with the dirty (or the clean) filter and judged."""
        ducting, (opened, dust) = self.ducting, self._ready(asked)
        if not self._by_arrays(len(asked), arrays, dirty=dirty):
            solver = ducting.dirty if dirty else ducting.clean
            return tuple(_look(ducting, solver, *one) for one in zip(opened, dust, strict=True))
        parts = self._judge(dirty=dirty).parts(opened, dust)
        return tuple(look for part in parts for look in _looks(ducting, part, dust[part.sets]))

    def assess_all(self, asked: Sequence[Asked], *, arrays: bool | None = None) -> list[tuple[Assessment, Look]]:
        """`Ducting.assess` for each, and how it does with the dirty filter."""
        ducting = self.ducting
        same = ducting.dirty is ducting.clean
        way = self._by_arrays(len(asked), arrays)
        dirty = self.look_at_all(asked, arrays=way)
        clean = dirty if same else self.look_at_all(asked, dirty=False, arrays=way)
        found = []
        for (gates, dusty), one, other in zip(asked, clean, dirty, strict=True):
            shorts = one.shorts if same else merged(one.shorts, other.shorts)
            opened = frozenset(gates)
            all_of_it = Assessment(opened, ducting.dust(opened, dusty), one.answer, other.answer, shorts)
            found.append((all_of_it, other))
        return found

    def fails(self, asked: Sequence[Asked], *, arrays: bool | None = None) -> list[tuple[tuple[Short, ...], float]]:
        """Of each with the dirty filter what falls short beyond doubt or is unknown, and the slack: no flows."""
        ducting, (opened, dust) = self.ducting, self._ready(asked)
        if not self._by_arrays(len(asked), arrays):
            looks = self.look_at_all(asked, arrays=False)
            return [(tuple(short for short in look.shorts if short.fails), look.slack) for look in looks]
        parts = self._judge(dirty=True).parts(opened, dust)
        return [pair for part in parts for pair in _fails(ducting, part, dust[part.sets])]

    def verdicts(
        self, asked: Sequence[Asked], *, dirty: bool = True, arrays: bool | None = None
    ) -> tuple[tuple[Verdict, float], ...]:
        """The worst verdict and the slack of each: the cheapest way to look through thousands."""
        if not self._by_arrays(len(asked), arrays, dirty=dirty):
            return tuple((look.worst, look.slack) for look in self.look_at_all(asked, dirty=dirty, arrays=False))
        parts = self._judge(dirty=dirty).parts(*self._ready(asked))
        pairs = (pair for part in parts for pair in zip(part.worst.tolist(), part.slack.tolist(), strict=True))
        return tuple((WORSE[at], slack) for at, slack in pairs)

    def clearing_times(
        self, asked: Sequence[Collection[str]], *, lower: bool = True, arrays: bool | None = None
    ) -> list[Mapping[str, float]]:
        """By set of open gates and hood: seconds until the last dust there has reached the collector, dirty filter.

        By the `lower` end of each flow's spread, or by the flow itself, which takes less time. Infinite where a hood
        has no air, or where not even a lower bound of the flow is known.
        """
        ends = [end.name for end in self.ducting.network.ends]
        if not self._by_arrays(len(asked), arrays):
            looks = self.look_at_all([(gates, frozenset()) for gates in asked], arrays=False)
            return [{hood: _clearing(self.ducting, look, hood, lower=lower) for hood in ends} for look in looks]
        return [dict(zip(ends, row, strict=True)) for row in self._judge(dirty=True).clearing(asked, lower=lower)]

    def _ready(self, asked: Sequence[Asked]) -> tuple[list[frozenset[str]], list[frozenset[str]]]:
        opened = [frozenset(gates) for gates, _ in asked]
        return opened, [self.ducting.dust(gates, dusty) for gates, (_, dusty) in zip(opened, asked, strict=True)]

    def _by_arrays(self, count: int, wanted: bool | None, *, dirty: bool = True) -> bool:
        if wanted is None and count >= WORTH_READY and dirty in self._judges:
            return True
        large = wanted is None and count >= WORTH_ARRAYS and len(self.ducting.network.ducts) >= WORTH_DUCTS
        return _by_arrays(self.ducting, WORTH_IMPORT if large else count, wanted)

    def _judge(self, *, dirty: bool) -> Judge:
        if dirty not in self._judges:
            self._judges[dirty] = Judge(self.ducting, self.ducting.dirty if dirty else self.ducting.clean)
        return self._judges[dirty]


def look_at_all(
    ducting: Ducting, asked: Sequence[Asked], *, dirty: bool = True, arrays: bool | None = None
) -> tuple[Look, ...]:
    """Each set solved with the dirty (or the clean) filter and judged."""
    return Many(ducting).look_at_all(asked, dirty=dirty, arrays=arrays)


def assess_all(ducting: Ducting, asked: Sequence[Asked], *, arrays: bool | None = None) -> tuple[Assessment, ...]:
    """`Ducting.assess` for each."""
    return tuple(found for found, _ in Many(ducting).assess_all(asked, arrays=arrays))


def verdicts(
    ducting: Ducting, asked: Sequence[Asked], *, dirty: bool = True, arrays: bool | None = None
) -> tuple[tuple[Verdict, float], ...]:
    """The worst verdict and the slack of each: the cheapest way to look through thousands."""
    return Many(ducting).verdicts(asked, dirty=dirty, arrays=arrays)


def _by_arrays(ducting: Ducting, count: int, wanted: bool | None) -> bool:
    """Whether to use numpy for so many sets."""
    if ducting.law not in LAWS.values():
        return False
    if wanted is not None:
        return wanted
    return count >= (WORTH_ARRAYS if "numpy" in sys.modules else WORTH_IMPORT) and is_here()


def _look(ducting: Ducting, solver: Solver, gates: frozenset[str], dusty: frozenset[str]) -> Look:
    """One set, the plain way."""
    answer = solver.solve(gates)
    found = answer if isinstance(answer, Solution) else answer.bound
    half = {} if found is None else spread(solver, gates, found, ducting.ignorance).flows
    return Look(answer, half, ducting.told(answer, half, dusty), _slack(ducting, answer, dusty))


def _slack(ducting: Ducting, answer: SolveResult, dusty: frozenset[str]) -> float:
    if not isinstance(answer, Solution):
        return 0.0
    flows, areas = answer.flows, ducting.areas
    parts = (
        flows.get(where, 0.0) / (1.0 if lack is Lack.HOOD_FLOW else areas[where]) / wanted
        for lack, where, wanted in ducting.wants(dusty)
        if wanted > 0
    )
    return min(parts, default=1.0)


def _looks(ducting: Ducting, part: JudgedPart, dusty: Sequence[frozenset[str]]) -> Iterator[Look]:
    """What arrays hold of some sets; nothing is listed where all is met."""
    rows = zip(part.worst.tolist(), part.slack.tolist(), dusty, strict=True)
    for at, (verdict, slack, hoods) in enumerate(rows):
        answer = part.answer.result(at)
        half = dict(zip(part.answer.ducts, part.spread.flows[at].tolist(), strict=True))
        shorts = () if WORSE[verdict] is Verdict.MET else ducting.told(answer, half, hoods)
        yield Look(answer, half, shorts, slack)


def _fails(
    ducting: Ducting, part: JudgedPart, dusty: Sequence[frozenset[str]]
) -> Iterator[tuple[tuple[Short, ...], float]]:
    """What arrays hold of some sets: where there is an answer without making it."""
    worst, code = part.worst.tolist(), part.answer.code.tolist()
    listed = part.shorts(dusty)
    for at, (verdict, why, slack, hoods) in enumerate(zip(worst, code, part.slack.tolist(), dusty, strict=True)):
        if why == SOLVED:
            yield tuple(listed[at]), slack
        elif WORSE[verdict] in {Verdict.MET, Verdict.CLOSE}:
            yield (), slack
        elif CODES[why] is Why.BEYOND_CURVE:  # a lower bound: what is below its want nobody knows
            answer = part.answer.result(at)
            if isinstance(answer, Unsolved):
                unknown = Short(Lack.NO_ANSWER, ducting.network.root.name, verdict=Verdict.UNKNOWN, answer=answer)
                yield (unknown,), slack
        else:
            half = dict(zip(part.answer.ducts, part.spread.flows[at].tolist(), strict=True))
            yield tuple(s for s in ducting.told(part.answer.result(at), half, hoods) if s.fails), slack


def _clearing(ducting: Ducting, look: Look, hood: str, *, lower: bool) -> float:
    """As `Many.clearing_times`, of one set, the plain way."""
    answer = look.answer
    if isinstance(answer, Unsolved):
        if answer.bound is None or answer.why is not Why.BEYOND_CURVE:
            return inf
        answer = answer.bound  # beyond the curve every flow is at least this
    flows, way = answer.flows, ducting.ways[hood]
    if hood not in flows:
        return inf
    off = look.half if lower else dict.fromkeys(way, 0.0)
    least = {name: max(flows[name] - off[name], LEAST_FLOW * flows[name]) for name in way}
    network, areas, speed = ducting.network, ducting.areas, ducting.particle_speed
    return sum(network.duct(name).length * areas[name] / (speed * least[name]) for name in way)
