"""RMS of waves whose RMS has a closed form: within 2 %, whatever the mains, the converter and the samples' times."""

import json
import math
import random
import statistics
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any, Self

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from role_bench import BOARDS, STANDINS, micropython, module
from waves import (
    BIAS,
    BURST_US,
    COMMON_US,
    LSB,
    Sampled,
    Wave,
    clipped,
    half_wave,
    harmonics,
    phase_cut,
    reading,
    rectifier,
    sampled,
    sine,
)

rms = module("rms")
clamp = module("clamp")

waves = st.one_of(
    st.builds(sine),
    st.builds(clipped, st.floats(0.2, 1)),
    st.builds(phase_cut, st.floats(0, 90)),
    st.just(phase_cut(90)),
    st.builds(harmonics, st.lists(st.floats(0, 0.3), min_size=3, max_size=3), st.floats(-3.2, 3.2)),
    st.builds(half_wave),
    st.builds(rectifier, st.floats(0.2, 0.9)),
)
mains = st.one_of(st.sampled_from([50.0, 60.0]), st.floats(49.5, 50.5), st.floats(59.5, 60.5))


@settings(max_examples=150)
@example(wave=phase_cut(90), hz=50.0, peak=30000.0, bits=12, bias=BIAS, poll_us=50, gaps=[], seed=1)
@example(wave=clipped(0.25), hz=50.0, peak=600.0, bits=12, bias=30774, poll_us=3, gaps=[], seed=0)
@given(
    wave=waves,
    hz=mains,
    peak=st.floats(600, 30000),
    bits=st.sampled_from([12, 16]),
    bias=st.integers(BIAS - 2000, BIAS + 2000),
    poll_us=st.integers(3, 60),
    gaps=st.lists(st.tuples(st.integers(0, BURST_US), st.integers(1100, 10000)), max_size=1),
    seed=st.integers(0, 10**6),
)
def test_every_wave_is_measured_within_two_percent(
    *, wave: Wave, hz: float, peak: float, bits: int, bias: int, poll_us: int, gaps: list[tuple[int, int]], seed: int
) -> None:
    """Of any peak from 2 % of full scale on. 12 bits come with noise of one step, which spreads the steps' own errors.

    They count as noise too then, step / sqrt(12) RMS [derived here: the RMS of an even spread].
    """
    noise = LSB if bits == 12 else 0
    burst = sampled(wave, hz, peak, seed=seed, bits=bits, bias=bias, poll_us=poll_us, gaps=gaps, noise=noise)
    found = reading(burst, round(1e6 / hz))
    assert found.rms == pytest.approx(math.hypot(peak * wave.rms, noise, noise / math.sqrt(12)), rel=0.02)
    assert found.offset == pytest.approx(bias, abs=0.02 * peak + LSB)


@given(st.floats(90, 120), mains, st.integers(0, 10**6))
@settings(max_examples=60)
def test_a_wave_that_is_cut_further_is_measured_within_three_percent(degrees: float, hz: float, seed: int) -> None:
    """Less current and nearly the same step: where in its interval the step lies counts for more."""
    wave = phase_cut(degrees)
    assert reading(sampled(wave, hz, 15000, seed=seed), round(1e6 / hz)).rms == pytest.approx(
        15000 * wave.rms, rel=0.03
    )


@given(waves, mains, st.floats(200, 3000), st.integers(BIAS - 2000, BIAS + 2000), st.integers(0, 10**6))
@settings(max_examples=60)
def test_without_noise_a_converter_of_12_bits_is_off_by_half_a_step_besides(
    wave: Wave, hz: float, peak: float, bias: int, seed: int
) -> None:
    burst = sampled(wave, hz, peak, seed=seed, bits=12, bias=bias)
    assert abs(reading(burst, round(1e6 / hz)).rms - peak * wave.rms) < 0.02 * peak * wave.rms + LSB / 2 + 1


@given(waves, mains, st.floats(0, 0.1), st.integers(0, 10**6))
@settings(max_examples=60)
def test_noise_counts_as_the_root_of_the_sum_of_the_squares(wave: Wave, hz: float, share: float, seed: int) -> None:
    """s**2 + n**2, since one has nothing to do with the other. Noise of up to 10 % of the wave's RMS, in one burst.

    What chance makes of it, one standard deviation: n / s / sqrt(1000 samples), here 0.3 % [derived here].
    """
    peak = 12000.0
    noise = share * peak * wave.rms
    found = reading(sampled(wave, hz, peak, seed=seed, noise=noise), round(1e6 / hz))
    assert found.rms == pytest.approx(math.hypot(peak * wave.rms, noise), rel=0.02)
    assert rms.without_noise(found.rms, noise) == pytest.approx(peak * wave.rms, rel=0.02)


