"""One stream's way through a stretch: a place in it, and the next of its readings that must be stepped.

Skipping runs over blocks of a column with `min` and `max`, so that a reading that decides nothing costs nanoseconds.
"""

from array import array
from bisect import bisect_left
from itertools import pairwise
from math import ceil

from gatehand.past.deadband import HIGHEST, LOWEST, Deadband
from gatehand.past.stretches import Track

_BLOCK = 256
_STRIDE = 16


class Cursor:
    """A place (`at`) in a track. `stop` is the first reading from there on that must be stepped, or its length."""

    def __init__(self, track: Track, silent_ms: int = 0) -> None:
        """`silent_ms`: a pause this long is a silence of the sensor, whose end must be stepped; 0: never."""
        self.ms, self.ma, self.order, self.young = track.ms, track.ma, track.order, track.young
        self.length = len(track.ms)
        self.at = 0
        self.stop = 0
        self._within: Deadband | None = None
        self._silent_ms = silent_ms
        self._gaps = _gaps(track.ms, silent_ms) if silent_ms > 0 else array("q")

    def look(self, deadband: Deadband | None) -> None:
        """Readings within `deadband` decide nothing from here on."""
        if deadband != self._within or self.at >= self.stop:
            self._within = deadband
            self.stop = self.at if deadband is None else self._scan(deadband)

    def _scan(self, within: Deadband) -> int:
        at = bisect_left(self._gaps, max(self.at, 1))
        limit = self._gaps[at] if at < len(self._gaps) else self.length
        return first_outside(self.ma, self.at, limit, within)

    def heard_ms(self, before: int) -> int:
        """When the last reading came before `stop`, or before a silence; `before`: the last one before this place."""
        if self.stop > self.at and (self._silent_ms <= 0 or self.ms[self.at] - before < self._silent_ms):
            return self.ms[self.stop - 1]
        return before

    def pass_to(self, at: int) -> tuple[int, int] | None:
        """Move on to index `at`; the last reading passed on the way (ms, mA), or None."""
        if at <= self.at:
            return None
        self.at = at
        return self.ms[at - 1], self.ma[at - 1]


def to_ms(seconds: float) -> int:
    """The first whole millisecond at which `seconds` (rounded to the microsecond, as in the rules) have passed."""
    return ceil(round(seconds * 1000, 3))


def _gaps(ms: "array[int]", silent_ms: int) -> "array[int]":
    """Indices of readings that come so late after the one before that the sensor was silent between them."""
    found = array("q")
    ends = ms[_STRIDE::_STRIDE]
    if len(ms):
        ends.append(ms[-1])
    start = ms[0] if len(ms) else 0
    for block, end in enumerate(ends):
        if end - start >= silent_ms:
            base = block * _STRIDE
            piece = ms[base : base + _STRIDE + 1]
            found.extend(
                base + i for i, (before, after) in enumerate(pairwise(piece), 1) if after - before >= silent_ms
            )
        start = end
    return found


def first_outside(ma: "array[int]", start: int, limit: int, within: Deadband) -> int:
    """The first index from `start` on whose value is outside the deadband; `limit` when none before it is."""
    low, high = within.low, within.high
    at = start
    while at < limit:
        end = min(at + _BLOCK, limit)
        piece = ma[at:end]
        if (low > LOWEST and min(piece) < low) or (high < HIGHEST and max(piece) >= high):
            return at + next(i for i, one in enumerate(piece) if not low <= one < high)
        at = end
    return limit
