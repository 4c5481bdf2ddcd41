"""One diameter for each run of duct, from what the tools want and the sizes that are sold, and the fan that it takes.

The method, that of the velocity tables: a drop is the largest size sold in which its tool's flow still carries the
dust. A trunk is the largest in which every set of tools that can be asked for still carries it, never narrower than
what runs into it, and no narrower than 28 m/s asks for. Where one tool alone leaves such a trunk too slow, it gets more
air in a wider drop, or another gate opens with it: whichever asks less of the fan. What each set then asks of it is in
`fan_need.py`. SI units, no sentences.
"""

from collections import Counter
from collections.abc import Collection, Iterator, Mapping, Sequence
from functools import cached_property
from itertools import combinations
from typing import Final

from msgspec import Struct
from msgspec.structs import replace

from gatehand_air.ducting import ROUNDING, Ducting
from gatehand_air.fan_need import Asked, Need, Plan, ducting, need
from gatehand_air.friction import area
from gatehand_air.layout import Laid
from gatehand_air.properties import FPM

FASTEST: Final = 28.0
"""m/s: the most that experience advises (DGUV 209-044 [pub]); beyond it a duct is loud and dear."""
MOST_ASSIST: Final = 3
MOST_SETS: Final = 400
DUSTS: Final[dict[str, tuple[float, str]]] = {
    "fine": (3000 * FPM, "wood flour 2500 to 3000 ft/min, ACGIH Industrial Ventilation [pub]"),
    "shavings": (4000 * FPM, "light shavings 3000 to 4000 ft/min, ACGIH Industrial Ventilation [pub]"),
    "heavy": (4500 * FPM, "heavy or wet sawdust, wood blocks 4000 to 4500 ft/min, ACGIH Industrial Ventilation [pub]"),
}
"""What carries a kind of dust, m/s, the upper end of each range."""
UNUSED: Final = 1.0
"""m: a size for runs that have none yet, where only their tree matters; wider than any port."""


def dust_velocity(dust: str) -> float:
    """What carries this kind of dust, m/s."""
    return DUSTS[dust][0]


class Slow(Struct, frozen=True):
    """A run in which one set, each hood drawing just what it wants, leaves the air slower than its dust wants, m/s."""

    asked: Asked
    run: str
    found: float
    wanted: float

    @property
    def share(self) -> float:
        """Found as a part of wanted."""
        return self.found / self.wanted


class Fast(Struct, frozen=True):
    """A piece of duct in which one set drives the air faster than `FASTEST`, m/s."""

    asked: Asked
    piece: str
    run: str
    found: float
    loss: float


class Cure(Struct, frozen=True):
    """What is done for a set that leaves runs too slow: a fan that draws more through its hoods, or gates that assist.

    Fields:
        slow: the run that is furthest below what it wants.
        assist: gates that open as well; empty: it draws more.
        drop, size: what is made wider for that, m; None where nothing is.
        need: of this set then.
        other: of this set cured the other way; None: there is none.
    """

    slow: Slow
    assist: frozenset[str]
    drop: str | None
    size: float
    need: Need
    other: Need | None


class Narrower(Struct, frozen=True):
    """The other way out of a slow trunk: narrower, with all that runs into it.

    Fields:
        sizes: of the runs that change, m.
        need: of the set that then asks most of the fan.
        fastest: where the air is fastest then, if it is too fast.
    """

    sizes: Mapping[str, float]
    need: Need
    fastest: Fast | None


class Sized(Struct, frozen=True):
    """The whole answer.

    Fields:
        laid: the runs with their diameters.
        needs: by set, its assists open too.
        slow, cures: what does not hold by itself, and by set what is done about it.
        fast: what is driven too fast.
        narrower: what would hold without any cure.
        beyond: the hardest set that as many gates let open and nobody asked for.
    """

    plan: Plan
    laid: Laid
    needs: tuple[Need, ...]
    slow: tuple[Slow, ...]
    cures: tuple[Cure, ...]
    fast: tuple[Fast, ...]
    narrower: Narrower | None
    beyond: Need | None

    @property
    def hardest(self) -> Need:
        """The set that asks most of the fan."""
        return max(self.needs, key=lambda need: need.most)

    @property
    def max_open(self) -> int:
        """The most gates that any set opens."""
        return max(len(need.asked.opens) for need in self.needs)


