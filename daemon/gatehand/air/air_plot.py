"""`airflow --plot FILE.svg`: for each collector the curves, and the duct tree of one set of open gates.

The curves: the fan's, and what the ducts ask for at each flow; where they meet is the working point. The tree: width by
diameter; colour, dashes and words by how fast the air goes.
"""

from collections.abc import Mapping, Sequence
from itertools import count
from typing import Final

from msgspec import Struct
from msgspec.structs import replace

from gatehand.air import air_words
from gatehand.air.analysis import AssessedSet, Report
from gatehand.air.duct_model import DuctSystem
from gatehand.svg import FAINT, INK, Drawing
from gatehand_air.ducting import Lack, Short
from gatehand_air.solve import Solution, Solver
from gatehand_air.tree import Duct, Network

GAP = 60.0


def svg(reports: Sequence[Report]) -> str:
    """The whole drawing. Several sets: each demand alone as a curve, and the tree of the one that is slowest."""
    drawing = Drawing()
    top = 40.0
    for report in reports:
        alone = [view for view in report.views if any(len(together) == 1 for together in view.asked.demands)]
        top = _curves(drawing, report.system, alone or report.views, top)
        _tree(drawing, report.system, _slowest(report.views), top)
        top = drawing.height + GAP
    return drawing.document("Fan, systems and ducts: " + ", ".join(report.system.collector for report in reports))


def _slowest(views: Sequence[AssessedSet]) -> AssessedSet:
    """Of the sets that can be asked for, the one with the duct furthest below its velocity; else the first."""

    def share(view: AssessedSet) -> float:
        return min((s.share for s in view.assessment.shorts if s.lack is Lack.SLOW_DUCT), default=1.0)

    return min((view for view in views if view.is_asked), key=share, default=views[0])


PLOT_WIDTH: Final = 640.0
PLOT_HEIGHT: Final = 360.0
PLOT_LEFT: Final = 84.0
SYSTEM_STYLES: Final = (
    ("#0072b2", ""),
    ("#c23b00", "10 5"),
    ("#00795b", "3 4"),
    ("#8a4f9e", "14 4 3 4"),
    ("#8a6d00", "6 3"),
    ("#4d4d4d", "1 4"),
)
"""Colour and dashes, both different for each system curve; each also carries its number."""


class _Scale(Struct, frozen=True):
    """From SI to px."""

    top: float
    flow: float
    pressure: float

    def at(self, flow: float, pressure: float) -> tuple[float, float]:
        return PLOT_LEFT + PLOT_WIDTH * flow / self.flow, self.top + PLOT_HEIGHT * (1 - pressure / self.pressure)


def _curves(drawing: Drawing, system: DuctSystem, views: Sequence[AssessedSet], top: float) -> float:
    """Curves for up to six sets of open gates, below `top`. Returns where the next thing may begin."""
    fan = system.ducting.fan
    drawing.text((24, top), f"Collector {system.collector}: fan and systems", 15, bold=True)
    scale = _Scale(top + 26, fan.last * 1.04, fan.points[0][1] * 1.08)
    _axes(drawing, system, scale)
    steps = [fan.first + (fan.last - fan.first) * i / 80 for i in range(81)]
    drawing.line([scale.at(q, fan.at(q)[0]) for q in steps], INK, 3)
    x, y = scale.at(*fan.points[-1])
    drawing.text((x - 16, y - 4), "fan, static pressure", 12, anchor="end", bold=True)
    for number, view in enumerate(views[: len(SYSTEM_STYLES)], 1):
        _system(drawing, system, scale, view, number)
    return scale.top + PLOT_HEIGHT + 70


def _axes(drawing: Drawing, system: DuctSystem, scale: _Scale) -> None:
    of = system.units
    drawing.line([scale.at(0, scale.pressure), scale.at(0, 0), scale.at(scale.flow, 0)], INK, 1.5)
    for value in _ticks(scale.flow / of.flow):
        x, y = scale.at(value * of.flow, 0)
        drawing.line([(x, y), (x, y - PLOT_HEIGHT)], "#e3e3e3", 1)
        drawing.text((x, y + 18), f"{value:,g}", 12, FAINT, "middle")
    for value in _ticks(scale.pressure / of.pressure):
        x, y = scale.at(0, value * of.pressure)
        drawing.line([(x, y), (x + PLOT_WIDTH, y)], "#e3e3e3", 1)
        drawing.text((x - 8, y + 4), f"{value:,g}", 12, FAINT, "end")
    drawing.text((PLOT_LEFT + PLOT_WIDTH, scale.top + PLOT_HEIGHT + 38), f"flow, {of.flow_word}", 12, FAINT, "end")
    drawing.text((24, scale.top - 6), of.pressure_word, 12, FAINT)


