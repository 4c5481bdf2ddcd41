"""Learns a real shop: fits the scale of the fan's curve and the filter's loss to what was measured, each with its ±.

Gauss and Newton's method on the logarithms of the readings, with steps halved until they help. The readings err by
their accuracy; what is not known of the ducts (`Ignorance`) is taken for errors of the model that several readings
share, so the ± of fan and filter tell what was learnt in spite of it. Both count as unknown altogether, whatever the
config says of them; the filter only where the readings tell it from the fan, else it is as described, give or take
its ignorance.

A half-width of 19 of 20 comes from the normal matrix, with what remains of the readings by Student's t, and is never
less than the accuracy given for the readings makes it. Readings that contradict the rest, and pieces of duct that lose
something else than was described, are found one at a time (`least_squares.Adjustment.tested`) and left out of the
figures; the result names each of them. A fit wants readings to spare: more of them than unknowns.
"""

import math
from collections.abc import Collection, Iterator, Mapping, Sequence
from functools import cached_property
from typing import Final

from msgspec import Struct
from msgspec.structs import replace

from gatehand_air.ducting import Ducting
from gatehand_air.fan_curve import Filter
from gatehand_air.least_squares import CRITICAL, Adjustment, NotSolvableError, Tested, Vector, adjust, dot, inverse
from gatehand_air.readings import HALF, PROFILE_SPREAD, Guess, Measurement, OpenSet, Piece, Quantity, Shop
from gatehand_air.spread import Ignorance

MOST_ROUNDS: Final = 40
MOST_HALVINGS: Final = 20
LAST_STEP: Final = 1e-7
LARGEST_STEP: Final = 0.5
"""Of the logarithm of the scale in one round."""
MOST_FAULTS: Final = 3
TELLS_APART: Final = 0.5
"""Half-width of the filter's loss, as a part of it, from which on the readings are said to tell it from the fan."""
AS_WELL: Final = 4.0
"""What explains the readings worse by no more than this (chi-square) explains them as well: 19 of 20."""
LEAST_FLOOR: Final = 1e-6
"""Of the filter's unit: it never gives pressure."""
STARTS: Final = (1.0, 0.85, 0.7, 0.55, 0.4, 1.2, 0.25, 1.5)
LEAST_SCALE: Final = 0.5
MOST_SCALE: Final = 1.25
"""Of a fan's curve, beyond which a fit wants another look: common practice, no published source."""
MOST_DIRTY: Final = 5.0
"""The same for the filter: times what it loses when it is due for cleaning."""
LEAST_READINGS: Final = 2
"""One unknown and one to spare."""


class NoFitError(ValueError):
    """The readings cannot be fitted; the text says why."""


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


class Fault(Struct, frozen=True):
    """What contradicts the rest, and was left out of the figures.

    Fields:
        others: what would explain the readings as well.
        off: of a reading: read over what it should be, less 1.
        rest: typical error of the other readings, as a part of them.
        scale: of the fan, with this one counted in like the rest.
    """

    what: Suspect
    others: tuple[Suspect, ...]
    off: float
    rest: float
    scale: float


class Fit(Struct, frozen=True):
    """The result. Half-widths hold 19 of 20.

    Fields:
        scale, scale_off: of the fan's curve, and its half-width as a part of it.
        filter, filter_off: the same for the filter's loss; as described where it could not be told from the fan.
        with_filter: whether it could.
        before, after: what the model says for each reading, unfitted and fitted.
        rms_before, rms: typical relative error of all the readings that were not left out.
        spare: readings less unknowns.
        noise: how far readings err, as a multiple of their accuracy.
        faults: what was left out, the worst first.
        places: what is known of single pieces better than it was described.
        instead: where the fan is off: what may be off in its place.
    """

    scale: float
    scale_off: float
    filter: Filter
    filter_off: float
    with_filter: bool
    before: tuple[float, ...]
    after: tuple[float, ...]
    rms_before: float
    rms: float
    spare: int
    noise: float
    faults: tuple[Fault, ...]
    places: tuple[Place, ...]
    instead: tuple[Suspect, ...]

    @property
    def fan_plausible(self) -> bool:
        """Whether a fan does that."""
        return LEAST_SCALE <= self.scale <= MOST_SCALE

    def filter_plausible(self, dirty: Filter) -> bool:
        """Whether a filter does that, beside what it loses when it is due for cleaning."""
        return not dirty.factor or self.filter.factor <= MOST_DIRTY * dirty.factor


