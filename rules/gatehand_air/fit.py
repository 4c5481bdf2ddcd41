"""Learns a real shop: fits the scale of the fan's curve and the filter's loss to what was measured. Least squares.

Gauss and Newton's method on relative errors, so that flows, velocities and pressures weigh alike, with steps halved
until they help. Scale and filter loss can only be told apart where the fan was measured at flows that differ enough;
where they cannot, the filter's loss is left as it was and the result says so.
"""

from collections.abc import Sequence
from enum import StrEnum
from math import sqrt
from typing import Final, TypeAlias

from msgspec import Struct
from msgspec.structs import replace

from gatehand_air.ducting import Ducting
from gatehand_air.fan_curve import Filter
from gatehand_air.solve import Solution

MOST_ROUNDS: Final = 50
MOST_HALVINGS: Final = 30
LAST_STEP: Final = 1e-9
TELLS_APART: Final = 1e-3
"""Least 1 - r^2 between the effects of scale and filter loss at which both are fitted: readings err by percents."""


class Quantity(StrEnum):
    """What was measured."""

    HOOD = "hood"
    """Flow at a hood, m3/s."""
    DUCT = "duct"
    """Velocity in a duct, m/s."""
    SUCTION = "suction"
    """Static suction at the collector, Pa."""


class Measurement(Struct, frozen=True):
    """One measured value with these gates open; `where` is the hood, the duct, or empty for suction."""

    gates: frozenset[str]
    kind: Quantity
    where: str
    value: float


class Fit(Struct, frozen=True):
    """The result. `before` and `after`: what the model says for each reading, unfitted and fitted.

    `with_filter`: whether the filter's loss was fitted too. `rms`: root mean square of the relative errors after.
    """

    scale: float
    filter: Filter
    with_filter: bool
    before: tuple[float, ...]
    after: tuple[float, ...]
    rms_before: float
    rms: float


Place: TypeAlias = tuple[float, float]
"""Where the search is: the scale of the fan's curve, and the filter's factor."""


class NoFitError(ValueError):
    """The readings cannot be fitted; the text says why."""


def fit(ducting: Ducting, readings: Sequence[Measurement]) -> Fit:
    """Fit scale and filter loss of `ducting` (its clean filter stands for the one that was measured).

    Raises:
        NoFitError: no readings, or a set of gates without an answer, or air where a reading finds none.
    """
    if not readings:
        raise NoFitError("there are no readings")
    problem = _Problem(ducting, readings)
    start = (1.0, ducting.clean_filter.factor)
    before = problem.model(start)
    if before is None:
        raise NoFitError("for one of the measured sets of gates the model has no answer: see it without --measured")
    both = problem.told_apart(start)
    at, after = start, before
    for _ in range(MOST_ROUNDS):
        step = problem.step(at, after, both=both)
        moved = problem.halved(at, after, step)
        if moved is None:
            break
        (at, after), last = moved, at
        if abs(at[0] - last[0]) <= LAST_STEP * at[0] and abs(at[1] - last[1]) <= LAST_STEP * (at[1] + problem.unit()):
            break
    return Fit(
        scale=at[0],
        filter=replace(ducting.clean_filter, factor=at[1]),
        with_filter=both,
        before=before,
        after=after,
        rms_before=problem.rms(before),
        rms=problem.rms(after),
    )


class _Problem(Struct, frozen=True):
    """The ducts, and what was measured in them."""

    ducting: Ducting
    readings: Sequence[Measurement]

    def model(self, at: Place) -> tuple[float, ...] | None:
        """What the ducts would show; None where a set has no answer."""
        scaled = replace(
            self.ducting,
            fan=self.ducting.fan.scaled(at[0]),
            clean_filter=replace(self.ducting.clean_filter, factor=max(at[1], 0.0)),
        )
        answers = {gates: scaled.clean.solve(gates) for gates in {reading.gates for reading in self.readings}}
        shown = []
        for reading in self.readings:
            answer = answers[reading.gates]
            if not isinstance(answer, Solution):
                return None
            match reading.kind:
                case Quantity.SUCTION:
                    shown.append(scaled.suction(answer))
                case Quantity.DUCT:
                    shown.append(answer.flows.get(reading.where, 0.0) / scaled.areas[reading.where])
                case Quantity.HOOD:
                    shown.append(answer.flows.get(reading.where, 0.0))
        if not all(value > 0 for value in shown):
            raise NoFitError("a reading names a hood or a duct through which no air goes with its gates open")
        return tuple(shown)

    def _errors(self, shown: Sequence[float]) -> list[float]:
        return [value / reading.value - 1 for reading, value in zip(self.readings, shown, strict=True)]

    def rms(self, shown: Sequence[float]) -> float:
        return sqrt(sum(error * error for error in self._errors(shown)) / len(self.readings))

    def unit(self) -> float:
        """A filter factor that takes a tenth of the fan's first pressure at the curve's end: the scale of steps."""
        taken: float = self.ducting.fan.last**self.ducting.clean_filter.exponent
        return 0.1 * self.ducting.fan.points[0][1] / taken

    def _slopes(self, at: Place) -> tuple[list[float], list[float]]:
        """How the relative errors change with the scale and with the filter's factor (in units of `unit`)."""
        tiny, unit = 1e-4, self.unit()
        here = self.model(at)
        scaled = self.model((at[0] * (1 - tiny), at[1]))
        filtered = self.model((at[0], at[1] + tiny * unit))
        if here is None or scaled is None or filtered is None:
            raise NoFitError("the readings lie at the end of the fan's curve: give the curve more points")
        errors, down, up = (self._errors(shown) for shown in (here, scaled, filtered))
        by_scale = [(e - d) / (tiny * at[0]) for e, d in zip(errors, down, strict=True)]
        return by_scale, [(u - e) / tiny for e, u in zip(errors, up, strict=True)]

    def told_apart(self, at: Place) -> bool:
        a, b = self._slopes(at)
        across = sum(x * y for x, y in zip(a, b, strict=True))
        both = sum(x * x for x in a) * sum(y * y for y in b)
        return len(self.readings) > 1 and both - across * across > TELLS_APART * both

    def step(self, at: Place, shown: Sequence[float], *, both: bool) -> Place:
        """The step that would end all error if the model were straight: the normal equations of two unknowns."""
        a, b = self._slopes(at)
        e = self._errors(shown)
        aa, bb, ab = (sum(x * y for x, y in zip(p, q, strict=True)) for p, q in ((a, a), (b, b), (a, b)))
        ae, be = (sum(x * y for x, y in zip(p, e, strict=True)) for p in (a, b))
        if not both:
            return -ae / aa, 0.0
        whole = aa * bb - ab * ab
        return (ab * be - bb * ae) / whole, (ab * ae - aa * be) / whole * self.unit()

    def halved(self, at: Place, shown: Sequence[float], step: Place) -> tuple[Place, tuple[float, ...]] | None:
        """The longest part of the step that lessens the error; None when none does. The filter never gives pressure."""
        error = self.rms(shown)
        for power in range(MOST_HALVINGS):
            part = 0.5**power
            there = (at[0] + part * step[0], max(at[1] + part * step[1], 0.0))
            model = self.model(there) if there[0] > 0 else None
            if model is not None and self.rms(model) < error:
                return there, model
        return None
