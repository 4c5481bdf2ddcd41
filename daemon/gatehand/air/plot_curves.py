"""The chart of one collector: the fan's curve, what ducts and filter lose at each flow, and where the two meet.

One set of gates stands out, the one whose ducts are drawn below the chart; other sets are faint lines behind it.
"""

import math
from collections.abc import Iterator, Sequence
from typing import Final

from msgspec import Struct

from gatehand.air.analysis import AssessedSet
from gatehand.air.duct_model import DuctSystem
from gatehand.air.plot_cases import Case, lines
from gatehand.air.plot_sheet import LINE, MARGIN, SWATCH, TEXT, WIDTH, Legend, Sheet
from gatehand.svg import FAINT, INK, Drawing, Point
from gatehand.text import as_sentence, listed
from gatehand_air.fan_curve import Curve, CurvePoint
from gatehand_air.solve import Solver, Why

LEFT: Final = 52.0
RIGHT: Final = WIDTH - 24.0
HEIGHT: Final = 220.0
SHADE: Final = "#dedede"
GRID: Final = "#e9e9e9"
BEHIND: Final = "#808080"
CLEAN: Final = "#0072b2"
DIRTY: Final = "#a63500"
SAMPLES: Final = 24
SAMPLES_BEHIND: Final = 10
OVER: Final = 1.1


class Look(Struct, frozen=True):
    """How one fan with one filter is drawn."""

    colour: str
    dash: str


LOOKS: Final = {
    # dirty filter, other fan
    (False, False): Look(CLEAN, ""),
    (True, False): Look(DIRTY, "6 4"),
    (False, True): Look(CLEAN, "1.5 3"),
    (True, True): Look(DIRTY, "8 3 1.5 3"),
}
FAN_DASHES: Final = {False: "", True: "11 5"}
FAN_WIDTH: Final = 3.4


class _Scale(Struct, frozen=True):
    """From SI to px."""

    top: float
    flow: float
    pressure: float

    def at(self, flow: float, pressure: float) -> Point:
        share = min(max(pressure / self.pressure, 0.0), 1.0)
        return LEFT + (RIGHT - LEFT) * min(max(flow / self.flow, 0.0), 1.0), self.top + HEIGHT * (1 - share)


class _Chart(Struct, frozen=True):
    """What every mark's drawing needs."""

    drawing: Drawing
    legend: Legend
    scale: _Scale
    system: DuctSystem
    compared: bool
    """Whether there are two fans."""


def chart(sheet: Sheet, cases: Sequence[Case], others: Sequence[AssessedSet]) -> None:
    """The chart with its legend and, in words, the working points. `others`: sets that stay in the background."""
    fans = _fans(cases)
    sheet.gap(2 * LINE)
    flow = 1.06 * max(fan.last for _, fan, _ in fans)
    pressure = 1.04 * max(p for _, fan, off in fans for _, p in _samples(fan, 1 + off))
    scale = _Scale(sheet.at, flow, pressure or 1.0)
    drawn = _Chart(sheet.drawing, Legend(), scale, cases[0].system, compared=len(fans) > 1)
    _axes(drawn)
    _bands(drawn, fans)
    for view in others:
        _behind(drawn, view)
    for number, (name, fan, _) in enumerate(fans):
        _fan(drawn, name, fan, is_other=number > 0)
    for case in cases:
        _ducts(drawn, case, cases)
    for case in cases:
        _point(drawn, case)
    sheet.at = scale.top + HEIGHT + 2 * LINE + 8
    drawn.legend.put(sheet)
    _in_words(sheet, cases)


def _fans(cases: Sequence[Case]) -> list[tuple[str, Curve, float]]:
    """Each fan once: name, curve, and as how much of its pressure it may be off."""
    found: dict[bool, tuple[str, Curve, float]] = {}
    for case in cases:
        ducting = case.system.ducting
        found.setdefault(case.is_other, (case.fan, ducting.fan, ducting.ignorance.fan))
    return list(found.values())


def _samples(fan: Curve, by: float = 1.0) -> list[CurvePoint]:
    steps = 80
    flows = (fan.first + (fan.last - fan.first) * i / steps for i in range(steps + 1))
    return [(q, by * fan.at(q)[0]) for q in flows]


