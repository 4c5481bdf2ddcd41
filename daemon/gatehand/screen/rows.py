"""Rows of tools and cells of gates: what has a column, and what gives way on a narrow screen. Knows no clock.

A state, a number with its unit and a countdown stand whole at any width. The bar goes first, then the thresholds. A
name for which there is no room beside its row stands above it; where rows are few it is shortened in its middle, never
so that it could be another's.
"""

from collections.abc import Collection, Iterator, Mapping, Sequence
from typing import Final, NamedTuple

from gatehand.screen.lines import ScreenLine, TextSpan, Tone, folded, grid, text_of, wrapped
from gatehand.terminal import head, padded, tail, wide

_METER: Final = 20
_LEGEND: Final = "0, : stop, | start"
_STATE: Final = len("run-on 12 s")
"""Columns jump less when the commonest states have room."""
_READING: Final = len("no reading")
_THRESHOLD: Final = 8
_NAME: Final = 18
"""Columns that names get before the thresholds give way to them, and that a shortened gate's gets."""
_LEAST_NAME: Final = 8
"""With fewer columns for them all names stand above their rows."""
_ACROSS: Final = 8
"""More gates than one less never stand side by side in a row."""
_WORTH: Final = 4
"""Lines that must be saved before gates stand in another order than their names'."""
_GAP: Final = 2
_DOTS: Final = ".."
_BEFORE_BAR: Final = "   "


class ToolRow(NamedTuple):
    """What one tool's row says."""

    name: str
    state: TextSpan
    reading: str
    age: str
    """How old the reading is, where it is not of now: `, 3 min ago`."""
    bar: TextSpan
    stop: str
    start: str


class GateCell(NamedTuple):
    """What one gate's cell says."""

    name: str
    state: TextSpan
    note: str


def shortened(names: Collection[str], room: int) -> dict[str, str]:
    """Each name in at most `room` columns, with dots for its middle; each fits no other of the names.

    Where no such shortening is left, the name stays whole.
    """
    return {name: name if wide(name) <= room else _short(name, names, room) for name in names}


