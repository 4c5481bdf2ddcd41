"""Deadlines are sums rounded to the microsecond, and are reached when they are not ahead."""

from gatehand_rules.timing import due, reached


def test_a_sum_of_tenths_is_due_when_a_clock_of_milliseconds_shows_it() -> None:
    assert due(0.1, 0.2) == 0.3
    assert reached(0.3, 0.1, 0.2)


def test_a_deadline_is_reached_at_its_instant_and_not_a_millisecond_before() -> None:
    assert reached(7.5, 5.0, 2.5)
    assert not reached(7.499, 5.0, 2.5)
    assert due(5.0, 2.5) == 7.5


def test_a_deadline_keeps_the_microsecond() -> None:
    assert due(1.0, 0.0000014) == 1.000001
