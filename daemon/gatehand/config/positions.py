"""Finds where each key and value of a TOML text stands: line and column for every key path.

It follows the grammar of TOML 1.0 as far as positions need it and judges nothing: `tomllib` says what is valid, and
what `tomllib` accepts, this reads to the same key paths. On other text it stops where it no longer understands and
keeps what it has. No values are built here.

Below it: what `tomllib` says about text that is no TOML, placed and worded for people who do not read grammars. On
Python 3.11 its errors carry line and column in their text only, and a key that is set twice is reported at the end of
the statement; the scanner knows both places.
"""

import re
import sys
from bisect import bisect_right
from collections.abc import Mapping
from contextlib import suppress
from itertools import accumulate
from pathlib import Path
from typing import Final

from msgspec import Struct, field

from gatehand.config.problems import KeyPath, Level, Problem, dotted

DEEPEST: Final = 64
"""Tables and lists nested deeper than this are no config; the limit also keeps every recursion bounded."""

_BARE = re.compile(r"[A-Za-z0-9_-]+")
_BLANK = re.compile(r"[ \t]*")
_SPACE = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_BASIC = re.compile(r'"(?:[^"\\\n]|\\.)*"')
_LITERAL = re.compile(r"'[^'\n]*'")
_LONG_BASIC = re.compile(r'"""(?:[^"\\]|\\.|"(?!""))*"{3,5}', re.DOTALL)
_LONG_LITERAL = re.compile(r"'''(?:[^']|'(?!''))*'{3,5}", re.DOTALL)
_SCALAR = re.compile(r"[^\s,\]}#]+(?: [0-9][^\s,\]}#]*)?")
_ESCAPE = re.compile(r"\\(?:u([0-9A-Fa-f]{4})|U([0-9A-Fa-f]{8})|x([0-9A-Fa-f]{2})|(.))", re.DOTALL)
_ESCAPED: Final = {"b": "\b", "t": "\t", "n": "\n", "f": "\f", "r": "\r", "e": "\x1b"}
"""With the two forms that TOML 1.1 adds, which later Pythons read."""


class Spot(Struct, frozen=True):
    """A place in the text; both count from 1, the column in characters."""

    line: int
    column: int


class Span(Struct, frozen=True):
    """Offsets of a key and of its value. A table made by a header has its name's offsets for both."""

    key: int
    value: int
    end: int


class TooDeepError(Exception):
    """Nested beyond `DEEPEST`; `spot` is where."""

    def __init__(self, spot: Spot) -> None:
        super().__init__(f"nested more than {DEEPEST} deep")
        self.spot = spot


class _Lost(Exception):  # noqa: N818 -- not an error: the scanner no longer understands the text
    """The text is no TOML from here on."""


class Positions(Struct):
    """Where everything stands. `doubled` lists keys set a second time: path, first and second offset."""

    text: str
    spans: dict[KeyPath, Span] = field(default_factory=dict)
    doubled: list[tuple[KeyPath, int, int]] = field(default_factory=list)
    _lines: list[int] = field(default_factory=list)

    def spot(self, offset: int) -> Spot:
        """Line and column of an offset."""
        if not self._lines:
            self._lines = [0, *accumulate(len(line) + 1 for line in self.text.split("\n"))][:-1]
        line = bisect_right(self._lines, offset)
        return Spot(line, offset - self._lines[line - 1] + 1)

    def of(self, path: KeyPath, *, at_key: bool = False) -> Spot:
        """Where a path stands; a path that is not in the text stands where its nearest parent's name does."""
        for length in range(len(path), 0, -1):
            span = self.spans.get(path[:length])
            if span is not None:
                return self.spot(span.key if at_key or length < len(path) else span.value)
        return Spot(1, 1)


def scan(text: str) -> Positions:
    """Positions of every key path in `text`.

    Raises:
        TooDeepError: for brackets nested beyond `DEEPEST`.
    """
    scanner = _Scanner(text)
    with suppress(_Lost):
        scanner.document()
    return scanner.found


