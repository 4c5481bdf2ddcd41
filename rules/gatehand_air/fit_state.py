"""Where a fit is: a guess at fan, filter and pieces of duct, and what the readings say of it, made straight around it.

What is off is found here: readings and pieces that contradict the rest, what is known of a piece by the readings alone,
and what could be off in the fan's place. `fit` moves from one such state to the next.
"""

import math
from collections.abc import Collection, Iterator, Sequence
from functools import cached_property
from typing import Final

from msgspec import Struct
from msgspec.structs import replace

from gatehand_air.least_squares import CRITICAL, Adjustment, NotSolvableError, Tested, adjust, inverse
from gatehand_air.readings import HALF, PROFILE_SPREAD, Guess, OpenSet, Piece, Quantity, Shop
from gatehand_air.spread import Ignorance

AS_WELL: Final = 4.0
"""What explains the readings worse by no more than this (chi-square) explains them as well: 19 of 20."""
LEAST_FLOOR: Final = 1e-6
"""Of the filter's unit: it never gives pressure."""


class Suspect(Struct, frozen=True):
    """What may be off: a reading by its number, a piece by its name, or the filter where both are left out."""

    reading: int | None = None
    piece: Piece | None = None


class Place(Struct, frozen=True):
    """A piece of duct: what it loses by the readings, and what it should as described, with half-widths, Pa.

    Fields:
        gates, flow: with these open, at that flow in m3/s.
        dynamic: velocity pressure there, Pa.
    """

    piece: Piece
    gates: frozenset[str]
    flow: float
    dynamic: float
    found: float
    found_off: float
    described: float
    described_off: float

    @property
    def off(self) -> bool:
        """Whether they differ by more than both spreads together."""
        return abs(self.found - self.described) > math.hypot(self.found_off, self.described_off)


