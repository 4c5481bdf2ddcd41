"""Reads the event log of a time into one account: the tally, by day too, alarms, and how long the daemon ran.

Times within a run of the daemon count by its monotonic clock, so that a wall clock that steps adds no hours.
"""

from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Final

from gatehand.journal.line import CLOCK_STEPPED, DAEMON_STARTED, DAEMON_STOPPED, LOG_GAP, Line
from gatehand.recording.format import EPOCH
from gatehand.replay.tally import Tally
from gatehand_rules.findings import Happened, Rule

DAY_MS: Final = 86_400_000
NOT_COUNTED: Final = (
    ("event", Happened.COLLECTOR_RUNNING),
    ("event", Happened.COLLECTOR_STOOD),
    ("event", Happened.GATE_OPEN),
    ("event", Happened.GATE_SHUT),
    ("event", Happened.RUN_ON_ENDED),
    ("rule", Rule.REFRESH),
)
"""Lines that change no figure here; they need not even be decoded."""


@dataclass(slots=True)
class Account:
    """What happened. Times are wall ms."""

    tally: Tally = field(default_factory=Tally)
    events: int = 0
    first_ms: int | None = None
    last_ms: int | None = None
    runs: int = 0
    stops: Counter[str] = field(default_factory=Counter)
    """Stop contacts that became active."""
    rejected: Counter[str] = field(default_factory=Counter)
    """Payloads rejected, by tool, gate or collector."""
    broker_lost: int = 0
    log_gaps: int = 0
    clock_steps: int = 0
    bins_full: Counter[str] = field(default_factory=Counter)

    @property
    def until_ms(self) -> int:
        """To when what still runs is counted."""
        return self.last_ms or 0


class _Reader:
    """The lines of a log, in their order. `passed`: the time of the last line that was passed over."""

    def __init__(self, passed: Callable[[], str]) -> None:
        self.account = Account()
        self._passed = passed
        self._run: str | None = None
        self._anchor = 0

    def take(self, line: Line) -> None:
        account = self.account
        event, ms = line["event"], self._time(line)
        account.events += 1
        account.first_ms = ms if account.first_ms is None else account.first_ms
        account.last_ms = ms
        account.tally.take(ms, line)
        if event == DAEMON_STARTED:
            account.runs += 1
        elif event == DAEMON_STOPPED:
            account.tally.stop_all(ms)
        elif event == Happened.STOP_ACTIVE:
            account.stops[str(line.get("stop"))] += 1
        elif event == Happened.READING_REJECTED:
            account.rejected[str(line.get("tool") or line.get("gate") or line.get("collector"))] += 1
        elif event == Happened.BROKER_LOST:
            account.broker_lost += 1
        elif event == Happened.BIN_FULL:
            account.bins_full[str(line.get("collector"))] += 1
        elif event == LOG_GAP:
            account.log_gaps += 1

    def _time(self, line: Line) -> int:
        """Wall ms by the run's own clock; a new run, and a step of the wall clock, set it anew."""
        wall, mono = wall_ms(str(line["ts"])), line.get("mono")
        if not isinstance(mono, int | float):
            return wall
        here = round(mono * 1000)
        if line.get("run") != self._run:
            if self._run is not None and self.account.last_ms is not None:
                # A run that ended without a word: nothing is known to have run on after its last line of any kind.
                self.account.tally.stop_all(max(self.account.last_ms, wall_ms(self._passed())))
            self._run, self._anchor = str(line.get("run")), wall - here
        elif line["event"] == CLOCK_STEPPED:
            self.account.clock_steps += 1
            step = wall - here - self._anchor
            self._anchor += step
            self.account.tally.shift_open(step)
        return self._anchor + here


def account(lines: Iterable[Line], passed: Callable[[], str] = str) -> Account:
    """Read lines, oldest first. `passed` gives the time of the last line that was passed over on the way."""
    reader = _Reader(passed)
    for line in lines:
        reader.take(line)
    return reader.account


def wall_ms(ts: str) -> int:
    """RFC 3339 in ms since 1970; 0 for a time that is none."""
    try:
        return round((datetime.fromisoformat(ts) - EPOCH) / timedelta(milliseconds=1))
    except (ValueError, TypeError):
        return 0


def local_day(ms: int) -> date:
    """The local date of a moment."""
    return (EPOCH + timedelta(milliseconds=ms)).astimezone().date()


def by_day(spans: Iterable[tuple[int, int | None]], until: int) -> dict[date, float]:
    """Hours on each local day; a span over midnight is parted there."""
    hours: dict[date, float] = {}
    for start, end in spans:
        at, stop = start, until if end is None else end
        while at < stop:
            day = local_day(at)
            midnight = datetime.combine(day + timedelta(days=1), datetime.min.time()).astimezone()
            edge = min(stop, max(at + 1, round((midnight - EPOCH) / timedelta(milliseconds=1))))
            hours[day] = hours.get(day, 0.0) + (edge - at) / 3_600_000
            at = edge
    return hours
