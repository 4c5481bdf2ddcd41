"""What would cure what falls short: `max_open`, `assist`, `run_on`, another size of duct. SI units, no sentences.

Everything is judged with the dirty filter: what holds then holds with a clean one. Sizes are tried as they are sold,
one stretch of duct at a time; the caller rebuilds the ducts with other diameters, because fittings' factors depend on
them.
"""

from collections.abc import Callable, Collection, Mapping, Sequence
from itertools import combinations
from math import ceil
from typing import Final, TypeAlias

from msgspec import Struct
from msgspec.structs import replace

from gatehand_air.ducting import ROUNDING, Ducting, Lack, Short
from gatehand_air.gate_sets import GateDemand, GateSet
from gatehand_air.solve import Solution

MOST_SETS: Final = 5000
"""Sets looked at for one number of open gates; a shop with more is not searched further, and says so."""
MOST_ASSIST: Final = 3
CLEARING_MARGIN: Final = 1.0
"""Seconds on top of spin-down and twice the clearing time."""


class MaxOpen(Struct, frozen=True):
    """How many gates the fan carries.

    Fields:
        gates: with any so many open every hood that is served alone is served; None when no hood is served even alone.
        fails: a set of one more that is not, and what falls short in it; None when even all at once are.
        unserved: hoods that fall short even alone: no number of gates cures them, and they do not count here.
        cut_off: the search ended before it found a set that fails, because there are too many.
    """

    gates: int | None
    fails: frozenset[str] | None
    shorts: tuple[Short, ...]
    unserved: frozenset[str]
    cut_off: bool = False

    def forbids(self, limit: int | None) -> bool:
        """Whether a `max_open` of `limit` (None: no limit) lets more open than the fan is known to carry."""
        return self.gates is not None and self.fails is not None and (limit is None or limit > self.gates)


def max_open(ducting: Ducting, gates: Collection[str]) -> MaxOpen:
    """The most gates of which any may stand open together.

    A hood is served when it draws its flow and the duct from its gate carries dust. How fast the main runs does not
    count here: that gets better with every gate (see `assist`). More gates never bring a hood more air, so the search
    stops at the first number that fails.
    """
    known = sorted(set(gates) & set(ducting.network.gates))
    unserved = frozenset(gate for gate in known if _branch_shorts(ducting, {gate}))
    served = [gate for gate in known if gate not in unserved]
    if not served:
        return MaxOpen(None, None, (), unserved)
    for count in range(2, len(served) + 1):
        for number, chosen in enumerate(combinations(served, count)):
            if number >= MOST_SETS:
                return MaxOpen(count - 1, None, (), unserved, cut_off=True)
            if shorts := _branch_shorts(ducting, chosen):
                return MaxOpen(count - 1, frozenset(chosen), shorts, unserved)
    return MaxOpen(len(served), None, (), unserved)


def _branch_shorts(ducting: Ducting, gates: Collection[str]) -> tuple[Short, ...]:
    """What falls short at the hoods themselves and in the ducts from their gates."""
    ends = {end.name for end in ducting.network.ends}
    shorts = _dirty_shorts(ducting, gates, ducting.network.behind(gates))
    only_dirty = ducting.dirty is not ducting.clean
    return tuple(replace(s, dirty=only_dirty) for s in shorts if s.lack is not Lack.SLOW_DUCT or s.where in ends)


def _dirty_shorts(ducting: Ducting, gates: Collection[str], dusty: Collection[str]) -> tuple[Short, ...]:
    """What falls short beyond doubt, or has no answer, with the dirty filter."""
    found = ducting.shorts(ducting.dirty, gates, ducting.dirty.solve(gates), dusty)
    return tuple(short for short in found if short.fails)


class Assist(Struct, frozen=True):
    """Gates to open as well.

    Fields:
        slow: the duct that they help most need, as it is without them.
        gates: which to open.
        cures: whether all slow ducts are cured then.
        speed: what they bring in that duct, m/s.
    """

    slow: Short
    gates: frozenset[str]
    cures: bool
    speed: float