@pytest.mark.parametrize("hz", [50.0, 60.0])
@pytest.mark.parametrize("wave", [sine(), phase_cut(90), rectifier(0.3)], ids=lambda w: w.name)
def test_noise_half_as_large_as_the_current_counts_the_same_in_the_mean_of_twenty(wave: Wave, hz: float) -> None:
    noise = 0.5 * 12000 * wave.rms
    found = [reading(sampled(wave, hz, 12000, seed=seed, noise=noise), round(1e6 / hz)).rms for seed in range(20)]
    assert statistics.fmean(found) == pytest.approx(math.hypot(12000 * wave.rms, noise), rel=0.02)
    assert rms.without_noise(statistics.fmean(found), noise) == pytest.approx(12000 * wave.rms, rel=0.02)


def test_noise_alone_is_measured_as_what_it_is_and_never_makes_a_mains() -> None:
    off = Wave("nothing", lambda _part: 0.0, 0.0)
    for seed in range(50):
        burst = sampled(off, 50, 0, seed=seed, noise=200)
        assert rms.find_period(burst.values, burst.times) == 0
        assert reading(burst).rms == pytest.approx(200, rel=0.1)
    assert rms.without_noise(190.0, 200.0) == 0


@given(waves, st.floats(46, 64), st.integers(0, 10**6))
@settings(max_examples=80)
def test_the_mains_is_found_within_half_a_percent_or_not_at_all(wave: Wave, hz: float, seed: int) -> None:
    burst = sampled(wave, hz, 9000, seed=seed, noise=90, bits=12)
    found = rms.find_period(burst.values, burst.times)
    assert found == 0 or found == pytest.approx(1e6 / hz, rel=0.005)


@pytest.mark.parametrize("hz", [25.0, 40.0, 43.0, 68.0, 80.0, 100.0, 400.0])
def test_what_is_no_mains_is_not_taken_for_it(hz: float) -> None:
    for seed in range(10):
        burst = sampled(sine(), hz, 9000, seed=seed)
        assert rms.find_period(burst.values, burst.times) == 0


@pytest.mark.parametrize("hz", [49.5, 50.0, 50.5, 59.5, 60.0, 60.5])
@pytest.mark.parametrize(
    "wave", [sine(), clipped(0.5), phase_cut(90), rectifier(0.3), half_wave()], ids=lambda w: w.name
)
def test_the_mains_is_found_in_every_usual_wave(wave: Wave, hz: float) -> None:
    for seed in range(10):
        burst = sampled(wave, hz, 5000, seed=seed, noise=50, bits=12)
        assert rms.find_period(burst.values, burst.times) == pytest.approx(1e6 / hz, rel=0.004)


def test_before_the_mains_is_known_whole_cycles_of_both_are_taken() -> None:
    for seed in range(40):
        burst = sampled(sine(), 50.0 if seed % 2 else 60.0, 3000, seed=seed)
        assert rms.measure(burst.values, burst.times, COMMON_US).rms == pytest.approx(3000 * sine().rms, rel=0.005)


@pytest.mark.parametrize(("told", "true"), [(50, 49.5), (50, 50.5), (60, 59.5), (60, 60.5)])
def test_a_mains_given_in_the_settings_may_be_off_by_a_percent(told: int, true: float) -> None:
    for seed in range(40):
        burst = sampled(phase_cut(90), true, 20000, seed=seed)
        found = rms.measure(burst.values, burst.times, round(1e6 / told))
        assert found.rms == pytest.approx(10000, rel=0.02)


def test_a_gap_costs_its_own_cycles_and_no_more() -> None:
    """Ten milliseconds are half a cycle of 50 Hz: a straight line over them would be wrong by some percent."""
    for at in range(0, 190000, 7000):
        burst = sampled(sine(), 50, 20000, gaps=[(at, 10000)], seed=at)
        assert reading(burst).rms == pytest.approx(20000 * sine().rms, rel=0.003)


def test_without_whole_cycles_free_of_gaps_there_is_no_reading() -> None:
    often = [(at, 1500) for at in range(0, BURST_US, 15000)]
    assert reading(sampled(sine(), 50, 20000, gaps=often), 20000) is None
    slow = sampled(sine(), 50, 20000, pace=lambda _count: 1200)
    assert reading(slow, 20000) is None
    short = sampled(sine(), 50, 20000, length_us=15000)
    assert reading(short, 20000) is None
    assert (rms.find_period([], []), rms.measure([], [], 20000)) == (0, None)
    assert (rms.find_period([BIAS], [0]), rms.measure([BIAS], [0], 20000)) == (0, None)


