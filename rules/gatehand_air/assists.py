"""Gates that open with a demand's own, so that the ducts beyond its drop carry dust. SI units, no sentences.

More open gates never bring a hood or its own drop more air: an assist helps the ducts that both pass, and nothing else.
"""

from collections.abc import Collection, Iterable, Mapping
from itertools import combinations
from typing import Final, TypeAlias

from msgspec import Struct

from gatehand_air.answers import Book, Case, Look
from gatehand_air.ducting import Ducting, Lack, Short
from gatehand_air.gate_sets import GateDemand

MOST_ASSIST: Final = 3
"""Gates to add at the most."""
MOST_TRIED: Final = 8
"""Where single gates do not cure, pairs and more are tried of so many: those that help most by themselves."""
MOST_KEPT: Final = 6
"""Cures that are handed on."""

MOST_EASING: Final = 3
"""Gates that cure a part, handed on."""

Gates: TypeAlias = tuple[str, ...]
"""In the order in which they open where there is not room for all."""


class Helpers(Struct, frozen=True):
    """Which gates may assist: those that a command moves.

    Fields:
        clean: those that serve no tool, preferred.
        owners: by gate, the tools that it serves.
    """

    gates: frozenset[str]
    clean: frozenset[str] = frozenset()
    owners: Mapping[str, tuple[str, ...]] = {}


def curing(book: Book, demand: GateDemand, room: int, helpers: Helpers) -> tuple[Gates, ...]:
    """The assists that cure a demand alone, the best first; all of one number, the least that cures. `room`: how many.

    A cure leaves nothing short and nothing unknown, so that it takes nothing from what was met.
    """
    ways = _helped(book, demand, helpers)
    if not ways:
        return ()
    pool = sorted(frozenset().union(*ways))
    for count in range(1, min(room, MOST_ASSIST) + 1):
        if count == 2 and len(pool) > MOST_TRIED:  # noqa: PLR2004
            pool = sorted(pool, key=lambda gate: (-_with(book, demand, (gate,)).slack, gate))[:MOST_TRIED]
        tried = list(combinations(pool, count))
        book.prepare(_case(demand, chosen) for chosen in tried)
        cures = [chosen for chosen in tried if _with(book, demand, chosen).well]
        if cures:
            ordered = sorted(cures, key=lambda c: (-len(helpers.clean & set(c)), -_with(book, demand, c).slack, c))
            return tuple(tuple(sorted(c, key=lambda g: (g not in helpers.clean, g))) for c in ordered[:MOST_KEPT])
    return ()


def easing(book: Book, demand: GateDemand, room: int, helpers: Helpers) -> tuple[Gates, ...]:
    """Single gates that cure a part of what falls short alone and spoil nothing, the best first."""
    look = book.look(_case(demand, ()))
    if room < 1 or not look.fails:
        return ()
    own = helpers.gates - demand.gates
    ways = sorted(frozenset().union(*(_behind(book.ducting, short, own) for short in look.shorts)))
    book.prepare(_case(demand, (gate,)) for gate in ways)
    looks = {gate: _with(book, demand, (gate,)) for gate in ways}
    eased = [gate for gate, with_it in looks.items() if with_it.short < look.short and not with_it.unknown]
    eased.sort(key=lambda gate: (gate not in helpers.clean, len(looks[gate].short), -looks[gate].slack, gate))
    return tuple((gate,) for gate in eased[:MOST_EASING])


def _helped(book: Book, demand: GateDemand, helpers: Helpers) -> list[frozenset[str]]:
    """For each thing that falls short the gates that could help; nothing where one cannot be helped by a gate."""
    look = book.look(_case(demand, ()))
    found = [_behind(book.ducting, short, helpers.gates - demand.gates) for short in look.surely]
    return found if all(found) else []


def _behind(ducting: Ducting, short: Short, gates: Collection[str]) -> frozenset[str]:
    """The gates whose air passes the slow duct."""
    network = ducting.network
    if short.lack is not Lack.SLOW_DUCT or network.duct(short.where).entry is not None:
        return frozenset()
    gated = network.gated
    through = (gate for gate in gates if gate in gated)
    return frozenset(g for g in through if any(d.name == short.where for d in network.path(gated[g].name)))


def _case(demand: GateDemand, extra: Iterable[str]) -> Case:
    return Case(demand.gates.union(extra), demand.hoods)


def _with(book: Book, demand: GateDemand, extra: Gates) -> Look:
    return book.look(_case(demand, extra))


class Help(Struct, frozen=True):
    """One further gate for a set that stands open.

    Fields:
        slow: the duct that most needs it, as it is without.
        gate: which to open.
        speed: what it brings there, m/s.
        cures: whether nothing falls short then.
        tools: whose own gate it is.
    """

    slow: Short
    gate: str
    speed: float
    cures: bool
    tools: tuple[str, ...] = ()


def helping_gate(book: Book, case: Case, helpers: Helpers) -> Help | None:
    """The gate that helps the slowest duct of a set most, a cure first; None where none helps without harm."""
    ducting, look = book.ducting, book.look(case)
    slow = [(s, ways) for s in look.surely if (ways := _behind(ducting, s, helpers.gates - case.gates))]
    if not slow:
        return None
    worst, ways = min(slow, key=lambda pair: pair[0].share)
    cases = {gate: Case(case.gates | {gate}, case.dusty) for gate in sorted(ways)}
    book.prepare(cases.values())
    harmless = [g for g, with_it in cases.items() if not (a := book.look(with_it)).unknown and a.short <= look.short]
    if not harmless:
        return None
    speeds = {gate: book.speed(cases[gate], worst.where) for gate in harmless}
    best = max(harmless, key=lambda g: (book.look(cases[g]).well, g in helpers.clean, speeds[g]))
    if speeds[best] <= worst.found:
        return None
    return Help(worst, best, speeds[best], book.look(cases[best]).well, helpers.owners.get(best, ()))
