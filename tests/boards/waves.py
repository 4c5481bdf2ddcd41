"""Waves of the mains whose RMS has a closed form, and bursts of samples of them, as a board takes them.

The closed forms are derived here from the definition: the root of the mean of the square over half a cycle.
"""

import math
import random
from collections.abc import Callable, Sequence
from typing import Any, NamedTuple

from role_bench import module

rms = module("rms")
clamp = module("clamp")

BIAS = 32768
BURST_US = 205000
LSB = 16
"""Counts of one step of a converter of 12 bits, whose codes `read_u16` spreads over 65535."""
COMMON_US: int = rms.COMMON_US


class Wave(NamedTuple):
    """A wave over the part of a cycle (0 to 1), peak 1 or less, and its RMS."""

    name: str
    at: Callable[[float], float]
    rms: float


def sine() -> Wave:
    return Wave("sine", lambda part: math.sin(2 * math.pi * part), math.sqrt(1 / 2))


def clipped(top: float) -> Wave:
    """A sine cut off at `top` of its peak: sin**2 up to the angle there, then top**2."""
    angle = math.asin(top)
    square = (angle / 2 - math.sin(2 * angle) / 4 + top**2 * (math.pi / 2 - angle)) * 2 / math.pi
    return Wave(
        f"clipped at {top:.2f}", lambda part: max(-top, min(top, math.sin(2 * math.pi * part))), math.sqrt(square)
    )


def phase_cut(degrees: float) -> Wave:
    """A dimmer's: each half cycle conducts from here on: sin**2 from there to pi; 1 / 4 at a right angle."""
    angle = math.radians(degrees)
    square = ((math.pi - angle) / 2 + math.sin(2 * angle) / 4) / math.pi

    def at(part: float) -> float:
        return math.sin(2 * math.pi * part) if part % 0.5 * 360 >= degrees else 0.0

    return Wave(f"cut at {degrees:.0f} degrees", at, math.sqrt(square))


def harmonics(shares: Sequence[float], angle: float) -> Wave:
    """Odd harmonics 3, 5, 7 beside the first: squares of sines of different frequencies add up."""
    all_shares = [1.0, *shares]
    top = sum(all_shares)

    def at(part: float) -> float:
        return (
            sum(share * math.sin(2 * math.pi * (2 * i + 1) * part + i * angle) for i, share in enumerate(all_shares))
            / top
        )

    return Wave("harmonics", at, math.sqrt(sum(share**2 for share in all_shares) / 2) / top)


def half_wave() -> Wave:
    """One diode, behind a transformer that passes no direct current: 1 / 4 less the square of the mean, 1 / pi."""
    mean = 1 / math.pi
    return Wave("half a wave", lambda part: max(0.0, math.sin(2 * math.pi * part)) - mean, math.sqrt(1 / 4 - mean**2))


def rectifier(width: float) -> Wave:
    """Pulses of a power supply at each peak, half a sine of `width` of a half cycle: the mean of sin**2 for so long."""

    def at(part: float) -> float:
        inside = (part % 0.5 * 2 - 0.5) / width + 0.5
        height = math.sin(math.pi * inside) if 0 <= inside <= 1 else 0.0
        return height if part % 1 < 0.5 else -height

    return Wave(f"pulses of {width:.2f}", at, math.sqrt(width / 2))


class Sampled(NamedTuple):
    values: list[int]
    times: list[int]


def sampled(
    wave: Wave,
    hz: float,
    peak: float,
    *,
    seed: int = 0,
    noise: float = 0.0,
    bits: int = 16,
    bias: int = BIAS,
    poll_us: int = 7,
    gaps: Sequence[tuple[int, int]] = (),
    pace: Callable[[int], int] = lambda count: int(clamp.PACE_US + (count * 13 & clamp.SCATTER)),
    late_us: int = 20,
    length_us: int = BURST_US,
) -> Sampled:
    """A burst as a board takes it.

    Args:
        wave: its shape.
        hz: the mains.
        peak: counts.
        seed: of the phase at which it begins, of the noise, and of how late samples come.
        noise: counts RMS, another with each sample.
        bits: of the converter.
        bias: counts.
        poll_us: one turn of the loop that waits for the next sample.
        gaps: (when, how long) something else has the processor, microseconds.
        pace: microseconds until the sample after this one is due.
        late_us: an interrupt now and then delays a sample by up to so much.
        length_us: of the burst.
    """
    drawn = random.Random(seed)
    begin = drawn.random()
    left = sorted(gaps)
    values, times = [], []
    now = drawn.randrange(poll_us)
    while now <= length_us:
        exact = bias + peak * wave.at((begin + now * 1e-6 * hz) % 1) + (drawn.gauss(0, noise) if noise else 0.0)
        code = max(0, min((1 << bits) - 1, math.floor(exact / 65536 * (1 << bits))))
        values.append(code << 16 - bits | code >> 2 * bits - 16)
        times.append(now)
        due = now + pace(len(times)) + (drawn.randrange(late_us) if late_us and drawn.random() < 0.1 else 0)
        now += -(-(due - now) // poll_us) * poll_us
        if left and now >= left[0][0]:
            now += left.pop(0)[1]
    return Sampled(values, [time - times[0] for time in times])


def reading(burst: Sampled, known_us: int = COMMON_US) -> Any:  # noqa: ANN401  # of a file that CPython does not know
    """As a clamp does it: find the mains, else take what is known of it; then measure."""
    return rms.measure(burst.values, burst.times, rms.find_period(burst.values, burst.times) or known_us)