class _Wanted(Struct, frozen=True):
    """Of one set, by run: the flow, m3/s; the velocity that its dust wants, m/s; those that carry several openings'."""

    flows: Mapping[str, float]
    velocities: Mapping[str, float]
    shared: frozenset[str]

    def holds(self, run: str) -> float:
        """The largest cross-section in which the dust is carried, m2."""
        return self.flows[run] / self.velocities[run]


class _Tree(Struct, frozen=True, dict=True):
    """What does not depend on sizes: the runs, all as wide as can be."""

    plan: Plan

    @cached_property
    def laid(self) -> Laid:
        return self.plan.laid({run.name: UNUSED for run in self.plan.runs})

    @cached_property
    def ducting(self) -> Ducting:
        return ducting(self.plan, self.laid)

    @cached_property
    def names(self) -> frozenset[str]:
        """Of all runs."""
        return frozenset(run.name for run in self.plan.runs)

    @cached_property
    def draws(self) -> Mapping[str, tuple[float, tuple[str, ...]]]:
        """By opening: what it wants, and the runs from there to the collector."""
        of = self.ducting
        ways = {run: tuple(n for n in of.ways[hood] if n in self.names) for run, hood in self.laid.hoods.items()}
        return {run: (of.hood_flows[self.laid.hoods[run]], way) for run, way in ways.items()}

    @cached_property
    def wants(self) -> Mapping[Asked, _Wanted]:
        """Of every set that can be asked for."""
        return {asked: self.wanted(asked) for asked in self.plan.asked}

    def live(self, gates: Collection[str]) -> frozenset[str]:
        """The hoods that are open with these gates."""
        return self.laid.network.behind(gates) | self.laid.network.always_open

    def opened(self, gates: Collection[str], *, always: bool = True) -> list[tuple[float, tuple[str, ...]]]:
        """What draws air with these gates open, and the way of that air; `always`: what no gate shuts does too."""
        live = self.live(gates) if always else self.laid.network.behind(gates)
        return [self.draws[run] for run, hood in self.laid.hoods.items() if hood in live]

    def drawn(self, gates: Collection[str], *, always: bool = True) -> dict[str, float]:
        """The flow in every run when every open hood gets what it wants."""
        flows: dict[str, float] = {}
        for flow, way in self.opened(gates, always=always):
            for name in way:
                flows[name] = flows.get(name, 0.0) + flow
        return flows

    def wanted(self, asked: Asked) -> _Wanted:
        dusty = {self.laid.hoods[run] for run in asked.dusty} | self.laid.network.always_open
        speeds = self.ducting.wanted_for(dusty)
        flows = self.drawn(asked.gates)
        through = Counter(name for _, way in self.opened(asked.gates) for name in way)
        shared = frozenset(name for name, openings in through.items() if openings > 1)
        return _Wanted(flows, {name: v for name, v in speeds.items() if name in self.names}, shared)

    def slow(self, asked: Asked, sizes: Mapping[str, float]) -> list[Slow]:
        """The runs too slow for their dust."""
        want = self.wants[asked]
        found = [Slow(asked, n, want.flows[n] / area(sizes[n]), speed) for n, speed in want.velocities.items()]
        return [one for one in found if one.share < 1 - ROUNDING]