def _axes(chart: _Chart) -> None:
    drawing, scale, of = chart.drawing, chart.scale, chart.system.units
    bottom = scale.top + HEIGHT
    for value in ticks(scale.flow / of.flow):
        x, _ = scale.at(value * of.flow, 0)
        drawing.line([(x, scale.top), (x, bottom)], GRID, 1)
        drawing.text((x, bottom + LINE), f"{value:,.6g}", TEXT, FAINT, "middle")
    for value in ticks(scale.pressure / of.pressure):
        _, y = scale.at(0, value * of.pressure)
        drawing.line([(LEFT, y), (RIGHT, y)], GRID, 1)
        drawing.text((LEFT - 6, y + 4), f"{value:,.6g}", TEXT, FAINT, "end")
    drawing.line([(LEFT, scale.top), (LEFT, bottom), (RIGHT, bottom)], INK, 1.2)
    drawing.text((RIGHT, bottom + 2 * LINE), f"flow, {of.flow_word}", TEXT, FAINT, "end")
    drawing.text((MARGIN, scale.top - 8), f"static pressure, {of.pressure_word}", TEXT, FAINT)


def ticks(end: float) -> list[float]:
    """Four to seven round values from 0 up, the last not above `end`."""
    size = 10.0 ** math.floor(math.log10(end))
    step = next(s for s in (2 * size, size, size / 2, size / 4) if end / s >= 3)  # noqa: PLR2004
    return [step * i for i in range(int(end / step + 1e-9) + 1)]


def _bands(chart: _Chart, fans: Sequence[tuple[str, Curve, float]]) -> None:
    """How far each fan may be off its curve."""
    for name, fan, off in fans:
        if off <= 0:
            continue
        upper = [chart.scale.at(*point) for point in _samples(fan, 1 + off)]
        lower = [chart.scale.at(*point) for point in _samples(fan, 1 - off)]
        chart.drawing.area([*upper, *reversed(lower)], SHADE)
        for edge in (upper, lower):
            chart.drawing.line(edge, BEHIND, 0.6)
        whose = "a fan" if chart.compared else f"fan {name}"
        chart.legend.add(f"{whose} may be off by {100 * off:.0f} %", _swatch_of_band)


def _swatch_of_band(to: Drawing, at: Point) -> None:
    x, y = at
    to.area([(x, y - 5), (x + SWATCH, y - 5), (x + SWATCH, y + 5), (x, y + 5)], SHADE)
    for edge in (y - 5, y + 5):
        to.line([(x, edge), (x + SWATCH, edge)], BEHIND, 0.6)


def _fan(chart: _Chart, name: str, fan: Curve, *, is_other: bool) -> None:
    dash = FAN_DASHES[is_other]
    chart.drawing.line([chart.scale.at(*point) for point in _samples(fan)], INK, FAN_WIDTH, dash)
    chart.legend.line(f"fan {name}", INK, FAN_WIDTH, dash)


def _behind(chart: _Chart, view: AssessedSet) -> None:
    """Another set of gates, with a clean filter."""
    ducting = chart.system.ducting
    points = list(_asked_at(ducting.clean, view, ducting.fan.last, SAMPLES_BEHIND, chart.scale.pressure))
    if len(points) > 1:
        chart.drawing.line([chart.scale.at(*point) for point in points], BEHIND, 0.9, "3 3")
        chart.legend.line("other sets of gates, clean filter", BEHIND, 0.9, "3 3")


def _ducts(chart: _Chart, case: Case, cases: Sequence[Case]) -> None:
    """What ducts and filter take: once for each filter, also where two fans have the same."""
    alike = next(each for each in cases if each.solver.filter == case.solver.filter)
    if alike is not case or not case.shown:
        return
    look = LOOKS[case.is_dirty, case.is_other]
    last = max(each.solver.fan.last for each in cases if each.solver.filter == case.solver.filter)
    points = list(_asked_at(case.solver, case.view, last, SAMPLES, chart.scale.pressure))
    chart.drawing.line([chart.scale.at(*point) for point in points], look.colour, 1.8, look.dash)
    kind = "dirty" if case.is_dirty else "clean"
    what = f"ducts and {kind} filter" if case.solver.filter.factor > 0 else "the ducts"
    whose = f", fan {case.fan}" if case.is_other else ""
    chart.legend.line(f"what {what} lose{whose}", look.colour, 1.8, look.dash)


def _asked_at(solver: Solver, view: AssessedSet, last: float, samples: int, most: float) -> Iterator[CurvePoint]:
    """Flow and static pressure that the open ducts and the filter take, up to a flow or to a pressure."""
    before = (0.0, 0.0)
    yield before
    if (at_last := taken(solver, view, last)) is None:
        return
    last *= min(1.0, OVER * math.sqrt(most / at_last))  # losses go about with the square of the flow
    for step in range(1, samples + 1):
        flow = last * step / samples
        pressure = taken(solver, view, flow)
        if pressure is None:
            return
        if pressure > most:
            share = (most - before[1]) / (pressure - before[1])
            yield before[0] + share * (flow - before[0]), most
            return
        before = flow, pressure
        yield before


