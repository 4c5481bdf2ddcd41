"""Counts what happened: cuts and hours of each tool, starts and hours of each collector, gate movements, refusals.

A `Tally` is fed with findings alone, so that a replay and the event log are counted alike. An `Account` is the tally of
a log, with what only the daemon says. Times within a run of the daemon count by its monotonic clock, so that a wall
clock that steps adds no hours.
"""

from collections import Counter
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import Final

from gatehand.journal.line import Line, OwnEvent
from gatehand.times import local, stamp_ms, to_ms
from gatehand_rules.findings import Fact, Happened, Rule

HOUR_MS: Final = 3_600_000
_ENDS_CUT: Final = frozenset({Happened.TOOL_STOPPED, Happened.TOOL_MUTED, Happened.TOOL_SILENT})
_NO_MOVEMENT: Final = frozenset({Rule.RETRY, Rule.BROKER})


@dataclass(slots=True)
class Use:
    """Of one tool or collector: each time it ran, wall ms from and to (None: it still runs)."""

    spans: list[tuple[int, int | None]] = field(default_factory=list)

    def begin(self, ms: int) -> None:
        """It starts, unless it runs."""
        if not self.spans or self.spans[-1][1] is not None:
            self.spans.append((ms, None))

    def end(self, ms: int) -> None:
        """It stops, if it runs."""
        if self.spans and self.spans[-1][1] is None:
            self.spans[-1] = (self.spans[-1][0], ms)

    def total_ms(self, until: int) -> int:
        """How long it ran, what still runs counted to `until`."""
        return sum(max(0, (until if end is None else end) - start) for start, end in self.spans)

    @property
    def starts(self) -> int:
        """How often."""
        return len(self.spans)


@dataclass(slots=True)
class Tally:
    """A run in numbers."""

    tools: dict[str, Use] = field(default_factory=dict)
    collectors: dict[str, Use] = field(default_factory=dict)
    switched_on: dict[str, list[int]] = field(default_factory=dict)
    """When each collector was commanded on (a refresh is no start)."""
    missed: Counter[tuple[str, str]] = field(default_factory=Counter)
    """(tool, rule) of starts that were missed."""
    refused: Counter[tuple[str, str]] = field(default_factory=Counter)
    """(tool or gate, rule) of starts that were refused."""
    movements: Counter[str] = field(default_factory=Counter)
    """Commands to each gate, retries left out."""
    faults: Counter[str] = field(default_factory=Counter)
    alarms: Counter[str] = field(default_factory=Counter)
    vetoes: int = 0

    def take(self, ms: int, line: Mapping[str, Fact]) -> None:
        """Count one finding (as a line has it) at `ms`, wall time."""
        event, rule = line.get("event"), line.get("rule")
        tool, gate, collector = (_text(line, key) for key in ("tool", "gate", "collector"))
        if tool:
            self._tool(ms, event, rule, tool, line)
        if event == Happened.GATE_COMMANDED and gate and rule not in _NO_MOVEMENT:
            self.movements[gate] += 1
        elif event == Happened.GATE_FAULT and gate:
            self.faults[gate] += 1
        elif event == Happened.START_REFUSED and not tool and gate:
            self.refused[gate, str(rule)] += 1
        elif event == Happened.START_MISSED and not tool and collector:
            self.missed[collector, str(rule)] += 1
        elif event == Happened.ALARM_RAISED:
            self.alarms[_text(line, "alarm")] += 1
        elif event == Happened.COMMAND_VETOED:
            self.vetoes += 1
        elif collector:
            self._collector(ms, event, rule, collector)

    def _tool(self, ms: int, event: Fact, rule: Fact, tool: str, line: Mapping[str, Fact]) -> None:
        if event == Happened.TOOL_STARTED:
            self.tools.setdefault(tool, Use()).begin(ms)
        elif event in _ENDS_CUT and line.get("was") in {None, "running"}:
            self.tools.setdefault(tool, Use()).end(ms)
        elif event == Happened.START_MISSED:
            self.missed[tool, str(rule)] += 1
        elif event == Happened.START_REFUSED:
            self.refused[tool, str(rule)] += 1

    def _collector(self, ms: int, event: Fact, rule: Fact, collector: str) -> None:
        use = self.collectors.setdefault(collector, Use())
        if event in {Happened.COLLECTOR_ADOPTED, Happened.COLLECTOR_ON}:
            use.begin(ms)
        if event == Happened.COLLECTOR_ON and not is_refresh(event, rule):
            self.switched_on.setdefault(collector, []).append(ms)
        elif event == Happened.COLLECTOR_OFF:
            use.end(ms)

    def stop_all(self, ms: int) -> None:
        """The daemon stops or starts anew: what runs is known to run no further."""
        for use in (*self.tools.values(), *self.collectors.values()):
            use.end(ms)

    def shift_open(self, by_ms: int) -> None:
        """The wall clock stepped: what runs began that much later by it."""
        for use in (*self.tools.values(), *self.collectors.values()):
            if use.spans and use.spans[-1][1] is None:
                use.spans[-1] = (use.spans[-1][0] + by_ms, None)

    def worst_hour(self, collector: str) -> tuple[int, int | None]:
        """The most starts within any hour, and when that hour began."""
        times = self.switched_on.get(collector, [])
        best, began, low = 0, None, 0
        for high, ms in enumerate(times):
            while times[low] <= ms - HOUR_MS:
                low += 1
            if high - low + 1 > best:
                best, began = high - low + 1, times[low]
        return best, began


