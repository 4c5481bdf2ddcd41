"""A few SVG shapes as text, escaped and rounded, and a drawing that grows with them. Knows nothing of a shop."""

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final, TypeAlias
from xml.sax.saxutils import escape, quoteattr

from gatehand.text import printable

FONT = "'DejaVu Sans', Arial, sans-serif"
INK = "#1a1a1a"
FAINT = "#6b6b6b"


Point: TypeAlias = tuple[float, float]

_WIDTHS: Final[Mapping[float, str]] = {
    0.30: "'ijlIJ",
    0.34: " .,/:;\\|·",
    0.40: "f-()[]t!",
    0.46: 'r"',
    0.53: "*_`sz?",
    0.56: "cL",
    0.60: "Fkvxy",
    0.64: "PTYoaeEhnuSbdgpq$0123456789{}",
    0.70: "KAVXZBRC",
    0.79: "UNHDG&OQ",
    0.87: "w#+<=>^~±M",
    1.00: "%mW@",
}
"""Widths of letters, a part of their size: the advance widths of DejaVu Sans 2.37, the widest in `FONT`, rounded up."""
_WIDTH_OF: Final = {letter: width for width, letters in _WIDTHS.items() for letter in letters}
_BOLDER: Final = 0.09
"""So much wider is a bold letter."""


def text_width(words: str, size: float, *, bold: bool = False) -> float:
    """Px that a line of text takes at the most; a letter that is not in the table counts as a square."""
    more = _BOLDER if bold else 0.0
    return size * sum(_WIDTH_OF.get(letter, 1.0) + more for letter in words)


def wrapped(words: str, width: float, size: float, *, bold: bool = False) -> list[str]:
    """The text in lines of at most `width` px, broken at blanks; a word that is too long within itself."""
    lines = [""]
    for piece in _pieces(words, width, size, bold=bold):
        if text_width((lines[-1] + piece).rstrip(), size, bold=bold) <= width:
            lines[-1] += piece
        else:
            lines.append(piece)
    return [line.rstrip() for line in lines if line.strip()]


def _pieces(words: str, width: float, size: float, *, bold: bool) -> Iterator[str]:
    """Words with the blank behind each; of one too long for a line its parts, else as many letters as go in."""
    for word in re.findall(r"\S+\s*", words):
        if text_width(word.rstrip(), size, bold=bold) <= width:
            yield word
            continue
        piece = ""
        for letter in word:
            if piece and text_width(piece + letter, size, bold=bold) > width:
                yield piece
                piece = ""
            piece += letter
        yield piece


def text_element(at: Point, words: str, size: float, anchor: str = "start", **attributes: str) -> str:
    """One line of text; `at` is its baseline. Attributes as SVG has them, `class_` for `class`."""
    place = f'x="{at[0]:.1f}" y="{at[1]:.1f}" font-size="{size:g}" text-anchor="{anchor}"'
    return f"<text {place}{_written(attributes)}>{_shown(words)}</text>"


def rect_element(at: Point, size: Point, tip: str = "", **attributes: str) -> str:
    """A rectangle from its upper left corner; `tip` shows when it is pointed at."""
    shape = f'<rect x="{at[0]:.1f}" y="{at[1]:.1f}" width="{size[0]:.1f}" height="{size[1]:.1f}"{_written(attributes)}'
    return f"{shape}><title>{_shown(tip)}</title></rect>" if tip else f"{shape}/>"


def image(size: Point, title: str, shapes: Sequence[str], *, story: str = "", **attributes: str) -> str:
    """All of it: shapes in drawing order, `title` and `story` read out in their stead."""
    start = f'<svg viewBox="0 0 {size[0]:.0f} {size[1]:.0f}" role="img"{_written(attributes)}>'
    told = [f"<desc>{_shown(story)}</desc>"] if story else []
    return "\n".join([start, f"<title>{_shown(title)}</title>", *told, *shapes, "</svg>", ""])