def taken(solver: Solver, view: AssessedSet, flow: float) -> float | None:
    """What ducts and filter take at a flow, Pa."""
    drawn = solver.drawing(view.assessment.gates, flow)
    return None if drawn is None else drawn.suctions[solver.network.root.name] + drawn.filter_loss


def _point(chart: _Chart, case: Case) -> None:
    """Where fan and ducts meet, with its spread; or where the curve leaves off."""
    shown, drawing = case.shown, chart.drawing
    if shown is None:
        return
    look = LOOKS[case.is_dirty, case.is_other]
    if case.bound is not None:
        _end(chart, case)
        return
    x, y = chart.scale.at(shown.flow, shown.pressure)
    off = case.half.flows[case.system.ducting.network.root.name] if case.half is not None else 0.0
    if off > 0:
        low, high = (chart.scale.at(q, shown.pressure)[0] for q in (shown.flow - off, shown.flow + off))
        _bar(drawing, (low, y), high)
        chart.legend.add("how far the flow may be off", _swatch_of_bar)
    _mark(drawing, (x, y), look.colour, case, f"{case.label}: {case.point()}")
    chart.legend.add(
        f"working point, {case.label}" if case.label != "found" else "working point",
        lambda to, at: _mark(to, (at[0] + SWATCH / 2, at[1]), look.colour, case),
    )


def _mark(to: Drawing, at: Point, colour: str, case: Case, tip: str = "") -> None:
    """Round for the first fan, a diamond for the other; full with a clean filter, hollow with a dirty one."""
    if case.is_other:
        x, y = at
        corners = [(x, y - 6), (x + 6, y), (x, y + 6), (x - 6, y)]
        to.area(corners, "#ffffff" if case.is_dirty else colour, colour, 2, tip)
    else:
        to.dot(at, colour, hollow=case.is_dirty, tip=tip)


def _bar(to: Drawing, low: Point, high: float) -> None:
    """A level bar with an upright at each end."""
    x, y = low
    to.line([(x, y), (high, y)], INK, 1)
    for end in (x, high):
        to.line([(end, y - 4), (end, y + 4)], INK, 1)


def _swatch_of_bar(to: Drawing, at: Point) -> None:
    _bar(to, (at[0] + 4, at[1]), at[0] + SWATCH - 4)


def _end(chart: _Chart, case: Case) -> None:
    """The end of the fan's curve, and an arrow to the side on which the answer lies."""
    ahead = case.bound is Why.BEYOND_CURVE
    fan, say = case.solver.fan, case.system.say
    limit = fan.last if ahead else fan.first
    x, bottom = chart.scale.at(limit, 0)
    chart.drawing.line([(x, chart.scale.top), (x, bottom)], INK, 1, "1.5 2.5")
    whose = f"the curve of fan {case.fan}"
    where = "ends" if ahead else "begins"
    chart.legend.line(f"{whose} {where} here, at {say.flow(limit)}", INK, 1, "1.5 2.5")
    pressure = taken(case.solver, case.view, limit)
    _, y = chart.scale.at(limit, chart.scale.pressure if pressure is None else pressure)
    colour = LOOKS[case.is_dirty, case.is_other].colour
    _arrow(chart.drawing, (x, y), colour, case)
    with_ = f", {case.label}" if case.label != "found" else ""
    chart.legend.add(
        f"the fan moves {'more' if ahead else 'less'} air than this{with_}",
        lambda to, at: _arrow(to, (at[0] + SWATCH / 2, at[1]), colour, case),
    )


def _arrow(to: Drawing, at: Point, colour: str, case: Case) -> None:
    """A triangle that points to more air, or to less; hollow with a dirty filter, with a shaft for the other fan."""
    x, y = at
    tip = 10.0 if case.bound is Why.BEYOND_CURVE else -10.0
    to.area([(x, y - 5), (x + tip, y), (x, y + 5)], "#ffffff" if case.is_dirty else colour, colour, 1.6)
    if case.is_other:
        to.line([(x - tip, y), (x, y)], colour, 2.4)


def _in_words(sheet: Sheet, cases: Sequence[Case]) -> None:
    """The working points, and why there is none."""
    sheet.gap(8)
    sheet.text("Air through the fan", bold=True)
    for line in lines([(case.label, point) for case in cases if (point := case.point())]):
        sheet.text(line, MARGIN + 10)
    troubles = {case.label: case.trouble() for case in cases if case.trouble()}
    for text in dict.fromkeys(troubles.values()):
        whose = [label for label, other in troubles.items() if other == text]
        sentence = text if len(whose) == len(cases) else f"{listed(whose, last='and')}: {text}"
        sheet.text(as_sentence(sentence), MARGIN + 10)
