"""The duct tree of one set of open gates, from the collector down: for each duct a block of lines with its pipe beside.

A pipe is wide where the duct is, in dashes that say how fast its air is. What branches off is set in; the branch that
leads to the most hoods goes straight on, so that a long row of drops takes no more width than a short one.
"""

from collections.abc import Callable, Mapping, Sequence
from functools import partial
from typing import Final

from msgspec import Struct

from gatehand.air.plot_cases import Case, Figure, lines
from gatehand.air.plot_sheet import LINE, MARGIN, SWATCH, Legend, Sheet
from gatehand.svg import FAINT, INK, Drawing, Point
from gatehand_air.ducting import Verdict
from gatehand_air.tree import Duct, Network

STEP: Final = 20.0
"""Px that a branch is set in."""
BESIDE: Final = 13.0
"""Px from the middle of a pipe to its words."""
WIDEST: Final = 11.0
"""Px of a pipe."""


class DuctStyle(Struct, frozen=True):
    """How a pipe is drawn for one state of its air."""

    word: str
    colour: str
    dash: str = ""
    width: float | None = None
    """None: by the duct's diameter."""


WELL: Final = DuctStyle("fast enough", "#0072b2")
CLOSE: Final = DuctStyle("too close to call", "#00795b", "9 2.5")
SLOW: Final = DuctStyle("too slow", "#8a6d00", "5 3")
DUST_SETTLES: Final = DuctStyle("so slow that sawdust settles", "#a63500", "2 3")
UNKNOWN: Final = DuctStyle("unknown", "#8a4f9e", "9 2.5 2 2.5")
CLEAN_AIR: Final = DuctStyle("clean air only", "#4d4d4d", width=2.6)
LEAKS: Final = DuctStyle("shut, but it leaks", "#4d4d4d", "1.5 4", 1.6)
NO_AIR: Final = DuctStyle("no air", "#808080", width=1.0)
SHUT: Final = (LEAKS, NO_AIR)
WORST_FIRST: Final = (DUST_SETTLES, SLOW, UNKNOWN, CLOSE, WELL)
MARKS: Final = ("collector", "gate, open", "gate, shut", "hood, open")
IN_ORDER: Final = (*MARKS, *(style.word for style in (*reversed(WORST_FIRST), CLEAN_AIR, *SHUT)))
"""Of the legend."""
BY_VERDICT: Final = {
    Verdict.MET: WELL,
    Verdict.CLOSE: CLOSE,
    Verdict.SHORT: SLOW,
    Verdict.UNKNOWN: UNKNOWN,
}


class _Tree(Struct, frozen=True):
    """What every block needs."""

    sheet: Sheet
    legend: Legend
    cases: Sequence[Case]
    gates: frozenset[str]
    """Open."""
    fed: frozenset[str]
    """Ducts that an open hood's air passes."""
    under: Mapping[str, Sequence[Duct]]
    """By duct: what runs into it, the one that goes straight on last."""

    def style(self, duct: Duct) -> DuctStyle:
        """By the worst of its figures, clean filter and dirty."""
        figures = [figure for case in self.cases if (figure := case.speed(duct.name)) is not None]
        if duct.name not in self.fed:
            return LEAKS if figures else NO_AIR
        if not figures:
            return UNKNOWN
        styles = [_style_of(figure) for figure in figures]
        return next((style for style in WORST_FIRST if style in styles), CLEAN_AIR)


def _style_of(figure: Figure) -> DuctStyle:
    if figure.verdict is None:
        return CLEAN_AIR
    return DUST_SETTLES if figure.settles else BY_VERDICT[figure.verdict]


def tree(sheet: Sheet, cases: Sequence[Case]) -> None:
    """The tree below its legend. The first case is the fan of the config with a clean filter."""
    _draw(Sheet(), cases).put(sheet)
    if sum(case.shown is not None for case in cases) > 1:
        sheet.text("A duct is drawn by its worst figure.", told=False)
    sheet.gap(6)
    _draw(sheet, cases)


