"""One whole of `max_open` and every tool's `assist`, judged as the daemon would do it: nothing is tried by itself.

What opens for which demands is asked of the rules each time, with the values of the whole. The best whole leaves, in
this order, the fewest demands short alone; the fewest sets of several short in what is met alone; changes the fewest
values; lets the most gates open; and opens the fewest assist gates, those of clean air first. SI units, no sentences.

What the fan's curve does not tell falls short of nothing. It counts against a whole only where that whole is the first
to ask for it: nobody is led from what is known to what is not.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from itertools import islice, product
from math import inf, prod
from typing import Final, TypeAlias

from msgspec import Struct
from msgspec.structs import replace

from gatehand_air.answers import Book, Case, Look
from gatehand_air.assists import MOST_ASSIST, Gates, Helpers, curing, easing
from gatehand_air.ducting import Lack, Short
from gatehand_air.gate_sets import Admit, Asker, GateDemand, orders
from gatehand_air.rows import Rows

MOST_TOGETHER: Final = 1500
"""Combinations of demands that are looked through for one whole; beyond it nothing is claimed."""
AT_ONCE: Final = 250
"""Of them, solved in one go."""
MOST_CHOICES: Final = 48
"""So many ways to choose among assists are all tried; of more, one tool's after the other's, so many in all."""
MOST_WORK: Final = 15_000
"""Combinations of demands in all these ways together, of every `max_open`: each may spend half of what is left."""
ROUNDS: Final = 4
"""Proposals upon proposals, until nothing more is proposed."""

_Key: TypeAlias = tuple[Asker, str]
_Kind: TypeAlias = Callable[[Book, GateDemand, int, Helpers], tuple[Gates, ...]]

Ask: TypeAlias = Callable[[int | None], Admit]
"""What the rules open with some `max_open`."""


class Whole(Struct, frozen=True):
    """Values of a config that belong together: `max_open` (None: no limit) and `assist` by tool."""

    max_open: int | None
    assists: Mapping[str, Gates]

    def of(self, demand: GateDemand) -> GateDemand:
        """The demand as it is with these values."""
        return replace(demand, assist=self.assists.get(demand.name, ())) if demand.asker is Asker.TOOL else demand

    def changed(self, kept: "Whole") -> tuple[str, ...]:
        """The tools whose assist differs from another whole's."""
        return tuple(tool for tool, gates in self.assists.items() if gates != kept.assists.get(tool, ()))


class Bad(Struct, frozen=True):
    """A set that several demands ask for in which something falls short that each of them has alone."""

    case: Case
    together: tuple[GateDemand, ...]
    shorts: tuple[Short, ...]


class Several(Struct, frozen=True):
    """The sets of several that fall short, as far as they were looked for.

    `looked`: combinations of demands that were looked at. `who`: all who are in any that falls short. `cut`: not all
    were looked at.
    """

    bad: tuple[Bad, ...]
    looked: int
    who: frozenset[_Key]
    cut: bool = False


class _Fault(Struct, frozen=True):
    """What several demands find in one set: whether anything is short that each has alone, and whether unknown."""

    case: Case
    shorts: tuple[Short, ...]
    new: bool
    unknown: bool


class _Known(Struct, frozen=True):
    """A demand with its assist, by a number; `every`: all gates that it asks for."""

    id: int
    demand: GateDemand
    every: frozenset[str]


class _Judged(Struct, frozen=True):
    key: tuple[float, ...]
    whole: Whole
    several: Several


