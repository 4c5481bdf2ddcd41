"""Lines of spans, wrapped and cut to a width: the only shapes that the screen is made of. Knows no shop.

What a span means is told by its words; its tone only repeats it for those who see colours.
"""

from collections.abc import Iterator, Sequence
from enum import StrEnum
from itertools import chain
from typing import NamedTuple, TypeAlias

from gatehand.terminal import broken, cut, wide


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
    return folded([TextSpan(first + text, tone)] if text else [], width, then=then)


def folded(spans: Sequence[TextSpan], width: int, *, then: str = "") -> list[ScreenLine]:
    """The spans as one text over as many lines as it needs, each word in its tone. `then` stands before further lines.

    Blanks at its beginning stay. A word that no line has room for is broken.
    """
    text = "".join(span.text for span in spans)
    body = text.lstrip(" ")
    start = len(text) - len(body)
    parts = broken(body, max(1, width - start), max(1, width - wide(then)))
    found = []
    for number, part in enumerate(parts):
        before = TextSpan(then if number else text[:start], spans[0].tone)
        found.append((*((before,) if before.text else ()), *_between(spans, start + part.start, start + part.stop)))
    return found


def _between(spans: Sequence[TextSpan], first: int, last: int) -> Iterator[TextSpan]:
    """Their characters from the first to the last."""
    at = 0
    for span in spans:
        text = span.text[max(0, first - at) : max(0, last - at)]
        if text:
            yield TextSpan(text, span.tone)
        at += len(span.text)


def grid(cells: Sequence[ScreenLine], width: int, *, gap: int = 3) -> list[ScreenLine]:
    """Cells side by side in columns of equal width, as many as fit, read from left to right."""
    if not cells:
        return []
    widest = max(wide(text_of(cell)) for cell in cells)
    across = max(1, (width + gap) // (widest + gap))
    rows = (cells[at : at + across] for at in range(0, len(cells), across))
    return [(*chain(*(_filled(cell, widest + gap) for cell in row[:-1])), *row[-1]) for row in rows]


def _filled(cell: ScreenLine, width: int) -> ScreenLine:
    return (*cell, TextSpan(" " * (width - wide("".join(span.text for span in cell)))))