class State(Struct, frozen=True, dict=True):
    """Where the fit is: what is guessed, what the readings say of it.

    Fields:
        known: how well the ducts are known.
        off: logarithm of read over should be, of every reading.
        active: the readings that count.
        freed: pieces whose loss is an unknown of its own.
    """

    shop: Shop
    known: Ignorance
    guess: Guess
    sets: tuple[OpenSet, ...]
    off: tuple[float, ...]
    active: tuple[int, ...]
    freed: tuple[str, ...]
    with_filter: bool

    @property
    def unit(self) -> float:
        """A filter factor that takes a tenth of the fan's first pressure at the curve's end: the scale of steps."""
        taken: float = self.shop.solver.fan.last**self.shop.solver.filter.exponent
        return 0.1 * self.shop.solver.fan.points[0][1] / taken

    @property
    def left(self) -> list[float]:
        """Of the readings that count."""
        return self._cut(self.off)

    def _cut(self, whole: Sequence[float]) -> list[float]:
        return [whole[i] for i in self.active]

    @cached_property
    def columns(self) -> list[list[float]]:
        """How each unknown acts on the readings: the logarithm of the scale, the filter, further factors of pieces."""
        fan = [(of, of.effect(of.answer.pressure, {})) for of in self.sets]
        found = [self._cut(self.shop.whole(fan))]
        if self.with_filter:
            found.append(self._cut(self._filter(self.unit)))
        return [*found, *map(self.direction, self.freed)]

    def _filter(self, factor: float) -> list[float]:
        """The effect of a filter factor more."""
        exponent = self.shop.solver.filter.exponent
        return self.shop.whole([(of, of.effect(0.0, {}, factor * of.answer.flow**exponent)) for of in self.sets])

    def direction(self, piece: str) -> list[float]:
        """The effect of a loss factor of 1 more on a piece's velocity pressure."""
        pairs = ((of, of.at[piece]) for of in self.sets if piece in of.at)
        return self._cut(self.shop.whole([(of, of.effect(0.0, {i: of.dynamic[i]})) for of, i in pairs]))

    def covariance(self, freed: Collection[str]) -> list[list[float]]:
        """Of the readings that count: their accuracy, and what is not known of the ducts."""
        readings = [self.shop.readings[i] for i in self.active]
        size = len(readings)
        found = [[0.0] * size for _ in range(size)]
        for i, reading in enumerate(readings):
            found[i][i] = (reading.accuracy / HALF) ** 2
        for shared in self._shared(freed):
            for i, one in enumerate(shared):
                if one:
                    found[i] = [value + one * other for value, other in zip(found[i], shared, strict=True)]
        return found

    def _shared(self, freed: Collection[str]) -> Iterator[list[float]]:
        """What the model's errors, each by itself, do to the readings: one standard deviation."""
        whole, known = self.shop.whole, self.known
        effects: dict[tuple[str, str], list[tuple[OpenSet, list[float]]]] = {}
        for of in self.sets:
            free = {of.at[name] for name in freed if name in of.at}
            for key, losses in of.ignorance(known).items():
                lost = {place: push for place, push in losses.items() if place not in free}
                effects.setdefault(key, []).append((of, of.effect(0.0, lost)))
        for several in effects.values():
            yield self._cut(whole(several))
        if not self.with_filter and self.guess.filter:
            yield self._cut(self._filter(known.filter / HALF * self.guess.filter))
        readings = [self.shop.readings[i] for i in self.active]
        if any(reading.kind is Quantity.CENTRELINE for reading in readings):
            yield [PROFILE_SPREAD / HALF if r.kind is Quantity.CENTRELINE else 0.0 for r in readings]

    @cached_property
    def weight(self) -> list[list[float]]:
        """The inverse of the covariance."""
        return inverse(self.covariance(self.freed))

    @cached_property
    def line(self) -> Adjustment:
        """The straight problem around here."""
        return adjust(self.columns, self.left, self.weight)

    def moved(self, step: Sequence[float], part: float) -> Guess:
        """The guess after a part of a step."""
        scale = self.guess.scale * math.exp(part * step[0])
        filter_, first = self.guess.filter, 1
        if self.with_filter:
            filter_ = max(filter_ + part * step[1] * self.unit, LEAST_FLOOR * self.unit)
            first = 2
        extra = dict(self.guess.extra)
        for name, more in zip(self.freed, step[first:], strict=True):
            extra[name] = max(extra.get(name, 0.0) + part * more, self._least(name))
        return Guess(scale, filter_, extra)

    def _least(self, piece: str) -> float:
        """The factor that leaves a tenth of what a piece loses here: air never gains pressure on its way."""
        of = max((of for of in self.sets if piece in of.at), key=lambda of: of.answer.through[of.at[piece]])
        place = of.at[piece]
        return self.guess.extra.get(piece, 0.0) - 0.9 * of.losses[place] / of.dynamic[place]

    def typical(self, off: Sequence[float]) -> float:
        """Root mean square of the relative errors of the readings that count, should be over read."""
        return math.sqrt(sum(math.expm1(-off[i]) ** 2 for i in self.active) / len(self.active))

    @property
    def error(self) -> float:
        """Typical error of the readings that count, once the ducts are as these make them within their ignorance."""
        pairs = zip(self.active, self.line.left, strict=True)
        errors = [left * (self.shop.readings[i].accuracy / HALF) ** 2 for i, left in pairs]
        return math.sqrt(sum(math.expm1(error) ** 2 for error in errors) / len(errors))

    def with_reading(self, number: int) -> float:
        """How far a reading that does not count is off, by all that do: read over what it should be, less 1."""
        whole = replace(self, active=tuple(sorted((*self.active, number))))
        tested = whole.line.tested([float(i == number) for i in whole.active])
        return math.expm1(self.off[number] if tested is None else tested.size)

    def shown(self, off: Sequence[float]) -> tuple[float, ...]:
        """What all readings should be, by how far they are off."""
        return tuple(r.value * math.exp(-o) for r, o in zip(self.shop.readings, off, strict=True))

    def suspects(self) -> list[tuple[float, Suspect]]:
        """What contradicts the rest, with its score, the worst first; empty where nothing does beyond chance."""
        found = sorted(self._scores(), key=lambda pair: -pair[0])
        limit = self.line.limit(found[0][0]) if found else 1.0
        return [pair for pair in found if pair[0] >= CRITICAL * limit]

    def _scores(self) -> Iterator[tuple[float, Suspect]]:
        for place, number in enumerate(self.active):
            tested = self.line.tested([float(i == place) for i in range(len(self.active))])
            if tested is not None:
                yield tested.score, Suspect(reading=number)
        for name, piece in self.shop.tree.pieces.items():
            if (tested := self._tested(name)) is not None and self._possible(name, tested):
                yield tested.score, Suspect(piece=piece)
        if not self.with_filter and self.guess.filter:
            tested = self.line.tested(self._cut(self._filter(self.guess.filter)))
            if tested is not None:
                yield tested.score, Suspect()

    def _tested(self, piece: str) -> Tested | None:
        live = piece not in self.freed and any(piece in of.at for of in self.sets)
        return self.line.tested(self.direction(piece)) if live else None

    def _possible(self, piece: str, tested: Tested) -> bool:
        """Whether a piece that loses so much more, or less, still loses something."""
        return tested.size + CRITICAL * tested.deviation > self._least(piece) - self.guess.extra.get(piece, 0.0)

    def places(self, widening: float) -> Iterator[Place]:
        """The pieces of which the readings say more than the description does."""
        tapped = {piece.duct for piece in self.shop.tree.pieces.values() if not piece.last}
        tapped |= {r.where for r in self.shop.readings if r.kind is Quantity.TAP}
        for name, piece in self.shop.tree.pieces.items():
            live = [of for of in self.sets if name in of.at]
            if not live or not (piece.hood or piece.duct in tapped or name in self.freed):
                continue
            of = max(live, key=lambda of: of.answer.through[of.at[name]])
            place = of.at[name]
            extra = self.guess.extra.get(name, 0.0)
            dynamic = of.dynamic[place]
            own = [losses[place] for losses in of.ignorance(self.known).values() if place in losses]
            described_off = HALF * math.hypot(*own)
            found = self._freely(name, widening)
            if found is not None:
                size, half = found[0] * dynamic, found[1] * dynamic
                lost = of.losses[place]
                told = Place(
                    piece,
                    of.gates,
                    of.answer.through[place],
                    dynamic,
                    lost + size,
                    half,
                    lost - extra * dynamic,
                    described_off,
                )
                if half <= described_off or (told.off and name in self.freed):
                    yield told

    def _freely(self, name: str, widening: float) -> tuple[float, float] | None:
        """A piece's further loss factor beyond the guess, and its half-width, by the readings alone."""
        if name in self.freed:
            at = 1 + self.with_filter + self.freed.index(name)
            return 0.0, widening * self.line.deviation(at)
        try:
            alone = adjust(self.columns, self.left, inverse(self.covariance([*self.freed, name])))
        except NotSolvableError:
            return None
        tested = alone.tested(self.direction(name))
        return None if tested is None else (tested.size, widening * tested.deviation)

    def instead(self, scale_off: float) -> tuple[Suspect, ...]:
        """Where the fan is off by more than its curve may be: what explains the readings as well with it as drawn."""
        log, known = math.log(self.guess.scale), self.known.fan
        if abs(log) <= math.hypot(scale_off, known) or not known:
            return ()
        fan, *columns = self.columns
        wide = self.covariance(self.freed)
        for row, one in zip(wide, fan, strict=True):
            for j, other in enumerate(fan):
                row[j] += (known / HALF) ** 2 * one * other
        off = [o + log * effect for o, effect in zip(self.left, fan, strict=True)]
        try:
            drawn = adjust(columns, off, inverse(wide))
        except NotSolvableError:
            return ()
        suspects: list[tuple[Suspect, list[float]]] = []
        found = []
        for name, piece in self.shop.tree.pieces.items():
            if name not in self.freed and any(name in of.at for of in self.sets):
                suspects.append((Suspect(piece=piece), self.direction(name)))
        if not self.with_filter and self.guess.filter:
            suspects.append((Suspect(), self._cut(self._filter(self.guess.filter))))
        allowed = self.line.chi_square + AS_WELL * max(1.0, self.line.noise**2)
        for what, direction in suspects:
            tested = drawn.tested(direction)
            if tested is not None and tested.size > 0 and drawn.chi_square - tested.score**2 <= allowed:
                found.append(what)
        return tuple(found)