def test_an_input_that_never_moves_is_no_current_and_no_mains() -> None:
    still = sampled(sine(), 50, 0.0)
    assert rms.find_period(still.values, still.times) == 0
    found = reading(still)
    assert (found.rms, found.offset, found.clipped) == (0.0, BIAS, False)


@given(waves, st.sampled_from([50.0, 60.0]), st.floats(1.1, 5), st.integers(0, 10**6))
@settings(max_examples=40)
def test_beyond_the_converter_the_rms_is_at_least_what_is_said(wave: Wave, hz: float, over: float, seed: int) -> None:
    peak = over * 32768 / max(wave.at(i / 400) for i in range(400))
    found = reading(sampled(wave, hz, peak, seed=seed, bits=12), round(1e6 / hz))
    assert found.clipped
    assert found.rms <= peak * wave.rms * 1.02
    assert found.middle_us == pytest.approx(BURST_US / 2, abs=12000)


def worst_error(wave: Wave, hz: float, per_cycle: float, scatter: float) -> float:
    """The worst of 40 bursts, each at another phase, percent; `scatter` of the spacing at random."""
    worst = 0.0
    for seed in range(40):
        drawn = random.Random(seed)
        spacing = 1e6 / hz / per_cycle

        def pace(_count: int, drawn: random.Random = drawn, spacing: float = spacing) -> int:
            return round(spacing * (1 + scatter * (drawn.random() - 0.5)))

        burst = sampled(wave, hz, 20000, seed=seed, pace=pace, poll_us=1, late_us=0, length_us=round(10.2e6 / hz))
        found = reading(burst, round(1e6 / hz))
        worst = max(worst, abs(found.rms / (20000 * wave.rms) - 1) * 100)
    return worst


def test_so_many_samples_in_a_cycle_are_enough(tell: Callable[[str], None]) -> None:
    """A sine needs few; a step in the wave needs more, and most where the samples keep step with the mains.

    In step, each half cycle of a wave cut at 90 degrees is wrong by the same half of a spacing [derived here: 4 / N of
    the square, 2 / N of the RMS, for N samples in a cycle].
    """
    rows = []
    for per_cycle in (40, 60, 100, 160):
        errors = [
            max(worst_error(wave, hz, per_cycle, scatter) for hz in (50.0, 60.0))
            for wave, scatter in ((sine(), 0.2), (phase_cut(90), 0.2), (phase_cut(90), 0.0))
        ]
        rows.append((per_cycle, *errors))
        tell(
            f"boards: {per_cycle:4} samples a cycle: sine {errors[0]:.2f} %, cut at 90 degrees {errors[1]:.2f} %, "
            f"the same with samples in step with the mains {errors[2]:.2f} %"
        )
    assert all(row[1] < 0.2 for row in rows)
    assert all(row[2] < 2 for row in rows if row[0] >= clamp.ENOUGH)
    assert all(row[3] < 2.2 * 100 / row[0] for row in rows if row[0] >= clamp.ENOUGH)
    assert max(row[3] for row in rows if row[0] < clamp.ENOUGH) > 4, "else fewer would do"


def test_how_far_off_a_small_current_is(tell: Callable[[str], None]) -> None:
    """For README: 12 bits, noise of one step RMS (common practice, no published source), a sine of 50 Hz.

    What noise adds where it is left in is sqrt(1 + (n / s)**2) - 1, and a step of a converter adds step / sqrt(12).
    """
    noise = math.hypot(LSB, LSB / math.sqrt(12))
    for share in (1.0, 0.3, 0.1, 0.03, 0.01, 0.003, 0.001):
        true = 32000 * share * sine().rms
        found = [
            reading(sampled(sine(), 50, 32000 * share, seed=seed, noise=LSB, bits=12, bias=BIAS + 900), 20000).rms
            for seed in range(60)
        ]
        left_in = [100 * (one / true - 1) for one in found]
        taken_off = [100 * (rms.without_noise(one, noise) / true - 1) for one in found]
        added = 100 * (math.hypot(true, noise) / true - 1)
        tell(
            f"boards: {100 * share:5.1f} % of full scale: {statistics.mean(left_in):+.1f} % "
            f"({min(left_in):+.1f} to {max(left_in):+.1f}); noise taken off {statistics.mean(taken_off):+.1f} % "
            f"({min(taken_off):+.1f} to {max(taken_off):+.1f})"
        )
        spread = 0.5 + 400 * (noise / true) ** 2 / math.sqrt(1000) + 400 * noise / true / math.sqrt(1000)
        assert statistics.mean(left_in) == pytest.approx(added, abs=0.3 + added / 10)
        assert all(abs(one) < spread for one in taken_off)


