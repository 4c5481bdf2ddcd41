"""One status message, read with tolerance: what is missing or of another kind is nothing, never an error.

It came over the network and goes to a terminal, so text is freed of control characters here.
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from math import isfinite
from typing import Any, Final

LONGEST: Final = 65_536
"""Bytes; a longer message is none of the daemon's."""
_LONGEST_TEXT: Final = 2_000


@dataclass(frozen=True, slots=True)
class Said:
    """The facts of a status message."""

    facts: Mapping[str, object]

    def text(self, key: str) -> str:
        """A text, printable; empty when there is none."""
        found = self.facts.get(key)
        return printable(found) if isinstance(found, str) else ""

    def number(self, key: str) -> float | None:
        """A finite number."""
        found = self.facts.get(key)
        if isinstance(found, bool) or not isinstance(found, int | float):
            return None
        try:
            value = float(found)
        except OverflowError:
            return None
        return value if isfinite(value) else None

    def flag(self, key: str) -> bool | None:
        """Yes or no."""
        found = self.facts.get(key)
        return found if isinstance(found, bool) else None

    def names(self, key: str) -> tuple[str, ...]:
        """A list of names."""
        found = self.facts.get(key)
        return tuple(printable(each) for each in found if isinstance(each, str)) if isinstance(found, list) else ()

    def odd(self, key: str) -> tuple[str, ...]:
        """A list of what was said somewhere and not understood, as sentences."""
        found = self.facts.get(key)
        each = [one for one in found if isinstance(one, dict)] if isinstance(found, list) else []
        return tuple(printable(f"said {one.get('said')!r} on {one.get('topic')}: {one.get('why')}") for one in each)

    def moment(self, key: str) -> float | None:
        """An RFC 3339 time, as seconds of the wall clock."""
        found = self.facts.get(key)
        if not isinstance(found, str):
            return None
        try:
            return datetime.fromisoformat(found).timestamp()
        except (ValueError, OverflowError):
            return None


def read(payload: bytes) -> Said | None:
    """The message's facts, or None when it is no JSON object."""
    if len(payload) > LONGEST:
        return None
    try:
        found: Any = json.loads(payload)
    except (ValueError, RecursionError):
        return None
    return Said(found) if isinstance(found, dict) else None


def printable(text: str) -> str:
    """The text on one line, with a question mark for what could move a terminal's cursor."""
    line = " ".join(text[:_LONGEST_TEXT].split())
    return "".join(char if char.isprintable() else "?" for char in line)
