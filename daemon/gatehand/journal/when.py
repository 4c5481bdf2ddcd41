"""Reads a time as people give it: RFC 3339, a time of day, `yesterday 9:00`, `2 h ago`, `-30 min`. Pure.

Times without a zone are local. A time of day without a day is today's, also one that has not come yet.
"""

import re
from datetime import datetime, time, timedelta, timezone, tzinfo

_AGO = re.compile(r"(?:-\s*(?P<minus>.+)|(?P<ago>.+?)\s+ago)")
_PART = re.compile(r"(\d+(?:\.\d+)?)\s*(weeks?|w|days?|d|hours?|h|minutes?|mins?|min|m|seconds?|secs?|s)(?![a-z])")
_SECONDS = {"w": 604_800, "d": 86_400, "h": 3600, "m": 60, "s": 1}
_CLOCK = re.compile(r"(\d{1,2}):(\d{2})(?::(\d{2})(?:\.(\d{1,6}))?)?")
_DAYS = {"today": 0, "yesterday": -1}

FORMS = 'RFC 3339 such as 2026-03-05T14:32:10+01:00, a date, "14:32", "today 14:00", "yesterday", "2 h ago", "-30 min"'


class WhenError(ValueError):
    """A text that is no time; says what is wanted."""


def when(text: str, now: datetime) -> datetime:
    """The moment that `text` means, seen from `now` (with its zone, which is the local one).

    Raises:
        WhenError: No time, or one that does not exist.
    """
    said = " ".join(text.split()).lower()
    try:
        found = _ago(said, now) or _day_and_clock(said, now) or _iso(text.strip(), now.tzinfo)
    except (ValueError, OverflowError) as error:
        raise WhenError(f"{text!r} is no time ({error}); wanted: {FORMS}") from None
    if found is None:
        raise WhenError(f"{text!r} is no time; wanted: {FORMS}")
    return found


def _ago(said: str, now: datetime) -> datetime | None:
    if said == "now":
        return now
    match = _AGO.fullmatch(said)
    if match is None:
        return None
    span = match["minus"] or match["ago"]
    parts = _PART.findall(span)
    if not parts or _PART.sub("", span).strip():
        raise ValueError(f"{span!r} is no length of time")
    return now - timedelta(seconds=sum(float(count) * _SECONDS[unit[0]] for count, unit in parts))


def _day_and_clock(said: str, now: datetime) -> datetime | None:
    word, _, rest = said.partition(" ")
    if word in _DAYS:
        day = now.date() + timedelta(days=_DAYS[word])
        clock = _clock(rest) if rest else time()
    else:
        day, clock = now.date(), _clock(said)
    if clock is None:
        if word in _DAYS:
            raise ValueError(f"{rest!r} is no time of day")
        return None
    return _local(datetime.combine(day, clock), now.tzinfo)


def _clock(said: str) -> time | None:
    match = _CLOCK.fullmatch(said)
    if match is None:
        return None
    hour, minute, second, fraction = match.groups()
    return time(int(hour), int(minute), int(second or 0), int((fraction or "0").ljust(6, "0")))


def _iso(text: str, zone: tzinfo | None) -> datetime | None:
    if not re.match(r"\d{4}-\d{2}-\d{2}", text):
        return None
    found = datetime.fromisoformat(text)
    return found if found.tzinfo is not None else _local(found, zone)


def _local(naive: datetime, zone: tzinfo | None) -> datetime:
    """A wall time in the zone; under the machine's own zone with that day's summer time."""
    if zone is None or isinstance(zone, timezone):
        # `datetime.now().astimezone()` gives a fixed offset, which may be another one on that day.
        return naive.astimezone()
    return naive.replace(tzinfo=zone)
