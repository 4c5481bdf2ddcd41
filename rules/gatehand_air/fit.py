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
from collections.abc import Sequence
from typing import Final

from msgspec import Struct
from msgspec.structs import replace

from gatehand_air.ducting import Ducting
from gatehand_air.fan_curve import Filter
from gatehand_air.fit_state import AS_WELL, LEAST_FLOOR, Place, State, Suspect
from gatehand_air.least_squares import NotSolvableError, Vector, dot
from gatehand_air.readings import HALF, Guess, Measurement, Quantity, Shop
from gatehand_air.spread import Ignorance

MOST_ROUNDS: Final = 40
MOST_HALVINGS: Final = 20
LAST_STEP: Final = 1e-5
"""Readings err by percents; and the step that is so short has been taken."""
NO_STEP: Final = 1e-8
LARGEST_STEP: Final = 0.5
"""Of the logarithm of the scale in one round."""
MOST_FAULTS: Final = 3
MOST_TRIED: Final = 3
"""Suspects that are fitted to the end, and twice as many where they explain the readings alike."""
TELLS_APART: Final = 0.5
"""Half-width of the filter's loss, as a part of it, from which on the readings are said to tell it from the fan."""
STARTS: Final = (1.0, 0.85, 0.7, 0.55, 0.4, 1.2, 0.25, 1.5)
LEAST_SCALE: Final = 0.5
MOST_SCALE: Final = 1.25
"""Of a fan's curve, beyond which a fit wants another look: common practice, no published source."""
WIDEST: Final = 0.3
"""Half-width of the fan's scale, as a part of it, above which nothing has been learnt of the fan."""
NOISIEST: Final = 3.0
"""Times their accuracy: readings that differ so much from one another do not belong to one shop."""
MOST_DIRTY: Final = 5.0
"""The same for the filter: times what it loses when it is due for cleaning."""
STRANGE: Final = 50.0
"""Times what it should be, or a part of it: Pa for in.w.g. are 249, ft/min for m/s 197."""
LEAST_READINGS: Final = 2
"""One unknown and one to spare."""


class NoFitError(ValueError):
    """The readings cannot be fitted; the text says why."""


class StrangeReadingError(NoFitError):
    """A reading that no fan explains, as one in another unit: its place among the readings, and what it should be."""

    def __init__(self, number: int, wanted: float) -> None:
        super().__init__(f"reading {number + 1} is far from the {wanted:.4g} that the ducts give: look at its unit")
        self.number = number
        self.wanted = wanted


class Fault(Struct, frozen=True):
    """What contradicts the rest, and was left out of the figures.

    Fields:
        others: what would explain the readings as well.
        off: of a reading: read over what it should be by all the others, less 1.
        rest: typical error of these others, as a part of them, with the ducts as they are likely to be.
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

    @property
    def told(self) -> bool:
        """Whether the readings agree well enough to tell what the fan gives."""
        return self.scale_off <= WIDEST and self.noise <= NOISIEST

    def filter_plausible(self, dirty: Filter) -> bool:
        """Whether a filter does that, beside what it loses when it is due for cleaning."""
        return not dirty.factor or self.filter.factor <= MOST_DIRTY * dirty.factor


def fit(ducting: Ducting, readings: Sequence[Measurement]) -> Fit:
    """Fit scale and filter loss of `ducting` (its clean filter is the one that was measured).

    Raises:
        NoFitError: too few readings, or a set of gates without an answer, or air where a reading finds none.
        StrangeReadingError: one is in another unit.
    """
    if len(readings) < LEAST_READINGS:
        few = "there are no readings" if not readings else "there is 1 reading, and the fan alone takes one"
        raise NoFitError(f"{few}: give at least 3, better 6, such as a flow and the suction for 2 or 3 sets of gates")
    first = _start(Shop(ducting.clean, tuple(readings)), ducting.ignorance)
    state = _solved(replace(first, with_filter=_told_apart(first)))
    if _filter_gone(state):
        state = _solved(first)
    faults: list[Fault] = []
    while state.line.spare > 1 and len(faults) < MOST_FAULTS and (suspects := state.suspects()):
        less, worst, others = _worst(state, suspects)
        if _filter_gone(less):
            break
        off = less.with_reading(worst.reading) if worst.reading is not None else 0.0
        faults.append(Fault(worst, others, off, less.error, state.guess.scale))
        state = less
    return _result(first, state, tuple(faults))


def _worst(state: State, suspects: Sequence[tuple[float, Suspect]]) -> tuple[State, Suspect, tuple[Suspect, ...]]:
    """The suspect that explains the readings best once it is left open, and those that do so as well.

    The straight problem is far from what a large fault does, so the first few are fitted to the end.
    """
    within = AS_WELL * state.line.limit(suspects[0][0]) ** 2
    alike = [what for score, what in suspects if suspects[0][0] ** 2 - score**2 < within]
    tried = list(dict.fromkeys([*(what for _, what in suspects[:MOST_TRIED]), *alike[: 2 * MOST_TRIED]]))
    states = [_without(state, what) for what in tried]
    found = sorted(zip(states, tried, strict=True), key=lambda pair: (_filter_gone(pair[0]), pair[0].line.chi_square))
    less, worst = found[0]
    within = max(within, AS_WELL * less.line.noise**2)
    others = [what for other, what in found[1:] if other.line.chi_square - less.line.chi_square < within]
    return less, worst, tuple(others)


def _start(shop: Shop, known: Ignorance) -> State:
    """The first scale with which every measured set has an answer; mostly the fan as described."""
    everything = tuple(range(len(shop.readings)))
    first = State(shop, known, Guess(1.0, shop.solver.filter.factor), (), (), everything, (), with_filter=False)
    if any(reading.kind is Quantity.FILTER for reading in shop.readings):
        first = replace(first, guess=Guess(1.0, max(first.guess.filter, LEAST_FLOOR * first.unit)))
    for scale in STARTS:
        guess = replace(first.guess, scale=scale)
        if (sets := shop.solved(guess)) is not None:
            if (off := shop.off(sets)) is None:
                raise NoFitError("a reading names a hood or a duct through which no air goes with its gates open")
            strangest = max(everything, key=lambda i: abs(off[i]))
            if abs(off[strangest]) > math.log(STRANGE):
                raise StrangeReadingError(strangest, shop.readings[strangest].value * math.exp(-off[strangest]))
            return replace(first, guess=guess, sets=sets, off=tuple(off))
    raise NoFitError(
        "for one of the measured sets of gates the model has no answer, as the fan's curve does not reach so far:"
        " give the curve more points"
    )


def _told_apart(first: State) -> bool:
    """Whether the readings, by their accuracy alone, tell the filter from the fan, with one to spare."""
    if len(first.active) <= LEAST_READINGS:
        return False
    try:
        deviation = replace(first, with_filter=True).line.deviation(1)
    except NotSolvableError:
        return False
    return HALF * deviation * first.unit <= TELLS_APART * max(first.guess.filter, first.unit)


def _solved(state: State) -> State:
    """Gauss and Newton's method from there."""
    for _ in range(MOST_ROUNDS):
        moved = _halved(state)
        if moved is None:
            return state
        step = abs(math.log(moved.guess.scale / state.guess.scale))
        step += abs(moved.guess.filter - state.guess.filter) / max(moved.guess.filter, state.unit)
        step += sum(abs(k - state.guess.extra.get(n, 0.0)) / (1 + abs(k)) for n, k in moved.guess.extra.items())
        state = moved
        if step < LAST_STEP:
            break
    return state