class Search:
    """Looks for the best whole of one collector.

    Args:
        book: what its ducts answer.
        demands: who asks for gates.
        ask: what the rules open.
        helpers: which gates may assist.
        least_open: `max_open` never falls below it (the collector's `min_open`).
    """

    def __init__(self, book: Book, demands: Sequence[GateDemand], ask: Ask, helpers: Helpers, least_open: int) -> None:
        self.book, self.helpers = book, helpers
        self.demands = tuple(demands)
        self._ask = ask
        self._admits: dict[int | None, Admit] = {}
        self._cures: dict[tuple[_Kind, GateDemand, int], tuple[Gates, ...]] = {}
        self._demands: dict[GateDemand, _Known] = {}
        self._cases: dict[tuple[int | None, GateDemand], Case | None] = {}
        self._sizes: dict[tuple[int, ...], int] = {}
        self._found: dict[tuple[float, tuple[int, ...]], tuple[_Fault, ...]] = {}
        self._grown: dict[tuple[object, ...], Rows[_Key, tuple[_Fault, ...]]] = {}
        self._least = max([1, least_open, *(len(demand.gates) for demand in demands)])
        self._gates = frozenset().union(helpers.gates, *(demand.gates.union(demand.assist) for demand in demands))

    def settle(self, kept: Whole) -> Whole:
        """The best whole, upon which nothing further would be proposed; `kept` itself where none is better."""
        whole = kept
        for _ in range(ROUNDS):
            if (better := self._best(whole)) == whole:
                break
            whole = better
        return whole

    def admits(self, limit: int | None) -> Admit:
        """What the rules open with this `max_open`."""
        if limit not in self._admits:
            self._admits[limit] = self._ask(limit)
        return self._admits[limit]

    def alone(self, whole: Whole, demand: GateDemand) -> Look | None:
        """How a demand does by itself; None where the rules never open its gates."""
        case = self.case(whole, demand)
        return None if case is None else self.book.look(case)

    def case(self, whole: Whole, demand: GateDemand) -> Case | None:
        """What opens for a demand by itself."""
        return self._alone(whole.max_open, whole.of(demand))

    def _alone(self, limit: int | None, demand: GateDemand) -> Case | None:
        at = limit, demand
        if at not in self._cases:
            opens = self.admits(limit)([demand])
            self._cases[at] = None if opens is None else Case(opens, demand.hoods)
        return self._cases[at]

    def _best(self, kept: Whole) -> Whole:
        base = {demand: self.alone(kept, demand) for demand in self.demands}
        plans = {limit: self._plan(kept, limit, base) for limit in self._limits(kept.max_open)}
        fewest = min(bad for bad, _ in plans.values())
        able = {limit: choices for limit, (bad, choices) in plans.items() if bad == fewest}
        if (choices := able.get(kept.max_open)) is not None:
            near = Whole(kept.max_open, {tool: options[0] for tool, options in choices.items()})
            if len(near.changed(kept)) <= 1 and not self.several(near, 0).bad:
                return near  # all is well with it, and no other changes less
        best: _Judged | None = None
        worse, work = 0, MOST_WORK
        for limit in sorted(able, key=_room):
            if worse > MOST_ASSIST and limit != kept.max_open:
                continue  # as long as assists may come along that had no room before, wider may yet be better
            one, spent = self._at(kept, limit, able[limit], best, work // 2)
            work -= spent
            worse += best is not None and one.key > best.key
            if best is None or one.key < best.key:
                best, worse = one, 0
        return kept if best is None else best.whole

    def _at(
        self,
        kept: Whole,
        limit: int | None,
        choices: Mapping[str, tuple[Gates, ...]],
        so_far: "_Judged | None",
        work: int,
    ) -> tuple["_Judged", int]:
        """The best whole of one `max_open`, and the work spent on looking for it, of so much at the most.

        It is the nearest choice; where sets of several fall short with it, others are tried. No other choice for a
        tool that is in none of these sets makes them fewer.
        """
        bound, hints = (inf, ()) if so_far is None else (len(so_far.several.bad), so_far.several.bad)

        def judged(assists: Mapping[str, Gates], hints: Sequence[Bad]) -> _Judged:
            whole = Whole(limit, assists)
            several = self.several(whole, bound, [bad.together for bad in hints[:3]], kept=kept)
            return _Judged(self._key(kept, whole, several), whole, several)

        best = judged({tool: options[0] for tool, options in choices.items()}, hints)
        worth = 0 < len(best.several.bad) <= bound
        free = [tool for tool, some in choices.items() if len(some) > 1 and (Asker.TOOL, tool) in best.several.who]
        tries = min(MOST_CHOICES, work // max(best.several.looked, 1)) if worth else 0
        spent = 0
        for put in islice(_variations(choices, free), tries):
            spent += best.several.looked
            best = min(best, judged({**best.whole.assists, **put}, best.several.bad), key=lambda one: one.key)
        return best, spent

    def _key(self, kept: Whole, whole: Whole, several: Several) -> tuple[float, ...]:
        """Less is better. Of what was not looked through only the configured `max_open` can be judged by that."""
        cut = several.cut and whole.max_open != kept.max_open
        changes = len(whole.changed(kept)) + (whole.max_open != kept.max_open)
        assisting = [gate for gates in whole.assists.values() for gate in gates]
        clean = sum(gate in self.helpers.clean for gate in assisting)
        room = _room(whole.max_open)
        return cut, len(several.bad), changes, room if cut else -room, len(assisting), -clean

    def _limits(self, kept: int | None) -> list[int | None]:
        """Every `max_open` that makes a difference."""
        top = kept if kept is None or kept >= len(self._gates) else max(len(self._gates), self._least)
        return [*range(self._least, len(self._gates)), top]

    def _plan(
        self, kept: Whole, limit: int | None, base: Mapping[GateDemand, Look | None]
    ) -> tuple[int, dict[str, tuple[Gates, ...]]]:
        """With one `max_open`: how many demands fall short alone at the best, and by tool the assists that do it."""
        bad, choices = 0, {}
        for demand in self.demands:
            worse, options = self._options(replace(kept, max_open=limit), demand, base[demand])
            bad += worse
            if demand.asker is Asker.TOOL:
                choices[demand.name] = options
        return bad, choices

    def _options(self, here: Whole, demand: GateDemand, before: Look | None) -> tuple[bool, tuple[Gates, ...]]:
        """Whether a demand falls short alone at the best, and the assists with which it does no worse."""
        assist = here.of(demand).assist
        look = self.alone(here, demand)
        if look is None or demand.asker is Asker.HAND:
            return look is not None and _worse(look, before), (assist,)
        bare = self.book.look(Case(demand.gates, demand.hoods))
        without: tuple[Gates, ...] = ((),) if assist and not _worse(bare, before) else ()
        if not _worse(look, before):
            instead = self._helps(curing, here, demand) if assist and not without else ()
            return False, (assist, *without, *(gates for gates in instead if gates != assist))
        if options := (*without, *self._helps(curing, here, demand)):
            return False, options
        eased = [gates for gates in ((), *self._helps(easing, here, demand)) if gates != assist]
        return True, (assist, *(gates for gates in eased if self._short(demand, gates) <= look.short))

    def _helps(self, kind: _Kind, here: Whole, demand: GateDemand) -> tuple[Gates, ...]:
        """Assists of a kind for which there is room."""
        room = int(min(_room(here.max_open), len(self._gates))) - len(demand.gates)
        key = kind, replace(demand, assist=()), min(room, MOST_ASSIST)
        if key not in self._cures:
            self._cures[key] = kind(self.book, demand, room, self.helpers)
        return self._cures[key]

    def _short(self, demand: GateDemand, assist: Gates) -> frozenset[tuple[Lack, str]]:
        return self.book.look(Case(demand.gates.union(assist), demand.hoods)).short

    def several(
        self,
        whole: Whole,
        most: float = inf,
        hints: Sequence[Sequence[GateDemand]] = (),
        *,
        kept: Whole | None = None,
    ) -> Several:
        """The sets of several demands that fall short in what is met alone; more than `most` of them end the search.

        Args:
            whole: the values.
            most: how many are tolerated.
            hints: demands to look at first.
            kept: the values as they are; sets that only this whole asks for count too where the curve does not tell.
        """
        limit = whole.max_open
        demands = {key: self._known(demand) for key, demand in self._distinct(whole).items()}
        keys = [key for key, one in demands.items() if self.case(whole, one.demand) is not None]
        keys.sort(key=lambda key: self.book.look(Case(demands[key].demand.gates, demands[key].demand.hoods)).slack)
        rows = self._rows(limit, [demands[key] for key in keys])
        rows.now({key: demands[key].id for key in keys})
        wider = kept is not None and _room(limit) > _room(kept.max_open)
        changed = frozenset() if kept is None else frozenset((Asker.TOOL, tool) for tool in whole.changed(kept))
        bad: dict[Case, Bad] = {}

        who: set[_Key] = set()

        def note(group: tuple[_Key, ...], found: tuple[_Fault, ...]) -> None:
            for one in found:
                if one.new or wider or not changed.isdisjoint(group):  # otherwise unknown, and not for the first time
                    who.update(group)
                    if one.case not in bad:
                        bad[one.case] = Bad(one.case, tuple(demands[key].demand for key in group), one.shorts)

        named = [tuple(key for key in ((d.asker, d.name) for d in hint) if key in keys) for hint in hints]
        named = [hint for hint in named if len(hint) > 1]
        for group, found in zip(named, self._faults(limit, named, demands), strict=True):
            note(group, found)
        looked = len(named)
        while len(bad) <= most and (chunk := rows.groups(looked - len(named), AT_ONCE)):
            begin = looked - len(named)
            looked += len(chunk)
            stale = [at for at in range(begin, begin + len(chunk)) if at in rows.stale]
            for at, found in zip(stale, self._faults(limit, [rows.listed[at] for at in stale], demands), strict=True):
                rows.found[at] = found
            rows.stale.difference_update(stale)
            for at in range(begin, begin + len(chunk)):
                if found := rows.found[at]:
                    note(rows.listed[at], found)
            if len(bad) <= most and looked >= MOST_TOGETHER:
                # of more demands than gates, some share gates: what they add is little
                return Several(tuple(bad.values()), looked, frozenset(who), cut=len(chunk[-1]) <= max(_room(limit), 2))
        return Several(tuple(bad.values()), looked, frozenset(who))

    def _faults(
        self, limit: int | None, groups: Sequence[tuple[_Key, ...]], demands: Mapping[_Key, "_Known"]
    ) -> list[tuple["_Fault", ...]]:
        """Of each group what falls short in what opens for it, or is unknown. Each is worked out once.

        With room for all of it, `max_open` does not matter: that is one answer for every limit.
        """
        room = _room(limit)
        asked: list[tuple[float, tuple[int, ...]]] = []
        new: dict[tuple[float, tuple[int, ...]], tuple[tuple[GateDemand, ...], tuple[Case, ...]]] = {}
        for group in groups:
            some = [demands[key] for key in group]
            ids = tuple([one.id for one in some])
            size = self._sizes.get(ids)
            if size is None:
                size = self._sizes[ids] = len(frozenset().union(*[one.every for one in some]))
            at = (inf if size <= room else room), ids
            asked.append(at)
            if at not in self._found and at not in new:
                together = tuple([one.demand for one in some])
                new[at] = together, self._opened(None if size <= room else limit, together)
        self.book.prepare(case for _, cases in new.values() for case in cases)
        for (of, ids), (together, cases) in new.items():
            self._found[of, ids] = tuple(self._judge(None if of == inf else limit, together, cases))
        return [self._found[at] for at in asked]

    def _judge(self, limit: int | None, together: Sequence[GateDemand], cases: Sequence[Case]) -> Iterator["_Fault"]:
        for case in cases:
            look = self.book.look(case)
            if look.shorts:
                new = look.short.difference(*(self._own(limit, demand) for demand in together)) if look.short else ()
                shorts = tuple(s for s in look.shorts if (s.lack, s.where) in new) or look.shorts
                if new or look.unknown:
                    yield _Fault(case, shorts, bool(new), look.unknown)

    def _own(self, limit: int | None, demand: GateDemand) -> frozenset[tuple[Lack, str]]:
        """What a demand falls short of by itself."""
        case = self._alone(limit, demand)
        return frozenset() if case is None else self.book.look(case).short

    def _rows(self, limit: int | None, some: Sequence["_Known"]) -> Rows[_Key, tuple[_Fault, ...]]:
        """Every two demands, every three, and so on. Those that the rules do not let open grow no further.

        Assists are never waited for, so what opens at all is asked without them, and once for all wholes of a limit.
        """
        bare = tuple(self._known(replace(one.demand, assist=())) for one in some)
        at = limit, tuple(one.id for one in bare)
        if at not in self._grown:
            self._grown[at] = Rows(self._grow(limit, bare), ())
        return self._grown[at]

    def _grow(self, limit: int | None, bare: Sequence["_Known"]) -> Iterator[tuple[_Key, ...]]:
        room = _room(limit)
        keys = [(one.demand.asker, one.demand.name) for one in bare]
        level: list[tuple[tuple[int, ...], frozenset[str]]] = [((at,), one.every) for at, one in enumerate(bare)]
        while level:
            longer: list[tuple[tuple[int, ...], frozenset[str]]] = []
            for group, gates in level:
                for at in range(group[-1] + 1, len(bare)):
                    more, every = (*group, at), gates | bare[at].every
                    yield tuple([keys[each] for each in more])
                    if len(every) <= room or self._opened(limit, tuple(bare[each].demand for each in more)):
                        longer.append((more, every))
            level = longer

    def falls_short(self, whole: Whole, together: Sequence[GateDemand]) -> bool:
        """Whether anything that is met alone can fall short with these demands at once; waiting, it cannot."""
        some = tuple(whole.of(demand) for demand in together)
        own = [self._own(whole.max_open, demand) for demand in some]
        return any(self.book.look(case).short.difference(*own) for case in self._opened(whole.max_open, some))

    def _distinct(self, whole: Whole) -> dict[_Key, GateDemand]:
        """One demand of those that ask for the same."""
        first: dict[tuple[object, ...], GateDemand] = {}
        for demand in map(whole.of, self.demands):
            first.setdefault((demand.gates, demand.assist, demand.hoods), demand)
        return {(demand.asker, demand.name): demand for demand in first.values()}

    def _known(self, demand: GateDemand) -> "_Known":
        if demand not in self._demands:
            self._demands[demand] = _Known(len(self._demands), demand, demand.gates.union(demand.assist))
        return self._demands[demand]

    def _opened(self, limit: int | None, together: tuple[GateDemand, ...]) -> tuple[Case, ...]:
        """What opens for several demands, in whichever order they began; without a limit all that they ask for."""
        admit = self.admits(limit)
        dusty = frozenset().union(*[demand.hoods for demand in together])
        opened = [admit(order) for order in ((together,) if limit is None else orders(together))]
        return tuple(dict.fromkeys([Case(opens, dusty) for opens in opened if opens is not None]))


def _room(limit: int | None) -> float:
    return inf if limit is None else limit


def _worse(look: Look, before: Look | None) -> bool:
    """Falls short, or has become unknown."""
    return look.fails or (look.unknown and not (before is not None and before.unknown))


def _variations(choices: Mapping[str, tuple[Gates, ...]], free: Sequence[str]) -> Iterator[dict[str, Gates]]:
    """Other choices for the tools that have any: all of them, or where they are many each tool's by itself."""
    if prod(len(choices[tool]) for tool in free) <= MOST_CHOICES:
        every = product(*(choices[tool] for tool in free))
        return (dict(zip(free, one, strict=True)) for one in islice(every, 1, None))
    return ({tool: gates} for tool in free for gates in choices[tool][1:])
