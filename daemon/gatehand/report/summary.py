"""The account, upkeep and energy of a time put together: the one value from which text, JSON and the page are made."""

from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any, Final

from gatehand.config import Config
from gatehand.config.tables import COLLECTOR_MEMBER
from gatehand.journal.line import LogLine, OwnEvent
from gatehand.journal.reader import EventReader
from gatehand.past.account import NOT_COUNTED, RESTART_MS, Account, Unrecorded, Use, account
from gatehand.report.energy import Energy, energies
from gatehand.report.upkeep_due import Due, done_at, due
from gatehand.times import from_ms, local, ms_stamp, stamp_ms, to_ms
from gatehand_rules.findings import Happened, Rule

_WORDS: Final[dict[str, str]] = {
    Rule.BELOW_START_THRESHOLD: "stayed below its start threshold",
    Rule.SHORTER_THAN_START_AFTER: "ran for less than start_after",
    Rule.NOT_CONFIRMED: "not confirmed after a silence",
    Rule.CUT_ENDED_BEFORE_GATE: "the cut was over before a gate was open",
    Rule.FIRST_SEEN_DRAWING: "was already running when first seen",
    Rule.NOT_FRESH: "was already running at the reset",
    Rule.OFF_ASKED: "was already running when the collector was switched off",
    Rule.BROKER: "was asked for before the broker was away",
    Rule.HOLD: "the collector was on hold",
    Rule.BIN_FULL: "the bin was full",
    Rule.MAX_OPEN: "max_open gates were in use",
    Rule.MIN_OPEN: "too few gates were open",
    Rule.NO_GATE_PROVEN: "its gate did not open",
    Rule.GATE_BY_HAND_IS_SHUT: "its gate, moved by hand, was shut",
    Rule.NOT_HEARD_LIVE: "its gate, moved by hand, had not reported yet",
    Rule.SWITCHED_BY_HAND: "the collector was switched off at its own switch",
    Rule.STOP_CONTACT: "a stop contact was active",
}


@dataclass(frozen=True, slots=True)
class ToolFigures:
    """One tool's line."""

    tool: str
    cuts: int
    hours: float
    longest_s: float
    longest_at_least: bool
    """Its beginning or its end was not seen."""
    missed: int
    refused: int
    energy: Energy | None


@dataclass(frozen=True, slots=True)
class CollectorFigures:
    """One collector's line."""

    name: str
    starts: int
    hours: float
    worst_hour: int
    worst_began_ms: int | None
    energy: Energy | None

    @property
    def starts_an_hour(self) -> float:
        """Starts for each hour of running."""
        return self.starts / self.hours if self.hours else 0.0


@dataclass(frozen=True, slots=True)
class FailedStarts:
    """Starts that did not happen: whose, why, how often."""

    name: str
    rule: str
    because: str
    """The rule in words; its id, readable, for one that has none here."""
    count: int
    refused: bool