def _shown(words: str) -> str:
    """As XML has it; what no XML file may hold (controls) as escapes."""
    return escape("\n".join(printable(line) for line in words.split("\n")))


def _written(attributes: Mapping[str, str]) -> str:
    return "".join(f" {key.rstrip('_').replace('_', '-')}={quoteattr(value)}" for key, value in attributes.items())


@dataclass(slots=True)
class Drawing:
    """Shapes in drawing order. Lengths in px."""

    shapes: list[str] = field(default_factory=list)
    width: float = 0.0
    height: float = 0.0

    def text(
        self,
        at: Point,
        words: str,
        size: float = 13,
        fill: str = INK,
        anchor: str = "start",
        *,
        bold: bool = False,
    ) -> None:
        """One line of text; `at` is its baseline."""
        weight = {"font_weight": "bold"} if bold else {}
        # A white edge drawn behind the letters keeps them legible where a line passes; twice, because not every
        # program that shows SVG knows `paint-order`.
        edge = {"fill": "#ffffff", "stroke": "#ffffff", "stroke_width": "3", "stroke_linejoin": "round"}
        self.shapes += [
            text_element(at, words, size, anchor, **weight, **edge, aria_hidden="true"),
            text_element(at, words, size, anchor, **weight, fill=fill),
        ]
        self._grow(at[0], at[1])

    def line(self, points: Sequence[Point], colour: str, width: float = 1.5, dash: str = "") -> None:
        """A line through points; `dash` as SVG has it, empty for a solid one."""
        path = " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
        pattern = f" stroke-dasharray={quoteattr(dash)}" if dash else ""
        self.shapes.append(
            f'<polyline points="{path}" fill="none" stroke="{colour}" stroke-width="{width:.1f}"'
            f' stroke-linejoin="round"{pattern}/>'
        )
        for x, y in points:
            self._grow(x, y)

    def area(self, points: Sequence[Point], fill: str, edge: str = "none", width: float = 1.5, tip: str = "") -> None:
        """A shape between points, filled; `edge` is the line round it, `tip` shows when it is pointed at."""
        path = " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
        shape = f'<polygon points="{path}" fill="{fill}" stroke="{edge}" stroke-width="{width:.1f}"'
        self.shapes.append(shape + (f"><title>{_shown(tip)}</title></polygon>" if tip else "/>"))
        for x, y in points:
            self._grow(x, y)

    def dot(self, at: Point, colour: str, *, hollow: bool = False, tip: str = "") -> None:
        """A round mark; `tip` shows when it is pointed at."""
        fill = "#ffffff" if hollow else colour
        told = f"><title>{_shown(tip)}</title></circle>" if tip else "/>"
        self.shapes.append(
            f'<circle cx="{at[0]:.1f}" cy="{at[1]:.1f}" r="4.5" fill="{fill}" stroke="{colour}" stroke-width="2"{told}'
        )

    def box(self, at: Point, size: Point, fill: str, stroke: str = "none") -> None:
        """A rectangle."""
        self.shapes.append(rect_element(at, size, fill=fill, stroke=stroke))
        self._grow(at[0] + size[0], at[1] + size[1])

    def document(self, title: str, margin: float = 24, *, story: str = "", shown: float | None = None) -> str:
        """The whole file, as large as what was drawn; `story`: in words; `shown`: so wide where there is room, px."""
        width, height = self.width + margin, self.height + margin
        by = 1.0 if shown is None else shown / width
        ground = rect_element((0, 0), (width, height), fill="#ffffff")
        size = {"width": f"{width * by:.0f}", "height": f"{height * by:.0f}"}
        own = {"xmlns": "http://www.w3.org/2000/svg", **size}
        return image((width, height), title, [ground, *self.shapes], story=story, **own, font_family=FONT)

    def _grow(self, x: float, y: float) -> None:
        self.width, self.height = max(self.width, x), max(self.height, y)
