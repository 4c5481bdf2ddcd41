"""The pure part of the watcher: what alarms it comes to, reading by reading."""

from itertools import accumulate, cycle, islice

from hypothesis import given, settings
from hypothesis import strategies as st

from gatehand.shell.suction_watch import APART, FRESH, HOLDS, SELDOM, SETTLES, By, Ended, Expected, Raised, Watch, Way

EXPECTED = Expected(1400.0, 1600.0, 1800.0, By.DUCTS)
GATES = ("band_saw",)
INSIDE = st.floats(EXPECTED.low, EXPECTED.high)
ABOVE, BELOW = st.floats(1801, 4000), st.floats(0, 1399)
STEPS = st.floats(0.05, FRESH - 0.01)  # summed up, a step of all of it may come out a hair longer


def watching(now: float = 0.0) -> Watch:
    """The fan runs with one gate open, and what is expected is known."""
    watch = Watch()
    assert watch.look(GATES, now, spin_up=0.0, why="") is None
    watch.expect(EXPECTED, "")
    return watch


def played(watch: Watch, values: list[float], steps: list[float], now: float = 0.0) -> list[tuple[float, object]]:
    """When it came to what."""
    times = list(accumulate(steps, initial=now))[1:]
    found = [(at, watch.take(value, at)) for at, value in zip(times, values, strict=False)]
    return [(at, change) for at, change in found if change is not None]


@settings(max_examples=40)
@given(st.lists(INSIDE, max_size=60), st.lists(STEPS, min_size=60, max_size=60))
def test_inside_the_spread_there_is_never_an_alarm(values: list[float], steps: list[float]) -> None:
    watch = watching()
    assert played(watch, values, steps) == []
    assert watch.alarm is None


@settings(max_examples=40)
@given(st.one_of(st.lists(ABOVE, min_size=1, max_size=9), st.lists(BELOW, min_size=1, max_size=9)), STEPS)
def test_outside_the_spread_an_alarm_comes_within_ten_seconds_and_one_reading(some: list[float], every: float) -> None:
    steps = [every] * (int((SETTLES + HOLDS) / every) + 9)
    times = list(accumulate(steps, initial=0.0))[1:]
    changes = played(watching(), list(islice(cycle(some), len(times))), steps)
    first = next(at for at in times if at >= SETTLES)
    ((at, change),) = changes
    assert isinstance(change, Raised)
    assert change.way is (Way.HIGH if some[0] > EXPECTED.high else Way.LOW)
    assert first + HOLDS - 1e-6 <= at <= first + HOLDS + every + 1e-6


@settings(max_examples=40)
@given(st.lists(st.one_of(INSIDE, ABOVE, BELOW), max_size=60), st.lists(STEPS, min_size=60, max_size=60))
def test_an_alarm_rests_on_ten_seconds_of_readings_that_all_say_the_same(
    values: list[float], steps: list[float]
) -> None:
    watch = watching()
    for at, change in played(watch, values, steps):
        times = list(accumulate(steps))
        last = [value for when, value in zip(times, values, strict=False) if at - HOLDS <= when <= at]
        if isinstance(change, Raised):
            assert all((v > EXPECTED.high) if change.way is Way.HIGH else (v < EXPECTED.low) for v in last)
        else:
            assert isinstance(change, Ended)
            assert all(EXPECTED.low <= v <= EXPECTED.high for v in last)


@settings(max_examples=40)
@given(st.lists(ABOVE, min_size=2, max_size=40), st.floats(FRESH + 0.01, 4000))
def test_readings_too_far_apart_come_to_nothing(values: list[float], every: float) -> None:
    assert played(watching(), values, [every] * len(values)) == []


def test_what_comes_late_now_and_then_is_not_a_sensor_that_speaks_seldom() -> None:
    watch = watching()
    late = FRESH + 1
    played(watch, [1600.0] * 9, [1.0, late, 1.0, late, 1.0, late, late, late, 1.0])
    assert watch.gaps == 0
    played(watch, [1600.0] * 3, [late] * 3, now=200.0)
    assert watch.gaps == SELDOM


def test_a_sensor_that_speaks_once_a_minute_is_known_for_it_over_cuts_that_are_short() -> None:
    watch = watching()
    for cut in range(SELDOM + 1):
        watch.look(("band_saw", "bench")[cut % 2 :], 60.0 * cut, spin_up=0.0, why="")
        watch.take(1600.0, 60.0 * cut + 30)
    assert watch.gaps == SELDOM