def _draw(sheet: Sheet, cases: Sequence[Case]) -> Legend:
    """The tree below what is on the sheet; what its marks mean comes out of the drawing."""
    system, gates = cases[0].system, cases[0].view.assessment.gates
    network = system.ducting.network
    hoods = network.always_open | network.behind(gates)
    drawn = _Tree(
        sheet=sheet,
        legend=Legend(IN_ORDER),
        cases=cases,
        gates=gates,
        fed=frozenset(duct.name for hood in hoods for duct in network.path(hood)),
        under=_under(network),
    )
    left = MARGIN + 6
    _collector(drawn, system.collector, left)
    _block(drawn, network.root, left, sheet.at)
    return drawn.legend


def _under(network: Network) -> dict[str, list[Duct]]:
    """A duct that is the only one goes straight on; else the one with the most hoods, unless it ends in one."""
    count: dict[str, int] = {duct.name: 0 for duct in network.ducts}
    for end in network.ends:
        for duct in network.path(end.name):
            count[duct.name] += 1
    found: dict[str, list[Duct]] = {duct.name: [] for duct in network.ducts}
    for duct in network.ducts:
        if duct.into is not None:
            found[duct.into].append(duct)
    for ducts in found.values():
        ducts.sort(key=lambda duct: (duct.entry is None, count[duct.name]))
    return found


def _collector(drawn: _Tree, name: str, left: float) -> None:
    sheet = drawn.sheet
    top = sheet.at
    sheet.text(f"collector {name}", left + BESIDE, bold=True, told=False)
    sheet.drawing.line(
        [(left - 6, top + 2), (left + 6, top + 2), (left + 6, top + LINE), (left - 6, top + LINE)], INK, 2
    )
    _outline(sheet.drawing, (left, top + LINE / 2 + 1))
    drawn.legend.add("collector", lambda to, at: _outline(to, (at[0] + SWATCH / 2, at[1])))


def _outline(to: Drawing, at: Point) -> None:
    x, y = at
    to.area([(x - 6, y - 6), (x + 6, y - 6), (x + 6, y + 6), (x - 6, y + 6)], "#ffffff", INK, 2)


def _gate_mark(to: Drawing, at: Point, *, is_open: bool) -> None:
    x, y = at
    fill = "#ffffff" if is_open else INK
    to.area([(x - 4, y - 4), (x + 4, y - 4), (x + 4, y + 4), (x - 4, y + 4)], fill, INK, 2)


def _hood_mark(to: Drawing, at: Point) -> None:
    """Wider where the air comes in."""
    x, y = at
    to.area([(x - 3, y - 5), (x + 3, y - 5), (x + 7, y + 4), (x - 7, y + 4)], "#ffffff", INK, 2)


def _block(drawn: _Tree, duct: Duct, left: float, start: float) -> None:
    """A duct's words and pipe, then what runs into it. `start`: where its pipe begins, px from the top."""
    sheet, style = drawn.sheet, drawn.style(duct)
    top = sheet.at
    place = len(sheet.drawing.shapes)
    under = drawn.under[duct.name]
    _words(drawn, duct, left + BESIDE, style)
    bottom = sheet.at - 4
    sheet.gap(4)
    straight = under[-1] if under and (len(under) == 1 or under[-1].entry is None) else None
    for branch in under:
        if branch is straight:
            continue
        joint = sheet.at + LINE / 2
        _stub(drawn, branch, left, joint)
        _block(drawn, branch, left + STEP, joint)
        bottom = joint
    if straight is not None:
        bottom = sheet.at
    pipe = Drawing()
    pipe.line([(left, start), (left, bottom)], style.colour, _width(duct, style), style.dash)
    _gate(drawn, pipe, duct, (left, top + LINE / 2 + 1))
    if duct.entry is not None and style not in SHUT:
        _hood_mark(pipe, (left, bottom))
        drawn.legend.add("hood, open", lambda to, at: _hood_mark(to, (at[0] + SWATCH / 2, at[1])))
    sheet.drawing.shapes[place:place] = pipe.shapes
    drawn.legend.line(style.word, style.colour, style.width or 6.0, style.dash)
    if straight is not None:
        _block(drawn, straight, left, sheet.at)


