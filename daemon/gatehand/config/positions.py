"""Finds where each key and value of a TOML text stands: line and column for every key path.

It follows the grammar of TOML 1.0 as far as positions need it and judges nothing: `tomllib` says what is valid, and
what `tomllib` accepts, this reads to the same key paths. On other text it stops where it no longer understands and
keeps what it has.
"""

import re
import sys
from bisect import bisect_right
from collections.abc import Iterator
from contextlib import suppress
from itertools import accumulate, count
from typing import Final

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
STRINGS: Final = {'"""': _LONG_BASIC, "'''": _LONG_LITERAL, '"': _BASIC, "'": _LITERAL}
"""What a text begins with: the first that fits."""
_SCALAR = re.compile(r"[^\s,\]}#]+(?: [0-9][^\s,\]}#]*)?")
_ESCAPE = re.compile(r"\\(?:u([0-9A-Fa-f]{4})|U([0-9A-Fa-f]{8})|x([0-9A-Fa-f]{2})|(.))", re.DOTALL)
_ESCAPED: Final = {"b": "\b", "t": "\t", "n": "\n", "f": "\f", "r": "\r", "e": "\x1b"}
"""With the two forms that TOML 1.1 adds, which later Pythons read."""


class Span(Struct, frozen=True):
    """A place in one line of the text; all count from 1, columns in characters."""

    line: int
    column: int
    end_column: int
    """The first one behind it."""


START: Final = Span(1, 1, 1)


class Offsets(Struct, frozen=True):
    """Offsets of a key and of its value. A table made by a header has its name's offsets for both."""

    key: int
    key_end: int
    value: int
    end: int


class Statement(Struct):
    """A table header, or a key with its value: where it begins, and what it names, as far as that was understood."""

    start: int
    path: KeyPath = ()


class TooDeepError(Exception):
    """Tables and lists within each other beyond `DEEPEST`; `offset` is where."""

    def __init__(self, offset: int) -> None:
        super().__init__(f"nested more than {DEEPEST} deep: wanted a flat table")
        self.offset = offset


class _Lost(Exception):  # noqa: N818 -- not an error: the scanner no longer understands the text
    """The text is not valid TOML from here on."""


class Positions(Struct):
    """Where everything stands. `doubled` lists keys set a second time: path, first and second offset of the key."""

    text: str
    spans: dict[KeyPath, Offsets] = field(default_factory=dict)
    doubled: list[tuple[KeyPath, Offsets, Offsets]] = field(default_factory=list)
    statements: list[Statement] = field(default_factory=list)
    lost: bool = False
    """Whether the last statement was not understood to its end."""
    _lines: list[int] = field(default_factory=list)

    @property
    def lines(self) -> list[int]:
        """The offset at which each line begins."""
        if not self._lines:
            self._lines = [0, *accumulate(len(line) + 1 for line in self.text.split("\n"))][:-1]
        return self._lines

    def line_of(self, offset: int) -> int:
        """The line, counted from 0, that an offset is in."""
        return bisect_right(self.lines, offset) - 1

    def span(self, start: int, end: int) -> Span:
        """From one offset to another, as far as it goes in the first one's line."""
        line = self.line_of(start)
        first = self.lines[line]
        last = self.text.find("\n", start)
        end = max(start, end if last < 0 else min(end, last))
        return Span(line + 1, start - first + 1, end - first + 1)

    def of(self, path: KeyPath, *, at_key: bool = False) -> Span:
        """Where a path stands; a path that is not in the text stands where its nearest parent's name does."""
        for length in range(len(path), 0, -1):
            found = self.spans.get(path[:length])
            if found is not None:
                key = at_key or length < len(path)
                return self.span(found.key, found.key_end) if key else self.span(found.value, found.end)
        return START

    def in_place_of(self, path: KeyPath, name: str, *, at_key: bool = False) -> str | None:
        """A name, quoted as the key or the text is that stands at this very path; None: no such thing stands there."""
        found = self.spans.get(path)
        if found is None:
            return None
        old = self.text[slice(found.key, found.key_end) if at_key else slice(found.value, found.end)]
        mark = next((mark for mark in STRINGS if old.startswith(mark)), "")
        return f"{mark}{name}{mark}" if mark or at_key else None


def scan(text: str) -> Positions:
    """Positions of every key path in `text`.

    Raises:
        TooDeepError: for brackets nested beyond `DEEPEST`.
    """
    scanner = _Scanner(text)
    scanner.found.lost = True
    with suppress(_Lost):
        scanner.document()
        scanner.found.lost = False
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
            self.found.statements.append(Statement(self.at))
            if self.text.startswith("[[", self.at):
                table = self.array_header()
            elif self.text.startswith("[", self.at):
                table = self.header()
            else:
                self.pair(table, self.found.statements[-1])

    def header(self) -> KeyPath:
        self.at += 1
        path, span = self.named_by((), through_lists=True)
        self.found.statements[-1].path = path
        self.record(path, span, named=True)
        self.expect("]")
        return path

    def array_header(self) -> KeyPath:
        self.at += 2
        path, span = self.named_by((), through_lists=True)
        self.found.statements[-1].path = path
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
            self.record(path, Offsets(its_start, its_end, its_start, its_end), named=False)
            if through_lists and (known := self.counts.get(path)) is not None:
                path = (*path, known - 1)
        return (*path, name), Offsets(start, end, start, end)

    def pair(self, table: KeyPath, statement: Statement | None = None) -> None:
        path, span = self.named_by(table, through_lists=False)
        if statement is not None:
            statement.path = path
        self.expect("=")
        self.skip(_BLANK)
        value = self.at
        self.record(path, Offsets(span.key, span.key_end, value, value), named=True)
        self.value(path)
        self.found.spans[path] = Offsets(span.key, span.key_end, value, self.at)

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
            known = (pattern for start, pattern in STRINGS.items() if self.text.startswith(start, self.at))
            self.take(next(known, _SCALAR))

    def array(self, path: KeyPath) -> None:
        for index in self.each_until("]"):
            start = self.at
            self.found.spans[*path, index] = Offsets(start, start, start, start)
            self.value((*path, index))
            self.found.spans[*path, index] = Offsets(start, self.at, start, self.at)

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
            self.found.doubled.append((path, before, span))
        elif before is None or (named and path not in self.named):
            self.found.spans[path] = span
        if named:
            self.named.add(path)

    def bound(self, path: KeyPath, at: int) -> None:
        if len(path) > DEEPEST:
            raise TooDeepError(at)

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
