"""Durations as people write them: seconds as a number, or text such as "1 min 30 s". No pydantic in here."""

import math
import re
from typing import Final

SECONDS_IN: Final = {"d": 86400.0, "h": 3600.0, "min": 60.0, "s": 1.0, "ms": 0.001}
"""The units, largest first: in a text they must stand in this order, each at most once."""

LONGEST: Final = 366 * 86400.0

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
        case bool():
            raise NoDurationError(f"a duration is wanted: {WANTED}")
        case int() | float():
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
            raise NoDurationError(f'"{unit}" stands out of order or twice: wanted the larger unit first, each once')
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
