"""Times as people type them, seen from Thursday, 5 March 2026, 14:30 in Boston; summer time begins on the 8th."""

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from gatehand.times import WhenError, when

BOSTON = ZoneInfo("America/New_York")
NOW = datetime(2026, 3, 5, 14, 30, tzinfo=BOSTON)


@pytest.mark.parametrize(
    ("text", "meant"),
    [
        ("14:32", "2026-03-05T14:32:00-05:00"),
        ("9:05:30.5", "2026-03-05T09:05:30.500-05:00"),
        ("today 14:00", "2026-03-05T14:00:00-05:00"),
        ("today", "2026-03-05T00:00:00-05:00"),
        ("Yesterday", "2026-03-04T00:00:00-05:00"),
        ("yesterday 23:59", "2026-03-04T23:59:00-05:00"),
        ("2 h ago", "2026-03-05T12:30:00-05:00"),
        ("1 h 30 min ago", "2026-03-05T13:00:00-05:00"),
        ("-30 min", "2026-03-05T14:00:00-05:00"),
        ("-30min", "2026-03-05T14:00:00-05:00"),
        ("3 days ago", "2026-03-02T14:30:00-05:00"),
        ("90 s ago", "2026-03-05T14:28:30-05:00"),
        ("now", "2026-03-05T14:30:00-05:00"),
        ("2026-03-05T19:30:00Z", "2026-03-05T14:30:00-05:00"),
        ("2026-03-05T19:30:00.250+00:00", "2026-03-05T14:30:00.250-05:00"),
        ("2026-03-01", "2026-03-01T00:00:00-05:00"),
        ("2026-03-09 08:00", "2026-03-09T08:00:00-04:00"),
    ],
)
def test_a_time_is_understood(text: str, meant: str) -> None:
    assert when(text, NOW).astimezone(UTC) == datetime.fromisoformat(meant).astimezone(UTC)


@pytest.mark.parametrize(
    "text",
    ["", "noon", "25:00", "14:61", "2 apples ago", "-", "ago", "2026-13-01", "2026-03-05T", "today 9", "-9999999 w"],
)
def test_what_is_no_time_is_told_with_what_is_wanted(text: str) -> None:
    with pytest.raises(WhenError, match=r'is not a time.*; wanted RFC 3339.*"2 h ago"'):
        when(text, NOW)


def test_under_the_machines_own_zone_each_day_has_its_own_summer_time(monkeypatch: pytest.MonkeyPatch) -> None:
    import time

    monkeypatch.setenv("TZ", "America/New_York")
    time.tzset()
    try:
        now = datetime(2026, 3, 5, 19, 30, tzinfo=UTC).astimezone()
        assert when("2026-03-09 08:00", now).astimezone(UTC) == datetime(2026, 3, 9, 12, tzinfo=UTC)
        assert when("14:00", now).astimezone(UTC) == datetime(2026, 3, 5, 19, tzinfo=UTC)
    finally:
        monkeypatch.undo()
        time.tzset()
