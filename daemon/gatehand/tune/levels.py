"""What a tool draws at rest and at work, found in how long it drew how much; or why that cannot be told yet.

Otsu's threshold splits a histogram into two classes that lie furthest apart for their own spread. N. Otsu, "A threshold
selection method from gray-level histograms", IEEE Transactions on Systems, Man, and Cybernetics 9 (1979), 62-66:
equation 18 is what is maximised, equation 20 the measure of how well it parts.
"""

from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from itertools import accumulate, pairwise
from math import expm1, log1p
from typing import Final

from gatehand.measures import WEIGHED_AS, steady
from gatehand.past.stretches import Track
from gatehand_rules.words import Measure

HOLD_MS = 30_000
"""A value holds until the next reading, at most this long: after that the sensor may have been away."""


@dataclass(slots=True)
class Distribution:
    """Milliseconds at each reading, in thousandths of its unit; what is negative counts as 0."""

    held: dict[int, int] = field(default_factory=dict)
    readings: int = 0
    measure: Measure = Measure.AMPS

    @property
    def total_ms(self) -> int:
        """All of it."""
        return sum(self.held.values())


def to_scale(value: float, measure: Measure) -> float:
    """Where a reading lies on the scale on which loads are compared: log(1 + ampere), or log(1 + watts / 100).

    Above 1 A or 100 W it is logarithmic, as motor loads are compared; below it is linear, so that a sensor's noise
    about zero does not fill half of it.
    """
    return log1p(value / WEIGHED_AS[measure])


def from_scale(at: float, measure: Measure) -> float:
    """The reading that lies there."""
    return expm1(at) * WEIGHED_AS[measure]


def histogram(
    held: Mapping[int, int], low: int, high: int, bins: int = 256, measure: Measure = Measure.AMPS
) -> tuple[list[float], list[float]]:
    """Counts and centres on the scale of `to_scale`, of what lies from `low` to below `high` thousandths."""
    inside = [(to_scale(value / 1000, measure), ms) for value, ms in held.items() if low <= value < high and ms > 0]
    if not inside:
        return [], []
    start, end = min(x for x, _ in inside), max(x for x, _ in inside)
    width = (end - start) / bins or 1.0
    counts = [0.0] * bins
    for x, ms in inside:
        counts[min(int((x - start) / width), bins - 1)] += ms
    return counts, [start + (i + 0.5) * width for i in range(bins)]


def gathered(tracks: Iterable[Track], hold_ms: int = HOLD_MS, measure: Measure = Measure.AMPS) -> Distribution:
    """The distribution of several tracks, each reading counted for as long as it held."""
    found = Distribution(measure=measure)
    held, get = found.held, found.held.get
    for track in tracks:
        found.readings += len(track)
        for value, ms in track.held(hold_ms):
            held[value] = get(value, 0) + ms
    below = [value for value in held if value < 0]
    if below:
        held[0] = get(0, 0) + sum(map(held.pop, below))
    return found


@dataclass(frozen=True, slots=True)
class Split:
    """`at`: the bin whose centre is the threshold; the lower class ends with it. `parted`: 0 not at all, 1 wholly."""

    at: int
    threshold: float
    parted: float


def otsu(counts: Sequence[float], centres: Sequence[float]) -> Split | None:
    """The threshold of a histogram; None when fewer than two of its bins hold anything."""
    if sum(1 for count in counts if count > 0) < 2:  # noqa: PLR2004 - two classes
        return None
    weights = list(accumulate(counts))
    sums = list(accumulate(count * centre for count, centre in zip(counts, centres, strict=True)))
    total, whole = weights[-1], sums[-1]
    best, at = -1.0, 0
    for i in range(len(counts) - 1):
        lower, upper = weights[i], total - weights[i]
        if lower <= 0 or upper <= 0:
            continue
        between = lower * upper * (sums[i] / lower - (whole - sums[i]) / upper) ** 2
        if between > best * (1 + 1e-12):
            best, at = between, i
    mean = whole / total
    spread = sum(count * (centre - mean) ** 2 for count, centre in zip(counts, centres, strict=True)) / total
    return Split(at, centres[at], best / total**2 / spread)


LEAST_IDLE_S: Final = 60.0
LEAST_RUNNING_S: Final = 10.0
CLEAR: Final = 2.0
"""Work must begin at this many times what rest ends at, and at least LEAST_STEP more: common practice, no source."""
LEAST_STEP: Final = 0.2
"""Ampere, or what weighs as much."""
_FAR: Final = 1 << 40


@dataclass(frozen=True, slots=True)
class Level:
    """One class of readings, in their unit: `low` and `high` leave 1 in 200 out at either end."""

    low: float
    middle: float
    high: float
    seconds: float


@dataclass(frozen=True, slots=True)
class Levels:
    """Rest and work. `split` parts them (Otsu), in their unit; `parted` says how well, 0 to 1."""

    idle: Level
    running: Level
    split: float
    parted: float
    peak: float


