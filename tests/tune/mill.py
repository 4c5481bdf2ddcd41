"""A real mill's spindle: its current as readings, its own velocity as the truth, and the score of a detector.

The data stands outside the project; its folder's README says whose it is. Nothing of it is copied.
"""

import csv
import os
from dataclasses import dataclass, field
from itertools import pairwise
from pathlib import Path

from gatehand.past.stretches import Track

TURNS = 1.0
"""Velocity above which the spindle turns, as the data's README has it."""
WITHIN = 0.5
"""Seconds between a start and its detection."""
LASTING = 1.0
"""Seconds from which on a start or a stop must be found."""
STEP = 0.1
COASTS = 1.2
"""Seconds for which the spindle still turns once its drive is off: the stop shows in the current that much earlier."""


def folder() -> Path | None:
    """Where the data is, or None."""
    named = os.environ.get("GATEHAND_DATA")
    shared = Path(__file__).resolve().parents[3] / "shared" / "data"
    places = [Path(named), Path(named) / "cnc_spindle"] if named else [shared / "cnc_spindle"]
    return next((place for place in places if any(place.glob("experiment_*.csv"))), None)


@dataclass(frozen=True)
class Span:
    """Turning or standing, seconds."""

    start: float
    lasted: float


@dataclass
class Experiment:
    """One file: readings, and what the velocity says."""

    path: Path
    t_s: list[float] = field(default_factory=list)
    amps: list[float] = field(default_factory=list)
    velocity: list[float] = field(default_factory=list)

    def __post_init__(self) -> None:
        with self.path.open(encoding="utf-8", newline="") as file:
            for row in csv.DictReader(file):
                self.t_s.append(float(row["t_s"]))
                self.amps.append(float(row["spindle_current_a"]))
                self.velocity.append(abs(float(row["spindle_velocity"])))

    @property
    def track(self) -> Track:
        """The current as tune takes it."""
        found = Track()
        for order, (t_s, amps) in enumerate(zip(self.t_s, self.amps, strict=True)):
            found.ms.append(round(t_s * 1000))
            found.ma.append(round(amps * 1000))
            found.order.append(order)
        return found

    def spans(self) -> list[tuple[bool, Span]]:
        """Turning and standing in turn."""
        found: list[tuple[bool, Span]] = []
        for t_s, velocity in zip(self.t_s, self.velocity, strict=True):
            turns = velocity > TURNS
            if found and found[-1][0] is turns:
                start = found[-1][1].start
                found[-1] = (turns, Span(start, t_s - start + STEP))
            else:
                found.append((turns, Span(t_s, STEP)))
        return found

    def amps_between(self, start: float, end: float) -> list[float]:
        """The readings from `start` to before `end`."""
        return [amps for t_s, amps in zip(self.t_s, self.amps, strict=True) if start - 1e-6 <= t_s < end - 1e-6]


@dataclass
class Score:
    """Of one experiment, or of several added up."""

    starts: int = 0
    found: int = 0
    stops: int = 0
    stops_found: int = 0
    missed: list[tuple[Experiment, Span]] = field(default_factory=list)
    stops_missed: list[tuple[Experiment, Span]] = field(default_factory=list)
    invented: list[tuple[Experiment, float]] = field(default_factory=list)

    def add(self, other: "Score") -> None:
        """Take another's counts in."""
        for name, value in vars(other).items():
            setattr(self, name, getattr(self, name) + value)


def score(experiment: Experiment, started: list[float], stopped: list[float]) -> Score:
    """Starts and stops with a second or more on either side must be found; any start must be one of the spindle's."""
    spans = experiment.spans()
    all_starts = [span.start for turns, span in spans[1:] if turns]
    result = Score()
    for (_, before), (turns, span) in pairwise(spans):
        if min(before.lasted, span.lasted) < LASTING - STEP / 2:
            continue
        if turns:
            result.starts += 1
            hit = any(abs(at - span.start) <= WITHIN + 1e-6 for at in started)
            result.found += hit
            result.missed += [] if hit else [(experiment, span)]
        elif any(at < span.start for at in started):  # what already turned at the first reading was never started
            result.stops += 1
            hit = any(span.start - COASTS <= at <= span.start + span.lasted + STEP / 2 for at in stopped)
            result.stops_found += hit
            result.stops_missed += [] if hit else [(experiment, span)]
    result.invented = [
        (experiment, at) for at in started if all(abs(at - start) > WITHIN + 1e-6 for start in all_starts)
    ]
    return result
