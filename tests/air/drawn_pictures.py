"""What the tests of `airflow --plot` need: reports without proposals, shops of any size, and a drawing read back."""

import random
from collections.abc import Collection, Iterator, Sequence
from functools import cache
from typing import NamedTuple
from xml.etree import ElementTree as ET

from msgspec import Struct
from msgspec.structs import replace
from shop_files import US, config_of, metric_twin, shop_text

from gatehand.air.air_plot import OtherFan, svg
from gatehand.air.analysis import AssessedSet
from gatehand.air.duct_model import DuctSystem, duct_systems
from gatehand.air.plot_sheet import SWATCH
from gatehand.config import Config
from gatehand.svg import text_width
from gatehand_air.gate_sets import GateSet

PHONE = 360.0
"""Px across a small phone."""


class Shown(Struct, frozen=True):
    """A report as far as a drawing needs it."""

    system: DuctSystem
    views: Sequence[AssessedSet]


def looked_at(config: Config, only: Collection[str] | None = None) -> list[Shown]:
    """Each demand alone, or one set of gates."""
    found = []
    for system in duct_systems(config):
        if only is not None:
            who = tuple(d for d in system.demands if d.gates <= set(only))
            asked = [GateSet(frozenset(only), system.ducting.network.behind(only), (who,))]
        else:
            opens = ((demand, system.admit([demand])) for demand in system.demands)
            asked = [GateSet(gates, demand.hoods, ((demand,),)) for demand, gates in opens if gates is not None]
        assessed = ((one, system.ducting.assess(one.gates, one.dusty)) for one in asked)
        found.append(Shown(system, [AssessedSet(one, assessment, None) for one, assessment in assessed]))
    return found


_STATION = """
[duct.station]
into = "row"
diameter = 5
length = 7
fittings = ["wye_45", "elbow_90", "blade_gate"]
gate = "planing"

[duct.jointer_port]
into = "station"
diameter = 4
length = 3
hood = { entry = "flanged", tool = "jointer" }

[duct.sander_port]
into = "station"
diameter = 2.5
length = 8
hood = { entry = "flanged", tool = "drum_sander", flow = 350 }
"""


def station() -> Config:
    """The instrument maker's shop with two hoods behind the gate of its planing station."""
    before, _, rest = US.partition("[duct.planing_drop]")
    return config_of(
        shop_text(before + _STATION.strip() + "\n\n[duct.router_drop]" + rest.partition("[duct.router_drop]")[2])
    )