def _short(name: str, names: Collection[str], room: int) -> str:
    letters = room - len(_DOTS)
    for last in sorted(range(max(0, letters)), key=lambda last: abs(last - letters // 3)):
        begins, ends = head(name, letters - last), tail(name, last)
        alike = [one for one in names if one.startswith(begins) and one.endswith(ends)]
        if alike == [name] and begins:
            return f"{begins}{_DOTS}{ends}"
    return name


# Tools


class _Columns(NamedTuple):
    """How many columns each part of a tool's row takes; 0: it is not shown."""

    name: int
    state: int
    reading: int
    bar: int
    threshold: int


def tool_rows(rows: Sequence[ToolRow], width: int, *, short: bool) -> tuple[ScreenLine, dict[str, list[ScreenLine]]]:
    """A heading, and each tool's lines by its name. `short`: long names are shortened; else they stand above."""
    names = [row.name for row in rows]
    room = _chosen(rows, width, max(map(wide, names)))
    shown = shortened(names, room.name) if short and room.name >= _LEAST_NAME else {name: name for name in names}
    title = f"{padded('TOOLS', room.name + _GAP)}{'':<{room.state}}{'reading':>{room.reading}}"
    title += f"{_BEFORE_BAR}{_LEGEND:<{_METER}}" if room.bar else ""
    title += f"{'stop':>{room.threshold}}{'start':>{room.threshold}}" if room.threshold else ""
    lines = {row.name: [*_of_tool(row, shown[row.name], room, width)] for row in rows}
    return folded([TextSpan(title, Tone.HEAD)], width)[0], lines


def _chosen(rows: Sequence[ToolRow], width: int, longest: int) -> _Columns:
    """The columns: as many as leave room for the names, and for how old readings are."""
    old = max(wide(row.age) for row in rows)
    thresholds = max(_THRESHOLD, *(wide(each) + 1 for row in rows for each in (row.stop, row.start)))
    found = _Columns(0, 0, 0, 0, 0)
    for least, bar, threshold, age in (
        (_STATE, _METER, thresholds, old),
        (_STATE, 0, thresholds, old),
        (_STATE, 0, 0, old),
        (0, 0, 0, old),
        (0, 0, 0, 0),
    ):
        state = max(least, *(wide(row.state.text) for row in rows))
        touching = max(wide(row.state.text) + 1 + wide(row.reading) for row in rows) - state
        reading = max(_READING if least else 0, touching, len(" reading"))
        beside = max(age, (bar and bar + len(_BEFORE_BAR)) + 2 * threshold)
        left = width - _GAP - state - reading - beside
        found = _Columns(min(longest, left), state, reading, bar, threshold)
        if left >= longest or (not bar and left >= _NAME):
            return found
    return found if found.name >= _LEAST_NAME else found._replace(name=0)


def _of_tool(row: ToolRow, name: str, room: _Columns, width: int) -> Iterator[ScreenLine]:
    """Its row; where there is no room for that, less aligned, over more lines."""
    fits = wide(name) <= room.name
    cells = [
        TextSpan(padded(name if fits else "", room.name + _GAP)),
        TextSpan(padded(row.state.text, room.state), row.state.tone),
        TextSpan(padded(row.reading, room.reading, right=True)),
        *_beside(row, room),
    ]
    aligned = sum(wide(cell.text) for cell in cells) <= width
    if not fits:
        yield from wrapped(name, width, then="  ")
    if aligned:
        yield tuple(cells)
    else:
        gap = TextSpan(" " * _GAP)
        closer = [row.state, gap, TextSpan(row.reading + row.age)]
        yield from folded([TextSpan(name), gap, *closer] if fits else [gap, gap, *closer], width, then="    ")


def _beside(row: ToolRow, room: _Columns) -> Iterator[TextSpan]:
    """What stands beside a reading: bar and thresholds, or how old it is in place of what it leaves no room for."""
    bar = room.bar and room.bar + len(_BEFORE_BAR)
    if row.age and wide(row.age) > bar:
        yield TextSpan(row.age)
        return
    if row.age:
        yield TextSpan(padded(row.age, bar))
    elif room.bar:
        yield from (TextSpan(_BEFORE_BAR), row.bar)
    if room.threshold:
        yield TextSpan("".join(padded(each, room.threshold, right=True) for each in (row.stop, row.start)))


def meter(value: float | None, start: float | None, stop: float | None) -> str:
    """The reading as a bar from 0 to twice the start threshold, `|` at the start threshold and `:` at the stop one.

    Nothing for a contact, which has no thresholds.
    """
    if start is None or start <= 0:
        return " " * _METER
    half = _METER // 2
    filled = 0 if value is None else int(min(2.0, max(0.0, value / start)) * half)
    cells = ["="] * filled + ["."] * (_METER - filled)
    if stop is not None:
        cells[min(half - 1, int(min(1.0, max(0.0, stop / start)) * half))] = ":"
    cells[half] = "|"
    if value is not None and value > 2 * start:
        cells[-1] = ">"
    return "".join(cells)


# Gates


def gate_lines(cells: Sequence[GateCell], width: int, *, short: bool) -> list[ScreenLine]:
    """The gates side by side, as many as fit; the widest below the others where that saves a few lines.

    `short`: long names are shortened, and every line counts.
    """
    names = [cell.name for cell in cells]
    shown = shortened(names, _NAME) if short else {name: name for name in names}
    beside = dict.fromkeys(
        tuple(cell for cell in cells if wide(f"{shown[cell.name]}  {cell.state.text}{cell.note}") <= width // across)
        for across in range(1, _ACROSS)
    )
    in_order, *others = (_with_beside(cells, shown, width, some) for some in beside)
    fewest = min(others, key=len, default=in_order)
    return fewest if len(fewest) + (1 if short else _WORTH) <= len(in_order) else in_order


def _with_beside(
    cells: Sequence[GateCell], shown: Mapping[str, str], width: int, beside: Sequence[GateCell]
) -> list[ScreenLine]:
    """The same with some of them side by side."""
    room = max((wide(shown[cell.name]) for cell in beside), default=0)
    lines = grid([_of_gate(cell, shown[cell.name], room) for cell in beside], width)
    if any(wide(text_of(each)) > width for each in lines):
        lines = [each for cell in beside for each in _of_wide_gate(cell, shown[cell.name], room, width)]
    below = (cell for cell in cells if cell not in beside)
    return [*lines, *(each for cell in below for each in _of_wide_gate(cell, shown[cell.name], room, width))]


def _of_gate(cell: GateCell, name: str, room: int) -> ScreenLine:
    return (TextSpan(padded(name, room + _GAP)), cell.state, TextSpan(cell.note, Tone.FAINT))


def _of_wide_gate(cell: GateCell, name: str, room: int, width: int) -> list[ScreenLine]:
    """A gate on lines of its own: first its note gives way to the next one."""
    title = (TextSpan(padded(name, room)), TextSpan(" " * _GAP), cell.state)
    lines = folded([*title, TextSpan(cell.note, Tone.FAINT)], width, then="    ")
    if len(lines) == 1 or not cell.note:
        return lines
    return [*folded(title, width, then="    "), *wrapped(cell.note.strip(), width, first="    ", then="    ")]


# In a line or two


def in_short(
    title: str, states: Mapping[str, str], order: Sequence[str], width: int, most: int, *, quiet: str = ""
) -> list[ScreenLine]:
    """Who is in which state, in at most `most` lines: `GATES  open: sweep; shut: 3`.

    States come in `order`, unknown ones first. Those that are `quiet` are only counted; where there is no room for the
    names of others, these are counted too, the last in order first, and at last several states as one.
    """
    by_state: dict[str, list[str]] = {}
    for name, word in sorted(states.items(), key=lambda each: _place(each[1], order)):
        by_state.setdefault(word, []).append(name)
    named = [word for word in by_state if word != quiet]
    told = list(by_state)
    while True:
        parts = [f"{word}: {', '.join(by_state[word]) if word in named else len(by_state[word])}" for word in told]
        rest = len(states) - sum(len(by_state[word]) for word in told)
        found = wrapped(f"{title}  {'; '.join([*parts, *([f'others: {rest}'] if rest else [])])}", width, then="  ")
        if len(found) <= most or not (named or told):
            return found
        (named or told).pop()


def _place(word: str, order: Sequence[str]) -> int:
    return order.index(word) if word in order else -1


def listed_within(text: str, names: Sequence[str], width: float) -> str:
    """The text and as many whole names behind it as there is room for; two dots for those it has none for."""
    found = f"{text}{', '.join(names)}"
    for count in range(len(names) - 1, -1, -1):
        if wide(found) <= width:
            break
        found = f"{text}{', '.join((*names[:count], _DOTS))}"
    return found