def _ticks(end: float) -> list[float]:
    """Five to ten round values from 0 up."""
    size = 10.0 ** len(str(int(end)))
    step = next(s for s in (size / k for k in (1, 2, 4, 5, 10, 20, 40, 50, 100, 200)) if end / s >= 5)  # noqa: PLR2004
    return [step * i for i in range(int(end / step) + 1)]


def _system(drawing: Drawing, system: DuctSystem, scale: _Scale, view: AssessedSet, number: int) -> None:
    """One set's curve and name, its working point with a clean filter (full) and with a dirty one (hollow)."""
    colour, dash = SYSTEM_STYLES[number - 1]
    say = system.say
    points = _curve(system.ducting.clean, view)
    clean, dirty = view.assessment.clean, view.assessment.dirty
    names = ", ".join(sorted(view.assessment.gates))
    label = f"{number}  {names}"
    if len(points) > 1:
        drawing.line([scale.at(q, p) for q, p in points], colour, 2, dash)
    if isinstance(dirty, Solution) and dirty != clean:
        drawing.dot(scale.at(dirty.flow, dirty.pressure), colour, hollow=True)
    if isinstance(clean, Solution):
        at = scale.at(clean.flow, clean.pressure)
        drawing.dot(at, colour)
        drawing.text((at[0] + 8, at[1] - 8), str(number), 13, colour, bold=True)
        label += f": {say.flow(clean.flow)} at {say.pressure(clean.pressure)}"
        if isinstance(dirty, Solution) and dirty != clean:
            label += f", dirty filter {say.flow(dirty.flow)}"
    else:
        label += ": no answer"
    y = scale.top + 10 + 24 * number
    drawing.line([(PLOT_LEFT + PLOT_WIDTH + 30, y - 4), (PLOT_LEFT + PLOT_WIDTH + 74, y - 4)], colour, 2.5, dash)
    drawing.text((PLOT_LEFT + PLOT_WIDTH + 82, y), label, 12)
    drawing.width = max(drawing.width, PLOT_LEFT + PLOT_WIDTH + 82 + 7.2 * len(label))


def _curve(solver: Solver, view: AssessedSet) -> list[tuple[float, float]]:
    """Flow and pressure that the open ducts and the filter ask for: the working points of ever stronger fans."""
    points = [(0.0, 0.0)]
    for step in range(1, 60):
        answer = replace(solver, fan=solver.fan.scaled((step / 20) ** 2)).solve(view.assessment.gates)
        if not isinstance(answer, Solution):
            continue
        if answer.pressure > solver.fan.points[0][1]:
            break
        points.append((answer.flow, answer.pressure))
    return points


COLUMN: Final = 230.0
ROW: Final = 92.0
TREE_LEFT: Final = 24.0
BOX: Final = 86.0
"""Px."""


class DuctStyle(Struct, frozen=True):
    """How a duct is drawn for one state of its air."""

    word: str
    colour: str
    dash: str


WELL: Final = DuctStyle("fast enough", "#0072b2", "")
SLOW: Final = DuctStyle("slower than wanted", "#b87900", "18 6")
DUST_SETTLES: Final = DuctStyle("sawdust settles", "#c23b00", "6 6")
CLEAN_AIR: Final = DuctStyle("clean air only", "#4d4d4d", "2 3")
NO_AIR: Final = DuctStyle("shut: no air", "#a6a6a6", "1 5")
DUCT_STYLES: Final = (WELL, SLOW, DUST_SETTLES, CLEAN_AIR, NO_AIR)
"""Colours apart for every kind of colour vision, and each with its own dashes and word."""


class _Canvas(Struct, frozen=True):
    """What every duct's drawing needs."""

    drawing: Drawing
    system: DuctSystem
    ends: Mapping[str, tuple[float, float]]
    """Where each duct's hood end lies; its fan end lies at its parent's."""
    speeds: Mapping[str, float]
    dusty: frozenset[str]
    shorts: Mapping[tuple[Lack, str], Short]
    """With a clean filter."""


