"""Readings made to order for the tests of tune."""

import random
from array import array
from collections.abc import Iterable

from gatehand.past.stretches import Track
from gatehand_rules.shop import Tool
from gatehand_rules.words import Measure

SAW = Tool(name="band_saw", collector="main", gates=("band_saw",), start_at=2.5, stop_at=1.8)
CARVING = Tool(name="carving", collector="main", measure=Measure.WATTS, start_at=250.0, stop_at=175.0)
SANDER = Tool(
    name="sander",
    collector="main",
    measure=Measure.RUNNING,
    start_at=1.0,
    stop_at=1.0,
    silent_after=0.0,
    start_after=0.5,
)


def track(parts: Iterable[tuple[float, float]], every_ms: int = 1000, noise: float = 0.0, seed: int = 1) -> Track:
    """(seconds, reading) after one another, with a sensor's noise."""
    rng = random.Random(seed)
    found, ms = Track(), 0
    for seconds, value in parts:
        for _ in range(round(seconds * 1000 / every_ms)):
            found.ms.append(ms)
            found.ma.append(round((value + rng.gauss(0, noise)) * 1000))
            ms += every_ms
    found.order = array("q", range(len(found)))
    return found


def cuts(
    count: int, rest: float = 60, cut: float = 30, idle: float = 0.1, load: float = 8.0
) -> list[tuple[float, float]]:
    """So many cuts of one length, with rest before, between and after."""
    return [(rest, idle), *[part for _ in range(count) for part in ((cut, load), (rest, idle))]]


def on_change(parts: Iterable[tuple[float, float]]) -> Track:
    """(seconds, reading): one reading at the beginning of each, as a contact speaks."""
    found, ms = Track(), 0
    for order, (seconds, value) in enumerate(parts):
        found.ms.append(ms)
        found.ma.append(round(value * 1000))
        found.order.append(order)
        ms += round(seconds * 1000)
    return found
