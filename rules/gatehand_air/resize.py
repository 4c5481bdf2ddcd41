"""For ducts that hang already: the one change of size that cures most, and what no single change cures. No sentences.

Sizes are tried as they are sold, one stretch at a time (a row of ducts of one size with nothing joining between), and a
whole trunk of one size at once. The caller rebuilds the ducts with other diameters, because fittings' factors depend on
them. What opens is as configured; all is judged with the dirty filter.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from typing import Final, TypeAlias

from msgspec import Struct
from msgspec.structs import replace

from gatehand_air.answers import Book, Case, Look
from gatehand_air.ducting import Ducting
from gatehand_air.gate_sets import GateDemand

STEPS: Final = 3
"""Sizes up and down that are tried."""
MOST_WEIGHED: Final = 8
"""Changes whose effect on sets of several is looked at: those that cure most demands alone."""
FURTHER: Final = 2
"""Alternatives beside the best."""

Resize: TypeAlias = Callable[[Mapping[str, float]], Ducting]
"""The same ducts with some diameters, m, changed."""


class Change(Struct, frozen=True):
    """Some ducts in another size, and what that does.

    Fields:
        ducts, diameter: what to change and to which diameter, m.
        cures, spoils: demands that fall short by themselves now and not then, and the other way round.
        cures_sets, spoils_sets: the same of the sets that several ask for.
    """

    ducts: tuple[str, ...]
    diameter: float
    cures: tuple[GateDemand, ...] = ()
    spoils: tuple[GateDemand, ...] = ()
    cures_sets: tuple[frozenset[str], ...] = ()
    spoils_sets: tuple[frozenset[str], ...] = ()

    @property
    def gain(self) -> tuple[int, int]:
        """Demands, then sets, that are better off, less those that are worse off."""
        return len(self.cures) - len(self.spoils), len(self.cures_sets) - len(self.spoils_sets)


class Changes(Struct, frozen=True):
    """The best changes, each for itself, the best first; and the demands alone that no single change cures.

    `short`: the demands that fall short by themselves now.
    """

    best: tuple[Change, ...] = ()
    uncured: tuple[GateDemand, ...] = ()
    short: tuple[GateDemand, ...] = ()

    @property
    def whole(self) -> bool:
        """Whether the first cures every demand alone and spoils nothing alone."""
        return bool(self.best) and len(self.best[0].cures) == len(self.short) > 0 and not self.best[0].spoils


def changes(
    book: Book,
    alone: Sequence[tuple[GateDemand, Case]],
    several: Sequence[Case],
    sold: Sequence[float],
    resize: Resize,
) -> Changes:
    """Look through all single changes.

    Args:
        book: what the ducts answer as they are.
        alone: each demand with what opens for it by itself.
        several: the sets that several ask for.
        sold: diameters, m, rising.
        resize: builds the ducts anew.
    """
    short = tuple(demand for demand, case in alone if book.look(case).fails)
    bad = [case for case in several if book.look(case).fails]
    if not short and not bad:
        return Changes()
    asked = [case for demand, case in alone if demand in short] or bad
    wanted = [(demand, case) for demand, case in alone if demand in short]
    tried = [_Trial(book, each, size, resize) for each, size in _candidates(book.ducting, asked, sold)]
    tried = [trial for trial in tried if not short or trial.cures_any(wanted)]
    first = [trial.alone(alone) for trial in tried]
    if not short:
        first = [replace(change, cures_sets=_of(tried, change).cured(bad)) for change in first]
    first = sorted(first, key=lambda one: _rank(book.ducting, one))[:MOST_WEIGHED]
    weighed = [_of(tried, change).with_sets(change, several) for change in first]
    good = sorted((one for one in weighed if one.gain > (0, 0)), key=lambda one: _rank(book.ducting, one))
    curable = {demand for trial in tried for demand in trial.change.cures}
    return Changes(_chosen(good, short), tuple(demand for demand in short if demand not in curable), short)


class _Trial:
    """One change, tried on what it can reach."""

    def __init__(self, book: Book, ducts: tuple[str, ...], size: float, resize: Resize) -> None:
        self.before = book
        self.after = Book(resize(dict.fromkeys(ducts, size)))
        self.change = Change(ducts, size)
        network, ways = book.ducting.network, book.ducting.ways
        hoods = [hood for hood, way in ways.items() if not set(ducts).isdisjoint(way)]
        gates = frozenset(network.gate_of[hood] for hood in hoods)
        self._leaky = any(duct.leak is not None for duct in network.ducts)
        self._through = None if None in gates else gates

    def cures_any(self, short: Sequence[tuple[GateDemand, Case]]) -> bool:
        """Whether it cures any of these: most do not, and what else they do is nothing to anybody."""
        reached = [case for _, case in short if self._reaches(case)]
        self.after.prepare(reached)
        return any(self._cures(case) for case in reached)

    def alone(self, asked: Sequence[tuple[GateDemand, Case]]) -> Change:
        reached = [(demand, case) for demand, case in asked if self._reaches(case)]
        self.after.prepare(case for _, case in reached)
        cures = tuple(demand for demand, case in reached if self._cures(case))
        self.change = replace(self.change, cures=cures, spoils=tuple(d for d, case in reached if self._spoils(case)))
        return self.change

    def cured(self, bad: Sequence[Case]) -> tuple[frozenset[str], ...]:
        return tuple(dict.fromkeys(case.gates for case in bad if self._reaches(case) and self._cures(case)))

    def with_sets(self, change: Change, several: Sequence[Case]) -> Change:
        reached = [case for case in several if self._reaches(case)]
        self.after.prepare(reached)
        spoils = tuple(dict.fromkeys(case.gates for case in reached if self._spoils(case)))
        return replace(change, cures_sets=self.cured(several), spoils_sets=spoils)

    def _reaches(self, case: Case) -> bool:
        """Whether any air goes through what is changed."""
        return self._leaky or self._through is None or not self._through.isdisjoint(case.gates)

    def _cures(self, case: Case) -> bool:
        return self.before.look(case).fails and self.after.look(case).well

    def _spoils(self, case: Case) -> bool:
        return _worse(self.before.look(case), self.after.look(case))


def _worse(before: Look, after: Look) -> bool:
    """Falls short, or is unknown, where it was not."""
    return not before.fails and (after.fails or (after.unknown and not before.unknown))


def _of(tried: Iterable[_Trial], change: Change) -> _Trial:
    return next(t for t in tried if (t.change.ducts, t.change.diameter) == (change.ducts, change.diameter))


def _rank(ducting: Ducting, change: Change) -> tuple[float, ...]:
    """What cures most comes first; of equals the nearest size, and the shortest length to hang anew."""
    alone, sets = change.gain
    network = ducting.network
    now = network.duct(change.ducts[0]).diameter
    step = max(change.diameter / now, now / change.diameter)
    return -alone, -sets, round(step, 6), sum(network.duct(name).length for name in change.ducts)


def _chosen(good: Sequence[Change], short: Sequence[GateDemand]) -> tuple[Change, ...]:
    """The best; then those that cure most of what is left, or else the best on other ducts."""
    chosen = list(good[:1])
    while chosen and len(chosen) <= FURTHER:
        ducts = {one.ducts for one in chosen}
        others = [one for one in good if one.ducts not in ducts]
        if not others:
            break
        left = [demand for demand in short if not any(demand in one.cures for one in chosen)]
        chosen.append(max(others, key=lambda one: sum(demand in one.cures for demand in left)))
    return tuple(chosen)


def _candidates(ducting: Ducting, asked: Sequence[Case], sold: Sequence[float]) -> list[tuple[tuple[str, ...], float]]:
    """Every stretch and trunk with air in it in any of these cases, in the sizes next to its own."""
    network = ducting.network
    hoods = frozenset().union(*(network.behind(case.gates) for case in asked)) | network.always_open
    passed = {name for hood in hoods for name in ducting.ways[hood]}
    found = []
    for ducts in dict.fromkeys([*_stretches(ducting), *_trunks(ducting)]):
        if not passed.isdisjoint(ducts):
            now = network.duct(ducts[0]).diameter
            wider = [size for size in sold if size > now * 1.01][:STEPS]
            found += [(ducts, size) for size in (*wider, *[size for size in sold if size < now * 0.99][-STEPS:])]
    return found


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


def _trunks(ducting: Ducting) -> list[tuple[str, ...]]:
    """The joints that hang together and are of one size."""
    trunks: dict[str, list[str]] = {}
    for duct in reversed(ducting.network.ducts):  # each after the one it runs into
        if duct.entry is not None:
            continue
        into = None if duct.into is None else ducting.network.duct(duct.into)
        if into is not None and into.diameter == duct.diameter:
            trunks[into.name].insert(0, duct.name)
            trunks[duct.name] = trunks[into.name]
        else:
            trunks[duct.name] = [duct.name]
    return list(dict.fromkeys(tuple(trunk) for trunk in trunks.values()))