def assist(
    ducting: Ducting,
    opened: Collection[str],
    dusty: Collection[str],
    clean_air: Collection[str] = (),
    most: int = MOST_ASSIST,
) -> Assist | None:
    """The smallest set of further gates that lets the ducts beyond the dusty branches carry dust.

    Args:
        ducting: the collector's ducts.
        opened: the gates that stand open already.
        dusty: the hoods that take in dust.
        clean_air: gates preferred among sets of one size (those that serve no tool).
        most: gates to add at the most.

    Returns None when nothing is slow, or when no gate improves it. A set that takes something else from meeting its
    want to missing it is no cure. Where none cures, the set that helps most.
    """
    joints = frozenset(duct.name for duct in ducting.network.ducts if duct.entry is None)
    base = _dirty_shorts(ducting, opened, dusty)
    slow = _slowest(base, joints)
    if slow is None:
        return None
    missed = _missed(base, joints)
    others = sorted(set(ducting.network.gates) - set(opened))
    helps: Assist | None = None
    for count in range(1, most + 1):
        cures = []
        for chosen in combinations(others, count):
            answer = ducting.dirty.solve({*opened, *chosen})
            shorts = _dirty_shorts(ducting, {*opened, *chosen}, dusty)
            if not isinstance(answer, Solution) or _missed(shorts, joints) - missed:
                continue
            speed = answer.flows[slow.where] / ducting.areas[slow.where]
            one = Assist(slow, frozenset(chosen), _slowest(shorts, joints) is None, speed)
            if one.cures:
                cures.append(one)
            elif speed > (helps.speed if helps else slow.found):
                helps = one
        if cures:
            return max(cures, key=lambda cure: (len(cure.gates & set(clean_air)), cure.speed))
    return helps


def _missed(shorts: Sequence[Short], joints: Collection[str]) -> set[tuple[Lack, str]]:
    """What falls short at the hoods and in their own branches."""
    return {(short.lack, short.where) for short in shorts if short.where not in joints}


def _slowest(shorts: Sequence[Short], joints: Collection[str]) -> Short | None:
    """Of the ducts that others run into, the one furthest below what it wants."""
    slow = [short for short in shorts if short.lack is Lack.SLOW_DUCT and short.where in joints]
    return min(slow, key=lambda short: short.share, default=None)


class LeastRunOn(Struct, frozen=True):
    """The least run-on for a tool: `spin_down` plus twice `clearing` plus 1 s, rounded up to whole seconds.

    `settles`: a duct on the way is so slow that no run-on clears it.
    """

    tool: str
    least: float
    spin_down: float
    clearing: float
    settles: bool


def run_on(ducting: Ducting, demand: GateDemand, spin_down: float) -> LeastRunOn | None:
    """How long the fan must run on after a tool; None when its ducts have no answer."""
    opens = demand.gates.union(demand.assist)
    answer = ducting.dirty.solve(opens)
    if not isinstance(answer, Solution):
        return None
    times = [ducting.clearing_time(answer, hood) for hood in demand.hoods]
    if not times:
        return None
    settles = any(short.settles for short in _dirty_shorts(ducting, opens, demand.hoods))
    return LeastRunOn(demand.name, float(ceil(least_run_on(spin_down, max(times)))), spin_down, max(times), settles)


def least_run_on(spin_down: float, clearing: float) -> float:
    """Seconds, not rounded."""
    return spin_down + 2 * clearing + CLEARING_MARGIN


INCHES: Final = tuple(inches * 0.0254 for inches in (2, 2.5, 3, 4, 5, 6, 7, 8, 9, 10, 12, 14))
MILLIMETRES: Final = tuple(mm / 1000 for mm in (50, 63, 75, 80, 100, 110, 125, 140, 150, 160, 180, 200, 224, 250, 300))
"""Diameters commonly sold, m [practice]."""
STEPS: Final = 3
"""Sizes up or down that are tried."""

Resize: TypeAlias = Callable[[Mapping[str, float]], Ducting]
"""The same ducts with some diameters, m, changed."""


