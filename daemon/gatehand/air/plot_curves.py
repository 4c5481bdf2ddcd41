"""Draws the fan's curve and what the ducts ask for at each flow; where they meet is the working point."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from gatehand.air import words
from gatehand.air.build import Shop
from gatehand.air.look import View
from gatehand.svg import FAINT, INK, Drawing
from gatehand_air.solve import Solution, Solver

WIDTH: Final = 640.0
HEIGHT: Final = 360.0
LEFT: Final = 84.0
STYLES: Final = (
    ("#0072b2", ""),
    ("#c23b00", "10 5"),
    ("#00795b", "3 4"),
    ("#8a4f9e", "14 4 3 4"),
    ("#8a6d00", "6 3"),
    ("#4d4d4d", "1 4"),
)
"""Colour and dashes, both different for each system curve; each also carries its number."""


@dataclass(frozen=True, slots=True)
class _Scale:
    """From SI to px."""

    top: float
    flow: float
    pressure: float

    def at(self, flow: float, pressure: float) -> tuple[float, float]:
        return LEFT + WIDTH * flow / self.flow, self.top + HEIGHT * (1 - pressure / self.pressure)


def draw(drawing: Drawing, shop: Shop, views: Sequence[View], top: float) -> float:
    """Curves for up to six sets of open gates, below `top`. Returns where the next thing may begin."""
    fan = shop.ducting.fan
    drawing.text((24, top), f"Collector {shop.collector}: fan and systems", 15, bold=True)
    scale = _Scale(top + 26, fan.last * 1.04, fan.points[0][1] * 1.08)
    _axes(drawing, shop, scale)
    steps = [fan.first + (fan.last - fan.first) * i / 80 for i in range(81)]
    drawing.line([scale.at(q, fan.at(q)[0]) for q in steps], INK, 3)
    x, y = scale.at(*fan.points[-1])
    drawing.text((x - 16, y - 4), "fan, static pressure", 12, anchor="end", bold=True)
    for number, view in enumerate(views[: len(STYLES)], 1):
        _system(drawing, shop, scale, view, number)
    return scale.top + HEIGHT + 70


def _axes(drawing: Drawing, shop: Shop, scale: _Scale) -> None:
    of = shop.units
    drawing.line([scale.at(0, scale.pressure), scale.at(0, 0), scale.at(scale.flow, 0)], INK, 1.5)
    for value in _ticks(scale.flow / of.flow):
        x, y = scale.at(value * of.flow, 0)
        drawing.line([(x, y), (x, y - HEIGHT)], "#e3e3e3", 1)
        drawing.text((x, y + 18), f"{value:,g}", 12, FAINT, "middle")
    for value in _ticks(scale.pressure / of.pressure):
        x, y = scale.at(0, value * of.pressure)
        drawing.line([(x, y), (x + WIDTH, y)], "#e3e3e3", 1)
        drawing.text((x - 8, y + 4), f"{value:,g}", 12, FAINT, "end")
    drawing.text((LEFT + WIDTH, scale.top + HEIGHT + 38), f"flow, {of.flow_word}", 12, FAINT, "end")
    drawing.text((24, scale.top - 6), of.pressure_word, 12, FAINT)


def _ticks(end: float) -> list[float]:
    """Five to ten round values from 0 up."""
    size = 10.0 ** len(str(int(end)))
    step = next(s for s in (size / k for k in (1, 2, 4, 5, 10, 20, 40, 50, 100, 200)) if end / s >= 5)  # noqa: PLR2004
    return [step * i for i in range(int(end / step) + 1)]


def _system(drawing: Drawing, shop: Shop, scale: _Scale, view: View, number: int) -> None:
    """One set's curve and name, its working point with a clean filter (full) and with a dirty one (hollow)."""
    colour, dash = STYLES[number - 1]
    say = words.Speaker(shop.units)
    points = _curve(shop.ducting.clean, view)
    clean, dirty = view.picture.clean, view.picture.dirty
    names = ", ".join(sorted(view.picture.gates))
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
    drawing.line([(LEFT + WIDTH + 30, y - 4), (LEFT + WIDTH + 74, y - 4)], colour, 2.5, dash)
    drawing.text((LEFT + WIDTH + 82, y), label, 12)
    drawing.width = max(drawing.width, LEFT + WIDTH + 82 + 7.2 * len(label))


def _curve(solver: Solver, view: View) -> list[tuple[float, float]]:
    """Flow and pressure that the open ducts and the filter ask for: the working points of ever stronger fans."""
    points = [(0.0, 0.0)]
    for step in range(1, 60):
        answer = replace(solver, fan=solver.fan.scaled((step / 20) ** 2)).solve(view.picture.gates)
        if not isinstance(answer, Solution):
            continue
        if answer.pressure > solver.fan.points[0][1]:
            break
        points.append((answer.flow, answer.pressure))
    return points
