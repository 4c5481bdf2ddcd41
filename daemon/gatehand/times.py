"""Durations and moments: as people write them, and as they are shown to people and to programs.

Pure but for the machine's own time zone: nothing here asks what time it is. No heavy import: the daemon loads this.
"""

import math
import re
from datetime import UTC, datetime, time, timedelta, timezone, tzinfo
from typing import Final

EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)

_MINUTE: Final = 60
_DAY: Final = 86_400

SECONDS_IN: Final = {"d": 86400.0, "h": 3600.0, "min": 60.0, "s": 1.0, "ms": 0.001}
"""The units, largest first: in a text they must stand in this order, each at most once."""

LONGEST: Final = 366.0 * _DAY

WANTED: Final = 'seconds as a number, or text such as "10 s", "1 min 30 s", "250 ms", "8 h"'

_NUMBER = r"[0-9]+(\.[0-9]+)?"
PATTERN: Final = r"^(?=\s*[0-9])" + r"\s*".join(f"({_NUMBER}\\s*{unit})?" for unit in SECONDS_IN) + "$"
"""The same grammar for editors, as one regular expression."""

_PART = re.compile(rf"\s*(?P<number>{_NUMBER})\s*(?P<unit>[^\W\d_]*)\s*")


class NoDurationError(ValueError):
    """The value is no duration; the text says what is wrong with it and what is wanted."""


def seconds(value: object) -> float:
    """Seconds from a number or a text.

    Raises:
        NoDurationError: for anything else, and for negative, infinite and overlong durations.
    """
    match value:
        case int() | float() if not isinstance(value, bool):
            return _within(value)
        case str():
            return _within(_from_text(value))
        case _:
            raise NoDurationError(f"a duration is wanted: {WANTED}")


def _within(value: float) -> float:
    if isinstance(value, float) and not math.isfinite(value):
        raise NoDurationError(f"a finite duration is wanted: {WANTED}")
    if value < 0:
        raise NoDurationError("a duration is never negative: 0 or more is wanted")
    if value > LONGEST:
        raise NoDurationError("longer than a year: a shorter duration is wanted")
    return float(value)


def _from_text(text: str) -> float:
    units = list(SECONDS_IN)
    total, position, rank = 0.0, 0, -1
    if not text.strip():
        raise NoDurationError(f"the text is empty: wanted {WANTED}")
    while position < len(text):
        part = _PART.match(text, position)
        if part is None:
            raise NoDurationError(f"wanted {WANTED}")
        unit = part["unit"]
        if not unit:
            raise NoDurationError(f'a number in quotes needs its unit ({", ".join(units)}), as in "{part["number"]} s"')
        if unit not in SECONDS_IN:
            raise NoDurationError(f'there is no unit "{unit}": wanted {", ".join(units[:-1])} or {units[-1]}')
        if units.index(unit) <= rank:
            raise NoDurationError(f'"{unit}" is out of order or there twice: wanted the larger unit first, each once')
        rank = units.index(unit)
        total += float(part["number"]) * SECONDS_IN[unit]
        position = part.end()
    return total


def written(value: float) -> str:
    """The shortest text for a duration: 1800 becomes "30 min", 90 becomes "1 min 30 s", 0.25 becomes "250 ms"."""
    left, parts = round(value * 1000), []
    for unit, size in SECONDS_IN.items():
        count, left = divmod(left, round(size * 1000))
        if count:
            parts.append(f"{count} {unit}")
    return " ".join(parts) or "0 s"


def lasting(seconds: float, *, whole: bool = False) -> str:
    """A length of time as it is said: 1.84 s, 2 min 5 s, 8 h. `whole`: in whole seconds, from 2 days on in days."""
    if whole:
        seconds = max(0, round(seconds))
        if seconds >= 2 * _DAY:
            return f"{seconds // _DAY} days"
    if seconds < 0:
        return f"-{lasting(-seconds)}"
    if seconds < _MINUTE:
        return f"{seconds:.3g} s"
    minutes, rest = divmod(round(seconds), _MINUTE)
    hours, minutes = divmod(minutes, _MINUTE)
    parts = ((hours, "h"), (minutes, "min"), (0 if hours else rest, "s"))
    return " ".join(f"{count} {unit}" for count, unit in parts if count)


def rough(seconds: float) -> str:
    """A length of time to three figures in one unit: 45 s, 12.5 min, 1.6 h; from 1,000 h on to the hour."""
    if seconds < 90:  # noqa: PLR2004
        return f"{seconds:.3g} s"
    hours = seconds / 3600
    if hours >= 999.5:  # noqa: PLR2004 - three figures would say 1e+03
        return f"{hours:,.0f} h"
    return f"{seconds / 60:.3g} min" if seconds < 5400 else f"{hours:.3g} h"  # noqa: PLR2004


def to_ms(moment: datetime) -> int:
    """Milliseconds since 1970."""
    return round((moment - EPOCH) / timedelta(milliseconds=1))


