"""A few SVG shapes as text, escaped and rounded, and a drawing that grows with them. Knows nothing of a shop."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TypeAlias
from xml.sax.saxutils import escape, quoteattr

FONT = "'DejaVu Sans', Arial, sans-serif"
INK = "#1a1a1a"
FAINT = "#6b6b6b"


Point: TypeAlias = tuple[float, float]


def text_element(at: Point, words: str, size: float, anchor: str = "start", **attributes: str) -> str:
    """One line of text; `at` is its baseline. Attributes as SVG has them, `class_` for `class`."""
    place = f'x="{at[0]:.1f}" y="{at[1]:.1f}" font-size="{size:g}" text-anchor="{anchor}"'
    return f"<text {place}{_written(attributes)}>{escape(words)}</text>"


def rect_element(at: Point, size: Point, tip: str = "", **attributes: str) -> str:
    """A rectangle from its upper left corner; `tip` shows when it is pointed at."""
    shape = f'<rect x="{at[0]:.1f}" y="{at[1]:.1f}" width="{size[0]:.1f}" height="{size[1]:.1f}"{_written(attributes)}'
    return f"{shape}><title>{escape(tip)}</title></rect>" if tip else f"{shape}/>"


def image(size: Point, title: str, shapes: Sequence[str], **attributes: str) -> str:
    """All of it: shapes in drawing order, `title` read out in their stead."""
    start = f'<svg viewBox="0 0 {size[0]:.0f} {size[1]:.0f}" role="img"{_written(attributes)}>'
    return "\n".join([start, f"<title>{escape(title)}</title>", *shapes, "</svg>", ""])


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

    def dot(self, at: Point, colour: str, *, hollow: bool = False) -> None:
        """A round mark."""
        fill = "#ffffff" if hollow else colour
        self.shapes.append(
            f'<circle cx="{at[0]:.1f}" cy="{at[1]:.1f}" r="4.5" fill="{fill}" stroke="{colour}" stroke-width="2"/>'
        )

    def box(self, at: Point, size: Point, fill: str, stroke: str = "none") -> None:
        """A rectangle."""
        self.shapes.append(rect_element(at, size, fill=fill, stroke=stroke))
        self._grow(at[0] + size[0], at[1] + size[1])

    def document(self, title: str, margin: float = 24) -> str:
        """The whole file, as large as what was drawn."""
        width, height = self.width + margin, self.height + margin
        ground = rect_element((0, 0), (width, height), fill="#ffffff")
        own = {"xmlns": "http://www.w3.org/2000/svg", "width": f"{width:.0f}", "height": f"{height:.0f}"}
        return image((width, height), title, [ground, *self.shapes], **own, font_family=FONT)

    def _grow(self, x: float, y: float) -> None:
        self.width, self.height = max(self.width, x), max(self.height, y)
