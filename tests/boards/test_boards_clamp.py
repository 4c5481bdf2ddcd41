"""A clamp's input: its bias, range, mains, and the board's speed. What is wrong is said on the console, not sent."""

import math

import pytest
from sensor_bench import TOPIC, ClampBench, Mains, settings_of, started


@pytest.mark.parametrize("bias", [0.0, 0.3, 3.1, 3.3])
def test_an_input_at_its_rail_is_said_on_the_console_and_never_sent_as_no_current(bias: float) -> None:
    mains = Mains(4.0)
    bench = started(mains)
    bench.go(1000)
    mains.amps, mains.bias = 0.0, bias
    bench.go(600)
    broken = bench.ms
    bench.go(5000)
    assert not bench.words(TOPIC, broken)
    assert len([line for line in bench.console if "its bias or its plug is off; nothing is sent" in line]) == 1
    assert all(one["amps"] > 0.5 for one in bench.readings())
    mains.amps, mains.bias = 4.0, 1.65
    bench.go(1000)
    assert bench.readings(broken)[-1]["amps"] == pytest.approx(4.0, rel=0.02)
    assert bench.console[-1] == "clamp: the input stands at 1.65 V again"


def test_a_board_that_is_switched_on_with_a_broken_input_says_nothing() -> None:
    mains = Mains()
    mains.bias = 0.0
    bench = ClampBench(settings_of(), mains)
    bench.go(3000)
    looked = bench.ms
    bench.connect()
    bench.go(3000)
    assert bench.ms - looked >= 3000
    assert not bench.said
    assert bench.console[0].startswith("clamp: the input stands at 0.00 V; wanted about 1.65 V")


def test_a_calibrated_zero_is_what_the_bias_is_compared_with() -> None:
    mains = Mains(0.5)
    mains.bias = 0.5
    bench = started(mains, {"zero": 0.5})
    bench.go(1000)
    assert bench.readings()[0]["amps"] == pytest.approx(0.5, rel=0.02)
    mains.bias = 1.65
    bench.go(600)
    moved = bench.ms
    bench.go(3000)
    assert not bench.words(TOPIC, moved)


def test_a_learnt_zero_follows_slowly_and_never_shows_in_the_current() -> None:
    mains = Mains(1.0)
    bench = started(mains)
    bench.go(1000)
    assert bench.role.clamp.zero == pytest.approx(1.65, abs=0.001)
    mains.bias = 1.85
    bench.go(600)
    assert bench.role.clamp.zero == pytest.approx(1.67, abs=0.02)
    bench.go(60000, 50)
    assert bench.role.clamp.zero == pytest.approx(1.85, abs=0.01)
    assert all(one["amps"] == pytest.approx(1.0, abs=0.25) for one in bench.readings())
    assert bench.readings()[-1]["amps"] == pytest.approx(1.0, rel=0.02)


def test_a_current_beyond_the_range_is_sent_and_told_once() -> None:
    mains = Mains(5.0)
    bench = started(mains)
    bench.go(1000)
    mains.amps = 60.0
    bench.go(600)
    over = bench.ms
    bench.go(3000)
    assert all(25 < one["amps"] <= 33 for one in bench.readings(over)), "up to a square of 1.65 V"
    assert bench.readings(over)
    assert len([line for line in bench.console if "beyond the converter's range" in line]) == 1
    assert bench.role.facts["clipped"] is True


@pytest.mark.parametrize("hz", [49.7, 60.2])
def test_the_mains_is_found_said_once_and_remembered(hz: float) -> None:
    mains = Mains(5.0, hz)
    bench = started(mains)
    bench.go(3000)
    mains.amps = 0.0
    bench.go(2000)
    assert bench.role.facts["line_hz"] == pytest.approx(hz, abs=0.15)
    assert len([line for line in bench.console if line.startswith("clamp: the mains has ")]) == 1
    mains.amps = 0.15
    bench.go(3000)
    assert bench.readings()[-1]["amps"] == pytest.approx(0.15, rel=0.02)


def test_a_mains_of_the_settings_is_taken_as_given() -> None:
    mains = Mains(5.0, 50.2)
    bench = started(mains, {"line_hz": 50})
    bench.go(3000)
    assert "line_hz" not in bench.role.facts
    assert bench.readings()[-1]["amps"] == pytest.approx(5.0, rel=0.02)


def test_noise_is_taken_off_only_where_it_was_measured() -> None:
    for told, wanted in ((None, math.hypot(0.4, 0.3)), (0.015, 0.4)):
        mains = Mains(0.4)
        mains.noise = 0.015
        bench = started(mains, {} if told is None else {"noise": told})
        bench.go(20000)
        amps = [one["amps"] for one in bench.readings()]
        assert sum(amps) / len(amps) == pytest.approx(wanted, rel=0.02)


class Watched(Mains):
    """Keeps when it was looked at."""

    def __init__(self, amps: float, hz: float) -> None:
        super().__init__(amps, hz)
        self.looked: list[int] = []

    def __call__(self, us: int) -> int:
        self.looked.append(us)
        return super().__call__(us)


@pytest.mark.parametrize("hz", [46.0, 50.0, 60.0])
def test_a_burst_holds_ten_cycles_and_its_time_is_their_middle(hz: float) -> None:
    mains = Watched(5.0, hz)
    bench = started(mains)
    bench.go(700)
    before = len(bench.said)
    bench.role.clamp.ask()
    mains.looked.clear()
    while len(bench.said) == before:
        bench.go(10)
    first, last = mains.looked[0], mains.looked[-1]
    assert 10e6 / hz <= last - first <= 10e6 / hz + 4000
    assert bench.readings()[-1]["at"] == pytest.approx((first + 5e6 / hz) / 1000, abs=2)


@pytest.mark.parametrize(("hz", "poll_us"), [(45.5, 7), (50.0, 91), (60.0, 91), (50.0, 400), (50.0, 990)])
def test_no_turn_takes_a_quarter_of_a_second_and_the_network_gets_its_turns(hz: float, poll_us: int) -> None:
    bench = ClampBench(settings_of(), Mains(5.0, hz), poll_us=poll_us)
    bench.connect()
    longest = turns = 0
    while bench.ms < 4000:
        bench.world.go(10000)
        begun = bench.world.us()
        bench.role.tick(bench.ms, bench.link)
        longest, turns = max(longest, bench.world.us() - begun), turns + 1
    assert longest < 250000
    assert turns > 4 * 4000 / 300


@pytest.mark.parametrize(("poll_us", "told", "at_60"), [(7, 102, 85), (300, 66, 55), (700, 28, 24)])
def test_the_console_says_whether_the_board_is_fast_enough(poll_us: int, told: int, at_60: int) -> None:
    bench = ClampBench(settings_of(), Mains(5.0), poll_us=poll_us)
    bench.connect()
    bench.go(2000)
    line = next(line for line in bench.console if "samples in a cycle" in line)
    assert int(line.split()[1]) == pytest.approx(told, abs=4)
    assert int(line.split()[9]) == pytest.approx(at_60, abs=4)
    assert bench.role.facts["samples_per_cycle"] == pytest.approx(told, abs=4)
    assert "(60 are enough)" in line
    assert bench.readings()[-1]["amps"] == pytest.approx(5.0, rel=0.02)


def test_a_board_that_is_too_slow_sends_nothing_and_says_so() -> None:
    bench = ClampBench(settings_of(), Mains(5.0), poll_us=1300)
    bench.connect()
    bench.go(6000)
    assert not bench.said
    assert len([line for line in bench.console if "(1.3 ms between two, 1 at most): nothing is sent" in line]) == 1
