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
from gatehand.journal.line import Line
from gatehand.journal.reader import EventReader
from gatehand_rules.collectors import HOUR
from gatehand_rules.findings import Happened, Rule

_LINES: Final = 100_000
"""The most that are looked at of one stretch: a busy hour has some thousands."""

Found = dict[tuple[str, int], tuple[str, float]]
"""Collector and age of each start, by its line's run and number."""


class _Place(Struct, frozen=True):
    """One line's place in time. `age`: seconds that have passed since, at the least."""

    run: str
    mono: float
    wall: float | None
    """None: it is not to be believed."""
    age: float


def starts_in(
    newest_first: Iterable[Line], wall: float, mono: float, *, synced: bool = False
) -> dict[str, tuple[float, ...]]:
    """By collector, when each start of the last hour was, in seconds of the monotonic clock, oldest first.

    A start may lie before the clock's zero. `synced`: a time service keeps `wall`. What the log does not say is not
    known: no start.
    """
    return _in_order(_starts(newest_first, _Place("", mono, wall if synced else None, 0.0)), mono)


def starts_of_the_hour(folder: Path, clock: Clock) -> dict[str, tuple[float, ...]]:
    """The same from a log's folder, where a clock that was behind or ahead has left lines in files of other days."""
    wall, mono = clock.wall(), clock.mono()
    now = _Place("", mono, wall if clock.synced() else None, 0.0)
    found: Found = {}
    for stretch in EventReader(folder, datetime.fromtimestamp(wall, UTC)).stretches():
        for key, (collector, age) in _starts(stretch, now).items():
            found[key] = (collector, max(age, found.get(key, (collector, age))[1]))
    return _in_order(found, mono)


def _in_order(found: Found, mono: float) -> dict[str, tuple[float, ...]]:
    times: dict[str, list[float]] = {}
    for collector, age in sorted(found.values(), key=lambda each: -each[1]):
        if age < HOUR:
            times.setdefault(collector, []).append(round(mono - age, 3))
    return {collector: tuple(each) for collector, each in times.items()}


def _starts(newest_first: Iterable[Line], now: _Place) -> Found:
    found: Found = {}
    for line, place in _placed(newest_first, now):
        seq = line.get("seq")
        if _is_start(line) and isinstance(seq, int):
            found[place.run, seq] = (str(line["collector"]), place.age)
    return found


def _placed(newest_first: Iterable[Line], now: _Place) -> Iterator[tuple[Line, _Place]]:
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


def _is_start(line: Line) -> bool:
    """An "on" that counted: a refresh and the telling of a fan that turned already do not."""
    counted = line.get("starts_this_hour") is not None and line.get("rule") != Rule.REFRESH
    return line.get("event") == Happened.COLLECTOR_ON and counted and isinstance(line.get("collector"), str)


def _wall(line: Line) -> float | None:
    """When a clock that was kept says that the line was written; None: nobody knows."""
    if line.get("synced") is not True:
        return None
    try:
        return datetime.fromisoformat(str(line.get("ts"))).timestamp()
    except (ValueError, OverflowError):
        return None
