"""The line of a problem as it stands in the file, with its span marked below."""

from collections.abc import Iterator, Sequence
from typing import Final

from gatehand.config.problems import Problem
from gatehand.terminal import wide

WIDEST: Final = 100
"""Columns of a line that are shown; of a longer one the part around the mark."""
_BEFORE: Final = 40
_MARGIN: Final = len("12345 | ......")
_TAB: Final = "    "
_MARK: Final = "^"


def excerpt(lines: Sequence[str], problem: Problem, widest: int = WIDEST) -> Iterator[str]:
    """The problem's line and the mark, with its code. `lines`: the file's; a line that is not there is not shown.

    `widest`: of a terminal the columns, margin and all; a hundred are for the line itself.
    """
    if not 0 < problem.line <= len(lines) or not lines[problem.line - 1].strip():
        return
    cells = [_cell(char) for char in lines[problem.line - 1].rstrip("\r\n")]
    start, end = problem.column - 1, max(problem.end_column, problem.column + 1) - 1
    room = WIDEST if widest == WIDEST else widest - _MARGIN
    first = max(0, start - min(_BEFORE, room // 2)) if len(cells) > room else 0
    last = first + room
    before = "..." if first else ""
    after = "..." if last < len(cells) else ""
    number = f"{problem.line:>5} | "
    yield f"{number}{before}{''.join(cells[first:last])}{after}".rstrip()
    blank = " " * (len(before) + sum(map(wide, cells[first:start])))
    mark = _MARK * max(1, sum(map(wide, cells[start : min(end, last)])))
    yield f"{'| ':>{len(number)}}{blank}{mark} {problem.code}"


def _cell(char: str) -> str:
    """How one character is shown: nothing that a terminal would act on."""
    if char == "\t":
        return _TAB
    return char if char.isprintable() else "\ufffd"