def fit(ducting: Ducting, readings: Sequence[Measurement]) -> Fit:
    """Fit scale and filter loss of `ducting` (its clean filter stands for the one that was measured).

    Raises:
        NoFitError: too few readings, or a set of gates without an answer, or air where a reading finds none.
    """
    if len(readings) < LEAST_READINGS:
        few = "there are no readings" if not readings else "there is 1 reading, and the fan alone takes one"
        raise NoFitError(f"{few}: give at least 3, better 6, such as a flow and the suction for 2 or 3 sets of gates")
    problem = _Problem(shop=Shop(ducting.clean, tuple(readings)), known=ducting.ignorance)
    first = problem.start()
    apart = problem.told_apart(first)
    state = problem.solved(replace(first, with_filter=apart))
    faults: list[Fault] = []
    while state.line.spare > 1 and len(faults) < MOST_FAULTS and (suspects := state.suspects()):
        worst, others = suspects
        less = state.without(worst)
        faults.append(Fault(worst, others, *less.told(worst), state.guess.scale))
        state = less
    return state.result(first, tuple(faults))


class _Problem(Struct, frozen=True, dict=True):
    """The ducts, what was measured in them, and how well they are known."""

    shop: Shop
    known: Ignorance

    @cached_property
    def unit(self) -> float:
        """A filter factor that takes a tenth of the fan's first pressure at the curve's end: the scale of steps."""
        solver = self.shop.solver
        taken: float = solver.fan.last**solver.filter.exponent
        return 0.1 * solver.fan.points[0][1] / taken

    def start(self) -> "_State":
        """The first scale with which every measured set has an answer; mostly the fan as described."""
        readings = self.shop.readings
        factor = self.shop.solver.filter.factor
        if any(reading.kind is Quantity.FILTER for reading in readings):
            factor = max(factor, LEAST_FLOOR * self.unit)
        everything = tuple(range(len(readings)))
        for scale in STARTS:
            guess = Guess(scale, factor)
            if (sets := self.shop.solved(guess)) is not None:
                if (off := self.shop.off(sets)) is None:
                    raise NoFitError("a reading names a hood or a duct through which no air goes with its gates open")
                return _State(self, guess, sets, tuple(off), everything, (), False)
        raise NoFitError(
            "for one of the measured sets of gates the model has no answer: the fan's curve does not reach so far;"
            " give the curve more points"
        )

    def told_apart(self, first: "_State") -> bool:
        """Whether the readings, by their accuracy alone, tell the filter from the fan, with one to spare."""
        if len(self.shop.readings) <= LEAST_READINGS:
            return False
        both = replace(first, with_filter=True)
        try:
            deviation = both.line.deviation(1)
        except NotSolvableError:
            return False
        return HALF * deviation * self.unit <= TELLS_APART * max(first.guess.filter, self.unit)

    def solved(self, state: "_State") -> "_State":
        """Gauss and Newton's method from there."""
        for _ in range(MOST_ROUNDS):
            moved = self._halved(state)
            if moved is None:
                return state
            step = abs(math.log(moved.guess.scale / state.guess.scale))
            step += abs(moved.guess.filter - state.guess.filter) / max(moved.guess.filter, self.unit)
            step += sum(abs(k - state.guess.extra.get(n, 0.0)) / (1 + abs(k)) for n, k in moved.guess.extra.items())
            state = moved
            if step < LAST_STEP:
                break
        return state

    def _halved(self, state: "_State") -> "_State | None":
        """The longest part of the step that lessens the weighted error; None when none does."""
        try:
            found = list(state.line.found)
        except NotSolvableError:
            raise NoFitError("these readings say nothing about the fan") from None
        weight = state.weight
        error = _weighed(state.left, weight)
        whole = min(1.0, LARGEST_STEP / abs(found[0])) if found[0] else 1.0
        for power in range(MOST_HALVINGS):
            guess = state.moved(found, whole * 0.5**power)
            if (sets := self.shop.solved(guess)) is None or (off := self.shop.off(sets)) is None:
                continue
            there = replace(state, guess=guess, sets=sets, off=tuple(off))
            if _weighed(there.left, weight) < error:
                return there
        return None