def _halved(state: State) -> State | None:
    """The longest part of the step that lessens the weighted error; None when none does, or it is hardly a step."""
    try:
        found = state.line.found
    except NotSolvableError:
        raise NoFitError("these readings say nothing about the fan: measure a flow or the suction") from None
    if sum(map(abs, found)) < NO_STEP:
        return None
    weight = state.weight
    error = _weighed(state.left, weight)
    whole = min(1.0, LARGEST_STEP / abs(found[0])) if found[0] else 1.0
    for power in range(MOST_HALVINGS):
        guess = state.moved(found, whole * 0.5**power)
        if (sets := state.shop.solved(guess)) is None or (off := state.shop.off(sets)) is None:
            continue
        there = replace(state, guess=guess, sets=sets, off=tuple(off))
        if _weighed(there.left, weight) < error:
            return there
    return None


def _weighed(off: Vector, weight: Sequence[Vector]) -> float:
    return dot(off, [dot(row, off) for row in weight])


def _without(state: State, what: Suspect) -> State:
    """Fitted with that left open."""
    if what.reading is not None:
        return _solved(replace(state, active=tuple(i for i in state.active if i != what.reading)))
    if what.piece is not None:
        return _solved(replace(state, freed=(*state.freed, what.piece.name)))
    return _solved(replace(state, with_filter=True))


def _filter_gone(state: State) -> bool:
    """Whether the fit has taken the filter away, though somebody read a loss across it: then other readings lie."""
    across = any(reading.kind is Quantity.FILTER for reading in state.shop.readings)
    return state.with_filter and across and state.guess.filter <= 2 * LEAST_FLOOR * state.unit


def _result(first: State, state: State, faults: tuple[Fault, ...]) -> Fit:
    line, widening, shop = state.line, state.line.widening, state.shop
    filter_off = state.known.filter
    if state.with_filter:
        filter_off = widening * line.deviation(1) * state.unit / max(state.guess.filter, LEAST_FLOOR * state.unit)
    scale_off = widening * line.deviation(0)
    unfitted = shop.solved(Guess(1.0, first.guess.filter))
    before = (None if unfitted is None else shop.off(unfitted)) or first.off
    return Fit(
        scale=state.guess.scale,
        scale_off=scale_off,
        filter=Filter(state.guess.filter, shop.solver.filter.exponent),
        filter_off=filter_off,
        with_filter=state.with_filter,
        before=state.shown(before),
        after=state.shown(state.off),
        rms_before=state.typical(before),
        rms=state.typical(state.off),
        spare=line.spare,
        noise=line.noise,
        faults=faults,
        places=tuple(state.places(widening)),
        instead=state.instead(scale_off),
    )