def _tree(drawing: Drawing, system: DuctSystem, view: AssessedSet, top: float) -> None:
    """The tree of one set of open gates, below `top`; the collector to the left, a row for each hood."""
    clean, ducting = view.assessment.clean, system.ducting
    drawing.text((TREE_LEFT, top), f"Ducts {air_words.opened(view.assessment.gates)}, clean filter", 15, bold=True)
    _legend(drawing, top + 26)
    canvas = _Canvas(
        drawing=drawing,
        system=system,
        ends=_places(ducting.network, top + 90),
        speeds=ducting.velocities(clean) if isinstance(clean, Solution) else {},
        dusty=frozenset(ducting.wanted_for(view.assessment.dusty)),
        shorts={(short.lack, short.where): short for short in view.assessment.shorts if not short.dirty},
    )
    for duct in sorted(ducting.network.ducts, key=lambda duct: duct.name in canvas.speeds):
        _duct(canvas, duct)  # those with air in them last, on top
    y = canvas.ends[ducting.network.root.name][1]
    drawing.box((TREE_LEFT, y - 22), (BOX, 44), "#f2f2f2", INK)
    drawing.text((TREE_LEFT + BOX / 2, y - 3), "collector", 12, anchor="middle")
    drawing.text((TREE_LEFT + BOX / 2, y + 14), system.collector, 12, anchor="middle", bold=True)


def _places(network: Network, top: float) -> dict[str, tuple[float, float]]:
    """Hood ends: a column for each step away from the fan, a row for each hood, joints amid what joins there."""
    places: dict[str, tuple[float, float]] = {}
    rows = count()

    def place(duct: Duct, depth: int) -> float:
        before = [other for other in network.ducts if other.into == duct.name]
        before.sort(key=lambda other: other.entry is not None)
        ys = [place(other, depth + 1) for other in before] or [top + ROW * next(rows)]
        y = (ys[0] + ys[-1]) / 2
        places[duct.name] = (TREE_LEFT + BOX + COLUMN * (depth + 1), y)
        return y

    place(network.root, 0)
    return places


def _style(canvas: _Canvas, duct: Duct) -> DuctStyle:
    if duct.name not in canvas.speeds:
        return NO_AIR
    if duct.name not in canvas.dusty:
        return CLEAN_AIR
    short = canvas.shorts.get((Lack.SLOW_DUCT, duct.name))
    return WELL if short is None else DUST_SETTLES if short.settles else SLOW


def _duct(canvas: _Canvas, duct: Duct) -> None:
    """One duct from its joint to its hood end, with name, size, flow, velocity and what that means."""
    drawing, say, style = canvas.drawing, canvas.system.say, _style(canvas, duct)
    x, y = canvas.ends[duct.name]
    start = x - COLUMN
    joint = canvas.ends[duct.into][1] if duct.into is not None else y
    width = 2 + duct.diameter * 60
    drawing.line([(start, joint), (start, y), (x, y)], style.colour, width, style.dash)
    above = y - width / 2 - 6
    drawing.text((start + 14, above), f"{duct.name}, {say.diameter(duct.diameter)}", 12, bold=True)
    below = y + width / 2 + 15
    if duct.name in canvas.speeds:
        speed = canvas.speeds[duct.name]
        flow = speed * canvas.system.ducting.areas[duct.name]
        drawing.text((start + 14, below), f"{say.velocity(speed)}, {say.flow(flow)}", 12)
        drawing.text((start + 14, below + 16), style.word, 12, style.colour)
    else:
        drawing.text((start + 14, below), style.word, 12, FAINT)
    if duct.entry is not None:
        _hood(canvas, duct, style)


def _hood(canvas: _Canvas, duct: Duct, style: DuctStyle) -> None:
    """The end of a branch: its gate, and the flow against what is wanted."""
    drawing, say = canvas.drawing, canvas.system.say
    x, y = canvas.ends[duct.name]
    drawing.dot((x, y), style.colour, hollow=style is NO_AIR)
    want = canvas.system.wants.get(duct.name)
    drawing.text((x + 12, y - 2), say.hood(duct.name), 13, bold=True)
    if duct.name not in canvas.speeds:
        drawing.text((x + 12, y + 14), "shut", 12, FAINT)
        return
    flow = canvas.speeds[duct.name] * canvas.system.ducting.areas[duct.name]
    wanted = f" of {say.flow(want.flow)} wanted" if want is not None else f" {canvas.system.units.flow_word}"
    short = (Lack.HOOD_FLOW, duct.name) in canvas.shorts
    drawing.text((x + 12, y + 14), f"{say.flow(flow, word=False)}{wanted}{': short' if short else ''}", 12)
    drawing.width = max(drawing.width, x + 12 + 7.5 * 34)


def _legend(drawing: Drawing, y: float) -> None:
    x = TREE_LEFT
    for style in DUCT_STYLES:
        drawing.line([(x, y - 4), (x + 44, y - 4)], style.colour, 5, style.dash)
        drawing.text((x + 52, y), style.word, 12)
        x += 60 + 8.2 * len(style.word) + 18
