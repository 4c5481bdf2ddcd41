"""The motor starts of the last hour, read from the log: the budget of starts outlives the daemon (I8).

Wall time is believed only between two lines that were written while a time service kept the clock. For all else each
line tells its run and its monotonic time: within a run they are exact, and between two runs they say how long it was at
least. So a start may be remembered for longer than an hour, and one of the last hour is not taken for an old one
because a clock was behind.
"""

from collections.abc import Iterable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from msgspec import Struct

from gatehand.journal.clock import Clock
from gatehand.journal.line import LogLine, number_of
from gatehand.journal.reader import EventReader
from gatehand.times import stamp_ms
from gatehand_rules.collectors import HOUR
from gatehand_rules.findings import Happened, Rule

_LINES: Final = 100_000
"""The most that are looked at of one stretch: a busy hour has some thousands."""


class _Place(Struct, frozen=True):
    """One line's place in time. `age`: seconds that have passed since, at the least."""

    run: str
    mono: float
    wall: float | None
    """None: it is not to be believed."""
    age: float


def starts_in(
    stretches: Iterable[Iterable[LogLine]], wall: float, mono: float, *, synced: bool = False
) -> dict[str, tuple[float, ...]]:
    """By collector, when each start of the last hour was, in seconds of the monotonic clock, oldest first.

    `stretches`: of a log, each newest first; the same line may stand in several. A start may lie before the clock's
    zero. `synced`: a time service keeps `wall`. What the log does not say is not known: no start.
    """
    now = _Place("", mono, wall if synced else None, 0.0)
    ages: dict[tuple[str, int], tuple[str, float]] = {}  # collector and age of each, by its line's run and number
    for stretch in stretches:
        for line, place in _placed(stretch, now):
            if _is_start(line):
                key = place.run, number_of(line)
                ages[key] = str(line["collector"]), max(place.age, ages.get(key, ("", 0.0))[1])
    starts: dict[str, tuple[float, ...]] = {}
    for collector, age in sorted(ages.values(), key=lambda each: -each[1]):
        starts[collector] = (*starts.get(collector, ()), round(mono - age, 3))
    return starts


def starts_of_the_hour(folder: Path, clock: Clock) -> dict[str, tuple[float, ...]]:
    """The same from a log's folder, where a clock that was behind or ahead has left lines in files of other days."""
    wall = clock.wall()
    stretches = EventReader(folder, datetime.fromtimestamp(wall, UTC)).stretches()
    return starts_in(stretches, wall, clock.mono(), synced=clock.synced())


def _placed(newest_first: Iterable[LogLine], now: _Place) -> Iterator[tuple[LogLine, _Place]]:
    """Each line of the last hour with its place; lines that tell no run or time are passed over."""
    later = now
    for count, line in enumerate(newest_first):
        run, mono = line.get("run"), line.get("mono")
        if not isinstance(run, str) or isinstance(mono, bool) or not isinstance(mono, int | float):
            continue
        own = _wall(line)
        age = later.age + _between(later, run, mono, own)
        if age >= HOUR or count >= _LINES:
            return
        # Before the clock was set in a run, the run's later lines say what it should have been.
        told = None if run != later.run or later.wall is None else later.wall - max(0.0, later.mono - mono)
        later = _Place(run, mono, own if told is None else told, age)
        yield line, later


def _between(later: _Place, run: str, mono: float, wall: float | None) -> float:
    """Seconds between a line and the one after it, at the least."""
    if run == later.run:
        return max(0.0, later.mono - mono)
    # The machine was not started between them, or it was: then the later time counts from that start.
    least = later.mono - mono if later.mono >= mono else max(0.0, later.mono)
    return least if wall is None or later.wall is None else max(least, later.wall - wall)


def _is_start(line: LogLine) -> bool:
    """An "on" that counted: a refresh and the telling of a fan that turned already do not."""
    counted = line.get("starts_this_hour") is not None and line.get("rule") != Rule.REFRESH
    named = isinstance(line.get("collector"), str) and isinstance(line.get("seq"), int)
    return line.get("event") == Happened.COLLECTOR_ON and counted and named


def _wall(line: LogLine) -> float | None:
    """When a clock that was kept says that the line was written; None: nobody knows."""
    ms = stamp_ms(str(line.get("ts"))) if line.get("synced") is True else 0
    return ms / 1000 if ms else None
