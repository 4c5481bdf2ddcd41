"""The sheet that a drawing of the air is put on: narrow enough for a phone, lines of text below each other, legends.

Nothing is told by colour alone: lines differ in dashes or width, marks in shape, and each has its words in a legend.
"""

from collections.abc import Callable, Sequence
from typing import Final

from gatehand.svg import INK, Drawing, Point, wrapped

WIDTH: Final = 400.0
"""Px, margins and all. On a phone 360 px wide everything is shown at nine tenths."""
MARGIN: Final = 12.0
SHOWN: Final = 520.0
"""Px: so wide where there is room."""
TEXT: Final = 11.0
HEADING: Final = 14.0
LINE: Final = 14.5
"""Px from one line of text to the next."""
SWATCH: Final = 40.0
"""Px of a legend's mark."""


class Sheet:
    """Px. `at` is how far down it is filled."""

    def __init__(self) -> None:
        self.drawing = Drawing()
        self.at = MARGIN
        self.said: list[str] = []
        """Every line that has been written by `text`, for those who cannot see the rest."""

    def text(
        self,
        words: str,
        left: float = MARGIN,
        *,
        bold: bool = False,
        fill: str = INK,
        size: float = TEXT,
        told: bool = True,
    ) -> None:
        """A paragraph below what is there; `told`: also to those who cannot see the drawing."""
        for line in wrapped(words, WIDTH - MARGIN - left, size, bold=bold):
            self.at += LINE * size / TEXT
            self.drawing.text((left, self.at - 3.5), line, size, fill, bold=bold)
        if told and words:
            self.said.append(words)

    def heading(self, words: str) -> None:
        """A heading, with some room above."""
        self.at += 6
        self.text(words, bold=True, size=HEADING)

    def gap(self, height: float) -> None:
        """Nothing for a while."""
        self.at += height

    def document(self, title: str) -> str:
        """The whole file."""
        self.drawing.width, self.drawing.height = WIDTH, max(self.drawing.height, self.at)
        return self.drawing.document(title, margin=0, story="\n".join(self.said), shown=SHOWN)


class Legend:
    """What each mark means: only what was drawn, each once.

    In the order of their first use, but those named in `first` before all others, in that order.
    """

    def __init__(self, first: Sequence[str] = ()) -> None:
        self._marks: dict[str, Callable[[Drawing, Point], None]] = {}
        self._first = list(first)

    def add(self, words: str, swatch: Callable[[Drawing, Point], None]) -> None:
        """`swatch` draws the mark `SWATCH` px wide, from a point amid its left edge."""
        self._marks.setdefault(words, swatch)

    def line(self, words: str, colour: str, width: float, dash: str = "") -> None:
        """A kind of line."""
        self.add(words, lambda to, at: to.line([at, (at[0] + SWATCH, at[1])], colour, width, dash))

    def put(self, sheet: Sheet) -> None:
        """Below what is on the sheet, a line for each."""
        order = [words for words in self._first if words in self._marks]
        for words in dict.fromkeys([*order, *self._marks]):
            swatch = self._marks[words]
            top = sheet.at
            sheet.text(words, MARGIN + SWATCH + 8, told=False)
            swatch(sheet.drawing, (MARGIN, top + LINE / 2))
