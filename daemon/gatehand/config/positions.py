"""Finds where each key and value of a TOML text stands: line and column for every key path.

It follows the grammar of TOML 1.0 as far as positions need it and judges nothing: `tomllib` says what is valid, and
what `tomllib` accepts, this reads to the same key paths. On other text it stops where it no longer understands and
keeps what it has.

Below it `parse`: the values too, by `tomllib`, and what that says about text that is not valid TOML, placed and worded
for people who do not read grammars. On Python 3.11 its errors carry line and column in their text only, and a key that
is set twice is reported at the end of the statement; the scanner knows both places.
"""

import re
import sys
import tomllib
from bisect import bisect_right
from collections.abc import Iterator, Mapping
from contextlib import suppress
from itertools import accumulate, count
from typing import Any, Final

from msgspec import Struct, field

from gatehand.config.problems import KeyPath

DEEPEST: Final = 64
"""Tables and lists nested deeper than this are no config; the limit also keeps every recursion bounded."""

_BARE = re.compile(r"[A-Za-z0-9_-]+")
_BLANK = re.compile(r"[ \t]*")
_SPACE = re.compile(r"(?:[ \t\r\n]|#[^\n]*)*")
_BASIC = re.compile(r'"(?:[^"\\\n]|\\.)*"')
_LITERAL = re.compile(r"'[^'\n]*'")
_LONG_BASIC = re.compile(r'"""(?:[^"\\]|\\.|"(?!""))*"{3,5}', re.DOTALL)
_LONG_LITERAL = re.compile(r"'''(?:[^']|'(?!''))*'{3,5}", re.DOTALL)
_STRINGS: Final = {'"""': _LONG_BASIC, "'''": _LONG_LITERAL, '"': _BASIC, "'": _LITERAL}
"""What a text begins with: the first that fits."""
_SCALAR = re.compile(r"[^\s,\]}#]+(?: [0-9][^\s,\]}#]*)?")
_ESCAPE = re.compile(r"\\(?:u([0-9A-Fa-f]{4})|U([0-9A-Fa-f]{8})|x([0-9A-Fa-f]{2})|(.))", re.DOTALL)
_ESCAPED: Final = {"b": "\b", "t": "\t", "n": "\n", "f": "\f", "r": "\r", "e": "\x1b"}
"""With the two forms that TOML 1.1 adds, which later Pythons read."""


class Spot(Struct, frozen=True):
    """A place in the text; both count from 1, the column in characters."""

    line: int
    column: int


START: Final = Spot(1, 1)


class Offsets(Struct, frozen=True):
    """Offsets of a key and of its value. A table made by a header has its name's offsets for both."""

    key: int
    value: int
    end: int


class NotTomlError(Exception):
    """The text is not valid TOML, or none that a config could be; says why. `spot` is where, `key` the one meant."""

    def __init__(self, text: str, spot: Spot, key: KeyPath = ()) -> None:
        super().__init__(text)
        self.spot = spot
        self.key = key


class _Lost(Exception):  # noqa: N818 -- not an error: the scanner no longer understands the text
    """The text is not valid TOML from here on."""


class Positions(Struct):
    """Where everything stands. `doubled` lists keys set a second time: path, first and second offset."""

    text: str
    spans: dict[KeyPath, Offsets] = field(default_factory=dict)
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
        return START


