"""Which duct holds the air back, and which size would do. Tries the sizes that are sold, one duct at a time.

Judged with the dirty filter, like `propose`. The caller rebuilds the ducts with other diameters, because fittings'
factors depend on them.
"""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final, TypeAlias

from gatehand_air.answer import Solution
from gatehand_air.demands import Asked, Demand
from gatehand_air.ducting import Ducting, Lack, Short

INCHES: Final = tuple(inches * 0.0254 for inches in (2, 2.5, 3, 4, 5, 6, 7, 8, 9, 10, 12, 14))
MILLIMETRES: Final = tuple(mm / 1000 for mm in (50, 63, 75, 80, 100, 110, 125, 140, 150, 160, 180, 200, 224, 250, 300))
"""Diameters commonly sold, m [practice]."""
STEPS: Final = 3
"""Sizes up or down that are tried."""

Resize: TypeAlias = Callable[[Mapping[str, float]], Ducting]
"""The same ducts with some diameters, m, changed."""


@dataclass(frozen=True, slots=True)
class Size:
    """A duct, or the ducts of the main, in another size.

    Fields:
        demand, short: whose hood or duct falls short, and by how much now.
        ducts, diameter: what to change and to which diameter, m.
        brings: the flow (m3/s) or velocity (m/s) then.
        enough: whether that is what was wanted.
        costs: sets of gates that fall short of nothing now and would then.
    """

    demand: Demand
    short: Short
    ducts: tuple[str, ...]
    diameter: float
    brings: float
    enough: bool
    costs: tuple[frozenset[str], ...] = ()


def next_size(
    ducting: Ducting, demand: Demand, sets: Sequence[Asked], sold: Sequence[float], resize: Resize
) -> tuple[Size, ...]:
    """For everything that falls short for one demand alone: the change that cures it, else the one that helps most.

    `sets`: all that can be asked for, to name those that the change would harm; `sold`: diameters, m, rising.

    A wider duct for a hood that wants flow, on any one stretch of its way; a narrower one for a slow main or trunk.
    Ducts in a row of one size that carry the same air are changed together.
    """
    shorts = ducting.shorts(ducting.dirty.solve(demand.opens), demand.gates)
    found = []
    for short in shorts:
        match short.lack:
            case Lack.HOOD_FLOW:
                end = next(end.name for end in ducting.network.ends if end.hood == short.where)
                stretches = _stretches(ducting, end)
                trials = [(s, size) for s in stretches for size in _wider(ducting, s[0], sold)]
            case Lack.SLOW_DUCT:
                stretch = next(s for s in _all_stretches(ducting) if short.where in s)
                trials = [(stretch, size) for size in _narrower(ducting, stretch[0], sold)]
            case Lack.NO_ANSWER:
                continue
        tried = [_try(resize, demand, short, stretch, size) for stretch, size in trials]
        best = _best(ducting, [one for one in tried if one is not None])
        if best is not None:
            found.append(_with_costs(ducting, best, sets, resize))
    return tuple(found)


def _try(resize: Resize, demand: Demand, short: Short, ducts: tuple[str, ...], size: float) -> Size | None:
    """What one change brings; None where it brings nothing."""
    changed = resize(dict.fromkeys(ducts, size))
    answer = changed.dirty.solve(demand.opens)
    if not isinstance(answer, Solution):
        return None
    if short.lack is Lack.HOOD_FLOW:
        brings = answer.flows[next(end.name for end in changed.network.ends if end.hood == short.where)]
    else:
        brings = changed.velocities(answer)[short.where]
    if brings <= short.found * 1.001:
        return None
    return Size(demand, short, ducts, size, brings, brings >= short.wanted * (1 - 1e-6))


def _best(ducting: Ducting, tried: Sequence[Size]) -> Size | None:
    """The smallest change that is enough; else the one that brings most."""
    enough = [one for one in tried if one.enough]
    if enough:
        return min(enough, key=lambda s: abs(s.diameter / ducting.network.duct(s.ducts[0]).diameter - 1))
    return max(tried, key=lambda s: s.brings, default=None)


def _with_costs(ducting: Ducting, size: Size, sets: Sequence[Asked], resize: Resize) -> Size:
    """Name the sets of gates that the change would harm."""
    changed = resize(dict.fromkeys(size.ducts, size.diameter))
    harmed = tuple(
        one.gates
        for one in sets
        if not ducting.shorts(ducting.dirty.solve(one.gates), one.dusty)
        and changed.shorts(changed.dirty.solve(one.gates), one.dusty)
    )
    return replace(size, costs=harmed)


def _wider(ducting: Ducting, duct: str, sold: Sequence[float]) -> list[float]:
    now = ducting.network.duct(duct).diameter
    return [size for size in sold if size > now * 1.01][:STEPS]


def _narrower(ducting: Ducting, duct: str, sold: Sequence[float]) -> list[float]:
    now = ducting.network.duct(duct).diameter
    return [size for size in sold if size < now * 0.99][-STEPS:]


def _all_stretches(ducting: Ducting) -> list[tuple[str, ...]]:
    """The tree cut into rows of ducts of one size with no other duct joining between them."""
    rows: dict[str, tuple[str, ...]] = {}
    for duct in ducting.network.ducts:
        before = [d for d in ducting.network.ducts if d.into == duct.name]
        row: tuple[str, ...] = (duct.name,)
        if len(before) == 1 and before[0].diameter == duct.diameter:
            row = (*rows.pop(before[0].name), duct.name)
        rows[duct.name] = row
    return list(rows.values())


def _stretches(ducting: Ducting, end: str) -> list[tuple[str, ...]]:
    """Those on the way from a hood to the fan."""
    way = {duct.name for duct in ducting.network.path(end)}
    return [row for row in _all_stretches(ducting) if row[0] in way]