class Size(Struct, frozen=True):
    """A duct, or the ducts of the main, in another size.

    Fields:
        demand, short: whose hood or duct falls short, and by how much now.
        ducts, diameter: what to change and to which diameter, m.
        brings: the flow (m3/s) or velocity (m/s) then.
        enough: whether that is what was wanted.
        costs: sets of gates that fall short of nothing now and would then.
    """

    demand: GateDemand
    short: Short
    ducts: tuple[str, ...]
    diameter: float
    brings: float
    enough: bool
    costs: tuple[frozenset[str], ...] = ()


def next_size(
    ducting: Ducting, demand: GateDemand, sets: Sequence[GateSet], sold: Sequence[float], resize: Resize
) -> tuple[Size, ...]:
    """For everything that falls short for one demand alone: the change that cures it, else the one that helps most.

    `sets`: all that can be asked for, to name those that the change would harm; `sold`: diameters, m, rising.

    A wider duct for a hood that wants flow, on any one stretch of its way; a narrower one for a slow main or trunk.
    Ducts in a row of one size that carry the same air are changed together.
    """
    shorts = _dirty_shorts(ducting, demand.gates.union(demand.assist), demand.hoods)
    stretches = _stretches(ducting)
    found = []
    for short in shorts:
        if short.lack is Lack.NO_ANSWER:
            continue
        wider = short.lack is Lack.HOOD_FLOW
        ducts = {*ducting.ways[short.where]} if wider else {short.where}
        limiting = [stretch for stretch in stretches if not ducts.isdisjoint(stretch)]
        trials = [(each, size) for each in limiting for size in _next_sold(ducting, each[0], sold, wider=wider)]
        tried = [_try(resize, demand, short, each, size) for each, size in trials]
        best = _best(ducting, [one for one in tried if one is not None])
        if best is not None:
            found.append(_with_costs(ducting, best, sets, resize))
    return tuple(found)


def _try(resize: Resize, demand: GateDemand, short: Short, ducts: tuple[str, ...], size: float) -> Size | None:
    """What one change brings; None where it brings nothing."""
    changed = resize(dict.fromkeys(ducts, size))
    answer = changed.dirty.solve(demand.gates.union(demand.assist))
    if not isinstance(answer, Solution):
        return None
    brings = answer.flows[short.where] if short.lack is Lack.HOOD_FLOW else changed.velocities(answer)[short.where]
    if brings <= short.found * 1.001:
        return None
    return Size(demand, short, ducts, size, brings, brings >= short.wanted * (1 - ROUNDING))


def _best(ducting: Ducting, tried: Sequence[Size]) -> Size | None:
    """The smallest change that is enough; else the one that brings most."""
    enough = [one for one in tried if one.enough]
    if enough:
        return min(enough, key=lambda s: abs(s.diameter / ducting.network.duct(s.ducts[0]).diameter - 1))
    return max(tried, key=lambda s: s.brings, default=None)


def _with_costs(ducting: Ducting, size: Size, sets: Sequence[GateSet], resize: Resize) -> Size:
    """Name the sets of gates that the change would harm."""
    changed = resize(dict.fromkeys(size.ducts, size.diameter))
    harmed = tuple(
        one.gates
        for one in sets
        if not _dirty_shorts(ducting, one.gates, one.dusty) and _dirty_shorts(changed, one.gates, one.dusty)
    )
    return replace(size, costs=harmed)


def _next_sold(ducting: Ducting, duct: str, sold: Sequence[float], *, wider: bool) -> list[float]:
    """The sizes sold next to the duct's own."""
    now = ducting.network.duct(duct).diameter
    return (
        [size for size in sold if size > now * 1.01][:STEPS] if wider else [s for s in sold if s < now * 0.99][-STEPS:]
    )


def _stretches(ducting: Ducting) -> list[tuple[str, ...]]:
    """The tree cut into rows of ducts of one size with no other duct joining between them."""
    stretches: dict[str, tuple[str, ...]] = {}
    for duct in ducting.network.ducts:
        before = [d for d in ducting.network.ducts if d.into == duct.name]
        stretch: tuple[str, ...] = (duct.name,)
        if len(before) == 1 and before[0].diameter == duct.diameter:
            stretch = (*stretches.pop(before[0].name), duct.name)
        stretches[duct.name] = stretch
    return list(stretches.values())