class _Scanner:
    """One pass over the text. `at` is the offset of what comes next."""

    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.found = Positions(text)
        self.named: set[KeyPath] = set()
        """Paths set by their own header or value, not merely on the way to a longer one."""
        self.counts: dict[KeyPath, int] = {}
        """Arrays of tables: how many there are so far."""

    def document(self) -> None:
        table: KeyPath = ()
        while True:
            self.skip(_SPACE)
            if self.at >= len(self.text):
                return
            if self.text.startswith("[[", self.at):
                table = self.array_header()
            elif self.text.startswith("[", self.at):
                table = self.header()
            else:
                self.pair(table)

    def header(self) -> KeyPath:
        self.at += 1
        path: KeyPath = ()
        parts = self.key()
        for number, (name, start, end) in enumerate(parts, 1):
            path = (*path, name)
            self.record(path, Span(start, start, end), named=number == len(parts))
            path = self.latest(path) if number < len(parts) else path
        self.expect("]")
        return path

    def array_header(self) -> KeyPath:
        self.at += 2
        *before, (name, start, end) = self.key()
        path: KeyPath = ()
        for each, its_start, its_end in before:
            path = (*path, each)
            self.record(path, Span(its_start, its_start, its_end), named=False)
            path = self.latest(path)
        path = (*path, name)
        count = self.counts.get(path, 0)
        self.counts[path] = count + 1
        self.record(path, Span(start, start, end), named=False)
        self.record((*path, count), Span(start, start, end), named=True)
        self.expect("]")
        self.expect("]")
        return (*path, count)

    def latest(self, path: KeyPath) -> KeyPath:
        count = self.counts.get(path)
        return path if count is None else (*path, count - 1)

    def pair(self, table: KeyPath) -> None:
        path = table
        parts = self.key()
        for name, start, end in parts[:-1]:
            path = (*path, name)
            self.record(path, Span(start, start, end), named=False)
        name, start, _ = parts[-1]
        path = (*path, name)
        self.expect("=")
        self.skip(_BLANK)
        value = self.at
        self.record(path, Span(start, value, value), named=True)
        self.value(path)
        self.found.spans[path] = Span(start, value, self.at)

    def key(self) -> list[tuple[str, int, int]]:
        parts: list[tuple[str, int, int]] = []
        while True:
            self.skip(_BLANK)
            start = self.at
            parts.append((self.key_part(), start, self.at))
            self.skip(_BLANK)
            if not self.text.startswith(".", self.at):
                return parts
            self.at += 1

    def key_part(self) -> str:
        match self.text[self.at : self.at + 1]:
            case '"':
                return _ESCAPE.sub(_unescaped, self.take(_BASIC)[1:-1])
            case "'":
                return self.take(_LITERAL)[1:-1]
            case _:
                return self.take(_BARE)

    def value(self, path: KeyPath) -> None:
        if len(path) > DEEPEST:
            raise TooDeepError(self.found.spot(self.at))
        head = self.text[self.at : self.at + 3]
        if head == '"""':
            self.take(_LONG_BASIC)
        elif head == "'''":
            self.take(_LONG_LITERAL)
        elif head[:1] == '"':
            self.take(_BASIC)
        elif head[:1] == "'":
            self.take(_LITERAL)
        elif head[:1] == "[":
            self.array(path)
        elif head[:1] == "{":
            self.inline_table(path)
        else:
            self.take(_SCALAR)

    def array(self, path: KeyPath) -> None:
        self.at += 1
        index = 0
        while True:
            self.skip(_SPACE)
            if self.text.startswith("]", self.at):
                self.at += 1
                return
            start = self.at
            self.found.spans[*path, index] = Span(start, start, start)
            self.value((*path, index))
            self.found.spans[*path, index] = Span(start, start, self.at)
            index += 1
            self.skip(_SPACE)
            if self.text.startswith(",", self.at):
                self.at += 1
            elif not self.text.startswith("]", self.at):
                raise _Lost

    def inline_table(self, path: KeyPath) -> None:
        self.at += 1
        while True:
            self.skip(_SPACE)
            if self.text.startswith("}", self.at):
                self.at += 1
                return
            self.pair(path)
            self.skip(_SPACE)
            if self.text.startswith(",", self.at):
                self.at += 1
            elif not self.text.startswith("}", self.at):
                raise _Lost

    def record(self, path: KeyPath, span: Span, *, named: bool) -> None:
        """The place that names a path beats one that only passes through; of two that name it the first stays."""
        if len(path) > DEEPEST:
            raise TooDeepError(self.found.spot(span.key))
        before = self.found.spans.get(path)
        if named and path in self.named and before is not None:
            self.found.doubled.append((path, before.key, span.key))
        elif before is None or (named and path not in self.named):
            self.found.spans[path] = span
        if named:
            self.named.add(path)

    def skip(self, pattern: re.Pattern[str]) -> None:
        if blank := pattern.match(self.text, self.at):
            self.at = blank.end()

    def take(self, pattern: re.Pattern[str]) -> str:
        match = pattern.match(self.text, self.at)
        if match is None:
            raise _Lost
        self.at = match.end()
        return match[0]

    def expect(self, mark: str) -> None:
        self.skip(_BLANK)
        if not self.text.startswith(mark, self.at):
            raise _Lost
        self.at += 1


def _unescaped(match: re.Match[str]) -> str:
    code = match[1] or match[2] or match[3]
    if code is None:
        return _ESCAPED.get(match[4], match[4])
    number = int(code, 16)
    return chr(number) if number <= sys.maxunicode else ""


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


def not_toml(error: Exception, text: str, path: Path) -> Problem:
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