def _stub(drawn: _Tree, branch: Duct, left: float, joint: float) -> None:
    """From the pipe that a branch runs into to its own."""
    style = drawn.style(branch)
    width = _width(branch, style)
    drawn.sheet.drawing.line([(left, joint), (left + STEP + width / 2, joint)], style.colour, width, style.dash)


def _width(duct: Duct, style: DuctStyle) -> float:
    return style.width or min(2.5 + 38 * duct.diameter, WIDEST)


def _gate(drawn: _Tree, pipe: Drawing, duct: Duct, at: Point) -> None:
    """Where a duct with a gate begins: hollow when it is open."""
    if duct.gate is None:
        return
    is_open = duct.gate in drawn.gates
    _gate_mark(pipe, at, is_open=is_open)
    words = f"gate, {'open' if is_open else 'shut'}"
    drawn.legend.add(words, lambda to, at: _gate_mark(to, (at[0] + SWATCH / 2, at[1]), is_open=is_open))


def _words(drawn: _Tree, duct: Duct, left: float, style: DuctStyle) -> None:
    """What a duct is, what its air does and what is wanted of it; the same of the hood that it ends in."""
    sheet, system = drawn.sheet, drawn.cases[0].system
    say = system.say
    name = f"{duct.name}, {say.diameter(duct.diameter)}"
    if style in SHUT:
        gate = f"; gate {duct.gate} {'open' if duct.gate in drawn.gates else 'shut'}" if duct.gate is not None else ""
        figure = drawn.cases[0].flow(duct.name)
        unit = system.units.flow_word
        air = f"leaks {figure.words(_bare(say.flow))} {unit}" if figure is not None else "no air"
        sheet.text(f"{name}{gate}; {air}", left, fill=FAINT)
        return
    sheet.text(name, left, bold=True)
    if duct.gate is not None:
        sheet.text(f"gate {duct.gate}, open", left)
    _figures(drawn, duct, left)
    if duct.entry is not None:
        _hood(drawn, duct, left)


def _figures(drawn: _Tree, duct: Duct, left: float) -> None:
    """The velocity in each case."""
    say, sheet = drawn.cases[0].system.say, drawn.sheet
    found = [(case.label, figure) for case in drawn.cases if (figure := case.speed(duct.name)) is not None]
    if not found:
        sheet.text("velocity not worked out", left)
        return
    wanted = found[0][1].wanted
    unit = drawn.cases[0].system.units.velocity_word
    want = f"{say.velocity(wanted)} wanted" if wanted is not None else f"{unit} (clean air only)"
    sheet.text(f"velocity, {want}", left)
    for line in lines([(label, figure.judged(_bare(say.velocity), "too slow")) for label, figure in found]):
        sheet.text(line, left + 8)


def _hood(drawn: _Tree, duct: Duct, left: float) -> None:
    """The flow at a hood in each case."""
    system, sheet = drawn.cases[0].system, drawn.sheet
    say = system.say
    found = [(case.label, figure) for case in drawn.cases if (figure := case.flow(duct.name)) is not None]
    name = f"hood {say.hood(duct.name)}"
    if not found:
        sheet.text(f"{name}: flow not worked out", left)
        return
    wanted = found[0][1].wanted
    dusty = duct.name in drawn.cases[0].view.assessment.dusty
    none = f"{system.units.flow_word} ({'no wanted flow is given' if dusty else 'clean air only'})"
    sheet.text(f"{name}, {f'{say.flow(wanted)} wanted' if wanted is not None else none}", left)
    for line in lines([(label, figure.judged(_bare(say.flow), "short")) for label, figure in found]):
        sheet.text(line, left + 8)


def _bare(put: Callable[..., str]) -> Callable[[float], str]:
    """Without the unit."""
    return partial(put, word=False)
