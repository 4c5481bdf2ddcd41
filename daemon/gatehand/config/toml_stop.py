"""Where `tomllib` no longer understood a text, and the statement that it was in: what `slips.py` looks at.

It often stops behind the slip itself, so the statement is found again from its beginning. On Python 3.11 its errors
carry line and column in their text only. No words for people here.
"""

import re
from collections.abc import Iterator
from typing import Final

from msgspec import Struct

from gatehand.config.codes import Code
from gatehand.config.positions import STRINGS, Positions, Span, Statement
from gatehand.config.problems import KeyPath


class Cut(Struct, frozen=True):
    """The statement that is left out so that the rest can be read."""

    start: int
    end: int
    path: KeyPath = ()
    """What it names, as far as that was understood."""
    is_head: bool = False
    head: str | None = None
    """A table header as it was surely meant, which takes its place."""


class Slip(Struct, frozen=True):
    """One slip."""

    code: Code
    message: str
    span: Span
    key: KeyPath = ()
    fix: str | None = None
    """What surely belongs there instead."""
    cut: Cut | None = None
    """None: what follows cannot be read."""


class Stop(Struct, frozen=True):
    """Where `tomllib` stopped, and the statement that it was in."""

    what: str
    """Its own words."""
    text: str
    positions: Positions
    offset: int
    start: int
    """Of the statement."""
    end: int
    """The beginning of the next line that looks like a statement."""
    path: KeyPath

    @property
    def statement(self) -> str:
        """All of the statement."""
        return self.text[self.start : self.end]

    @property
    def is_head(self) -> bool:
        """Whether the statement is a table header."""
        return self.text.startswith("[", self.start)

    @property
    def line(self) -> str:
        """The rest of the statement's first line."""
        return self.statement.split("\n", 1)[0]

    @property
    def is_doubled(self) -> bool:
        """Whether it stopped at a key or a table that is set a second time."""
        return _is_doubled(self.what, self.positions)

    @property
    def opened(self) -> list[int]:
        """The brackets that are open where it stopped."""
        return brackets(self.text, self.start, self.offset)

    def rest_of_line(self, start: int) -> tuple[int, int]:
        """From an offset to the end of its line, or of what stands before a comment there."""
        ends = (end for at, end in tokens(self.text, start, self.line_end(start)) if not self.text[at].isspace())
        return start, max(ends, default=start)

    def line_end(self, offset: int) -> int:
        """The offset of the line's end."""
        end = self.text.find("\n", offset)
        return end if end >= 0 else len(self.text)

    def unclosed_quote(self) -> int | None:
        """The first quote of the statement that no other one closes in its line."""
        if self.is_head or '"""' in self.statement or "'''" in self.statement:
            return None
        quotes = (at for at, end in tokens(self.text, self.start, self.end) if end == at + 1 and self.text[at] in "\"'")
        return next(quotes, None)

    def slip(
        self, code: Code, message: str, start: int, end: int, *, fix: str | None = None, head: str | None = None
    ) -> Slip:
        """The slip at these offsets, and the statement to leave out."""
        cut = Cut(self.start, self.end, self.path, self.is_head or head is not None, head)
        return Slip(code, message, self.positions.span(start, end), self.path, fix, cut)


_PLACE: Final = re.compile(
    r"^(?P<what>.*) \(at (?:line (?P<line>\d+), column (?P<column>\d+)|end of document)\)$", re.DOTALL
)
_KEY: Final = r"(?:[A-Za-z0-9_-]+|\"[^\"\n]*\"|'[^'\n]*')"
DOTTED: Final = rf"{_KEY}(?:[ \t]*\.[ \t]*{_KEY})*"
_STATEMENT: Final = re.compile(
    rf"^[ \t]*(?:\[\[?[ \t]*{DOTTED}[ \t]*\]\]?[ \t]*(?:#.*)?\r?$|{DOTTED}[ \t]*=)", re.MULTILINE
)
"""How a line begins that is surely no part of the statement before it."""


def stop_at(said: str, positions: Positions) -> Stop:
    """The place that `tomllib` said, and the statement there."""
    place, text = _PLACE.match(said), positions.text
    if place and place["line"]:
        offset = positions.lines[int(place["line"]) - 1] + int(place["column"]) - 1
    else:
        digits = MANY_DIGITS.search(text)  # the one thing that it tells without a place
        offset = digits.start() if digits and not place else len(text)
    doubled = _is_doubled(place["what"] if place else said, positions)
    statement = _statement_at(positions, positions.doubled[0][2].key if doubled else offset)
    line_end = text.find("\n", statement.start)
    following = _STATEMENT.search(text, line_end + 1) if line_end >= 0 else None
    end = following.start() if following else len(text)
    if line_end >= 0 and not _goes_on(text, statement.start, line_end):
        end = line_end + 1
    understood = positions.statements[:-1] if positions.lost else positions.statements
    known = [each.start for each in understood if each.start > max(offset, statement.start)]
    if known and text.count("\n", offset, known[0]):
        end = text.rfind("\n", 0, known[0]) + 1
    return Stop(place["what"] if place else said, text, positions, offset, statement.start, end, statement.path)


def _goes_on(text: str, start: int, line_end: int) -> bool:
    """Whether a statement goes on in the next line: a bracket is open at the end of its first, or a long text."""
    line = text[start:line_end]
    return '"""' in line or "'''" in line or bool(brackets(text, start, line_end))


def _statement_at(positions: Positions, offset: int) -> Statement:
    """The statement that an offset is in; where several stand in one line, the first of them."""
    found = Statement(0)
    line = -1
    for each in positions.statements:
        if each.start > offset:
            break
        if (its := positions.line_of(each.start)) != line:
            found, line = each, its
    return found


def _is_doubled(what: str, positions: Positions) -> bool:
    return bool(positions.doubled) and what.startswith(("Cannot", "Duplicate"))


def tokens(text: str, start: int, end: int) -> Iterator[tuple[int, int]]:
    """What stands between two offsets: texts as a whole, comments left out, else letter by letter."""
    at = start
    while at < end:
        if text[at] == "#":
            following = text.find("\n", at)
            at = following if following >= 0 else end
            continue
        quoted = next((pattern.match(text, at) for mark, pattern in STRINGS.items() if text.startswith(mark, at)), None)
        until = quoted.end() if quoted else at + 1
        yield at, until
        at = until


OPENING: Final = {"]": "[", "}": "{"}


def brackets(text: str, start: int, until: int) -> list[int]:
    """The offsets of the brackets that are open there, outermost first."""
    opened: list[int] = []
    for at, _ in tokens(text, start, until):
        match text[at]:
            case "[" | "{":
                opened.append(at)
            case "]" | "}" if opened and text[opened[-1]] == OPENING[text[at]]:
                opened.pop()
    return opened


MANY_DIGITS: Final = re.compile(r"[0-9_]{1000,}")
