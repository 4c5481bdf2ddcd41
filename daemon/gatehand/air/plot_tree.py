"""Draws the duct tree: width by diameter; colour, dashes and words by how fast the air goes."""

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import count
from typing import Final

from gatehand.air import words
from gatehand.air.build import Shop
from gatehand.air.look import View
from gatehand.svg import FAINT, INK, Drawing
from gatehand_air.ducting import ROUNDING
from gatehand_air.fittings import SETTLES
from gatehand_air.solve import Solution
from gatehand_air.tree import Duct, Network

COLUMN: Final = 230.0
ROW: Final = 92.0
LEFT: Final = 24.0
BOX: Final = 86.0
"""Px."""


@dataclass(frozen=True, slots=True)
class Look:
    """How a duct is drawn for one state of its air."""

    word: str
    colour: str
    dash: str


WELL: Final = Look("fast enough", "#0072b2", "")
SLOW: Final = Look("slower than wanted", "#b87900", "18 6")
SETTLES_LOOK: Final = Look("sawdust settles", "#c23b00", "6 6")
CLEAN_AIR: Final = Look("clean air only", "#4d4d4d", "2 3")
NO_AIR: Final = Look("shut: no air", "#a6a6a6", "1 5")
LOOKS: Final = (WELL, SLOW, SETTLES_LOOK, CLEAN_AIR, NO_AIR)
"""Colours apart for every kind of colour vision, and each with its own dashes and word."""


@dataclass(frozen=True, slots=True)
class _Canvas:
    """What every duct's drawing needs."""

    drawing: Drawing
    shop: Shop
    view: View
    ends: Mapping[str, tuple[float, float]]
    """Where each duct's hood end lies; its fan end lies at its parent's."""
    speeds: Mapping[str, float]
    dusty: frozenset[str]


def draw(drawing: Drawing, shop: Shop, view: View, top: float) -> None:
    """The tree of one set of open gates, below `top`; the collector to the left, a row for each hood."""
    clean, ducting = view.picture.clean, shop.ducting
    drawing.text((LEFT, top), f"Ducts {words.opened(view.picture.gates)}, clean filter", 15, bold=True)
    _legend(drawing, top + 26)
    open_ends = [end.name for end in ducting.network.ends if end.gate is None or end.gate in view.picture.dusty]
    canvas = _Canvas(
        drawing=drawing,
        shop=shop,
        view=view,
        ends=_places(ducting.network, top + 90),
        speeds=ducting.velocities(clean) if isinstance(clean, Solution) else {},
        dusty=frozenset(duct for end in open_ends for duct in ducting.ways[end]),
    )
    for duct in sorted(ducting.network.ducts, key=lambda duct: duct.name in canvas.speeds):
        _duct(canvas, duct)  # those with air in them last, on top
    y = canvas.ends[ducting.network.root.name][1]
    drawing.box((LEFT, y - 22), (BOX, 44), "#f2f2f2", INK)
    drawing.text((LEFT + BOX / 2, y - 3), "collector", 12, anchor="middle")
    drawing.text((LEFT + BOX / 2, y + 14), shop.collector, 12, anchor="middle", bold=True)


def _places(network: Network, top: float) -> dict[str, tuple[float, float]]:
    """Hood ends: a column for each step away from the fan, a row for each hood, joints amid what joins there."""
    places: dict[str, tuple[float, float]] = {}
    rows = count()

    def place(duct: Duct, depth: int) -> float:
        before = [other for other in network.ducts if other.into == duct.name]
        before.sort(key=lambda other: other.entry is not None)
        ys = [place(other, depth + 1) for other in before] or [top + ROW * next(rows)]
        y = (ys[0] + ys[-1]) / 2
        places[duct.name] = (LEFT + BOX + COLUMN * (depth + 1), y)
        return y

    place(network.root, 0)
    return places


def _look(canvas: _Canvas, duct: Duct) -> Look:
    speed = canvas.speeds.get(duct.name)
    wanted = canvas.shop.ducting.wanted[duct.name]
    if speed is None:
        return NO_AIR
    if duct.name not in canvas.dusty:
        return CLEAN_AIR
    if speed >= wanted * (1 - ROUNDING):
        return WELL
    return SETTLES_LOOK if speed < min(SETTLES, wanted) else SLOW


def _duct(canvas: _Canvas, duct: Duct) -> None:
    """One duct from its joint to its hood end, with name, size, flow, velocity and what that means."""
    drawing, say, look = canvas.drawing, words.Speaker(canvas.shop.units), _look(canvas, duct)
    x, y = canvas.ends[duct.name]
    start = x - COLUMN
    joint = canvas.ends[duct.into][1] if duct.into is not None else y
    width = 2 + duct.diameter * 60
    drawing.line([(start, joint), (start, y), (x, y)], look.colour, width, look.dash)
    above = y - width / 2 - 6
    drawing.text((start + 14, above), f"{duct.name}, {say.diameter(duct.diameter)}", 12, bold=True)
    below = y + width / 2 + 15
    if duct.name in canvas.speeds:
        speed = canvas.speeds[duct.name]
        flow = speed * canvas.shop.ducting.areas[duct.name]
        drawing.text((start + 14, below), f"{say.velocity(speed)}, {say.flow(flow)}", 12)
        drawing.text((start + 14, below + 16), look.word, 12, look.colour)
    else:
        drawing.text((start + 14, below), look.word, 12, FAINT)
    if duct.entry is not None:
        _hood(canvas, duct, look)


def _hood(canvas: _Canvas, duct: Duct, look: Look) -> None:
    """The end of a branch: its gate, and the flow against what is wanted."""
    drawing, say = canvas.drawing, words.Speaker(canvas.shop.units)
    x, y = canvas.ends[duct.name]
    drawing.dot((x, y), look.colour, hollow=look is NO_AIR)
    want = canvas.shop.wants.get(duct.hood)
    drawing.text((x + 12, y - 2), duct.hood, 13, bold=True)
    if duct.name not in canvas.speeds:
        drawing.text((x + 12, y + 14), "shut", 12, FAINT)
        return
    flow = canvas.speeds[duct.name] * canvas.shop.ducting.areas[duct.name]
    wanted = f" of {say.flow(want.flow)} wanted" if want is not None else f" {canvas.shop.units.flow_word}"
    short = want is not None and flow < want.flow * (1 - ROUNDING) and duct.name in canvas.dusty
    drawing.text((x + 12, y + 14), f"{say.flow(flow, word=False)}{wanted}{': short' if short else ''}", 12)
    drawing.width = max(drawing.width, x + 12 + 7.5 * 34)


def _legend(drawing: Drawing, y: float) -> None:
    x = LEFT
    for look in LOOKS:
        drawing.line([(x, y - 4), (x + 44, y - 4)], look.colour, 5, look.dash)
        drawing.text((x + 52, y), look.word, 12)
        x += 60 + 8.2 * len(look.word) + 18
