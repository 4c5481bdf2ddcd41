"""What a tool draws at rest and at work, found in the distribution of its readings; or why that cannot be told yet."""

from collections.abc import Mapping
from dataclasses import dataclass
from math import expm1, log1p
from typing import Final

from gatehand.tune.distribution import Class, Distribution, histogram
from gatehand.tune.otsu import otsu

LEAST_IDLE_S: Final = 60.0
LEAST_RUNNING_S: Final = 10.0
CLEAR: Final = 2.0
"""Work must begin at this many times what rest ends at, and at least LEAST_STEP more: common practice, no source."""
LEAST_STEP: Final = 0.2
_FAR: Final = 1 << 40


@dataclass(frozen=True, slots=True)
class Level:
    """One class of readings, ampere: `low` and `high` leave 1 in 200 out at either end."""

    low: float
    middle: float
    high: float
    seconds: float


@dataclass(frozen=True, slots=True)
class Levels:
    """Rest and work. `split` parts them (Otsu), ampere; `parted` says how well, 0 to 1."""

    idle: Level
    running: Level
    split: float
    parted: float
    peak: float


@dataclass(frozen=True, slots=True)
class TooShort:
    """Not to be told from these readings, and why."""

    why: str


def levels(found: Distribution) -> Levels | TooShort:
    """Rest and work in a tool's readings."""
    held = found.held
    if not found.readings:
        return TooShort("there is no reading of it")
    seconds = found.total_ms / 1000
    if seconds < LEAST_IDLE_S + LEAST_RUNNING_S:
        return TooShort(f"{seconds:.0f} s were recorded, {LEAST_IDLE_S + LEAST_RUNNING_S:.0f} are wanted at the least")
    split = _split(held, 0, _FAR)
    if split is None:
        return TooShort(f"it never changed: {found.readings:,} readings of one value")
    # A tool may know three levels: rest, turning without load, cutting. Rest is the lowest.
    while (lower := _split(held, 0, split[0])) is not None and _clear(held, lower[0], split[0]):
        split = lower
    border, parted = split
    idle, running = _level(held, 0, border), _level(held, border, _FAR)
    if running.low < CLEAR * idle.middle or running.low - idle.middle < LEAST_STEP or not _clear(held, border, _FAR):
        return TooShort(
            f"it shows no two levels: its readings lie from {idle.low:.2f} to {running.high:.2f} A without a gap. Let "
            "it stand for a while and then cut"
        )
    if idle.seconds < LEAST_IDLE_S:
        return TooShort(f"{idle.seconds:.0f} s of rest were recorded, {LEAST_IDLE_S:.0f} are wanted")
    if running.seconds < LEAST_RUNNING_S:
        return TooShort(f"{running.seconds:.0f} s of work were recorded, {LEAST_RUNNING_S:.0f} are wanted")
    return Levels(idle, running, border / 1000, parted, max(held) / 1000)


def _split(held: Mapping[int, int], low: int, high: int) -> tuple[int, float] | None:
    """The border (milliampere, the upper class begins with it) and how well it parts; None: nothing to part."""
    counts, centres = histogram(held, low, high)
    found = otsu(counts, centres) if counts else None
    if found is None:
        return None
    half = (centres[1] - centres[0]) / 2
    return round(expm1(found.threshold + half) * 1000), found.parted


def _clear(held: Mapping[int, int], border: int, high: int) -> bool:
    """Whether the upper class stands well apart from what lies below it, and lasted."""
    below, above = _level(held, 0, border), _level(held, border, high)
    apart = above.low >= CLEAR * below.high and above.low - below.high >= LEAST_STEP
    return apart and above.seconds >= LEAST_RUNNING_S / 2


def _level(held: Mapping[int, int], low: int, high: int) -> Level:
    part = Class.of(held, low, high)
    return Level(part.quantile(0.005), part.quantile(0.5), part.quantile(0.995), part.total_ms / 1000)


def between(low: float, high: float, share: float) -> float:
    """The current at `share` of the way from `low` to `high`, on the scale on which loads are compared."""
    a, b = log1p(low), log1p(high)
    return expm1(a + share * (b - a))
