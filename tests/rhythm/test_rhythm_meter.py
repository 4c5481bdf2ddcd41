"""A meter's rhythm is told from its messages alone, whatever else it says; and in bounded memory.

Meters that report every so many seconds, on change, or both, are common practice; no published source.
"""

import tracemalloc
from itertools import chain
from random import Random

import pytest
from made_meters import Said, both, heard, on_change, steady, switched_off, told

from gatehand.rhythm import FEWEST_GAPS, PAUSE, Rhythm, RhythmMeter, misfit, words

HOUR = 3600.0
SEEDS = range(8)


def is_steady(found: Rhythm, every: float) -> bool:
    return found.steady and every * 0.9 <= found.every <= every * 1.1


@pytest.mark.parametrize("every", [0.5, 1.0, 10.0, 60.0, 300.0])
@pytest.mark.parametrize("new", [0.0, 0.3, 1.0])
def test_a_steady_meter_is_known_by_its_rhythm_whether_its_value_changes_or_not(every: float, new: float) -> None:
    for seed in SEEDS:
        found = heard(steady(Random(seed), every, 60 * every, new=new))
        assert is_steady(found, every), (seed, found)
        assert not found.on_change
        assert found.longest <= 3.2 * every


def test_five_messages_tell_a_steady_rhythm_where_nothing_changes() -> None:
    found = heard(Said(10.0 * i, changed=False) for i in range(FEWEST_GAPS + 1))
    assert found == Rhythm(10.0, 10.0, steady=True, on_change=False, count=5)
    assert told(Said(10.0 * i, changed=False) for i in range(FEWEST_GAPS)) is None


def test_one_cut_of_a_meter_on_change_is_not_taken_for_a_rhythm() -> None:
    assert told(Said(100 + 1.0 * i, changed=True) for i in range(10)) is None


@pytest.mark.parametrize("within", [0.0, 1.0])
def test_a_meter_on_change_is_known_also_when_its_load_wavers_each_second(within: float) -> None:
    for seed in SEEDS:
        found = heard(on_change(Random(seed), 2 * HOUR, within=within))
        assert (found.steady, found.on_change) == (False, True), (seed, found)
        assert found.longest > 60


def test_a_load_that_wavers_each_second_on_the_dot_is_no_rhythm_when_the_pauses_are_quiet() -> None:
    found = heard(Said(100.0 * cut + second, changed=True) for cut in range(30) for second in range(61))
    assert (found.steady, found.longest) == (False, 40.0)


@pytest.mark.parametrize("every", [10.0, 60.0, 300.0])
@pytest.mark.parametrize("anew", [False, True])
@pytest.mark.parametrize("within", [0.0, 1.0])
def test_a_beat_besides_changes_is_found_among_them(every: float, anew: bool, within: float) -> None:
    for seed in SEEDS:
        found = heard(both(Random(seed), every, 4 * HOUR, anew=anew, within=within))
        assert is_steady(found, every), (seed, found)
        assert found.on_change


def test_the_night_and_a_device_without_power_are_no_rhythm() -> None:
    for seed in SEEDS:
        night = switched_off(steady(Random(seed), 10, 40 * HOUR), 8 * HOUR, 24 * HOUR)
        found = heard(switched_off(night, 3 * HOUR, 3.7 * HOUR))
        assert is_steady(found, 10), (seed, found)
        assert found.longest < 31


def test_messages_sent_twice_make_no_meter_on_change() -> None:
    twice = ((one, Said(one.at + 0.02, changed=False)) for one in steady(Random(1), 10, HOUR, new=1.0))
    found = heard(chain.from_iterable(twice))
    assert is_steady(found, 10)
    assert not found.on_change


@pytest.mark.parametrize("apart", [0.04, 0.2, 2.0])
@pytest.mark.parametrize("new", [0.3, 1.0])
def test_a_meter_that_speaks_in_pairs_has_the_rhythm_of_the_pairs(apart: float, new: float) -> None:
    """A meter of two channels says one after the other, or all of it twice."""
    for seed in SEEDS:
        dice = Random(seed)
        pairs = (
            (10.0 * i + dice.uniform(0, 0.1) + more, dice.random() < new) for i in range(200) for more in (0, apart)
        )
        found = heard(Said(*one) for one in pairs)
        assert is_steady(found, 10), (seed, found)
        assert not found.on_change, (seed, found)


def test_a_radio_that_delivers_late_makes_no_meter_on_change() -> None:
    for seed in SEEDS:
        dice = Random(seed)
        late = [Said(10.0 * i + (dice.random() < 0.1) * dice.uniform(4, 9), changed=True) for i in range(400)]
        found = heard(iter(late))
        assert (found.steady, found.on_change) == (True, False), (seed, found)


