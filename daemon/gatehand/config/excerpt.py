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


def excerpt(lines: Sequence[str], problem: Problem, widest: int | None = None) -> Iterator[str]:
    """The problem's line and the mark, with its code. `lines`: the file's; a line that is not there is not shown.

    `widest`: the columns of the terminal, margin and code included; None: a hundred for the line itself.
    """
    if not 0 < problem.line <= len(lines) or not lines[problem.line - 1].strip():
        return
    cells = [_cell(char) for char in lines[problem.line - 1].rstrip("\r\n")]
    start, end = problem.column - 1, max(problem.end_column, problem.column + 1) - 1
    room = WIDEST if widest is None else min(WIDEST, widest - _MARGIN)
    longest = WIDEST if widest is None else max(1, room - len(problem.code) - 1)
    """Columns of the mark and what is before it."""
    first = _first(cells, start, room, longest)
    last = max((at for at in range(first, len(cells) + 1) if _wide(cells[first:at]) <= room), default=first)
    before = "..." if first else ""
    after = "..." if last < len(cells) else ""
    number = f"{problem.line:>5} | "
    yield f"{number}{before}{''.join(cells[first:last])}{after}".rstrip()
    at = _wide(cells[first:start])
    mark = _MARK * min(max(1, _wide(cells[start : min(end, last)])), max(1, longest - at))
    yield f"{'| ':>{len(number)}}{' ' * (len(before) + at)}{mark} {problem.code}"


def _first(cells: Sequence[str], start: int, room: int, longest: int) -> int:
    """The first cell shown: that of the line, unless the mark would then be too far to the right."""
    first, before = 0, min(_BEFORE, room // 2, longest - 1)
    if _wide(cells) > room or _wide(cells[:start]) >= longest:
        while first < start and _wide(cells[first:start]) > before:
            first += 1
    return first


def _wide(cells: Sequence[str]) -> int:
    return sum(map(wide, cells))


def _cell(char: str) -> str:
    """How one character is shown: nothing that a terminal would act on."""
    if char == "\t":
        return _TAB
    return char if char.isprintable() else "\ufffd"