@dataclass(slots=True)
class Summary:
    """Everything that a report shows."""

    account: Account
    energy: dict[str, Energy]
    """Of all that the config has, by name as a circuit's members are named: tools as they are, and `collector.NAME`."""
    energy_files: int
    upkeep: list[Due]
    tool_names: tuple[str, ...]
    """In the config's order."""
    asked: tuple[int | None, int | None] = (None, None)
    """From and until when the report was asked for, wall ms; None: from the log's beginning, to its end."""
    edges: tuple[Unrecorded, ...] = ()
    """What of the time asked for lies before the log's first run in it, or after its last."""

    @property
    def begin_ms(self) -> int | None:
        """When the time that is reported of begins; None: nothing is in it."""
        return self.account.first_ms if self.asked[0] is None else self.asked[0]

    @property
    def end_ms(self) -> int | None:
        """When it ends."""
        return self.account.last_ms if self.asked[1] is None else self.asked[1]

    @property
    def unrecorded(self) -> list[Unrecorded]:
        """Times of it in which nobody wrote the log, oldest first."""
        return sorted((*self.account.unrecorded, *self.edges), key=lambda one: one.begin)

    @property
    def renamed(self) -> list[str]:
        """Tools that the log knows and the config does not, by that name at least."""
        return [row.tool for row in self.tools() if row.tool not in self.tool_names]

    def tools(self) -> Iterator[ToolFigures]:
        """Each tool, the config's first."""
        account, until = self.account, self.account.until_ms
        for name in [*self.tool_names, *(name for name in sorted(account.tools) if name not in self.tool_names)]:
            use = account.tools.get(name, Use())
            longest, whole = use.longest(until)
            yield ToolFigures(
                name,
                use.starts,
                use.hours(until),
                longest / 1000,
                not whole,
                sum(count for (who, _), count in account.missed.items() if who == name),
                sum(count for (who, _), count in account.refused.items() if who == name),
                self.energy.get(name),
            )

    def collectors(self) -> Iterator[CollectorFigures]:
        """Each collector that was commanded on."""
        account = self.account
        for name, use in sorted(account.collectors.items()):
            starts, hours = len(account.switched_on.get(name, ())), use.hours(account.until_ms)
            if starts or hours:
                energy = self.energy.get(COLLECTOR_MEMBER + name)
                yield CollectorFigures(name, starts, hours, *account.worst_hour(name), energy)

    def troubles(self) -> list[FailedStarts]:
        """Missed and refused starts, the commonest first."""
        found = [
            FailedStarts(name, rule, _WORDS.get(rule, rule.replace("_", " ")), count, refused)
            for refused, starts in ((False, self.account.missed), (True, self.account.refused))
            for (name, rule), count in starts.items()
        ]
        return sorted(found, key=lambda one: (-one.count, one.name, one.rule))

    def hours_by_day(self) -> dict[str, dict[str, float]]:
        """Hours of each collector on each local day on which it ran: {day: {collector: hours}}."""
        days: dict[str, dict[str, float]] = {}
        for name, use in sorted(self.account.collectors.items()):
            for day, hours in use.hours_by_day(self.account.until_ms).items():
                days.setdefault(day.isoformat(), {})[name] = hours
        return dict(sorted(days.items()))

    def working_days(self) -> int:
        """Local days with a cut."""
        return len({local(start).date() for use in self.account.tools.values() for start, _ in use.spans})

    def as_json(self) -> dict[str, Any]:
        """For programs; times in RFC 3339, UTC."""
        account = self.account
        return {
            "from": ms_stamp(account.first_ms),
            "to": ms_stamp(account.last_ms),
            "events": account.events.total(),
            "daemon_starts": account.events[OwnEvent.DAEMON_STARTED],
            "working_days": self.working_days(),
            "tools": [
                _rounded(asdict(replace(one, energy=None))) | {"energy": one.energy and one.energy.as_json()}
                for one in self.tools()
            ],
            "collectors": [
                _rounded(
                    {
                        "collector": one.name,
                        "starts": one.starts,
                        "hours": one.hours,
                        "starts_an_hour": one.starts_an_hour,
                        "worst_hour": {"starts": one.worst_hour, "from": ms_stamp(one.worst_began_ms)},
                        "energy": one.energy and one.energy.as_json(),
                    }
                )
                for one in self.collectors()
            ],
            "not_started": [asdict(one) for one in self.troubles()],
            "gate_movements": dict(sorted(account.movements.items())),
            "gate_faults": dict(sorted(account.faults.items())),
            "commands_vetoed": account.events[Happened.COMMAND_VETOED],
            "alarms": dict(account.alarms.most_common()),
            "stops": dict(account.stops),
            "bins_full": dict(account.bins_full),
            "readings_rejected": dict(account.rejected),
            "broker_lost": account.events[Happened.BROKER_LOST],
            "log_gaps": account.events[OwnEvent.LOG_GAP],
            "clock_steps": account.events[OwnEvent.CLOCK_STEPPED],
            "upkeep": [
                {
                    "upkeep": one.name,
                    "collector": one.collector,
                    "every_hours": one.every_hours,
                    "hours": round(one.hours, 2),
                    "at_least": one.done_before_log,
                    "done": ms_stamp(one.since_ms),
                    "stands": one.word,
                    "suction": None if one.suction is None else _rounded(asdict(one.suction)),
                }
                for one in self.upkeep
            ],
            "hours_by_day": self.hours_by_day(),
            "not_recorded": [
                {"from": ms_stamp(one.begin), "to": ms_stamp(one.end), "at_most": one.at_most}
                for one in self.unrecorded
            ],
            "not_in_config": self.renamed,
        }