def _weighed(off: Vector, weight: Sequence[Vector]) -> float:
    return dot(off, [dot(row, off) for row in weight])


class _State(Struct, frozen=True, dict=True):
    """Where the fit is: what is guessed, what the readings say of it.

    Fields:
        off: logarithm of read over should be, of every reading.
        active: the readings that count.
        freed: pieces whose loss is an unknown of its own.
    """

    problem: _Problem
    guess: Guess
    sets: tuple[OpenSet, ...]
    off: tuple[float, ...]
    active: tuple[int, ...]
    freed: tuple[str, ...]
    with_filter: bool

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
        found = [self._cut(self.problem.shop.whole(fan))]
        if self.with_filter:
            found.append(self._cut(self._filter(self.problem.unit)))
        return [*found, *map(self.direction, self.freed)]

    def _filter(self, factor: float) -> list[float]:
        """The effect of a filter factor more."""
        exponent = self.problem.shop.solver.filter.exponent
        return self.problem.shop.whole([(of, of.effect(0.0, {}, factor * of.answer.flow**exponent)) for of in self.sets])

    def direction(self, piece: str) -> list[float]:
        """The effect of a loss factor of 1 more on a piece's velocity pressure."""
        pairs = ((of, of.at[piece]) for of in self.sets if piece in of.at)
        return self._cut(self.problem.shop.whole([(of, of.effect(0.0, {i: of.dynamic[i]})) for of, i in pairs]))

    def covariance(self, freed: Collection[str]) -> list[list[float]]:
        """Of the readings that count: their accuracy, and what is not known of the ducts."""
        readings = [self.problem.shop.readings[i] for i in self.active]
        size = len(readings)
        found = [[0.0] * size for _ in range(size)]
        for i, reading in enumerate(readings):
            found[i][i] = (reading.accuracy / HALF) ** 2
        for shared in self._shared(freed):
            for i, one in enumerate(shared):
                if one:
                    for j, other in enumerate(shared):
                        found[i][j] += one * other
        return found

    def _shared(self, freed: Collection[str]) -> Iterator[list[float]]:
        """What the model's errors, each by itself, do to the readings: one standard deviation."""
        whole, known = self.problem.shop.whole, self.problem.known
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
        readings = [self.problem.shop.readings[i] for i in self.active]
        if any(reading.kind is Quantity.CENTRELINE for reading in readings):
            yield [PROFILE_SPREAD / HALF if r.kind is Quantity.CENTRELINE else 0.0 for r in readings]

    @cached_property
    def weight(self) -> list[list[float]]:
        return inverse(self.covariance(self.freed))

    @cached_property
    def line(self) -> Adjustment:
        """The straight problem around here."""
        return adjust(self.columns, self.left, self.covariance(self.freed))

    def moved(self, step: Sequence[float], part: float) -> Guess:
        """The guess after a part of a step."""
        scale = self.guess.scale * math.exp(part * step[0])
        filter_, first = self.guess.filter, 1
        if self.with_filter:
            filter_ = max(filter_ + part * step[1] * self.problem.unit, LEAST_FLOOR * self.problem.unit)
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

    def suspects(self) -> tuple[Suspect, tuple[Suspect, ...]] | None:
        """What contradicts the rest most, and what would explain it as well; None where nothing does."""
        found = sorted(self._scores(), key=lambda pair: -pair[0])
        if not found:
            return None
        score, worst = found[0]
        limit = self.line.limit(score)
        if score < CRITICAL * limit:
            return None
        others = [what for other, what in found[1:] if score**2 - other**2 < AS_WELL * limit**2]
        return worst, tuple(others)

    def _scores(self) -> Iterator[tuple[float, Suspect]]:
        for place, number in enumerate(self.active):
            tested = self.line.tested([float(i == place) for i in range(len(self.active))])
            if tested is not None:
                yield tested.score, Suspect(reading=number)
        for name, piece in self.problem.shop.tree.pieces.items():
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

    def without(self, what: Suspect) -> "_State":
        """Fitted with that left open."""
        if what.reading is not None:
            return self.problem.solved(replace(self, active=tuple(i for i in self.active if i != what.reading)))
        if what.piece is not None:
            return self.problem.solved(replace(self, freed=(*self.freed, what.piece.name)))
        return self.problem.solved(replace(self, with_filter=True))

    def told(self, what: Suspect) -> tuple[float, float]:
        """How far that reading is off, and the others' typical error; of anything else no reading."""
        rest = math.sqrt(sum(math.expm1(self.off[i]) ** 2 for i in self.active) / len(self.active))
        return (math.expm1(self.off[what.reading]) if what.reading is not None else 0.0), rest

    def result(self, first: "_State", faults: tuple[Fault, ...]) -> Fit:
        """All of it."""
        line, widening, shop = self.line, self.line.widening, self.problem.shop
        filter_off = self.problem.known.filter
        if self.with_filter:
            filter_off = widening * line.deviation(1) * self.problem.unit / max(self.guess.filter, 1e-3 * self.problem.unit)
        scale_off = widening * line.deviation(0)
        unfitted = shop.solved(Guess(1.0, first.guess.filter))
        before = first.off if unfitted is None else shop.off(unfitted)
        return Fit(
            scale=self.guess.scale,
            scale_off=scale_off,
            filter=Filter(self.guess.filter, shop.solver.filter.exponent),
            filter_off=filter_off,
            with_filter=self.with_filter,
            before=self._shown(before or first.off),
            after=self._shown(self.off),
            rms_before=self._rms(before or first.off),
            rms=self._rms(self.off),
            spare=line.spare,
            noise=line.noise,
            faults=faults,
            places=tuple(self._places(widening)),
            instead=self._instead(scale_off),
        )

    def _shown(self, off: Sequence[float]) -> tuple[float, ...]:
        return tuple(r.value * math.exp(-o) for r, o in zip(self.problem.shop.readings, off, strict=True))

    def _rms(self, off: Sequence[float]) -> float:
        return math.sqrt(sum(math.expm1(-off[i]) ** 2 for i in self.active) / len(self.active))

    def _places(self, widening: float) -> Iterator[Place]:
        """The pieces of which the readings say more than the description does."""
        tapped = {piece.duct for piece in self.problem.shop.tree.pieces.values() if not piece.last}
        tapped |= {r.where for r in self.problem.shop.readings if r.kind is Quantity.TAP}
        for name, piece in self.problem.shop.tree.pieces.items():
            live = [of for of in self.sets if name in of.at]
            if not live or not (piece.hood or piece.duct in tapped or name in self.freed):
                continue
            of = max(live, key=lambda of: of.answer.through[of.at[name]])
            place = of.at[name]
            extra = self.guess.extra.get(name, 0.0)
            dynamic = of.dynamic[place]
            own = [losses[place] for losses in of.ignorance(self.problem.known).values() if place in losses]
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
            alone = adjust(self.columns, self.left, self.covariance([*self.freed, name]))
        except NotSolvableError:
            return None
        tested = alone.tested(self.direction(name))
        return None if tested is None else (tested.size, widening * tested.deviation)

    def _instead(self, scale_off: float) -> tuple[Suspect, ...]:
        """Where the fan gives less, or more, than its curve may: what explains the readings as well with it as drawn."""
        log, known = math.log(self.guess.scale), self.problem.known.fan
        if abs(log) <= math.hypot(scale_off, known) or not known:
            return ()
        fan, *columns = self.columns
        wide = self.covariance(self.freed)
        for row, one in zip(wide, fan, strict=True):
            for j, other in enumerate(fan):
                row[j] += (known / HALF) ** 2 * one * other
        off = [o + log * effect for o, effect in zip(self.left, fan, strict=True)]
        try:
            drawn = adjust(columns, off, wide)
        except NotSolvableError:
            return ()
        suspects: list[tuple[Suspect, Mapping[int, float] | list[float]]] = []
        found = []
        for name, piece in self.problem.shop.tree.pieces.items():
            if name not in self.freed and any(name in of.at for of in self.sets):
                suspects.append((Suspect(piece=piece), self.direction(name)))
        if not self.with_filter and self.guess.filter:
            suspects.append((Suspect(), self._cut(self._filter(self.guess.filter))))
        allowed = self.line.chi_square + AS_WELL * max(1.0, self.line.noise**2)
        for what, direction in suspects:
            tested = drawn.tested(direction)  # type: ignore[arg-type]
            if tested is not None and tested.size > 0 and drawn.chi_square - tested.score**2 <= allowed:
                found.append(what)
        return tuple(found)