class Narrow(int):
    """A whole number of a small board: beyond 30 bits and a sign it would be made on the heap."""

    def __new__(cls, value: int) -> Self:
        if not -(1 << 30) <= value < 1 << 30:
            raise OverflowError(value)
        return super().__new__(cls, value)


def _narrowed(name: str) -> Callable[..., Any]:
    plain = getattr(int, name)

    def operation(self: int, *others: int) -> object:
        result = plain(self, *others)
        return Narrow(result) if isinstance(result, int) else result

    return operation


for _name in ("add", "sub", "mul", "floordiv", "mod", "lshift", "rshift", "and", "or"):
    for _side in ("", "r"):
        setattr(Narrow, f"__{_side}{_name}__", _narrowed(f"__{_side}{_name}__"))
for _name in ("__neg__", "__abs__"):
    setattr(Narrow, _name, _narrowed(_name))


def test_no_number_leaves_the_words_of_a_small_board() -> None:
    with pytest.raises(OverflowError):
        Narrow(1 << 29) * 2
    square = Wave("square", lambda part: 1.0 if part < 0.5 else -1.0, 1.0)
    gap = [(50000, 15000)]
    for wave, peak, gaps in (
        (square, 40000, []),
        (square, 16200, []),
        (sine(), 33000, gap),
        (rectifier(0.2), 32000, []),
    ):
        for bias in (BIAS, 3000):
            for spacing in (190, 990):

                def pace(_count: int, spacing: int = spacing) -> int:
                    return spacing

                burst = sampled(wave, 47, peak, bias=bias, gaps=gaps, length_us=224000, pace=pace, late_us=0)
                narrow = Sampled([Narrow(one) for one in burst.values], [Narrow(one) for one in burst.times])
                assert rms.find_period(narrow.values, narrow.times) == rms.find_period(burst.values, burst.times)
                assert reading(narrow, Narrow(20000)).rms == reading(burst, 20000).rms


ON_A_BOARD = """
import gc, json, sys
from array import array
sys.path[:0] = FOLDERS
import rms
cases = json.load(open(FILE))
for values, times in cases:
    values, times = array("H", values), array("I", times)
    v, t = memoryview(values)[:len(values)], memoryview(times)[:len(times)]
    gc.collect()
    gc.disable()
    before = gc.mem_alloc()
    period = rms.find_period(v, t)
    found = rms.measure(v, t, period or rms.COMMON_US)
    heap = gc.mem_alloc() - before
    gc.enable()
    print(json.dumps([period, found.rms, found.offset, found.middle_us, found.clipped, heap]))
"""


def test_micropython_reckons_the_same_and_makes_nothing_of_each_sample(
    tmp_path: Path, tell: Callable[[str], None]
) -> None:
    shapes = (sine(), clipped(0.4), phase_cut(90), harmonics([0.3, 0.2, 0.1], 1.0), half_wave(), rectifier(0.25))
    bursts = [
        sampled(wave, hz, 4000 * (1 + i), seed=i, noise=30 * i, bits=12, gaps=[(30000 * i, 9000)] if i % 2 else [])
        for i, wave in enumerate(shapes)
        for hz in (49.7, 60.2)
    ]
    (tmp_path / "bursts.json").write_text(json.dumps(bursts))
    script = f"FOLDERS = {[str(STANDINS), str(BOARDS)]!r}\nFILE = {str(tmp_path / 'bursts.json')!r}\n" + ON_A_BOARD
    ended = subprocess.run(  # noqa: S603  # our own script
        [micropython(), "-c", script], capture_output=True, text=True, timeout=60, check=False
    )
    assert not ended.returncode, ended.stderr
    lines = [json.loads(line) for line in ended.stdout.splitlines()]
    assert len(lines) == len(bursts)
    for burst, (period, found_rms, offset, middle, cut_off, heap) in zip(bursts, lines, strict=True):
        ours = reading(burst)
        assert period == rms.find_period(burst.values, burst.times)
        assert found_rms == pytest.approx(ours.rms, rel=1e-12)
        assert offset == pytest.approx(ours.offset, rel=1e-12)
        assert (middle, cut_off) == (ours.middle_us, ours.clipped)
        assert heap < 1000, "bytes, 64-bit words"
    tell(f"boards: working out a burst makes {max(line[-1] for line in lines)} bytes on the heap (64-bit words)")
