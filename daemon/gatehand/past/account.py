"""Counts what happened: cuts and hours of each tool, starts and hours of each collector, gate movements, refusals.

An `Account` is fed with lines of the log or with findings as a line has them, so that a replay and the event log are
counted alike. Times within a run of the daemon count by its monotonic clock, so that a wall clock that steps adds no
hours.
"""

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from itertools import pairwise
from typing import Any, Final

from gatehand.journal.line import LogLine, OwnEvent
from gatehand.shell.suction_watch import LEAST, MARGIN
from gatehand.times import local, stamp_ms, to_ms
from gatehand_rules.findings import Fact, Happened, Rule

HOUR_MS: Final = 3_600_000
RESTART_MS: Final = 60_000
"""A shorter pause between two runs is a restart, no time that is missing."""
_NO_MOVEMENT: Final = frozenset({Rule.RETRY, Rule.BROKER})


@dataclass(slots=True)
class Use:
    """Of one tool or collector: each time it ran, wall ms from and to (None: it still runs)."""

    spans: list[tuple[int, int | None]] = field(default_factory=list)
    in_part: set[int] = field(default_factory=set)
    """Numbers of the spans of which the beginning or the end was not seen."""
    resumed: int = 0
    """Spans that go on with the one before, over a restart of the daemon."""
    _broken_off: bool = False
    """The end of the last span was not seen."""

    @property
    def _runs(self) -> bool:
        return bool(self.spans) and self.spans[-1][1] is None

    def begin(self, ms: int) -> None:
        """It starts, unless it runs."""
        if not self._runs:
            self.spans.append((ms, None))

    def find(self, ms: int) -> None:
        """It runs already when it is first seen."""
        if self._runs:
            return
        self.resumed += self._broken_off and ms - (self.spans[-1][1] or 0) < RESTART_MS
        self.in_part.add(len(self.spans))
        self.begin(ms)

    def end(self, ms: int, *, seen: bool = True) -> None:
        """It stops, if it runs. `seen` false: the daemon does, and what comes after is not known."""
        if self._runs:
            self.spans[-1] = (self.spans[-1][0], ms)
            self._broken_off = not seen
            self.in_part |= set() if seen else {len(self.spans) - 1}

    def ended(self, until: int) -> list[tuple[int, int]]:
        """The spans, what still runs counted to `until`."""
        return [(start, until if end is None else end) for start, end in self.spans]

    def total_ms(self, until: int, since: int = 0) -> int:
        """How long it ran after `since`, what still runs counted to `until`."""
        return sum(max(0, end - max(start, since)) for start, end in self.ended(until))

    def hours(self, until: int, since: int = 0) -> float:
        """The same in hours."""
        return self.total_ms(until, since) / HOUR_MS

    @property
    def starts(self) -> int:
        """How often; what goes on over a restart of the daemon is one."""
        return len(self.spans) - self.resumed

    def longest(self, until: int) -> tuple[int, bool]:
        """Its longest span, ms, and whether all of it was seen."""
        spans = ((end - start, at not in self.in_part) for at, (start, end) in enumerate(self.ended(until)))
        return max(spans, default=(0, True))

    def hours_by_day(self, until: int) -> dict[date, float]:
        """Hours on each local day; a span over midnight is parted there."""
        hours: dict[date, float] = {}
        for start, end in self.ended(until):
            at = start
            while at < end:
                day = local(at).date()
                midnight = datetime.combine(day + timedelta(days=1), datetime.min.time()).astimezone()
                edge = min(end, max(at + 1, to_ms(midnight)))
                hours[day] = hours.get(day, 0.0) + (edge - at) / HOUR_MS
                at = edge
        return hours

    def shift(self, by_ms: int, begun: int) -> None:
        """The spans from the one of this number on were that much later by a clock that is right."""
        self.spans[begun:] = [
            (start + by_ms, None if end is None else end + by_ms) for start, end in self.spans[begun:]
        ]


@dataclass(slots=True)
class Run:
    """One run of the daemon, wall ms. `clean`: it said that it stopped; else it may have run on after its last line."""

    name: str
    begin: int
    end: int
    clean: bool = False


@dataclass(frozen=True, slots=True)
class Unrecorded:
    """A time in which nobody wrote the log, wall ms. `at_most`: the run before it ended without a word."""

    begin: int
    end: int
    at_most: bool

    @property
    def lasted_ms(self) -> int:
        """How long."""
        return self.end - self.begin


@dataclass(frozen=True, slots=True)
class SuctionSeen:
    """What a suction was with one set of gates open, beside its baseline. Pa; `ms`: wall."""

    ms: int
    gates: str
    pascals: float
    baseline: float
    baseline_at: str
    dirty_falls: float | None
    """By what part it falls until the filter is dirty, by the ducts of the config; None: they did not tell."""