def drawn_shop(count: int, seed: int) -> Config:
    """So many gates on a tree of any shape, with names from short to the longest that a config may have."""
    dice = random.Random(seed)
    gates = [
        f"g{k}" + "_planing_station"[: dice.choice((0, 4, 16))] + "w" * dice.choice((0, 0, 0, 44)) for k in range(count)
    ]
    text = '[broker]\nhost = "127.0.0.1"\n[collector.main]\ncommand = { topic = "s/c", on = "1", off = "0" }\n'
    for gate in gates:
        text += f'[gate.{gate}]\ncommand = {{ topic = "s/{gate}", open = "open", shut = "shut" }}\n'
        text += f'button = {{ topic = "s/{gate}/b", pressed = "1" }}\n'
    curve = dice.choice(
        ("[[0, 11], [400, 10.4], [800, 8.1], [1600, 0.5]]", "[[0, 9], [300, 8.7]]", "[[700, 9], [900, 5]]")
    )
    text += f"[fan.main]\ncurve = {curve}\n"
    if dice.random() < 0.8:
        text += "filter_loss = { clean = 0.8, dirty = 2.0, at = 800 }\n"
    trunks = ["t0"]
    text += "[duct.t0]\ndiameter = 7\nlength = 5\n"
    for k in range(1, max(count // 2, 1)):
        into = trunks[-1] if dice.random() < 0.7 else dice.choice(trunks)
        trunks.append(f"t{k}")
        text += f'[duct.t{k}]\ninto = "{into}"\ndiameter = {dice.choice((5, 6))}\nlength = 5\n'
    ends = [trunk for trunk in trunks if f'into = "{trunk}"' not in text]
    for k, gate in enumerate(gates):
        into = ends[k] if k < len(ends) else dice.choice(trunks)
        leak = "leak = { flow = 5, at = 8 }\n" if dice.random() < 0.2 else ""
        text += f'[duct.d{k}]\ninto = "{into}"\n{leak}'
        text += f"diameter = {dice.choice((2.5, 4, 5))}\nlength = {dice.randint(2, 12)}\n"
        text += f'gate = "{gate}"\nhood = {{ entry = "flanged", flow = {dice.randint(80, 600)} }}\n'
    return config_of(text)


class Words(NamedTuple):
    """A line of text, with the box that it takes, px."""

    text: str
    left: float
    top: float
    right: float
    bottom: float
    size: float
    fill: str


class Picture:
    """A drawing read back."""

    def __init__(self, svg: str) -> None:
        self.root = ET.fromstring(svg)  # noqa: S314 - we wrote it
        self.width, self.height = (float(part) for part in self.root.attrib["viewBox"].split()[2:])
        self.words = list(self._words())

    def lines(self) -> list[str]:
        """All text, from top to bottom as it was written."""
        return [words.text for words in self.words]

    def marks(self) -> Iterator[ET.Element]:
        """Every shape that is no text, but the ground."""
        shapes = [
            node for node in self.root if node.tag.rpartition("}")[2] in {"polyline", "polygon", "circle", "rect"}
        ]
        return iter(shapes[1:])

    def line_of(self, text: str) -> Words:
        """The first line that reads so."""
        return next(words for words in self.words if words.text == text)

    def after(self, text: str, many: int) -> list[str]:
        """The lines that follow a line, joined where they were broken only by the reader."""
        lines = self.lines()
        start = lines.index(text) + 1
        return lines[start : start + many]

    def _words(self) -> Iterator[Words]:
        for node in self.root:
            if node.tag.rpartition("}")[2] != "text" or node.get("aria-hidden") == "true":
                continue
            at, size, text = node.attrib, float(node.attrib["font-size"]), node.text or ""
            x, y, width = float(at["x"]), float(at["y"]), text_width(text, size, bold="font-weight" in at)
            left = x - width * {"start": 0.0, "middle": 0.5, "end": 1.0}[at["text-anchor"]]
            yield Words(text, left, y - 0.77 * size, left + width, y + 0.24 * size, size, at["fill"])


def place(mark: ET.Element) -> tuple[float, float]:
    """The middle of a mark."""
    if mark.tag.endswith("circle"):
        return float(mark.attrib["cx"]), float(mark.attrib["cy"])
    if mark.tag.endswith("rect"):
        x, y, width, height = (float(mark.attrib[key]) for key in ("x", "y", "width", "height"))
        return x + width / 2, y + height / 2
    points = corners(mark)
    return (
        (min(x for x, _ in points) + max(x for x, _ in points)) / 2,
        (min(y for _, y in points) + max(y for _, y in points)) / 2,
    )


def corners(mark: ET.Element) -> list[tuple[float, float]]:
    """The points of a line or of a shape."""
    pairs = (pair.split(",") for pair in mark.attrib["points"].split())
    return [(float(x), float(y)) for x, y in pairs]


def tip(mark: ET.Element) -> str:
    """What a mark shows when it is pointed at."""
    return next((node.text or "" for node in mark), "")


ENDS_AT_800 = US.replace(", [1100, 5.0], [1400, 0.5]]", "]")
BEGINS_AT_300 = US.replace("[[0, 11.0], [400, 10.4]", "[[300, 10.6], [400, 10.4]")
BIGGER = US.replace("[[0, 11.0], [400, 10.4], [800, 8.1]", "[[0, 13.0], [500, 12.4], [950, 9.1]").replace(
    "dirty = 2.0", "dirty = 3.0"
)


def picture(text: str, *gates: str) -> Picture:
    return Picture(svg(looked_at(config_of(shop_text(text)), gates)))


def two_fans() -> str:
    other = OtherFan("bigger", looked_at(config_of(shop_text(BIGGER))))
    return svg(looked_at(config_of(shop_text()), ["band_saw", "router"]), other)


@cache
def all_kinds() -> tuple[Picture, ...]:
    """Drawings with every kind of mark among them."""
    return tuple(map(Picture, _all_kinds()))


def _all_kinds() -> Iterator[str]:
    yield svg(looked_at(config_of(shop_text())))
    yield svg(looked_at(config_of(shop_text(ENDS_AT_800)), ["band_saw", "planing"]))
    yield svg(looked_at(config_of(shop_text(BEGINS_AT_300)), ["bench"]))
    yield svg(looked_at(config_of(shop_text()), []))
    yield svg(looked_at(config_of(metric_twin(shop_text())), ["router", "sweep"]))
    yield svg(looked_at(station(), ["planing"]))
    yield svg([replace(one, views=one.views[1:2]) for one in looked_at(station())])
    yield two_fans()


@cache
def shops() -> tuple[Picture, ...]:
    """Shops of 1 to 30 gates, each with the slowest set and with every gate open."""
    return tuple(map(Picture, _shops()))


def _shops() -> Iterator[str]:
    for count, seed in ((1, 0), (2, 1), (3, 5), (5, 2), (8, 3), (12, 4), (20, 8), (30, 6)):
        config = drawn_shop(count, seed)
        yield svg(looked_at(config))
        yield svg(looked_at(config, list(config.gate)))


def legend_of(sheet: Picture) -> dict[str, list[ET.Element]]:
    """The marks beside each line of the legends."""
    left = 12 + SWATCH + 8
    rows = [words for words in sheet.words if words.left == left and words.size == 11]
    found: dict[str, list[ET.Element]] = {}
    for words in rows:
        middle = (words.top + words.bottom) / 2
        near = [m for m in sheet.marks() if abs(place(m)[1] - middle) < 6 and place(m)[0] < left]
        if near:
            found[words.text] = near
    return found


def look(mark: ET.Element) -> tuple[str | None, ...]:
    """By what a person knows a mark again."""
    hollow = "hollow" if mark.get("fill") == "#ffffff" else "full"
    return mark.tag.rpartition("}")[2], mark.get("stroke"), mark.get("stroke-dasharray"), hollow