def is_refresh(event: Fact, rule: Fact) -> bool:
    """A repeated "on", which is no start."""
    return event == Happened.COLLECTOR_ON and rule == Rule.REFRESH


def _text(line: Mapping[str, Fact], key: str) -> str:
    value = line.get(key)
    return value if isinstance(value, str) else ""


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
        if event == OwnEvent.DAEMON_STARTED:
            account.runs += 1
        elif event == OwnEvent.DAEMON_STOPPED:
            account.tally.stop_all(ms)
        elif event == Happened.STOP_ACTIVE:
            account.stops[str(line.get("stop"))] += 1
        elif event == Happened.READING_REJECTED:
            account.rejected[str(line.get("tool") or line.get("gate") or line.get("collector"))] += 1
        elif event == Happened.BROKER_LOST:
            account.broker_lost += 1
        elif event == Happened.BIN_FULL:
            account.bins_full[str(line.get("collector"))] += 1
        elif event == OwnEvent.LOG_GAP:
            account.log_gaps += 1

    def _time(self, line: Line) -> int:
        """Wall ms by the run's own clock; a new run, and a step of the wall clock, set it anew."""
        wall, mono = stamp_ms(str(line["ts"])), line.get("mono")
        if not isinstance(mono, int | float):
            return wall
        here = round(mono * 1000)
        if line.get("run") != self._run:
            if self._run is not None and self.account.last_ms is not None:
                # A run that ended without a word: nothing is known to have run on after its last line of any kind.
                self.account.tally.stop_all(max(self.account.last_ms, stamp_ms(self._passed())))
            self._run, self._anchor = str(line.get("run")), wall - here
        elif line["event"] == OwnEvent.CLOCK_STEPPED:
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


def by_day(spans: Iterable[tuple[int, int | None]], until: int) -> dict[date, float]:
    """Hours on each local day; a span over midnight is parted there."""
    hours: dict[date, float] = {}
    for start, end in spans:
        at, stop = start, until if end is None else end
        while at < stop:
            day = local(at).date()
            midnight = datetime.combine(day + timedelta(days=1), datetime.min.time()).astimezone()
            edge = min(stop, max(at + 1, to_ms(midnight)))
            hours[day] = hours.get(day, 0.0) + (edge - at) / 3_600_000
            at = edge
    return hours