@dataclass(slots=True)
class Account:
    """What happened, in numbers. Times are wall ms."""

    first_ms: int | None = None
    last_ms: int | None = None
    events: Counter[str] = field(default_factory=Counter)
    """How often each event."""
    tools: dict[str, Use] = field(default_factory=dict)
    collectors: dict[str, Use] = field(default_factory=dict)
    switched_on: dict[str, list[int]] = field(default_factory=dict)
    """When each collector was started: an "on" to a fan that turns already is no start."""
    missed: Counter[tuple[str, str]] = field(default_factory=Counter)
    """(tool or collector, rule) of starts that were missed."""
    refused: Counter[tuple[str, str]] = field(default_factory=Counter)
    """(tool or gate, rule) of starts that were refused."""
    movements: Counter[str] = field(default_factory=Counter)
    """Commands to each gate, retries left out."""
    faults: Counter[str] = field(default_factory=Counter)
    alarms: Counter[str] = field(default_factory=Counter)
    stops: Counter[str] = field(default_factory=Counter)
    """Stop contacts that became active."""
    rejected: Counter[str] = field(default_factory=Counter)
    """Payloads rejected, by tool, gate, collector or stop contact."""
    bins_full: Counter[str] = field(default_factory=Counter)
    suctions: dict[str, SuctionSeen] = field(default_factory=dict)
    """By collector: what was measured last with a set that has a baseline, as long as that counts."""
    runs: list[Run] = field(default_factory=list)
    """Of the daemon, oldest first; none where what is counted has no runs."""
    _begun: dict[str, int] = field(default_factory=dict)
    """How many spans and starts, by kind and name, were there before the run that is counted."""

    @property
    def unrecorded(self) -> list[Unrecorded]:
        """The times between two runs, longer than a restart."""
        pairs = ((before, after, after.begin - before.end) for before, after in pairwise(self.runs))
        return [Unrecorded(one.end, two.begin, not one.clean) for one, two, lasted in pairs if lasted >= RESTART_MS]

    @property
    def until_ms(self) -> int:
        """To when what still runs is counted."""
        return self.last_ms or 0

    def take(self, ms: int, line: Mapping[str, Fact]) -> None:
        """Count one line at `ms`, wall time."""
        event, rule = line.get("event"), str(line.get("rule"))
        tool, gate, collector = (_text(line, key) for key in ("tool", "gate", "collector"))
        self.first_ms = ms if self.first_ms is None else self.first_ms
        self.last_ms = ms
        self.events[str(event)] += 1
        use = self.collectors.setdefault(collector, Use()) if collector else Use()
        match event:
            case Happened.TOOL_STARTED:
                self.tools.setdefault(tool, Use()).begin(ms)
            case Happened.TOOL_STOPPED | Happened.TOOL_MUTED | Happened.TOOL_SILENT:
                if line.get("was") in {None, "running"}:
                    self.tools.setdefault(tool, Use()).end(ms)
            case Happened.START_MISSED:
                self.missed[tool or collector, rule] += 1
            case Happened.START_REFUSED:
                self.refused[tool or gate, rule] += 1
                if tool and rule == Rule.FIRST_SEEN_DRAWING:  # of such a cut no `tool_started` is said
                    self.tools.setdefault(tool, Use()).find(ms)
            case Happened.GATE_COMMANDED if rule not in _NO_MOVEMENT:
                self.movements[gate] += 1
            case Happened.GATE_FAULT:
                self.faults[gate] += 1
            case Happened.COLLECTOR_ADOPTED:
                use.begin(ms)
            case Happened.COLLECTOR_ON:
                use.begin(ms)
                if is_start(line):
                    self.switched_on.setdefault(collector, []).append(ms)
            case Happened.COLLECTOR_OFF:
                use.end(ms)
            case Happened.ALARM_RAISED:
                self.alarms[_text(line, "alarm")] += 1
            case Happened.STOP_ACTIVE:
                self.stops[_text(line, "stop")] += 1
            case Happened.READING_REJECTED:
                self.rejected[tool or gate or collector or str(line.get("stop"))] += 1
            case Happened.BIN_FULL:
                self.bins_full[collector] += 1
            case OwnEvent.SUCTION_MEASURED if (seen := _suction_seen(ms, line)) is not None:
                self.suctions[collector] = seen
            case OwnEvent.SUCTION_BASELINE_TAKEN | OwnEvent.SUCTION_BASELINES_VOID:
                self.suctions.pop(collector, None)
            case OwnEvent.DAEMON_STOPPED:
                self.stop_all(ms)
            case _:
                pass

    def stop_all(self, ms: int) -> None:
        """The daemon stops or starts anew: what runs is known to run no further."""
        for use in (*self.tools.values(), *self.collectors.values()):
            use.end(ms, seen=False)

    def begin_run(self, name: str, ms: int) -> None:
        """Another run of the daemon begins, at wall ms."""
        self.runs.append(Run(name, ms, ms))
        self._begun = {key: len(found) for key, found in self._columns()}

    def _columns(self) -> Iterator[tuple[str, list[Any]]]:
        for kind, uses in (("tool", self.tools), ("collector", self.collectors)):
            yield from ((f"{kind} {name}", use.spans) for name, use in uses.items())
        yield from ((f"on {name}", times) for name, times in self.switched_on.items())

    def shift_run(self, by_ms: int) -> None:
        """The wall clock stepped: all that this run has seen was that much later by it."""
        if self.first_ms is not None and len(self.runs) <= 1:
            self.first_ms += by_ms
        for run in self.runs[-1:]:
            run.begin += by_ms
        for kind, uses in (("tool", self.tools), ("collector", self.collectors)):
            for name, use in uses.items():
                use.shift(by_ms, self._begun.get(f"{kind} {name}", 0))
        for name, times in self.switched_on.items():
            begun = self._begun.get(f"on {name}", 0)
            times[begun:] = [ms + by_ms for ms in times[begun:]]

    def worst_hour(self, collector: str) -> tuple[int, int | None]:
        """The most starts within any hour, and when that hour began."""
        times = sorted(self.switched_on.get(collector, ()))
        best, began, low = 0, None, 0
        for high, ms in enumerate(times):
            while times[low] <= ms - HOUR_MS:
                low += 1
            if high - low + 1 > best:
                best, began = high - low + 1, times[low]
        return best, began