def size(plan: Plan) -> Sized:
    """Size the whole.

    Raises:
        ValueError: the runs are no tree.
    """
    tree = _Tree(plan)
    sizes = _choose(tree)
    slow = tuple(one for asked in plan.asked for one in tree.slow(asked, sizes))
    cures = tuple(_cures(tree, sizes, slow))
    laid = plan.laid(sizes | {cure.drop: cure.size for cure in cures if cure.drop is not None})
    assists = {cure.slow.asked: cure.assist for cure in cures}
    opened = [replace(asked, assist=assists.get(asked, frozenset())) for asked in plan.asked]
    needs = tuple(need(plan, laid, asked) for asked in opened)
    fast = tuple(one for each in needs for one in _fast(laid, each))
    found = Sized(plan, laid, needs, slow, cures, fast, _narrower(tree, sizes, slow), None)
    return replace(found, beyond=_beyond(found))


def _choose(tree: _Tree) -> dict[str, float]:
    """A diameter for each run, from the hoods to the collector."""
    plan, wants = tree.plan, tree.wants.values()
    sizes: dict[str, float] = {}
    for name in (duct.name for duct in tree.laid.network.ducts if duct.name in tree.names):
        before = [sizes[each.name] for each in plan.runs if each.into == name]
        summed = [want.flows[name] for want in wants if name in want.shared]
        slowest = min((want.holds(name) for want in wants if name in want.velocities), default=0.0)
        holds = [each for each in plan.sold if area(each) <= slowest * (1 + ROUNDING)]
        sizes[name] = max(max(holds, default=plan.sold[0]), *before, plan.sold[0])
        if summed:  # alone, a tool's air is never faster in the trunk than in its own drop
            calm = [each for each in plan.sold if max(summed) / area(each) <= FASTEST * (1 + ROUNDING)]
            sizes[name] = max(sizes[name], min(calm, default=plan.sold[-1]))
    return sizes


def _cures(tree: _Tree, sizes: Mapping[str, float], slow: Sequence[Slow]) -> Iterator[Cure]:
    """For each slow set: the cure with which the sets that its gates are in ask least of the fan."""
    plan = tree.plan
    for asked in dict.fromkeys(one.asked for one in slow):
        slows = [one for one in slow if one.asked == asked]
        worst = min(slows, key=lambda one: one.share)
        others = [each for each in plan.asked if each != asked and each.gates & asked.gates]
        ways: list[tuple[float, Cure]] = []
        for drop, size_ in _wider(tree, sizes, asked, slows):
            then = dict(sizes) if drop is None else {**sizes, drop: size_}
            more = need(plan, plan.laid(then), asked)
            most = max([more.most, *(_served(tree, then, each).most for each in others)])
            ways.append((most, Cure(worst, frozenset(), drop, size_, more, None)))
        score, best = min(ways, key=lambda way: way[0])
        assist = _assist(tree, sizes, asked)
        if not assist:
            yield best
            continue
        helped = need(plan, plan.laid(sizes), replace(asked, assist=assist))
        if score <= max([helped.most, *(_served(tree, sizes, each).most for each in others)]):
            yield replace(best, other=helped)
        else:
            yield Cure(worst, assist, None, 0.0, helped, best.need)


def _served(tree: _Tree, sizes: Mapping[str, float], asked: Asked) -> Need:
    """What a set asks of the fan, with or without gates that assist, whichever is less."""
    laid = tree.plan.laid(sizes)
    alone = need(tree.plan, laid, asked)
    if not (assist := _assist(tree, sizes, asked)):
        return alone
    return min(alone, need(tree.plan, laid, replace(asked, assist=assist)), key=lambda each: each.most)


def _wider(
    tree: _Tree, sizes: Mapping[str, float], asked: Asked, slows: Sequence[Slow]
) -> Iterator[tuple[str | None, float]]:
    """As it is, and the only drop of a set in each wider size in which the air that its trunks want carries its dust."""
    yield None, 0.0
    drops = [run for run, hood in tree.laid.hoods.items() if hood in tree.live(asked.gates)]
    if len(drops) != 1 or drops[0] in {one.run for one in slows}:
        return
    (drop,) = drops
    into = next(run.into for run in tree.plan.runs if run.name == drop)
    flow = max(one.wanted * area(sizes[one.run]) for one in slows)
    widest = min(flow / tree.wants[asked].velocities[drop], area(sizes[into or drop]))
    for each in tree.plan.sold:
        if sizes[drop] < each and area(each) <= widest * (1 + ROUNDING):
            yield drop, each


