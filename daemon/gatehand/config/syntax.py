"""What `tomllib` says about text that is no TOML, placed and worded for people who do not read grammars.

On Python 3.11 its errors carry line and column in their text only, and a key that is set twice is reported at the end
of the statement; the scanner knows both places.
"""

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Final

from gatehand.config.positions import Positions, scan
from gatehand.config.problems import Level, Problem, dotted

_PLACE = re.compile(r"^(?P<what>.*) \(at (?:line (?P<line>\d+), column (?P<column>\d+)|end of document)\)$", re.DOTALL)
_HINTS: Final[Mapping[str, str]] = {
    "Invalid value": 'text stands in quotes, as in "main"; yes and no are written true and false',
    "Invalid statement": "a line is a table such as [tool.band_saw] or a key = value; a comment begins with #",
    "Expected '=' after a key": "a line is a table such as [tool.band_saw] or a key = value",
    "Expected newline or end": "one key = value a line; text stands in quotes; a comment begins with #",
    "Expected ']'": "a table's head ends with ], a list of tables' with ]]",
    "Unescaped": "a backslash in \"...\" is written \\\\; or use '...'",
    "Illegal character": "this character cannot stand here; a quote may be missing before it",
    "Unterminated string": "the closing quote is missing",
    "Unclosed": "the closing bracket is missing",
    "Invalid initial character for a key part": "a key has letters, digits, _ and -; no comma before a closing }",
}

_CURLY: Final = frozenset("\u201c\u201d\u201e\u00ab\u00bb\u2018\u2019")
"""Typographic quotes, that a text taken from a word processor or a web page brings along."""
_COMMA: Final = re.compile(r",\s*(\d+\s*)?(#.*)?$")


def problem(error: Exception, text: str, path: Path) -> Problem:
    """The problem that a `TOMLDecodeError` (or what else `tomllib` raises) stands for."""
    positions = scan(text)
    if isinstance(error, RecursionError):
        return Problem(str(path), 1, 1, "", Level.ERROR, "nested too deeply: wanted plain tables")
    place = _PLACE.match(str(error))
    what = place["what"] if place else str(error)
    if positions.doubled and ("Cannot overwrite" in what or "Cannot declare" in what or "Duplicate" in what):
        return _doubled(positions, path)
    hint = next((hint for start, hint in _HINTS.items() if what.startswith(start)), "see https://toml.io")
    if place and place["line"]:
        line, column = int(place["line"]), int(place["column"])
        hint = _seen_there(text, line, column) or hint
    else:
        spot = positions.spot(len(text.rstrip()))
        line, column = spot.line, spot.column
        if place:
            what, hint = f"{what}, at the end of the file", "a value, a closing bracket or a closing quote is missing"
    return Problem(str(path), line, column, "", Level.ERROR, f"is no TOML: {what}; {hint}")


def _seen_there(text: str, line: int, column: int) -> str | None:
    """The commonest slips, known by what stands at the place."""
    lines = text.split("\n")
    here = lines[line - 1] if line <= len(lines) else ""
    before, rest = here[: column - 1], here[column - 1 :]
    if rest[:1] in _CURLY:
        return f'{rest[0]} is a quote of a word processor: write "'
    if _COMMA.match(rest):
        return "a number is written with a point, as in 2.5" if before[-1:].isdigit() else "take the comma away"
    return None


def _doubled(positions: Positions, path: Path) -> Problem:
    key, first, second = positions.doubled[0]
    spot = positions.spot(second)
    text = f"is set a second time; the first stands in line {positions.spot(first).line}: keep one of the two"
    return Problem(str(path), spot.line, spot.column, dotted(key), Level.ERROR, text)
