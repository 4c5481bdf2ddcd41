"""Draws a study as SVG: how long the tool drew how much, the thresholds, and what each run-on costs and saves."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt
from typing import Final

from gatehand.measures import NOUNS, UNITS, WEIGHED_AS
from gatehand.svg import FAINT, INK, Drawing
from gatehand.tune.levels import Levels, histogram, to_scale
from gatehand.tune.proposed_settings import RunOnChoice
from gatehand.tune.study import Found, Study, proposed

WIDTH: Final = 640.0
HEIGHT: Final = 220.0
LEFT: Final = 70.0

REST: Final = "#0072b2"
WORK: Final = "#c23b00"
MARK: Final = "#00795b"
_TICKS: Final = (0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100, 200, 500, 1000)
"""Ampere; of watts, what weighs as much."""
_BINS: Final = 160
_APART: Final = 26.0
"""Px between two labels of an axis, at least."""


@dataclass(frozen=True, slots=True)
class _Axes:
    """From values between 0 and 1 to px."""

    top: float

    def at(self, x: float, y: float) -> tuple[float, float]:
        return LEFT + WIDTH * x, self.top + HEIGHT * (1 - y)


def picture(studies: Sequence[Study]) -> str:
    """One SVG file for these tools; one that is too short to tell gets a line of text."""
    drawing = Drawing()
    top = 36.0
    for one in studies:
        drawing.text((24, top), one.tool.name, 17, bold=True)
        if one.found is None:
            drawing.text((24, top + 24), f"too short to tell: {one.too_short}", 13, FAINT)
            top += 70
            continue
        top += 24
        if one.found.levels is None:
            drawing.text((24, top), "a contact: it has no thresholds", 13, FAINT)
            top += 30
        else:
            top = _levels(drawing, one, one.found.levels, top)
        top = _run_ons(drawing, one, one.found, top)
    drawing.width = max(drawing.width, LEFT + WIDTH + 150)
    return drawing.document("Rest, work and run-on")


def _levels(drawing: Drawing, one: Study, found: Levels, top: float) -> float:
    """Bars by reading on a logarithmic scale; their height goes with the root, so that rare readings show."""
    measure = one.tool.measure
    heading = f"time at each {NOUNS[measure]} (height: square root), and the proposed thresholds"
    drawing.text((24, top), heading, 13, FAINT)
    axes = _Axes(top + 34)
    counts, centres = histogram(one.distribution.held, 0, 1 << 40, _BINS, measure)
    end, most = max(centres[-1], to_scale(found.peak, measure)) * 1.02, max(counts)
    split = to_scale(found.split, measure)
    for count, centre in zip(counts, centres, strict=True):
        if count > 0:
            height = sqrt(count / most)
            x, y = axes.at(centre / end, height)
            size = (WIDTH / _BINS, max(1.0, HEIGHT * height))
            drawing.box((x - WIDTH / _BINS / 2, min(y, axes.top + HEIGHT - 1)), size, REST if centre < split else WORK)
    before = 0.0
    for tick in (0, *_TICKS):
        value = tick * WEIGHED_AS[measure]
        at = to_scale(value, measure)
        x, y = axes.at(at / end, 0)
        if at <= end and x - before >= _APART:
            before = x
            drawing.line([(x, y), (x, y + 5)], INK, 1)
            drawing.text((x, y + 20), f"{value:g}", 12, FAINT, "middle")
    drawing.line([axes.at(0, 0), axes.at(1, 0)], INK, 1.5)
    drawing.text((axes.at(1, 0)[0] + 10, axes.top + HEIGHT + 20), UNITS[measure], 12, FAINT)
    for (key, value), dash, side in zip(proposed(one).items(), ("", "6 4"), ("start", "end"), strict=False):
        x = axes.at(to_scale(value, measure) / end, 0)[0]
        drawing.line([(x, axes.top + HEIGHT), (x, axes.top - 8)], MARK, 2, dash)
        place = (x + 6 if side == "start" else x - 6, axes.top)
        drawing.text(place, f"{key} = {value:g}", 12, MARK, side, bold=True)
    drawing.text(axes.at(0.02, 0.86), "rest", 13, REST, bold=True)
    drawing.text((axes.at(1, 0)[0], axes.at(0, 0.86)[1]), "work", 13, WORK, "end", bold=True)
    return axes.top + HEIGHT + 62


def _run_ons(drawing: Drawing, one: Study, found: Found, top: float) -> float:
    """Minutes and restarts for each run-on, each on a scale of its own, side by side."""
    days = one.days_to_average or 1
    unit = "a day" if one.days_to_average else "in all"
    drawing.text((24, top), f"run-on: minutes of the collector {unit} (bars), restarts {unit} (line)", 13, FAINT)
    axes = _Axes(top + 20)
    options = found.run_on
    minutes, restarts = (
        max(option.minutes for option in options) or 1.0,
        max(option.restarts for option in options) or 1,
    )
    step = 1 / len(options)
    for at, option in enumerate(options):
        x = (at + 0.5) * step
        left, y = axes.at(x - 0.3 * step, 0.9 * option.minutes / minutes)
        fill = "#8fbcd9" if option != found.advised else "#5fb49c"
        drawing.box((left, y), (0.6 * step * WIDTH, axes.top + HEIGHT - y), fill)
        place = axes.at(x, 0)
        drawing.text((place[0], y - 5), f"{option.minutes / days:.3g}", 11, INK, "middle")
        words = f"{option.seconds:g} s"
        drawing.text((place[0], place[1] + 18), words, 12, INK, "middle", bold=option == found.advised)
        note = "now" if option.seconds == one.tool.run_on else ""
        note = "proposed" if option == found.advised else note
        drawing.text((place[0], place[1] + 34), note, 11, FAINT, "middle")
    line = [axes.at((at + 0.5) * step, 0.9 * option.restarts / restarts) for at, option in enumerate(options)]
    drawing.line(line, WORK, 2.5)
    for point in line:
        drawing.dot(point, WORK)
    drawing.text((line[0][0] + 10, line[0][1] - 6), _restarts(options[0], days), 12, WORK, bold=True)
    drawing.text((line[-1][0] + 10, line[-1][1] + 4), _restarts(options[-1], days), 12, WORK, bold=True)
    drawing.line([axes.at(0, 0), axes.at(1, 0)], INK, 1.5)
    return axes.top + HEIGHT + 90


def _restarts(option: RunOnChoice, days: int) -> str:
    count = f"{option.restarts / days:.3g}"
    return f"{count} restart" if count == "1" else f"{count} restarts"
