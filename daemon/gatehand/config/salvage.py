"""What can still be read of a config with errors: for commands that must do their best whatever was edited.

Never for the daemon: it keeps its last good config instead.
"""

import re
import tomllib
from pathlib import Path
from typing import Final

from gatehand.config import syntax
from gatehand.config.partial import read
from gatehand.config.positions import TooDeepError, scan
from gatehand.config.tree import Config

_HEADER: Final = re.compile(r"\s*\[")


def salvage(text: str) -> Config:
    """The keys that are right; nothing across tables has been checked.

    A table with a mistake in its TOML is left out whole, so that no key of it is taken for one of the table before.
    """
    lines = text.splitlines(keepends=True)
    while any(line.strip() for line in lines):
        try:
            return read(tomllib.loads("".join(lines))).config
        except (ValueError, RecursionError) as error:
            _blank(lines, _line_of(error, "".join(lines)))
    return Config()


def _line_of(error: Exception, text: str) -> int:
    """Counted from 0."""
    try:
        scan(text)
    except TooDeepError as deep:
        return deep.spot.line - 1
    return syntax.problem(error, text, Path()).line - 1


def _blank(lines: list[str], at: int) -> None:
    """Empty the table that line `at` is in, or the last that is not empty before it."""
    at = min(at, len(lines) - 1)
    while not lines[at].strip() and at > 0:
        at -= 1
    if not lines[at].strip():
        at = next(number for number, line in enumerate(lines) if line.strip())
    begin = next((number for number in range(at, -1, -1) if _HEADER.match(lines[number])), 0)
    end = next((number for number in range(at + 1, len(lines)) if _HEADER.match(lines[number])), len(lines))
    lines[begin:end] = ["\n"] * (end - begin)
