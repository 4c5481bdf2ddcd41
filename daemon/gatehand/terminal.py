"""Text in a terminal's columns: how wide it is, where it may be broken, and what is printed to a person.

One place for all commands: on a terminal a line that is too wide goes on below, indented; where the output goes to a
file or a program every line is left whole. Not for the daemon.
"""

import re
import shutil
import sys
import unicodedata
from bisect import bisect_right
from collections.abc import Iterable, Iterator, Sequence
from functools import lru_cache
from itertools import accumulate
from typing import Final, TextIO

READABLE: Final = 100
"""Columns over which a person reads a paragraph with ease."""
_FEWEST: Final = 20
WIDEST: Final = 200
"""Columns that are used of a terminal, however wide it is."""
_HANGING: Final = 4
_SHARE: Final = 3
"""A hanging indent takes no more than this part of a line: a third."""
_WIDE: Final = frozenset({"W", "F"})
_NOTHING: Final = frozenset({"Mn", "Me", "Cf"})
_EMOJI: Final = "\ufe0f"
"""Variation selector 16: the sign before it is drawn as an emoji, over two columns where a terminal knows how."""
_VOWELS: Final = (("\u1160", "\u11ff"), ("\ud7b0", "\ud7ff"))
"""Hangul vowels and finals, which stand in the columns of the consonant before them."""
_UNITS: Final = "ms|s|min|h|days?|A|W|V|Hz|kWh|kVAh|%|cfm|ft/min|in\\.w\\.g\\.|Pa|m3/h|m/s|mm|kB|MB"
_KEPT: Final = re.compile(
    rf"(?<=\d) (?=(?:{_UNITS})(?![\w/]))"  # a number and its unit
    r"|(?<=\d min) (?=\d+ s\b)|(?<=\d h) (?=\d+ min\b)"  # a length of time
    r"|(?<=\d) (?=± \d)|(?<=\d ±) (?=\d)"  # 788 ± 41
    r"|(?<=\d) (?=of \d)|(?<=\d of) (?=\d)"  # 3 of 12
    r"|(?<=\bno) (?=reading\b)|(?<=[a-z]) (?=ago\b)"  # no reading; 3 min ago
)


def wide(text: str) -> int:
    """Columns that it takes: two for the wide letters of East Asia and for emoji, none for marks on letters.

    Unicode 15 (UAX #11) as Python knows it. Where terminals differ, the larger number.
    """
    return len(text) if text.isascii() else _sum(text)


@lru_cache(maxsize=1_024)
def _sum(text: str) -> int:
    return sum(_each(text))


def _each(text: str) -> Iterator[int]:
    """The columns of each character."""
    before = 0
    for char in text:
        here = int(before == 1) if char == _EMOJI else _alone(char)
        before = 0 if char == " " else here or before
        yield here


@lru_cache(maxsize=2_048)
def _alone(char: str) -> int:
    if unicodedata.category(char) in _NOTHING or any(first <= char <= last for first, last in _VOWELS):
        return 0
    return 2 if unicodedata.east_asian_width(char) in _WIDE else 1


def head(text: str, width: int) -> str:
    """As much of its beginning as goes into `width` columns; a mark stays with its letter."""
    if text.isascii():
        return text[: max(0, width)]
    return text[: bisect_right([*accumulate(_each(text))], max(0, width))]


def tail(text: str, width: int) -> str:
    """As much of its end as goes into `width` columns; a mark stays with its letter."""
    each = [*_each(text)]
    return next((text[at:] for at, here in enumerate(each) if here and sum(each[at:]) <= width), "")


def cut(text: str, width: int) -> str:
    """The text in at most `width` columns; two dots say that some is missing."""
    if wide(text) <= width:
        return text
    dots = ".." if width > 2 else ""  # noqa: PLR2004 - the dots
    return head(text, width - len(dots)) + dots


def padded(text: str, width: int, *, right: bool = False) -> str:
    """The text with blanks up to `width` columns; `right`: before it."""
    blanks = " " * (width - wide(text))
    return blanks + text if right else text + blanks


def columns(rows: Sequence[Sequence[str]], indent: str = "") -> Iterator[str]:
    """Rows as aligned columns: the first and the last flush left, those between flush right.

    The first row has the headings. On a terminal that is too narrow each row goes over several lines, its cells named.
    """
    widths = [max(map(wide, column)) for column in zip(*rows, strict=True)]
    lines = []
    for first, *between, last in rows:
        cells = [padded(cell, width, right=True) for cell, width in zip(between, widths[1:], strict=False)]
        lines.append(indent + "  ".join([padded(first, widths[0]), *cells, last]).rstrip())
    width = room()
    yield from lines if width is None or max(map(wide, lines)) <= width else _stacked(rows, indent, width)


