"""One question about many sets of open gates: with numpy where that is here and pays, else one by one. No sentences.

Both ways give the same answers but for rounding. `arrays`: True always asks for numpy, False never; by itself it is
taken for lists that are worth it.
"""

import sys
from collections.abc import Collection, Iterator, Mapping, Sequence
from typing import Final, TypeAlias

from msgspec import Struct

from gatehand_air.batch_answer import is_here
from gatehand_air.batch_spread import Judge, JudgedPart
from gatehand_air.ducting import WORSE, Assessment, Ducting, Lack, Short, Verdict, merged
from gatehand_air.friction import LAWS
from gatehand_air.solve import Solution, Solver, SolveResult
from gatehand_air.spread import spread

Asked: TypeAlias = tuple[Collection[str], Collection[str] | None]
"""Open gates and the hoods that take in dust, as `Ducting.assess` has them."""

WORTH_IMPORT: Final = 500
"""Sets from which arrays are faster although numpy has to be imported first (0.1 s)."""
WORTH_ARRAYS: Final = 24
"""The same once it is imported."""


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


def look_at_all(
    ducting: Ducting, asked: Sequence[Asked], *, dirty: bool = True, arrays: bool | None = None
) -> tuple[Look, ...]:
    """Each set solved with the dirty (or the clean) filter and judged."""
    solver = ducting.dirty if dirty else ducting.clean
    opened = [frozenset(gates) for gates, _ in asked]
    dust = [ducting.dust(gates, dusty) for gates, (_, dusty) in zip(opened, asked, strict=True)]
    if not _by_arrays(ducting, len(asked), arrays):
        return tuple(_look(ducting, solver, *one) for one in zip(opened, dust, strict=True))
    return tuple(
        look for part in Judge(ducting, solver).parts(opened, dust) for look in _looks(ducting, part, dust[part.sets])
    )


def assess_all(ducting: Ducting, asked: Sequence[Asked], *, arrays: bool | None = None) -> tuple[Assessment, ...]:
    """`Ducting.assess` for each."""
    way = _by_arrays(ducting, len(asked), arrays)
    clean = dirty = look_at_all(ducting, asked, dirty=False, arrays=way)
    same = ducting.dirty is ducting.clean
    if not same:
        dirty = look_at_all(ducting, asked, arrays=way)
    found = []
    for (gates, dusty), one, other in zip(asked, clean, dirty, strict=True):
        shorts = one.shorts if same else merged(one.shorts, other.shorts)
        opened = frozenset(gates)
        found.append(Assessment(opened, ducting.dust(opened, dusty), one.answer, other.answer, shorts))
    return tuple(found)


def verdicts(
    ducting: Ducting, asked: Sequence[Asked], *, dirty: bool = True, arrays: bool | None = None
) -> tuple[tuple[Verdict, float], ...]:
    """The worst verdict and the slack of each: by far the cheapest way to look through thousands."""
    if not _by_arrays(ducting, len(asked), arrays):
        return tuple((look.worst, look.slack) for look in look_at_all(ducting, asked, dirty=dirty, arrays=False))
    opened = [frozenset(gates) for gates, _ in asked]
    dust = [ducting.dust(gates, dusty) for gates, (_, dusty) in zip(opened, asked, strict=True)]
    parts = Judge(ducting, ducting.dirty if dirty else ducting.clean).parts(opened, dust)
    pairs = (pair for part in parts for pair in zip(part.worst.tolist(), part.slack.tolist(), strict=True))
    return tuple((WORSE[at], slack) for at, slack in pairs)


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