def _assist(tree: _Tree, sizes: Mapping[str, float], asked: Asked) -> frozenset[str]:
    """The fewest further gates that bring each slow run the air that it lacks; of those the ones that move least air."""
    lacks = {one.run: (one.wanted - one.found) * area(sizes[one.run]) for one in tree.slow(asked, sizes)}
    if not lacks:
        return frozenset()
    root = tree.laid.network.root.name
    adds = {gate: tree.drawn({gate}, always=False) for gate in sorted(set(tree.laid.network.gates) - asked.gates)}
    helps = [gate for gate, more in adds.items() if any(run in more for run in lacks)]
    for count in range(1, MOST_ASSIST + 1):
        cures = [
            (sum(adds[gate][root] for gate in chosen), chosen)
            for chosen in combinations(helps, count)
            if all(
                sum(adds[gate].get(run, 0.0) for gate in chosen) >= lack * (1 - ROUNDING) for run, lack in lacks.items()
            )
        ]
        if cures:
            return frozenset(min(cures)[1])
    return frozenset()


def _fast(laid: Laid, need_: Need) -> Iterator[Fast]:
    for name, flow in need_.flows.items():
        piece = laid.by_name[name]
        if (speed := flow / area(piece.diameter)) > FASTEST * (1 + ROUNDING):
            yield Fast(need_.asked, name, piece.run, speed, need_.losses[name])


def _narrower(tree: _Tree, sizes: Mapping[str, float], slow: Sequence[Slow]) -> Narrower | None:
    """Every slow trunk in the size that holds, with all that runs into it no wider; None where none is sold."""
    plan, then = tree.plan, dict(sizes)
    for run in dict.fromkeys(one.run for one in slow if one.run not in tree.draws):
        slowest = min(want.holds(run) for want in tree.wants.values() if run in want.velocities)
        holds = [each for each in plan.sold if area(each) <= slowest * (1 + ROUNDING)]
        if not holds:
            return None
        for each in plan.runs:
            if run in {duct.name for duct in tree.laid.network.path(each.name)}:
                then[each.name] = min(then[each.name], max(holds))
    changed = {name: each for name, each in then.items() if each != sizes[name]}
    if not changed:
        return None
    laid = plan.laid(then)
    needs = [need(plan, laid, asked) for asked in plan.asked]
    fast = [one for each in needs for one in _fast(laid, each)]
    worst = max(needs, key=lambda each: each.most)
    return Narrower(changed, worst, max(fast, key=lambda one: one.found, default=None))


def _beyond(found: Sized) -> Need | None:
    """Of the sets that `max_open` gates let open and nobody asked for, the one that asks most of the fan."""
    known = {need_.asked.opens for need_ in found.needs} | {asked.gates for asked in found.plan.asked}
    alone = [asked for asked in found.plan.asked if len(asked.who) == 1]
    hardest, looked_at = None, 0
    for count in range(2, found.max_open + 1):
        for some in combinations(alone, count):
            gates = frozenset[str]().union(*(asked.gates for asked in some))
            if len(gates) > found.max_open or gates in known:
                continue
            if (looked_at := looked_at + 1) > MOST_SETS:
                return hardest
            known.add(gates)
            who = tuple(name for asked in some for name in asked.who)
            dusty = frozenset[str]().union(*(asked.dusty for asked in some))
            one = need(found.plan, found.laid, Asked(who, gates, dusty))
            if hardest is None or one.most > hardest.most:
                hardest = one
    return hardest