def test_a_flood_is_judged_and_not_all_of_it_kept() -> None:
    watch = watching()
    ((at, change),) = played(watch, [3000.0] * 20_000, [0.001] * 20_000)
    assert isinstance(change, Raised)
    assert SETTLES + HOLDS - 1e-6 <= at <= SETTLES + HOLDS + 0.01
    level = watch.level(20.0, seconds=30.0, least=10.0)
    assert level is not None
    assert level.count <= 15 / APART + 1


def test_time_alone_raises_nothing() -> None:
    watch = watching()
    watch.take(3000.0, SETTLES)
    assert [watch.pass_time(SETTLES + n) for n in range(100)] == [None] * 100
    assert watch.alarm is None


def raised(way: float = 3000.0) -> tuple[Watch, float]:
    watch = watching()
    changes = played(watch, [way] * 20, [1.0] * 20)
    assert isinstance(changes[-1][1], Raised)
    return watch, 20.0


def test_an_alarm_ends_once_the_suction_was_as_expected_for_ten_seconds() -> None:
    watch, now = raised()
    ((at, change),) = played(watch, [1600.0] * 20, [1.0] * 20, now)
    assert isinstance(change, Ended)
    assert at == now + 1 + HOLDS


def test_a_moment_inside_the_spread_does_not_end_it() -> None:
    watch, now = raised()
    assert played(watch, [1600.0] * 9 + [3000.0] + [1600.0] * 9, [1.0] * 19, now) == []
    assert watch.alarm is Way.HIGH


def test_it_ends_when_its_sensor_falls_silent() -> None:
    watch, now = raised()
    assert watch.pass_time(now + FRESH) is None
    ended = watch.pass_time(now + FRESH + 0.1)
    assert isinstance(ended, Ended)
    assert ended.why == "no reading from its sensor for 15 s"


def test_another_set_of_gates_begins_anew_and_waits_until_it_has_settled() -> None:
    watch, now = raised()
    assert watch.look(("bench",), now, spin_up=3.0, why="other gates") == Ended(Way.HIGH, "other gates")
    watch.expect(EXPECTED, "")
    assert played(watch, [3000.0] * 14, [1.0] * 14, now) == []
    ((at, change),) = played(watch, [3000.0] * 4, [1.0] * 4, now + 14)
    assert isinstance(change, Raised)
    assert at == now + SETTLES + HOLDS


def test_a_fan_that_has_just_come_on_gets_its_spin_up_too() -> None:
    watch = Watch()
    watch.look(GATES, 0.0, spin_up=4.0, why="")
    watch.expect(EXPECTED, "")
    ((at, _),) = played(watch, [3000.0] * 30, [1.0] * 30)
    assert at == SETTLES + 4.0 + HOLDS


def test_with_nothing_expected_nothing_is_concluded() -> None:
    watch = Watch()
    watch.look(GATES, 0.0, spin_up=0.0, why="")
    assert played(watch, [3000.0] * 60, [1.0] * 60) == []
    level = watch.level(60.0, seconds=10.0, least=8.0)
    assert level is not None
    assert (level.value, level.count, level.is_steady) == (3000.0, 11, True)


def test_the_other_way_takes_its_ten_seconds_too() -> None:
    watch, now = raised()
    ((at, change),) = played(watch, [100.0] * 20, [1.0] * 20, now)
    assert isinstance(change, Raised)
    assert change.way is Way.LOW
    assert at == now + 1 + HOLDS


def test_an_interruption_ends_it_with_its_reason_and_old_readings_count_no_more() -> None:
    watch, now = raised()
    assert watch.interrupt(now, "the broker is away") == Ended(Way.HIGH, "the broker is away")
    assert watch.level(now, seconds=10.0, least=1.0) is None
    assert watch.last is None
    assert played(watch, [3000.0] * int(SETTLES + HOLDS - 1), [1.0] * 20, now) == []


def test_to_be_told_the_same_again_changes_nothing() -> None:
    watch, now = raised()
    before = watch.level(now, seconds=10.0, least=8.0)
    assert before is not None
    assert watch.look(GATES, now, spin_up=3.0, why="other gates") is None
    assert watch.expect(EXPECTED, "something else") is None
    assert watch.level(now, seconds=10.0, least=8.0) == before
    assert watch.alarm is Way.HIGH