def scan(text: str) -> Positions:
    """Positions of every key path in `text`.

    Raises:
        NotTomlError: for brackets nested beyond `DEEPEST`.
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
        path, span = self.named_by((), through_lists=True)
        self.record(path, span, named=True)
        self.expect("]")
        return path

    def array_header(self) -> KeyPath:
        self.at += 2
        path, span = self.named_by((), through_lists=True)
        number = self.counts.get(path, 0)
        self.counts[path] = number + 1
        self.record(path, span, named=False)
        self.record((*path, number), span, named=True)
        self.expect("]")
        self.expect("]")
        return (*path, number)

    def named_by(self, path: KeyPath, *, through_lists: bool) -> tuple[KeyPath, Offsets]:
        """The path that a key names below another one, and the place of its last part; what is on the way is noted."""
        *before, (name, start, end) = self.key()
        for each, its_start, its_end in before:
            path = (*path, each)
            self.record(path, Offsets(its_start, its_start, its_end), named=False)
            if through_lists and (known := self.counts.get(path)) is not None:
                path = (*path, known - 1)
        return (*path, name), Offsets(start, start, end)

    def pair(self, table: KeyPath) -> None:
        path, span = self.named_by(table, through_lists=False)
        start = span.key
        self.expect("=")
        self.skip(_BLANK)
        value = self.at
        self.record(path, Offsets(start, value, value), named=True)
        self.value(path)
        self.found.spans[path] = Offsets(start, value, self.at)

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
        self.bound(path, self.at)
        if self.text.startswith("[", self.at):
            self.array(path)
        elif self.text.startswith("{", self.at):
            self.inline_table(path)
        else:
            known = (pattern for start, pattern in _STRINGS.items() if self.text.startswith(start, self.at))
            self.take(next(known, _SCALAR))

    def array(self, path: KeyPath) -> None:
        for index in self.each_until("]"):
            start = self.at
            self.found.spans[*path, index] = Offsets(start, start, start)
            self.value((*path, index))
            self.found.spans[*path, index] = Offsets(start, start, self.at)

    def inline_table(self, path: KeyPath) -> None:
        for _ in self.each_until("}"):
            self.pair(path)

    def each_until(self, end: str) -> Iterator[int]:
        """Counts what stands between brackets with commas between: stops before each, which the caller reads."""
        self.at += 1
        for index in count():
            self.skip(_SPACE)
            if self.text.startswith(end, self.at):
                break
            yield index
            self.skip(_SPACE)
            if self.text.startswith(",", self.at):
                self.at += 1
            elif not self.text.startswith(end, self.at):
                raise _Lost
        self.at += 1

    def record(self, path: KeyPath, span: Offsets, *, named: bool) -> None:
        """The place that names a path beats one that only passes through; of two that name it the first stays."""
        self.bound(path, span.key)
        before = self.found.spans.get(path)
        if named and path in self.named and before is not None:
            self.found.doubled.append((path, before.key, span.key))
        elif before is None or (named and path not in self.named):
            self.found.spans[path] = span
        if named:
            self.named.add(path)

    def bound(self, path: KeyPath, at: int) -> None:
        if len(path) > DEEPEST:
            raise NotTomlError(f"nested more than {DEEPEST} deep: wanted a flat table", self.found.spot(at))

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


def parse(text: str) -> tuple[dict[str, Any], Positions]:
    """What a TOML text says, and where.

    Raises:
        NotTomlError: it is none, or nested too deeply.
    """
    positions = scan(text)
    try:
        return tomllib.loads(text), positions
    except RecursionError:
        raise NotTomlError("nested too deeply: wanted plain tables", START) from None
    except ValueError as error:
        raise _explained(str(error), positions) from error


def _explained(said: str, positions: Positions) -> NotTomlError:
    """What `tomllib` said, for people."""
    place = _PLACE.match(said)
    what = place["what"] if place else said
    if positions.doubled and ("Cannot overwrite" in what or "Cannot declare" in what or "Duplicate" in what):
        key, first, second = positions.doubled[0]
        text = f"is set a second time; the first stands in line {positions.spot(first).line}: keep one of the two"
        return NotTomlError(text, positions.spot(second), key)
    hint = next((hint for start, hint in _HINTS.items() if what.startswith(start)), "see https://toml.io")
    if place and place["line"]:
        spot = Spot(int(place["line"]), int(place["column"]))
        hint = _seen_there(positions.text, spot) or hint
    else:
        spot = positions.spot(len(positions.text.rstrip()))
        if place:
            what, hint = f"{what}, at the end of the file", "a value, a closing bracket or a closing quote is missing"
    return NotTomlError(f"is not valid TOML: {what}; {hint}", spot)


def _seen_there(text: str, spot: Spot) -> str | None:
    """The commonest slips, known by what stands at the place."""
    here = [*text.split("\n"), ""][spot.line - 1]
    before, rest = here[: spot.column - 1], here[spot.column - 1 :]
    if rest[:1] in _CURLY:
        return f'{rest[0]} is a quote of a word processor: write "'
    if _COMMA.match(rest):
        return "a number is written with a point, as in 2.5" if before[-1:].isdigit() else "take the comma away"
    return None