def _stacked(rows: Sequence[Sequence[str]], indent: str, width: int) -> Iterator[str]:
    (title, *heads), *others = rows
    if title:
        yield f"{indent}{title}"
    for first, *cells in others:
        named = zip(heads, cells, strict=True)
        said = ", ".join(f"{head} {cell}".strip() for head, cell in named if cell not in {"", "-"})
        yield from hung(first, width, first=indent, then=indent + "  ", whole=True)
        yield from hung(said, width, first=indent + "  ", then=indent + "  ", whole=True)


# Where a line is broken


def broken(text: str, first: int, then: int, *, whole: bool = False) -> Iterator[slice]:
    """Where the lines are that the text makes: `first` columns wide the first, `then` those below it.

    Broken at blanks; never between a number and its unit, never at a hyphen. `whole`: a word too long for a line, such
    as a topic, stays whole, to be copied; else it is broken where the line ends.
    """
    if text and not text[0].isspace() and wide(text) <= first:
        yield slice(0, len(text.rstrip()))
        return
    room, start, end = first, None, 0
    for at, until in _words(text):
        if start is not None and wide(text[start:until]) > room:
            yield slice(start, end)
            room, start = then, None
        if start is None:
            start = at
        while not whole and wide(text[start:until]) > room:
            taken = len(head(text[start:until], room)) or 1
            yield slice(start, start + taken)
            room, start = then, start + taken
        end = until
    if start is not None and start < end:
        yield slice(start, end)


def _words(text: str) -> Iterator[tuple[int, int]]:
    """Where each word begins and ends; what must not be parted is one."""
    kept = {found.start() for found in _KEPT.finditer(text)}
    start = None
    for found in re.finditer(r"\S+", text):
        if start is None:
            start = found.start()
        if found.end() not in kept:
            yield start, found.end()
            start = None


def hung(text: str, width: int, *, first: str = "", then: str = "", whole: bool = False) -> Iterator[str]:
    """The text over as many lines as it needs. `first` and `then` stand before its first and its further lines."""
    rooms = (max(1, width - wide(each)) for each in (first, then))
    for number, part in enumerate(broken(text, *rooms, whole=whole)):
        yield (then if number else first) + text[part]


def wrapped(text: str, width: int) -> Iterator[str]:
    """Each of its lines over as many as it needs, those after the first two columns further where it is indented.

    A topic stays whole, to be copied.
    """
    for one in text.splitlines():
        indent = one[: len(one) - len(one.lstrip())]
        further = indent + "  " if indent else ""
        yield from hung(one.strip(), width, first=indent, then=further, whole=True) if one.strip() else ("",)


def fitted(text: str, width: int | None) -> Iterator[str]:
    """The lines as they are printed. `width`: of the terminal, or None, where every line is left whole.

    What goes on below a line that is too wide stands under the last of its columns where there are some (a time, a
    name), else a little further in than the line itself.
    """
    for one in text.split("\n"):
        if width is None or wide(one) <= width:
            yield one
            continue
        body = one.lstrip()
        indent = one[: len(one) - len(body)]
        begins = [wide(one[: gap.end()]) for gap in re.finditer(r"\S\s{2,}", one)]
        under = max((each for each in begins if each <= width // _SHARE), default=len(indent) + _HANGING)
        yield from hung(body.rstrip(), width, first=indent, then=" " * under, whole=True)


# To a person


def room(out: TextIO | None = None) -> int | None:
    """Columns of the terminal that `out` (standard output unless given) goes to, 200 at most; None: it goes to none."""
    if not (out or sys.stdout).isatty():
        return None
    return max(_FEWEST, min(WIDEST, shutil.get_terminal_size((80, 24)).columns))


def paragraph(otherwise: int, out: TextIO | None = None) -> int:
    """Columns for the paragraphs of a page: what the terminal has, up to 100; `otherwise` where there is none."""
    found = room(out)
    return otherwise if found is None else min(READABLE, found)


def show(lines: Iterable[str], out: TextIO | None = None) -> None:
    """Print lines to a person, standard output unless given: fitted to the terminal, whole elsewhere."""
    to, width = out or sys.stdout, room(out)
    for line in lines:
        for one in fitted(line, width):
            print(one, file=to)
    to.flush()
