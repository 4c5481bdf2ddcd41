"""The line of a problem as it stands in the file, with its span marked below."""

import unicodedata
from collections.abc import Iterator, Sequence
from typing import Final

from gatehand.config.problems import Problem

WIDEST: Final = 100
"""Columns of a line that are shown; of a longer one the part around the mark."""
_BEFORE: Final = 40
_TAB: Final = "    "
_MARK: Final = "^"


def excerpt(lines: Sequence[str], problem: Problem) -> Iterator[str]:
    """The problem's line and the mark, with its code. `lines`: the file's; a line that is not there is not shown."""
    if not 0 < problem.line <= len(lines) or not lines[problem.line - 1].strip():
        return
    cells = [_cell(char) for char in lines[problem.line - 1].rstrip("\r\n")]
    start, end = problem.column - 1, max(problem.end_column, problem.column + 1) - 1
    first = max(0, start - _BEFORE) if len(cells) > WIDEST else 0
    last = first + WIDEST
    before = "..." if first else ""
    after = "..." if last < len(cells) else ""
    number = f"{problem.line:>5} | "
    yield f"{number}{before}{''.join(cells[first:last])}{after}".rstrip()
    blank = " " * (len(before) + sum(map(_width, cells[first:start])))
    mark = _MARK * max(1, sum(map(_width, cells[start : min(end, last)])))
    yield f"{'| ':>{len(number)}}{blank}{mark} {problem.code}"


def _cell(char: str) -> str:
    """How one character is shown: nothing that a terminal would act on."""
    if char == "\t":
        return _TAB
    return char if char.isprintable() else "\ufffd"


def _width(cell: str) -> int:
    """Columns of a terminal that it takes."""
    if cell == _TAB:
        return len(_TAB)
    if unicodedata.combining(cell):
        return 0
    return 2 if unicodedata.east_asian_width(cell) in {"W", "F"} else 1
