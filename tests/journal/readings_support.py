"""Readings as a shop makes them: a saw with noise, and the real mill's currents where they are at hand."""

import csv
import os
import random
from pathlib import Path

from gatehand.recording.recorder import Recorder
from gatehand.recording.recording import Recording, recordings
from gatehand_rules.events import Event, Reading
from gatehand_rules.state import Guard, State

TOOLS = tuple(f"tool_{n}" for n in range(10))
START = State(tools=(), gates=(), collectors=(), stops=(), guard=Guard(gates=(), fans=(), low=(), stops=()))
CNC = Path(os.environ.get("GATEHAND_DATA", Path(__file__).resolve().parents[3] / "shared" / "data")) / "cnc_spindle"


def saw(rng: random.Random, seconds: int, resolution_ma: int) -> list[int]:
    """Milliampere, once a second: rest with a sensor's noise, cuts with a load that wanders."""
    found, running, left, level, load = [], False, rng.randint(60, 600), rng.uniform(3, 9), 0.0
    for _ in range(seconds):
        left -= 1
        if left <= 0:
            running = not running
            left = rng.randint(10, 120) if running else rng.randint(60, 900)
        if running:
            load += rng.gauss(0, 0.3) - load * 0.1
            amps = level + load + rng.gauss(0, 0.15)
        else:
            amps = max(0.0, 0.02 + rng.gauss(0, 0.006))
        found.append(round(amps * 1000 / resolution_ma) * resolution_ma)
    return found


def cnc(hertz: int) -> list[list[int]]:
    """The mill's currents, one list for each experiment, thinned to 10, 5, 2 or 1 a second."""
    found = []
    for path in sorted(CNC.glob("*.csv")):
        with path.open(encoding="utf-8", newline="") as file:
            amps = [float(row["spindle_current_a"]) for row in csv.DictReader(file)]
        found.append([round(value * 1000) for value in amps[:: 10 // hertz]])
    return found


def interleaved(rng: random.Random, currents: list[list[int]], hertz: int) -> list[tuple[int, Event]]:
    """Each list as a tool of its own, with the jitter of a radio, in the order of arrival."""
    found: list[tuple[int, Event]] = []
    for tool, values in zip(TOOLS, currents, strict=False):
        at, last = float(rng.randint(0, 999)), 0
        for value in values:
            last = max(last, round(at + abs(rng.gauss(0, 4))))
            found.append((last, Reading(tool, value / 1000)))
            at += 1000 / hertz
    rng.shuffle(found)
    return sorted(found, key=lambda pair: pair[0])


def record(recorder: Recorder, events: list[tuple[int, Event]]) -> None:
    """All of them, in one state."""
    for now_ms, event in events:
        recorder.record(now_ms, event, START)


def read(folder: Path) -> list[tuple[int, Event]]:
    """All that the folder's recordings hold."""
    return [pair for listed in recordings(folder) for pair in Recording(listed.path).events()]