@pytest.mark.parametrize(("before", "after"), [(60.0, 10.0), (10.0, 60.0)])
def test_a_meter_set_to_another_rhythm_is_known_by_the_new_one_after_nine_messages(before: float, after: float) -> None:
    meter = RhythmMeter()
    for i in range(1000):
        meter.add(before * i, changed=False)
    for i in range(1, 9):
        meter.add(before * 999 + after * i, changed=False)
    assert meter.rhythm == Rhythm(after, after, steady=True, on_change=False, count=9)


def test_a_meter_that_speaks_only_on_change_from_now_on_is_known_by_that_within_a_day() -> None:
    day, week = 24 * HOUR, 7 * 24 * HOUR
    found = heard(
        chain(steady(Random(3), 60, week), (Said(week + one.at, one.changed) for one in on_change(Random(4), day)))
    )
    assert not found.steady


def test_what_lies_before_a_pause_says_nothing_of_the_gap() -> None:
    meter = RhythmMeter()
    for hour in range(8):
        for i in range(5):
            meter.add(hour * PAUSE / 4 + 10 * i, changed=True)
        meter.pause()
    assert meter.rhythm is not None
    assert meter.rhythm.longest == 10.0


def test_a_clock_that_goes_back_begins_a_new_row() -> None:
    meter = RhythmMeter()
    for i in range(20):
        meter.add(1e9 + 10 * i if i < 10 else 10.0 * i, changed=False)
    assert meter.rhythm == Rhythm(10.0, 10.0, steady=True, on_change=False, count=20)


def test_memory_stays_bounded_by_any_messages() -> None:
    dice, at, sizes = Random(9), 0.0, []
    tracemalloc.start()
    try:
        before = tracemalloc.get_traced_memory()[0]
        meter = RhythmMeter()
        for i in range(4001):
            at += 10 ** dice.uniform(-4, 5)
            meter.add(at, changed=dice.random() < 0.5)
            if i % 2000 == 1999:
                sizes.append(tracemalloc.get_traced_memory()[0] - before)
    finally:
        tracemalloc.stop()
    assert max(sizes) < 20_000, sizes


@pytest.mark.parametrize(
    ("rhythm", "said"),
    [
        (
            Rhythm(9.98, 20.1, steady=True, on_change=False, count=14),
            "speaks every 10 s (seen 14 times): shorter cuts are missed, starts come up to 10 s late",
        ),
        (
            Rhythm(60.2, 61, steady=True, on_change=True, count=900),
            "speaks on change, and also every 60 s (seen 900 times)",
        ),
        (
            Rhythm(300, 301, steady=True, on_change=True, count=9),
            "speaks on change, and also every 5 min (seen 9 times)",
        ),
        (Rhythm(70, 2000, steady=False, on_change=True, count=30), "speaks only on change (seen 30 times)"),
    ],
)
def test_a_rhythm_in_words_says_what_it_rests_on_and_what_it_costs(rhythm: Rhythm, said: str) -> None:
    assert words(rhythm) == said


def steadily(every: float, *, on_change: bool = False, count: int = 100, longest: float | None = None) -> Rhythm:
    return Rhythm(every, every if longest is None else longest, steady=True, on_change=on_change, count=count)


CHANGING = Rhythm(60, 2000, steady=False, on_change=True, count=30)


@pytest.mark.parametrize(
    ("rhythm", "silent_after", "wanted"),
    [
        (steadily(10), 30, None),
        (steadily(10), 20, None),
        (steadily(10), 19.9, "silent_after = 30"),
        (steadily(20, longest=60), 60, "silent_after = 90"),
        (steadily(60, on_change=True), 30, "silent_after = 180"),
        (steadily(300), 30, "silent_after = 900"),
        (steadily(0.5), 30, None),
        (steadily(0.5), 0, "silent_after = 5"),
        (steadily(10, count=19), 0, None),
        (CHANGING, 30, "silent_after = 0"),
        (CHANGING, 0, None),
        (CHANGING, 4001, None),
    ],
)
def test_a_silent_after_that_does_not_fit_is_said_with_one_that_does(
    rhythm: Rhythm, silent_after: float, wanted: str | None
) -> None:
    said = misfit(rhythm, silent_after)
    assert (said is None) is (wanted is None), said
    if wanted is not None:
        assert said is not None
        assert wanted in said
        assert f"seen {rhythm.count} times" in said
