"""Lines of spans, wrapped and cut to a width: the only shapes that the screen is made of. Knows no shop.

What a span means is told by its words; its tone only repeats it for those who see colours.
"""

import textwrap
import unicodedata
from bisect import bisect_right
from collections.abc import Sequence
from enum import StrEnum
from itertools import accumulate, chain
from typing import NamedTuple, TypeAlias


class Tone(StrEnum):
    """How a span is set, in rich's words."""

    PLAIN = ""
    HEAD = "bold"
    GOOD = "green"
    WARN = "yellow"
    ALARM = "bold red"
    FAINT = "dim"


class TextSpan(NamedTuple):
    """A piece of a line."""

    text: str
    tone: Tone = Tone.PLAIN


ScreenLine: TypeAlias = tuple[TextSpan, ...]


def line(text: str, tone: Tone = Tone.PLAIN) -> ScreenLine:
    """A line of one span."""
    return (TextSpan(text, tone),)


def text_of(one: ScreenLine) -> str:
    """The line's words alone."""
    return "".join(span.text for span in one).rstrip()


def wide(text: str) -> int:
    """Columns that it takes in a terminal: two for the wide letters of East Asia, none for marks on letters."""
    return len(text) if text.isascii() else sum(map(_columns, text))


def _columns(char: str) -> int:
    if unicodedata.combining(char):
        return 0
    return 2 if unicodedata.east_asian_width(char) in {"W", "F"} else 1


def cut(text: str, width: int) -> str:
    """The text in at most `width` columns; two dots say that some is missing."""
    if wide(text) <= width:
        return text
    dots = ".." if width > 2 else ""  # noqa: PLR2004 - the dots
    until = list(accumulate(map(_columns, text)))
    return text[: bisect_right(until, max(0, width - len(dots)))] + dots


def cut_line(one: ScreenLine, width: int) -> ScreenLine:
    """The line in at most `width` columns."""
    kept: list[TextSpan] = []
    left = width
    for span in one:
        if left <= 0:
            break
        kept.append(TextSpan(cut(span.text, left), span.tone))
        left -= wide(span.text)
    return tuple(kept)


def faint(one: ScreenLine) -> ScreenLine:
    """The same words, set faint."""
    return tuple(TextSpan(span.text, Tone.FAINT) for span in one)


def wrapped(text: str, width: int, *, first: str = "", then: str = "", tone: Tone = Tone.PLAIN) -> list[ScreenLine]:
    """A sentence over as many lines as it needs. `first` and `then` stand before its first and its further lines."""
    found = textwrap.wrap(text, max(width, len(first) + 8), initial_indent=first, subsequent_indent=then)
    return [line(each, tone) for each in found]


def grid(cells: Sequence[ScreenLine], width: int, *, gap: int = 3) -> list[ScreenLine]:
    """Cells side by side in columns of equal width, as many as fit, read from left to right."""
    if not cells:
        return []
    widest = max(len(text_of(cell)) for cell in cells)
    across = max(1, (width + gap) // (widest + gap))
    padded = [(*cell, TextSpan(" " * (widest + gap - len(text_of(cell))))) for cell in cells]
    return [tuple(chain(*padded[at : at + across]))[:-1] for at in range(0, len(cells), across)]
