"""How old a reading is by its own time: the least lag counts as none, and what is held back shows."""

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gatehand.mqtt.payload import MeasuredAt, Reader, Rejected
from gatehand.shell.freshness import ANSWERS_WITHIN, WINDOW, ReadingAge

PACES = [1.0, 1000.0]
"""A clock in seconds, and one in milliseconds."""


def steady(
    pace: float, *, began: float = 7.25, seconds: int = 20, lag: float = 0.05, max_age: float = 5.0
) -> ReadingAge:
    """A sensor that has spoken once a second up to 20 s; its clock showed `began` seconds when ours showed 0."""
    found = ReadingAge(None, max_age)
    for second in range(seconds + 1):
        found.judge_time((began + second) * pace, second + lag)
    return found


def test_nothing_is_judged_until_two_readings_came_a_second_apart() -> None:
    for pace in PACES:
        found = ReadingAge(None, 5.0)
        assert found.judge_time(100.0 * pace, 50.0) is False
        assert found.judge_time(100.999 * pace, 50.999) is False
        assert found.judge_time(101.0 * pace, 51.0) is True


@pytest.mark.parametrize("pace", PACES)
@pytest.mark.parametrize("began", [0.0, 7.25, 1_770_000_000.0], ids=["at 0", "up for 7 s", "set"])
def test_a_reading_that_was_held_back_for_15_s_is_refused_with_its_age(pace: float, began: float) -> None:
    found = steady(pace, began=began)
    judged = found.judge_time((began + 21) * pace, 21 + 15.05)
    assert judged == "it is 15.0 s old by its own time, held back by its device; want at most 5 s (max_age)"
    assert found.judge_time((began + 37) * pace, 37.05) is True, "what follows it is new"


@pytest.mark.parametrize("pace", PACES)
@pytest.mark.parametrize(("late", "young"), [(5.0, True), (5.01, False)])
def test_max_age_itself_is_young(pace: float, late: float, *, young: bool) -> None:
    found = steady(pace)
    judged = found.judge_time((7.25 + 21) * pace, 21 + 0.05 + late)
    assert judged is True if young else isinstance(judged, str)


def test_rfc_3339_is_told_by_its_text() -> None:
    fresh = ReadingAge("/t", 5.0)
    noon = datetime(2026, 5, 4, 12, 0, 0, 250_000, tzinfo=UTC)

    def judge(second: float, received: float) -> bool | Rejected:
        at = (noon + timedelta(seconds=second)).isoformat().replace("+00:00", "Z")
        return fresh.judge(f'{{"t": "{at}", "a": 1}}'.encode(), received)

    assert judge(0, 100.0) is False
    assert judge(1, 101.0) is True
    late = judge(2, 117.0)
    assert isinstance(late, Rejected)
    assert late.old
    assert "15.0 s old" in late.why


@pytest.mark.parametrize("pace", PACES)
def test_a_clock_that_drifts_stays_within_the_window(pace: float) -> None:
    found = ReadingAge(None, 1.0)
    for second in range(0, 6 * 3600, 5):  # it loses 2 s in an hour
        judged = found.judge_time(second * (1 - 2 / 3600) * pace, float(second))
        assert judged is True or second == 0, second


def test_what_was_learnt_more_than_ten_minutes_ago_counts_no_more() -> None:
    found = steady(1.0, began=0.0, seconds=30)
    assert isinstance(found.judge_time(WINDOW - 1, WINDOW - 1 + 20.0), str)
    assert found.judge_time(2 * WINDOW - 30, 2 * WINDOW - 10.0) is True, "it is slower now"


@pytest.mark.parametrize("pace", PACES)
def test_a_time_before_the_newest_is_refused_and_two_in_a_row_are_a_device_started_anew(pace: float) -> None:
    found = steady(pace)
    first = found.judge_time(0.5 * pace, 21.0)
    assert str(first).startswith("its own time lies by 26.8 s before the newest reading's")
    assert found.judge_time(1.5 * pace, 22.0) is False, "accepted, and nothing is known of its age yet"
    assert found.judge_time(2.5 * pace, 23.0) is True
    assert "14.9" in str(found.judge_time(3.5 * pace, 23.0 + 1 + 14.9))


def test_one_time_before_the_newest_and_then_a_later_one_is_no_new_start() -> None:
    found = steady(1.0)
    assert isinstance(found.judge_time(20.0, 21.0), str)
    assert found.judge_time(29.0, 21.9) is True
    assert isinstance(found.judge_time(20.0, 22.0), str), "the one before was not the first of two in a row"


def test_a_clock_that_is_set_forward_costs_nothing() -> None:
    found = steady(1.0)
    assert found.judge_time(3600.0 + 28.25, 21.05) is True
    assert found.judge_time(3600.0 + 29.25, 22.05) is True