def _suction_seen(ms: int, line: Mapping[str, Fact]) -> SuctionSeen | None:
    """None: the set that was measured has no baseline, or what was measured is nothing that a filter does.

    No filter leaves no suction at all, and what lies well above the baseline is a blocked duct's.
    """
    value, baseline, falls = (line.get(key) for key in ("pascals", "baseline", "dirty_falls"))
    if not isinstance(value, int | float) or not isinstance(baseline, int | float) or baseline <= 0:
        return None
    if not LEAST <= value <= baseline * (1 + MARGIN):
        return None
    known = falls if isinstance(falls, int | float) else None
    return SuctionSeen(ms, _text(line, "gates"), value, baseline, _text(line, "baseline_at"), known)


def is_refresh(event: Fact, rule: Fact) -> bool:
    """A repeated "on", which is no start."""
    return event == Happened.COLLECTOR_ON and rule == Rule.REFRESH


def is_start(line: Mapping[str, Fact]) -> bool:
    """An "on" that counts as a start of the motor; with `starts_this_hour` null the fan turned already."""
    counted = line.get("starts_this_hour", 0) is not None
    return line.get("event") == Happened.COLLECTOR_ON and line.get("rule") != Rule.REFRESH and counted


def _text(line: Mapping[str, Fact], key: str) -> str:
    value = line.get(key)
    return value if isinstance(value, str) else ""


NOT_COUNTED: Final = (
    *(("event", one) for one in (Happened.COLLECTOR_RUNNING, Happened.COLLECTOR_STOOD, Happened.RUN_ON_ENDED)),
    *(("event", one) for one in (Happened.GATE_OPEN, Happened.GATE_SHUT)),
    ("rule", Rule.REFRESH),
)
"""Lines that change no figure here; they need not even be decoded."""


def account(lines: Iterable[LogLine], passed: Callable[[], str] = str) -> Account:
    """Read lines, oldest first. `passed` gives the time of the last line that was passed over on the way."""
    found = Account()
    run: Fact = None
    anchor = 0  # wall ms at which the run's own clock stood at 0

    def ended() -> int:
        """Of any kind that line may be: nothing is known to have run on after it."""
        return max(found.until_ms, stamp_ms(passed()))

    for line in lines:
        wall, mono = stamp_ms(str(line["ts"])), line.get("mono")
        if not isinstance(mono, int | float):
            found.take(wall, line)
            continue
        here = round(mono * 1000)
        if line.get("run") != run:
            for before in found.runs[-1:]:
                found.stop_all(ended())  # without effect where it said that it stopped
                before.end = ended()
            run, anchor = str(line.get("run")), wall - here
            found.begin_run(run, wall)
        elif line["event"] == OwnEvent.CLOCK_STEPPED:
            found.shift_run(wall - here - anchor)
            anchor = wall - here
        found.take(anchor + here, line)
        found.runs[-1].clean = line["event"] == OwnEvent.DAEMON_STOPPED
    for last in found.runs[-1:]:
        last.end = max(last.begin, ended())
    return found
