"""A few SVG shapes as text, escaped and rounded. Knows nothing of air."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from xml.sax.saxutils import escape, quoteattr

FONT = "font-family=\"'DejaVu Sans', Arial, sans-serif\""
INK = "#1a1a1a"
FAINT = "#6b6b6b"


@dataclass(slots=True)
class Drawing:
    """Shapes in drawing order. Lengths in px."""

    shapes: list[str] = field(default_factory=list)
    width: float = 0.0
    height: float = 0.0

    def text(
        self,
        at: tuple[float, float],
        words: str,
        size: float = 13,
        fill: str = INK,
        anchor: str = "start",
        *,
        bold: bool = False,
    ) -> None:
        """One line of text; `at` is its baseline."""
        weight = ' font-weight="bold"' if bold else ""
        place = f'x="{at[0]:.1f}" y="{at[1]:.1f}" font-size="{size:g}" text-anchor="{anchor}"{weight}'
        # A white edge drawn behind the letters keeps them legible where a line passes; twice, because not every
        # program that shows SVG knows `paint-order`.
        edge = 'fill="#ffffff" stroke="#ffffff" stroke-width="3" stroke-linejoin="round" aria-hidden="true"'
        self.shapes += [
            f"<text {place} {edge}>{escape(words)}</text>",
            f'<text {place} fill="{fill}">{escape(words)}</text>',
        ]
        self._grow(at[0], at[1])

    def line(self, points: Sequence[tuple[float, float]], colour: str, width: float = 1.5, dash: str = "") -> None:
        """A line through points; `dash` as SVG has it, empty for a solid one."""
        path = " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
        pattern = f" stroke-dasharray={quoteattr(dash)}" if dash else ""
        self.shapes.append(
            f'<polyline points="{path}" fill="none" stroke="{colour}" stroke-width="{width:.1f}"'
            f' stroke-linejoin="round"{pattern}/>'
        )
        for x, y in points:
            self._grow(x, y)

    def dot(self, at: tuple[float, float], colour: str, *, hollow: bool = False) -> None:
        """A round mark."""
        fill = "#ffffff" if hollow else colour
        self.shapes.append(
            f'<circle cx="{at[0]:.1f}" cy="{at[1]:.1f}" r="4.5" fill="{fill}" stroke="{colour}" stroke-width="2"/>'
        )

    def box(self, at: tuple[float, float], size: tuple[float, float], fill: str, stroke: str = "none") -> None:
        """A rectangle."""
        self.shapes.append(
            f'<rect x="{at[0]:.1f}" y="{at[1]:.1f}" width="{size[0]:.1f}" height="{size[1]:.1f}" fill="{fill}"'
            f' stroke="{stroke}"/>'
        )
        self._grow(at[0] + size[0], at[1] + size[1])

    def document(self, title: str, margin: float = 24) -> str:
        """The whole file, as large as what was drawn."""
        width, height = self.width + margin, self.height + margin
        head = (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:.0f} {height:.0f}" width="{width:.0f}"'
            f' height="{height:.0f}" role="img" {FONT}>'
        )
        ground = f'<rect width="{width:.0f}" height="{height:.0f}" fill="#ffffff"/>'
        return "\n".join([head, f"<title>{escape(title)}</title>", ground, *self.shapes, "</svg>", ""])

    def _grow(self, x: float, y: float) -> None:
        self.width, self.height = max(self.width, x), max(self.height, y)
