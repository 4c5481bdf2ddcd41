"""How long a tool drew which current: the whole of its readings as milliseconds by milliampere."""

from bisect import bisect_right
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from itertools import accumulate
from math import log1p

from gatehand.past.stretches import Track

HOLD_MS = 30_000
"""A value holds until the next reading, at most this long: after that the sensor may have been away."""


@dataclass(slots=True)
class Distribution:
    """Milliseconds at each milliampere; what is negative counts as 0."""

    held: dict[int, int] = field(default_factory=dict)
    readings: int = 0

    def add(self, track: Track, hold_ms: int = HOLD_MS) -> None:
        """Count a track's readings, each for as long as it held."""
        held, get = self.held, self.held.get
        self.readings += len(track)
        following = iter(track.ms)
        next(following, None)
        for ma, ms, after in zip(track.ma, track.ms, following, strict=False):
            held[ma] = get(ma, 0) + min(after - ms, hold_ms)
        below = [ma for ma in held if ma < 0]
        if below:
            held[0] = get(0, 0) + sum(map(held.pop, below))

    @property
    def total_ms(self) -> int:
        """All of it."""
        return sum(self.held.values())


@dataclass(frozen=True, slots=True)
class Class:
    """A part of a distribution, sorted by milliampere."""

    ma: tuple[int, ...]
    until: tuple[int, ...]
    """Cumulative milliseconds."""

    @classmethod
    def of(cls, held: Mapping[int, int], low: int, high: int) -> "Class":
        """What lies from `low` to below `high` milliampere."""
        inside = sorted((ma, ms) for ma, ms in held.items() if low <= ma < high and ms > 0)
        return cls(tuple(ma for ma, _ in inside), tuple(accumulate(ms for _, ms in inside)))

    @property
    def total_ms(self) -> int:
        """How long it lasted in all."""
        return self.until[-1] if self.until else 0

    def quantile(self, share: float) -> float:
        """Ampere below or at which `share` of its time lies. 0 for an empty class."""
        if not self.ma:
            return 0.0
        at = bisect_right(self.until, share * self.until[-1])
        return self.ma[min(at, len(self.ma) - 1)] / 1000


def histogram(held: Mapping[int, int], low: int, high: int, bins: int = 256) -> tuple[list[float], list[float]]:
    """Counts and centres over log(1 + ampere), of what lies from `low` to below `high` milliampere.

    Above 1 A the scale is logarithmic, as motor loads are compared; below it is linear, so that a sensor's noise about
    zero does not fill half of it.
    """
    inside = [(log1p(ma / 1000), ms) for ma, ms in held.items() if low <= ma < high and ms > 0]
    if not inside:
        return [], []
    start, end = min(x for x, _ in inside), max(x for x, _ in inside)
    width = (end - start) / bins or 1.0
    counts = [0.0] * bins
    for x, ms in inside:
        counts[min(int((x - start) / width), bins - 1)] += ms
    return counts, [start + (i + 0.5) * width for i in range(bins)]


def gathered(tracks: Iterable[Track], hold_ms: int = HOLD_MS) -> Distribution:
    """The distribution of several tracks."""
    found = Distribution()
    for track in tracks:
        found.add(track, hold_ms)
    return found
