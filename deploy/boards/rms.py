"""True RMS of a mains current, from one burst of samples and the times at which they were taken.

Pure: no pin and no clock, values in, values out. All but the last lines reckons in whole numbers below 2**30, so that a
small board (31-bit words) makes no object on the heap for each sample, and its short floats cost nothing.

How (all derived here from the definition, the square root of the mean of the squares over whole cycles):
- The mean of the squares of a wave with a direct part is the square of the alternating part's RMS plus that of the
  direct part. Both means are taken over the same whole cycles, so the input's bias drops out whatever it is.
- Samples come when they can. Each two neighbours count for the time between them, with the mean of their *squares*
  (trapezoid rule): over whole cycles its errors cancel for smooth waves, and noise counts in full: sqrt(s**2 + n**2).
- Where no sample was taken for over a millisecond (another program had the processor), nothing is known of what lay
  between. The whole cycle around it is left out.
"""

import math

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Sequence

LOWEST_HZ = 45
HIGHEST_HZ = 65
COMMON_US = 100000
"""Whole cycles of both kinds of mains: 5 at 50 Hz, 6 at 60 Hz."""
GAP_US = 1000
LEAST_US = 40000
"""With less than so much of whole cycles there is no reading."""
LEAST_CYCLES = 4
"""So many in a row have to agree before they are called the mains."""
FULL = 65535
RAIL = 64
"""A sample so near to an end of the scale may have been cut off there."""


class Measured:
    """What a burst comes to; counts of 65535 for full scale."""

    def __init__(self, rms: float, offset: float, start_us: int, length_us: int, clipped: bool) -> None:
        self.rms = rms
        """Of the alternating part, in counts."""
        self.offset = offset
        """The direct part, in counts."""
        self.middle_us = start_us + length_us // 2
        """The middle of the cycles, by the samples' times."""
        self.clipped = clipped
        """Samples stand at an end of the scale: the RMS is at least what is said here."""


def find_period(values: "Sequence[int]", times: "Sequence[int]") -> int:
    """Microseconds of one cycle of the mains, 45 to 65 Hz; 0: none to be found.

    A cycle begins where the wave, come from an eighth of its height below the middle, passes an eighth above it; where
    exactly between two samples, the straight line between them says.

    Args:
        values: samples, 0 to 65535.
        times: microseconds of each, rising, below 2**20.
    """
    if len(values) < 2:
        return 0
    low, high = min(values), max(values)
    eighth = (high - low) >> 3
    if not eighth:
        return 0
    below = ((low + high) >> 1) - eighth
    above = below + 2 * eighth
    shortest, longest = 1000000 // HIGHEST_HZ, 1000000 // LOWEST_HZ
    armed = False
    first, last, cycle, cycles = -1, 0, 0, 0
    for i in range(1, len(values)):
        value = values[i]
        if value <= below:
            armed = True
        elif armed and value >= above:
            armed = False
            step = times[i] - times[i - 1]
            if step > GAP_US:
                continue
            at = times[i] - (value - above) * step // (value - values[i - 1])
            if not cycles:
                if first >= 0 and shortest <= at - first <= longest:
                    cycle = at - first
                    cycles = 1
                else:
                    first = at
            else:
                # More than one where a beginning was lost in a gap.
                passed = (at - last + (cycle >> 1)) // cycle
                if abs(at - last - passed * cycle) > cycle >> 4:
                    return 0
                cycles += passed
            last = at
    return (last - first + (cycles >> 1)) // cycles if cycles >= LEAST_CYCLES else 0


def measure(values: "Sequence[int]", times: "Sequence[int]", period_us: int) -> "Measured | None":
    """The RMS over the whole cycles that have no gap; None: there are too few of them.

    Args:
        values: samples, 0 to 65535.
        times: microseconds of each, rising, below 2**20.
        period_us: one cycle; `COMMON_US` where the frequency is not known.
    """
    count = len(values)
    left = (times[count - 1] - times[0]) // period_us if count > 1 else 0
    if not left:
        return None
    length = left * period_us
    low, high, centre = min(values), max(values), sum(values) // count
    # Nine bits and a sign: what they round off counts for less than a ten-thousandth of the RMS.
    shift = 0
    while max(high - centre, centre - low) >> shift > 511:
        shift += 1
    half = (1 << shift) >> 1
    # Twice the integrals of the squares (`carried` in units of 2**20) and of the samples: all kept, and this cycle's.
    kept = kept_carried = kept_squares = kept_sum = 0
    carried = squares = total = 0
    whole = True
    end = times[0] + period_us
    before = times[0]
    a = (values[0] - centre + half) >> shift
    for i in range(1, count):
        now = times[i]
        b = (values[i] - centre + half) >> shift
        gap = now - before > GAP_US
        if gap:
            whole = False
        while now >= end:
            part = end - before
            edge = a + (b - a) * part // (now - before)
            if whole:
                squares += (a * a + edge * edge) * part
                kept += 1
                kept_carried += carried + (squares >> 20)
                kept_squares += squares & 0xFFFFF
                kept_sum += total + (a + edge) * part
            left -= 1
            if not left:
                break
            carried = squares = total = 0
            whole = not gap
            before, a, end = end, edge, end + period_us
        if not left:
            break
        if whole:
            part = now - before
            squares += (a * a + b * b) * part
            carried += squares >> 20
            squares &= 0xFFFFF
            total += (a + b) * part
        before, a = now, b
    if kept * period_us < LEAST_US:
        return None
    twice = 2.0 * kept * period_us
    mean = kept_sum / twice
    square = (kept_carried * 1048576.0 + kept_squares) / twice - mean * mean
    scale = 1 << shift
    return Measured(
        math.sqrt(max(square, 0.0)) * scale,
        centre + mean * scale,
        times[0],
        length,
        low < RAIL or high > FULL - RAIL,
    )


def without_noise(rms: float, noise: float) -> float:
    """The RMS that is left without noise that has nothing to do with it: sqrt(rms**2 - noise**2), at least 0."""
    return math.sqrt(max(rms * rms - noise * noise, 0.0))