def from_ms(ms: int) -> datetime:
    """The moment so many milliseconds after 1970 began, in UTC."""
    return EPOCH + timedelta(milliseconds=ms)


def stamp(wall: float) -> str:
    """Wall seconds as RFC 3339 with milliseconds, UTC, `Z`: for programs."""
    return datetime.fromtimestamp(wall, UTC).isoformat(timespec="milliseconds")[:-6] + "Z"


def ms_stamp(ms: int | None) -> str | None:
    """The same of milliseconds since 1970; None stays None."""
    return None if ms is None else stamp(ms / 1000)


def stamp_ms(text: str) -> int:
    """RFC 3339 in milliseconds since 1970; 0 for a time that is none."""
    try:
        return to_ms(datetime.fromisoformat(text))
    except (ValueError, TypeError):
        return 0


def local(ms: int) -> datetime:
    """The same moment by this machine's time zone."""
    return from_ms(ms).astimezone()


def local_text(ms: int | None) -> str:
    """Local day and time with milliseconds, for people: 2026-03-05 14:32:10.250. `-` where there is none."""
    return "-" if ms is None else _worded(local(ms))


def local_clock(ms: int) -> str:
    """Local time of day: 14:32:10."""
    return f"{local(ms):%H:%M:%S}"


def local_stamp(text: str) -> str:
    """An RFC 3339 time by this machine's zone, as `local_text` words it; a text that is none stays what it is."""
    try:
        return _worded(datetime.fromisoformat(text).astimezone())
    except (ValueError, OverflowError):
        return text


def _worded(moment: datetime) -> str:
    return moment.strftime("%Y-%m-%d %H:%M:%S.%f")[:-3]


_AGO: Final = r"(?:-\s*(?P<minus>.+)|(?P<ago>.+?)\s+ago)"
_SPAN: Final = r"(\d+(?:\.\d+)?)\s*(weeks?|w|days?|d|hours?|h|minutes?|mins?|min|m|seconds?|secs?|s)(?![a-z])"
_SECONDS: Final = {"w": 7 * _DAY, "d": _DAY, "h": 3600, "m": _MINUTE, "s": 1}
_CLOCK: Final = r"(\d{1,2}):(\d{2})(?::(\d{2})(?:\.(\d{1,6}))?)?"
_DAYS: Final = {"today": 0, "yesterday": -1}

_FORMS: Final = (
    'RFC 3339 such as 2026-03-05T14:32:10+01:00, a date, "14:32", "today 14:00", "yesterday", "2 h ago", "-30 min"'
)


class WhenError(ValueError):
    """A text that is no time; says what is wanted."""


def when(text: str, now: datetime) -> datetime:
    """The moment that `text` means, seen from `now`, whose zone counts where the text gives none.

    Forms: RFC 3339, a time of day, `yesterday 9:00`, `2 h ago`, `-30 min`. A time of day without a day is today's, also
    one that has not come yet.

    Raises:
        WhenError: No time, or one that does not exist.
    """
    said = " ".join(text.split()).lower()
    try:
        found = _ago(said, now) or _day_and_clock(said, now) or _iso(text.strip(), now.tzinfo)
    except (ValueError, OverflowError) as error:
        raise WhenError(f"{text!r} is not a time ({error}); wanted {_FORMS}") from None
    if found is None:
        raise WhenError(f"{text!r} is not a time; wanted {_FORMS}")
    return found


def _ago(said: str, now: datetime) -> datetime | None:
    if said == "now":
        return now
    match = re.fullmatch(_AGO, said)
    if match is None:
        return None
    span = match["minus"] or match["ago"]
    parts = re.findall(_SPAN, span)
    if not parts or re.sub(_SPAN, "", span).strip():
        raise ValueError(f"{span!r} is not a length of time")
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
            raise ValueError(f"{rest!r} is not a time of day")
        return None
    return _zoned(datetime.combine(day, clock), now.tzinfo)


def _clock(said: str) -> time | None:
    match = re.fullmatch(_CLOCK, said)
    if match is None:
        return None
    hour, minute, second, fraction = match.groups()
    return time(int(hour), int(minute), int(second or 0), int((fraction or "0").ljust(6, "0")))


def _iso(text: str, zone: tzinfo | None) -> datetime | None:
    if not re.match(r"\d{4}-\d{2}-\d{2}", text):
        return None
    found = datetime.fromisoformat(text)
    return found if found.tzinfo is not None else _zoned(found, zone)


def _zoned(naive: datetime, zone: tzinfo | None) -> datetime:
    """A wall time in the zone; under the machine's own zone with that day's summer time."""
    if zone is None or isinstance(zone, timezone):
        # `datetime.now().astimezone()` gives a fixed offset, which may be another one on that day.
        return naive.astimezone()
    return naive.replace(tzinfo=zone)
