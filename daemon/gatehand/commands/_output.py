"""What commands share of their output: a progress line, lines that were skipped.

The progress line stands on standard error for what takes longer than two seconds; silent where nobody watches.
"""

import sys
import time
from collections.abc import Sequence
from types import TracebackType
from typing import Final, Self, TextIO

_SHOW_AFTER: Final = 2.0
_EVERY: Final = 0.2
_WIDTH: Final = 30
_SHOWN_SKIPPED: Final = 3


class Progress:
    """Counts, and shows the count (with a bar where the whole is known) once two seconds have passed."""

    def __init__(self, what: str, whole: int = 0, *, to: TextIO | None = None) -> None:
        self._what = what
        self._whole = whole
        self._to = to or sys.stderr
        self._watched = self._to.isatty()
        self._began = time.monotonic()
        self._next = self._began + _SHOW_AFTER
        self._shown = 0

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.clear()

    def count(self, done: int) -> None:
        """So much is done."""
        now = time.monotonic()
        if not self._watched or now < self._next:
            return
        self._next = now + _EVERY
        rate = done / (now - self._began)
        text = f"{done:,} {self._what}, {rate:,.0f} a second"
        if self._whole:
            share = min(1.0, done / self._whole)
            text = f"[{'#' * round(share * _WIDTH):<{_WIDTH}}] {share:4.0%}  {text}"
        self._to.write("\r" + text.ljust(self._shown))
        self._to.flush()
        self._shown = len(text)

    def clear(self) -> None:
        """Take the line away again."""
        if self._shown:
            self._to.write("\r" + " " * self._shown + "\r")
            self._to.flush()
            self._shown = 0


def show_skipped(skipped: Sequence[object]) -> None:
    """The first lines of the log that had to be skipped, and how many more there are."""
    for one in skipped[:_SHOWN_SKIPPED]:
        print(one, file=sys.stderr)
    if len(skipped) > _SHOWN_SKIPPED:
        print(f"... and {len(skipped) - _SHOWN_SKIPPED} more lines skipped", file=sys.stderr)
