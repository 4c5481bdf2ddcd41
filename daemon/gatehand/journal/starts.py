"""The motor starts of the last hour, read from the log: the budget of starts outlives the daemon (I8)."""

from collections.abc import Iterable
from datetime import UTC, datetime
from pathlib import Path
from typing import Final

from gatehand.journal.clock import Clock
from gatehand.journal.line import CLOCK_STEPPED, Line
from gatehand.journal.reader import EventReader
from gatehand_rules.fan import HOUR
from gatehand_rules.findings import Happened, Rule

_LINES: Final = 100_000
"""The most that are looked at: a busy hour has some thousands."""


def starts_in(newest_first: Iterable[Line], wall: float, mono: float) -> dict[str, tuple[float, ...]]:
    """By collector, when each start of the last hour was, in seconds of the monotonic clock, oldest first.

    The monotonic clock begins anew with the machine, so wall time counts, put right by the steps that the log tells
    of; a start may so lie before the clock's zero. What the log does not say is not known: no start. Nor is what was
    before a step back over midnight, whose lines stand in a later day's file.
    """
    put_right = 0.0
    found: dict[str, list[float]] = {}
    for count, line in enumerate(newest_first):
        age = wall - (_at(line) + put_right)
        if count >= _LINES or age >= HOUR:
            break
        if line["event"] == CLOCK_STEPPED:
            by = line.get("by_seconds")
            put_right += by if isinstance(by, int | float) else 0.0
        elif age >= 0 and _is_start(line):
            found.setdefault(str(line["collector"]), []).append(round(mono - age, 3))
    return {name: tuple(reversed(each)) for name, each in found.items()}


def starts_of_the_hour(folder: Path, clock: Clock) -> dict[str, tuple[float, ...]]:
    """The same from a log's folder."""
    wall = clock.wall()
    return starts_in(EventReader(folder, datetime.fromtimestamp(wall, UTC)).backwards(), wall, clock.mono())


def _is_start(line: Line) -> bool:
    """An "on" that counted: a refresh and the telling of a fan that turned already do not."""
    counted = line.get("starts_this_hour") is not None and line.get("rule") != Rule.REFRESH
    return line["event"] == Happened.COLLECTOR_ON and counted and isinstance(line.get("collector"), str)


def _at(line: Line) -> float:
    try:
        return datetime.fromisoformat(str(line["ts"])).timestamp()
    except (ValueError, OverflowError):
        return 0.0  # as old as can be
