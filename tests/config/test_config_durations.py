"""Durations: what people write, and what is refused with what is wanted."""

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gatehand.times import PATTERN, NoDurationError, seconds, written


@pytest.mark.parametrize(
    ("value", "wanted"),
    [
        (10, 10.0),
        (0, 0.0),
        (0.25, 0.25),
        ("10 s", 10.0),
        ("10s", 10.0),
        ("1 min 30 s", 90.0),
        ("1min30s", 90.0),
        ("250 ms", 0.25),
        ("1.5 min", 90.0),
        ("8 h", 28800.0),
        ("1 d 1 h 1 min 1 s 1 ms", 90061.001),
        (" 30 min ", 1800.0),
    ],
)
def test_a_duration_is_read(value: object, wanted: float) -> None:
    assert seconds(value) == pytest.approx(wanted, abs=1e-9)


@pytest.mark.parametrize(
    ("value", "wanted"),
    [
        (True, "a duration is wanted"),
        (None, "a duration is wanted"),
        (float("nan"), "finite"),
        (float("inf"), "finite"),
        (-1, "never negative"),
        (10**400, "longer than a year"),
        ("", "empty"),
        ("10", "needs its unit"),
        ("ten s", "wanted seconds as a number"),
        ("10 S", 'no unit "S"'),
        ("1,5 min", "needs its unit"),
        ("-5 s", "wanted seconds as a number"),
        ("1e3 s", 'no unit "e"'),
        ("1 s 1 s", "larger unit first"),
        ("1 s 1 h", "larger unit first"),
        ("inf s", "wanted seconds as a number"),
        ("\u0663 s", "wanted seconds as a number"),
    ],
)
def test_what_is_no_duration_is_refused_with_what_is_wanted(value: object, wanted: str) -> None:
    with pytest.raises(NoDurationError, match=re.escape(wanted)):
        seconds(value)


@given(st.integers(0, 366 * 86_400_000).map(lambda ms: ms / 1000))
def test_a_written_duration_reads_back(value: float) -> None:
    assert seconds(written(value)) == pytest.approx(value, abs=1e-6)


@given(st.text("0123456789. dhmins", max_size=14))
def test_the_pattern_for_editors_accepts_what_is_read_and_nothing_more(text: str) -> None:
    try:
        seconds(text)
    except NoDurationError as error:
        accepted = "longer than a year" in str(error) and text == text.strip()
    else:
        accepted = text == text.strip()
    assert (re.search(PATTERN, text) is not None and text.strip() == text) is accepted
