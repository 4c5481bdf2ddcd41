"""Lines of spans, wrapped and cut to a width: the only shapes that the screen is made of. Knows no shop.

What a span means is told by its words; its tone only repeats it for those who see colours.
"""

import textwrap
from collections.abc import Sequence
from enum import StrEnum
from itertools import chain
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


def cut(text: str, width: int) -> str:
    """The text in at most `width` characters; two dots say that some are missing."""
    if len(text) <= width:
        return text
    return text[: max(0, width - 2)] + ".." if width > 2 else text[: max(0, width)]  # noqa: PLR2004 - the dots


def cut_line(one: ScreenLine, width: int) -> ScreenLine:
    """The line in at most `width` characters."""
    kept: list[TextSpan] = []
    left = width
    for span in one:
        if left <= 0:
            break
        kept.append(TextSpan(cut(span.text, left), span.tone))
        left -= len(span.text)
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