def test_first_readings_that_came_late_tell_no_wrong_pace() -> None:
    """Two readings in a burst, a minute apart by their own time: neither seconds nor milliseconds fit."""
    found = ReadingAge(None, 5.0)
    assert found.judge_time(0.0, 100.0) is False
    assert found.judge_time(60.0, 101.2) is False
    assert found.judge_time(61.2, 102.4) is False
    assert found.judge_time(100.0, 141.2) is True, "by now its pace shows"


@pytest.mark.parametrize("pace", PACES)
def test_a_clock_that_does_not_rise_proves_nothing(pace: float) -> None:
    found = ReadingAge(None, 5.0)
    assert [found.judge_time(5.0 * pace, 10.0 + second) for second in range(30)] == [False] * 30


@st.composite
def clocks(draw: st.DrawFn) -> tuple[float, float, float]:
    """The pace of a device's clock, what it shows when ours begins, and by how much it is wrong."""
    return draw(st.sampled_from(PACES)), draw(st.floats(0, 2e9)), draw(st.floats(-2e-4, 2e-4))


@given(
    clock=clocks(),
    every=st.floats(0.3, 30.0),
    jitter=st.lists(st.floats(0.0, 0.2), min_size=5, max_size=60),
    held=st.floats(0.0, 60.0),
)
@settings(max_examples=300, deadline=None)
def test_whatever_the_clock_a_reading_on_time_is_never_refused_and_one_held_back_never_young(
    clock: tuple[float, float, float], every: float, jitter: list[float], held: float
) -> None:
    pace, began, drift = clock
    found = ReadingAge(None, 5.0)
    now = 0.0
    for place, late in enumerate(jitter):
        now = 1000.0 + place * every
        judged = found.judge_time((began + now * (1 + drift)) * pace, now + late)
        assert not isinstance(judged, str)
        assert judged or place * every <= 1.0 + 0.2
    now += every
    judged = found.judge_time((began + now * (1 + drift)) * pace, now + held)
    if held < 4.5:
        assert judged is True
    elif held > 5.5 and len(jitter) * every > 5.0:
        assert isinstance(judged, str)


# --- the answer to a question


@pytest.mark.parametrize(("after", "young"), [(ANSWERS_WITHIN, True), (ANSWERS_WITHIN + 0.001, False)])
def test_the_first_reading_within_2_s_of_a_question_is_its_answer(after: float, *, young: bool) -> None:
    fresh = ReadingAge(None, 5.0)
    fresh.asked_at = 10.0
    assert fresh.judge(b"5", 10.0 + after) is young
    assert fresh.judge(b"5", 10.0 + after) is False, "only the first"


def test_an_answer_that_its_own_time_shows_to_be_old_is_none() -> None:
    fresh = ReadingAge("/t", 5.0)
    fresh.judge(b'{"t": 1}', 1.0)
    fresh.judge(b'{"t": 2}', 2.0)
    fresh.asked_at = 20.0
    assert isinstance(fresh.judge(b'{"t": 3}', 20.5), Rejected)
    assert fresh.judge(b'{"t": 20.6}', 20.6) is True


@pytest.mark.parametrize(
    ("payload", "why"),
    [
        (b'{"a": 1}', "nothing at /t: there is no 't'; there is 'a'"),
        (b'{"t": true}', "found true at /t where a number is wanted"),
        (b'{"t": null}', "found null at /t where a number is wanted"),
        (b'{"t": 1e999}', "found a number that is not finite, want a number within"),
        (b'{"t": "noon"}', "found the text 'noon' at /t, want a number of seconds or milliseconds, or text such as"),
        (b'{"t": "2026-02-30T10:00:00Z"}', "found the text '2026-02-30T10:00:00Z' at /t, want a number"),
        (b'{"t": "2026-05-04T10:00:00"}', "at /t, want a number"),
    ],
)
def test_a_time_that_cannot_be_read_is_refused_in_words(payload: bytes, why: str) -> None:
    found = ReadingAge("/t", 5.0).judge(payload, 1.0)
    assert isinstance(found, Rejected)
    assert not found.old
    assert found.why.startswith("the time of its measurement cannot be read: ")
    assert why in found.why


@pytest.mark.parametrize(
    "text",
    ["2026-05-04T09:30:00Z", "2026-05-04t09:30:00.000z", "2026-05-04 11:30:00+02:00", "2026-05-04T06:00:00-03:30"],
)
def test_a_date_and_time_is_read_with_its_offset(text: str) -> None:
    assert Reader("/t").read_moment(f'{{"t": "{text}"}}'.encode()) == MeasuredAt(1777887000.0, is_text=True)
