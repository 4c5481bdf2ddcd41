"""What a whole cures of what falls short as configured, and what it leaves. Facts only."""

from collections.abc import Iterable
from typing import Final

from msgspec import Struct

from gatehand_air.answers import Look
from gatehand_air.ducting import Lack, Short, Verdict
from gatehand_air.gate_sets import GateDemand
from gatehand_air.wholes import Bad, Search, Several, Whole

MOST_TOLD: Final = 400
"""Sets of several that are named; more are not looked for."""


class Alone(Struct, frozen=True):
    """One demand by itself: the gates that open for it, and what falls short or is unknown."""

    demand: GateDemand
    gates: frozenset[str]
    shorts: tuple[Short, ...]

    @property
    def worst(self) -> Short:
        """What falls furthest short beyond doubt; of a demand that does."""
        return min((s for s in self.shorts if s.verdict is Verdict.SHORT), key=lambda short: short.share)


class Cure(Struct, frozen=True):
    """A whole beside the config as it is.

    Fields:
        kept, whole: the values as they are, and as proposed; equal where nothing is proposed.
        cured: demands that fall short by themselves as configured and not with the whole; their shortfalls as it is.
        left: demands that fall short by themselves with the whole.
        unknown: demands of which the fan's curve does not tell enough, with the whole.
        cured_sets, left_sets: the same of sets that several ask for; in what each has by itself.
        more: there are more sets that fall short than are named.
        none_served: every hood that wants a flow falls short of it by itself, beyond doubt.
    """

    kept: Whole
    whole: Whole
    cured: tuple[Alone, ...]
    left: tuple[Alone, ...]
    unknown: tuple[Alone, ...]
    cured_sets: tuple[Bad, ...]
    left_sets: tuple[Bad, ...]
    more: bool
    none_served: bool

    @property
    def limits(self) -> bool:
        """Whether another `max_open` is proposed."""
        return self.whole.max_open != self.kept.max_open

    @property
    def changed(self) -> tuple[str, ...]:
        """The tools whose assist changes."""
        return self.whole.changed(self.kept)


def told(search: Search, kept: Whole, whole: Whole) -> Cure:
    """Compare the config as it is with a whole."""
    cured, left, unknown = [], [], []
    for demand in search.demands:
        before, after = search.alone(kept, demand), search.alone(whole, demand)
        if before is not None and before.fails and after is not None and after.well:
            cured.append(_alone(search, kept, demand, before))
        if after is not None and after.fails:
            left.append(_alone(search, whole, demand, after))
        elif after is not None and after.unknown:
            unknown.append(_alone(search, whole, demand, after))
    as_it_is = search.several(kept, MOST_TOLD)
    with_it = as_it_is if whole == kept else search.several(whole, MOST_TOLD)
    new = () if whole == kept else as_it_is.bad
    gone = tuple(bad for bad in new if not search.falls_short(whole, bad.together))
    if not gone and len(with_it.bad) <= MOST_TOLD:  # the same demands fall short in fewer sets of gates
        still = {bad.case for bad in with_it.bad}
        gone = tuple(bad for bad in new if bad.case not in still)
    return Cure(
        kept=kept,
        whole=whole,
        cured=tuple(cured),
        left=tuple(left),
        unknown=tuple(unknown),
        cured_sets=gone,
        left_sets=with_it.bad,
        more=any(_is_part(one) for one in (as_it_is, with_it)),
        none_served=_none_served(search, whole),
    )


def _alone(search: Search, whole: Whole, demand: GateDemand, look: Look) -> Alone:
    case = search.case(whole, demand)
    return Alone(whole.of(demand), frozenset() if case is None else case.gates, look.shorts)


def _is_part(several: Several) -> bool:
    return several.cut or len(several.bad) > MOST_TOLD


def _none_served(search: Search, whole: Whole) -> bool:
    """Each hood that wants a flow, by itself with its demand's other gates."""
    wants = search.book.ducting.hood_flows
    asked: list[bool] = []
    for demand in search.demands:
        look = search.alone(whole, demand)
        short = _flows(look.shorts) if look is not None else frozenset()
        asked += [hood in short for hood in demand.hoods if hood in wants]
    return bool(asked) and all(asked)


def _flows(shorts: Iterable[Short]) -> frozenset[str]:
    return frozenset(s.where for s in shorts if s.lack is Lack.HOOD_FLOW and s.verdict is Verdict.SHORT)