def levels(found: Distribution) -> Levels | str:
    """Rest and work in a tool's readings; or why they are not to be told from these."""
    held, measure = found.held, found.measure
    if not found.readings:
        return "there is no reading of it"
    seconds = found.total_ms / 1000
    if seconds < LEAST_IDLE_S + LEAST_RUNNING_S:
        return f"{seconds:.0f} s were recorded, {LEAST_IDLE_S + LEAST_RUNNING_S:.0f} are wanted at the least"
    split = _split(found, 0, _FAR)
    if split is None:
        return f"it never changed: {found.readings:,} readings of one value"
    # A tool may know three levels: rest, turning without load, cutting. Rest is the lowest.
    while (lower := _split(found, 0, split[0])) is not None and _clear(found, lower[0], split[0]):
        split = lower
    if not _apart(found, split[0], _FAR) and (wide := _at_widest_gap(found)) is not None:
        # Work that lies anywhere from a little to much is parted within itself; what is far from rest is the gap.
        split = wide
    border, parted = split
    idle, running = _level(held, 0, border), _level(held, border, _FAR)
    if not _apart(found, border, _FAR):
        step = steady(measure, LEAST_STEP * WEIGHED_AS[measure])
        return (
            f"it shows no two levels: its readings lie from {steady(measure, idle.low)} to "
            f"{steady(measure, running.high)}, and work would have to begin at twice what rest ends at and {step} "
            "above it. Let it stand for a while and then cut"
        )
    if idle.seconds < LEAST_IDLE_S:
        return f"{idle.seconds:.0f} s of rest were recorded, {LEAST_IDLE_S:.0f} are wanted"
    if running.seconds < LEAST_RUNNING_S:
        return f"{running.seconds:.0f} s of work were recorded, {LEAST_RUNNING_S:.0f} are wanted"
    return Levels(idle, running, border / 1000, parted, max(held) / 1000)


def _split(whole: Distribution, low: int, high: int) -> tuple[int, float] | None:
    """The border (thousandths, the upper class begins with it) and how well it parts; None: nothing to part."""
    counts, centres = histogram(whole.held, low, high, measure=whole.measure)
    found = otsu(counts, centres) if counts else None
    if found is None:
        return None
    half = (centres[1] - centres[0]) / 2
    return round(from_scale(found.threshold + half, whole.measure) * 1000), found.parted


def _clear(whole: Distribution, border: int, high: int) -> bool:
    """Whether the upper class stands well apart from what lies below it, and lasted."""
    lasted = sum(ms for value, ms in whole.held.items() if border <= value < high)
    return lasted >= LEAST_RUNNING_S * 1000 / 2 and _apart(whole, border, high)


def _apart(whole: Distribution, border: int, high: int) -> bool:
    """Whether the upper class stands well apart from what lies below it."""
    below, above = _level(whole.held, 0, border), _level(whole.held, border, high)
    step = LEAST_STEP * WEIGHED_AS[whole.measure]
    return above.low >= CLEAR * below.high and above.low - below.high >= step


def _at_widest_gap(whole: Distribution) -> tuple[int, float] | None:
    """As `_split`, where two readings that follow each other by size lie furthest apart; None: that is not enough."""
    values = sorted(value for value, ms in whole.held.items() if ms > 0)
    scaled = [to_scale(value / 1000, whole.measure) for value in values]
    gaps = [after - before for before, after in pairwise(scaled)]
    if not gaps:
        return None
    at = max(range(len(gaps)), key=gaps.__getitem__)
    border = (values[at] + values[at + 1] + 1) // 2
    if not _apart(whole, border, _FAR):
        return None
    held = [(x, whole.held[value]) for x, value in zip(scaled, values, strict=True)]
    return border, _parted(held[: at + 1], held[at + 1 :])


def _parted(lower: Sequence[tuple[float, int]], upper: Sequence[tuple[float, int]]) -> float:
    """How well two classes part (N. Otsu, equation 20): the share of the whole spread that lies between them."""
    (low, low_ms), (high, high_ms) = map(_mean, (lower, upper))
    middle, whole_ms = _mean([*lower, *upper])
    spread = sum(ms * (x - middle) ** 2 for x, ms in (*lower, *upper))
    return low_ms * high_ms / whole_ms * (high - low) ** 2 / spread


def _mean(held: Sequence[tuple[float, int]]) -> tuple[float, int]:
    """Where they lie in the middle, and how long they were held."""
    whole = sum(ms for _, ms in held)
    return sum(x * ms for x, ms in held) / whole, whole


def _level(held: Mapping[int, int], low: int, high: int) -> Level:
    """What lies from `low` to below `high` thousandths; all 0 where nothing does."""
    inside = sorted((value, ms) for value, ms in held.items() if low <= value < high and ms > 0)
    if not inside:
        return Level(0.0, 0.0, 0.0, 0.0)
    until = list(accumulate(ms for _, ms in inside))

    def quantile(share: float) -> float:
        """The reading at or below which this share of the time lies."""
        at = bisect_right(until, share * until[-1])
        return inside[min(at, len(inside) - 1)][0] / 1000

    return Level(quantile(0.005), quantile(0.5), quantile(0.995), until[-1] / 1000)


def between(low: float, high: float, share: float, measure: Measure = Measure.AMPS) -> float:
    """The reading at `share` of the way from `low` to `high`, on the scale on which loads are compared."""
    a, b = to_scale(low, measure), to_scale(high, measure)
    return from_scale(a + share * (b - a), measure)
