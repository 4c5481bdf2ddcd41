"""What was found to follow: the signal, its levels and words, its rank, and the thresholds that are proposed of it."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from gatehand.listening.observed import HeardSignal
from gatehand.listening.roles import Taken
from gatehand.text import named
from gatehand.tune.levels import between
from gatehand.tune.proposed_settings import START_AT, STOP_AT, rounded
from gatehand_rules.words import Measure

LEAST_WORK_S: Final = 10.0
LONG_WORK_S: Final = 30.0
LEAST_READINGS: Final = 3
"""Wanted at rest and at work before thresholds are proposed as sure, or so long a work: common practice, no source."""
_TRIM: Final = 0.05
SURE: Final = 0.55
LEAD: Final = 0.15
"""From this rank on, and so far before any other topic's, one need not do it again."""


@dataclass(frozen=True, slots=True)
class Level:
    """Readings of one kind, as in the payload; `low` and `high` leave 1 in 20 out at either end."""

    low: float
    middle: float
    high: float
    readings: int
    seconds: float


@dataclass(frozen=True, slots=True)
class Thresholds:
    """Ampere or watts. `wanting`: what is missing before they can be relied on; empty: nothing."""

    start: float
    stop: float
    wanting: str


@dataclass(frozen=True, slots=True)
class Follower:
    """A signal that followed. Numbers have `idle` and `working`, words and numbers of few values `on` and `off`."""

    signal: HeardSignal
    rank: float
    """0 to 1."""
    because: str
    """What it did, in words."""
    taken: Taken
    idle: Level | None = None
    working: Level | None = None
    on: str | None = None
    off: str | None = None
    """None: it was not seen off, neither before nor after."""
    back: bool = True
    """It has said since that it is off; False: it has said nothing since."""
    also: bool = False
    """It changed at other times too."""

    @property
    def thresholds(self) -> Thresholds | None:
        """Proposed for it as a tool's sensor; None: it is no number."""
        if self.idle is None or self.working is None:
            return None
        rest, work = self.idle.high * self.taken.scale, self.working.low * self.taken.scale
        start, stop = (
            rounded(between(max(0.0, rest), work, at), self.taken.measure or Measure.AMPS) for at in (START_AT, STOP_AT)
        )
        stop = min(start, stop)
        return Thresholds(start, stop, self._wanting(self.idle, self.working))

    def _wanting(self, idle: Level, working: Level) -> str:
        if working.seconds < LEAST_WORK_S:
            return f"it was on for {working.seconds:.0f} s: leave it on for {LEAST_WORK_S:.0f} s at least"
        rhythm = self.signal.rhythm
        on_change = rhythm is not None and not rhythm.steady
        fewer = min(idle.readings, working.readings)
        if fewer < LEAST_READINGS and not on_change and working.seconds < LONG_WORK_S:
            return f"this rests on {named(fewer, 'reading')}: leave it on, and off, for longer"
        return ""


@dataclass(frozen=True, slots=True)
class Press:
    """A signal that spoke when something was pressed, and no such word besides. As `Follower`."""

    signal: HeardSignal
    rank: float
    because: str
    pressed: str
    released: str | None = None
    """What it said, or says, when let go; None: it says a word at the press only."""
    also: bool = False
    """It said so at other times too."""


def is_clear(found: Sequence[Follower] | Sequence[Press]) -> bool:
    """Whether the first of them is surely the one; else doing it once more tells."""
    first = found[0] if found else None
    if first is None or first.rank < SURE:
        return False
    others = (one.rank for one in found if one.signal.topic != first.signal.topic)
    return first.rank - max(others, default=0.0) >= LEAD


def middle(numbers: Sequence[float]) -> float:
    """The upper median."""
    return sorted(numbers)[len(numbers) // 2]


def level(numbers: Sequence[float], seconds: float) -> Level:
    """Of readings of one kind, made in so many seconds."""
    ordered = sorted(numbers)
    out = int(len(ordered) * _TRIM)
    kept = ordered[out : len(ordered) - out]
    return Level(kept[0], kept[len(kept) // 2], kept[-1], len(ordered), seconds)


def span(level: Level) -> str:
    """From the lowest to the highest, in words."""
    low, high = f"{level.low:,.4g}", f"{level.high:,.4g}"
    return low if low == high else f"{low} to {high}"