_DIGITS: Final = {"fallen": 3, "limit": 3, "hours": 4, "longest_s": 1, "starts_an_hour": 2}


def _rounded(values: dict[str, Any]) -> dict[str, Any]:
    """With no more digits than its figures are worth."""
    return values | {key: round(values[key], digits) for key, digits in _DIGITS.items() if key in values}


def gather(
    config: Config,
    folder: Path,
    since: datetime | None = None,
    until: datetime | None = None,
    progress: Callable[[int], None] = lambda _events: None,
) -> tuple[Summary, list[str]]:
    """The report of a time, and what had to be left out. `progress` hears the number of events so far."""
    reader = EventReader(folder)
    found = _account_of(reader, since, until, progress)
    energy, files = energies(config, folder, since, until, found)
    summary = Summary(
        account=found,
        energy=energy,
        energy_files=files,
        upkeep=upkeep_of(config, folder, None if since or until else found),
        tool_names=tuple(config.tool),
        asked=(None if since is None else to_ms(since), None if until is None else to_ms(until)),
        edges=_edges(folder, found, since, until),
    )
    return summary, [str(skipped) for skipped in reader.skipped]


def _edges(folder: Path, found: Account, since: datetime | None, until: datetime | None) -> tuple[Unrecorded, ...]:
    """What of the time asked for nobody wrote, before the first run in it and after the last."""
    if not found.runs:
        return ()
    first, last = found.runs[0], found.runs[-1]
    edges = []
    if since is not None:
        before = next(EventReader(folder).backwards(since), None)
        if before is None or before.get("run") != first.name:
            wrote = before is not None and before["event"] != OwnEvent.DAEMON_STOPPED
            edges.append(Unrecorded(to_ms(since), first.begin, at_most=wrote))
    if until is not None:
        after = next(EventReader(folder).lines(until), None)
        if last.clean or (after is not None and after.get("run") != last.name):
            end = min(to_ms(until), to_ms(datetime.now(UTC)))
            edges.append(Unrecorded(last.end, end, at_most=not last.clean))
    return tuple(one for one in edges if one.lasted_ms >= RESTART_MS)


def _account_of(
    reader: EventReader,
    since: datetime | None,
    until: datetime | None = None,
    progress: Callable[[int], None] = lambda _events: None,
) -> Account:
    def counted() -> Iterator[LogLine]:
        for count, line in enumerate(reader.lines(since, until, without=NOT_COUNTED), 1):
            if not count % 5000:
                progress(count)
            yield line

    return account(counted(), lambda: reader.passed_ts)


def upkeep_of(config: Config, folder: Path, whole: Account | None = None) -> list[Due]:
    """Upkeep counts from when it was last done, whatever time the report is of. `whole`: of all the log, if known."""
    if not config.upkeep:
        return []
    done = done_at(folder)
    if whole is None:
        # From the day before any of these was last done; all of it where one never was.
        oldest = min(done.get(name, 0) for name in config.upkeep)
        whole = _account_of(EventReader(folder), from_ms(oldest) - timedelta(days=1) if oldest else None)
    first = next(EventReader(folder).lines(), None)
    return due(config, whole, done, first_ms=None if first is None else stamp_ms(str(first["ts"])))
