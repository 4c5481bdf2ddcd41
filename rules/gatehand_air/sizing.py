"""One diameter for each run of duct, from what the tools want and the sizes that are sold, and the fan that it takes.

The method, that of the velocity tables: a drop is the largest size sold in which its tool's flow still carries the
dust. A trunk is the largest in which every set of tools that can be asked for still carries it, never narrower than
what runs into it, and no narrower than 28 m/s asks for. Where one tool alone leaves such a trunk too slow, it gets more
air in a wider drop, or another gate opens with it: whichever asks less of the fan. What each set then asks of it is in
`fan_need.py`. SI units, no sentences.
"""

from collections.abc import Iterator, Mapping, Sequence
from itertools import combinations
from typing import Final

from msgspec import Struct
from msgspec.structs import replace

from gatehand_air.ducting import ROUNDING
from gatehand_air.fan_need import Asked, Need, Plan, need
from gatehand_air.friction import area
from gatehand_air.layout import Laid
from gatehand_air.sizing_tree import SizingTree, Slow

FASTEST: Final = 28.0
"""m/s: the most that experience advises (DGUV 209-044 [pub]); beyond it a duct is loud and dear."""
MOST_ASSIST: Final = 3
MOST_SETS: Final = 400
MOST_TRIED: Final = 30
"""Sets of several together, the hardest, that are looked at when a cure is sought."""
PASSES: Final = 4


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
        wider: its drops that are wider than they had to be, m.
        need: of this set then; the gates that assist are in it.
        other: of this set cured the other way; None: there is none.
    """

    slow: Slow
    wider: Mapping[str, float]
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
        least: the diameters before any drop was made wider for a trunk's sake, m.
        needs: by set, its assists open too.
        slow, cures: what does not hold by itself, and by set what is done about it.
        fast: what is driven too fast.
        narrower: what would hold without any cure.
        beyond: the hardest set that as many gates let open and nobody asked for.
    """

    plan: Plan
    laid: Laid
    least: Mapping[str, float]
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
        """The most gates that any set opens, 1 at least."""
        return max(1, *(len(need.asked.opens) for need in self.needs))


def size(plan: Plan) -> Sized:
    """Size the whole.

    Raises:
        ValueError: the runs are no tree.
    """
    tree = SizingTree(plan)
    least = _choose(tree)
    slow = tuple(one for asked in plan.asked for one in tree.slow(asked, least))
    way = _cured(tree, least, slow)
    laid = plan.laid(way.sizes)
    needs = tuple(_served(tree, way, plan.asked).values())
    cures = tuple(_cures(tree, least, way, slow))
    fast = tuple(one for each in needs for one in _fast(laid, each))
    found = Sized(plan, laid, least, needs, slow, cures, fast, _narrower(tree, least, slow), None)
    return replace(found, beyond=_beyond(found))


def _choose(tree: SizingTree) -> dict[str, float]:
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


class _Way(Struct, frozen=True):
    """One way to build it: the diameters, m, and who is helped by other gates."""

    sizes: Mapping[str, float]
    helped: frozenset[str]


def _cured(tree: SizingTree, least: Mapping[str, float], slow: Sequence[Slow]) -> _Way:
    """For who alone leaves a run too slow: a wider drop, or gates that assist, where that asks less of the fan.

    One change after the other, as long as the hardest set, or all together, get easier.
    """
    way, plan = _Way(least, frozenset()), tree.plan
    for _ in range(PASSES):
        now = _served(tree, way, plan.asked)
        together = sorted((each for each in now if len(each.who) > 1), key=lambda each: now[each].most)
        sets = [*(each for each in now if len(each.who) == 1), *together[-MOST_TRIED:]]
        before = way
        asks = _asks(tree, way, sets)
        for asked in dict.fromkeys(one.asked for one in slow if len(one.asked.who) == 1):
            for other in _changes(tree, least, way, asked):
                if (then := _asks(tree, other, sets)) < asks:
                    way, asks = other, then
        if way == before:
            break
    return way


def _changes(tree: SizingTree, least: Mapping[str, float], way: _Way, asked: Asked) -> Iterator[_Way]:
    """Ways that differ from this one in what is done for one that asks alone."""
    (who,) = asked.who
    if not asked.by_hand and _assist(tree, way.sizes, asked):
        yield replace(way, helped=way.helped ^ {who})
    drops = tree.drops(asked.gates)
    if len(drops) == 1:
        (drop,) = drops
        into = next(run.into for run in tree.plan.runs if run.name == drop)
        for each in tree.plan.sold:
            if least[drop] <= each <= way.sizes[into or drop] and each != way.sizes[drop]:
                yield _Way({**way.sizes, drop: each}, way.helped - {who})


def _asks(tree: SizingTree, way: _Way, sets: Sequence[Asked]) -> tuple[float, float]:
    """How much these sets ask of the fan, Pa: the hardest, all together."""
    most = [each.most for each in _served(tree, way, sets).values()]
    return round(max(most), 3), sum(most)


def _served(tree: SizingTree, way: _Way, sets: Sequence[Asked]) -> dict[Asked, Need]:
    """What these sets ask of the fan. Several together have the gates that help each, as the rules open them."""
    gates = {
        asked.who[0]: _assist(tree, way.sizes, asked)
        for asked in tree.plan.asked
        if len(asked.who) == 1 and asked.who[0] in way.helped
    }
    found = {}
    for asked in sets:
        more = frozenset[str]().union(*(gates.get(who, frozenset()) for who in asked.who))
        found[asked] = tree.need(way.sizes, replace(asked, assist=more - asked.gates))
    return found


def _assist(tree: SizingTree, sizes: Mapping[str, float], asked: Asked) -> frozenset[str]:
    """The fewest further gates that bring each slow trunk what it lacks; of those the ones that move the least air."""
    lacks = tree.lacks(asked, sizes)
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


def _cures(tree: SizingTree, least: Mapping[str, float], way: _Way, slow: Sequence[Slow]) -> Iterator[Cure]:
    """What was done for each slow set, and what the other way would ask of the fan."""
    served = _served(tree, way, tree.plan.asked)
    for asked in dict.fromkeys(one.asked for one in slow):
        worst = min((one for one in slow if one.asked == asked), key=lambda one: one.share)
        wider = {run: way.sizes[run] for run in tree.drops(asked.gates) if way.sizes[run] != least[run]}
        other = None
        if served[asked].asked.assist:
            other = tree.need(way.sizes, asked)
        elif not asked.by_hand and len(asked.who) == 1 and (assist := _assist(tree, way.sizes, asked)):
            other = tree.need(way.sizes, replace(asked, assist=assist))
        yield Cure(worst, wider, served[asked], other)


def _fast(laid: Laid, need_: Need) -> Iterator[Fast]:
    for name, flow in need_.flows.items():
        piece = laid.by_name[name]
        if (speed := flow / area(piece.diameter)) > FASTEST * (1 + ROUNDING):
            yield Fast(need_.asked, name, piece.run, speed, need_.losses[name])


def _narrower(tree: SizingTree, sizes: Mapping[str, float], slow: Sequence[Slow]) -> Narrower | None:
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
