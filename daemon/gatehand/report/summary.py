"""The account, upkeep and energy of a time put together: the one value from which text, JSON and the page are made."""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any, Final

from gatehand.config import Config
from gatehand.journal.line import Line
from gatehand.journal.reader import EventReader
from gatehand.past.account import NOT_COUNTED, Account, Use, account, by_day
from gatehand.report.energy import Energies, Energy, energies
from gatehand.report.upkeep_due import Due, done_at, due
from gatehand.times import from_ms, local, ms_stamp, stamp_ms
from gatehand_rules.findings import Rule

_WORDS: Final[dict[str, str]] = {
    Rule.BELOW_START_THRESHOLD: "drew less than start_amps",
    Rule.SHORTER_THAN_START_AFTER: "drew for less than start_after",
    Rule.NOT_CONFIRMED: "not confirmed after a silence",
    Rule.CUT_ENDED_BEFORE_GATE: "the cut was over before a gate was open",
    Rule.FIRST_SEEN_DRAWING: "drew already when first seen",
    Rule.NOT_FRESH: "drew already at the reset",
    Rule.HOLD: "the collector was held",
    Rule.BIN_FULL: "the bin was full",
    Rule.MAX_OPEN: "max_open gates were in use",
    Rule.MIN_OPEN: "too few gates were open",
    Rule.NO_GATE_PROVEN: "its gate did not open",
    Rule.GATE_BY_HAND_IS_SHUT: "its gate, moved by hand, was shut",
    Rule.NOT_HEARD_LIVE: "its gate, moved by hand, had said nothing yet",
    Rule.SWITCHED_BY_HAND: "the collector was switched off at its own switch",
    Rule.STOP_CONTACT: "a stop contact was active",
}


def reason(rule: str) -> str:
    """A rule's reason; its id, readable, for one that has no words here."""
    return _WORDS.get(rule, rule.replace("_", " "))


@dataclass(frozen=True, slots=True)
class ToolFigures:
    """One tool's line."""

    name: str
    cuts: int
    hours: float
    longest_s: float
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
class Trouble:
    """Starts that did not happen: whose, why, how often."""

    name: str
    rule: str
    count: int
    refused: bool

    @property
    def because(self) -> str:
        """Why, in words."""
        return reason(self.rule)


@dataclass(slots=True)
class Summary:
    """Everything that a report shows."""

    account: Account
    energies: Energies
    upkeep: list[Due]
    tool_names: tuple[str, ...]
    """In the config's order."""

    def tools(self) -> Iterator[ToolFigures]:
        """Each tool, the config's first."""
        tally, until = self.account.tally, self.account.until_ms
        named = [*self.tool_names, *(name for name in sorted(tally.tools) if name not in self.tool_names)]
        for name in named:
            use = tally.tools.get(name, Use())
            spans = [(until if end is None else end) - start for start, end in use.spans]
            yield ToolFigures(
                name,
                use.starts,
                use.total_ms(until) / 3_600_000,
                max(spans, default=0) / 1000,
                sum(count for (who, _), count in tally.missed.items() if who == name),
                sum(count for (who, _), count in tally.refused.items() if who == name),
                self.energies.tools.get(name),
            )

    def collectors(self) -> Iterator[CollectorFigures]:
        """Each collector that was commanded on."""
        tally, until = self.account.tally, self.account.until_ms
        for name in sorted(tally.collectors):
            worst, began = tally.worst_hour(name)
            starts = len(tally.switched_on.get(name, ()))
            hours = tally.collectors[name].total_ms(until) / 3_600_000
            if starts or hours:
                yield CollectorFigures(name, starts, hours, worst, began, self.energies.collectors.get(name))

    def troubles(self) -> list[Trouble]:
        """Missed and refused starts, the commonest first."""
        tally = self.account.tally
        found = [Trouble(name, rule, count, refused=False) for (name, rule), count in tally.missed.items()]
        found += [Trouble(name, rule, count, refused=True) for (name, rule), count in tally.refused.items()]
        return sorted(found, key=lambda one: (-one.count, one.name, one.rule))

    def hours_by_day(self) -> dict[str, dict[str, float]]:
        """Hours of each collector on each local day on which it ran: {day: {collector: hours}}."""
        days: dict[str, dict[str, float]] = {}
        for name, use in sorted(self.account.tally.collectors.items()):
            for day, hours in by_day(use.spans, self.account.until_ms).items():
                days.setdefault(day.isoformat(), {})[name] = hours
        return dict(sorted(days.items()))

    def working_days(self) -> int:
        """Local days with a cut."""
        return len({local(start).date() for use in self.account.tally.tools.values() for start, _ in use.spans})

    def as_json(self) -> dict[str, Any]:
        """For programs; times in RFC 3339, UTC."""
        account, tally = self.account, self.account.tally
        return {
            "from": ms_stamp(account.first_ms),
            "to": ms_stamp(account.last_ms),
            "events": account.events,
            "daemon_starts": account.runs,
            "working_days": self.working_days(),
            "tools": [
                {
                    "tool": row.name,
                    "cuts": row.cuts,
                    "hours": round(row.hours, 4),
                    "longest_s": round(row.longest_s, 1),
                    "missed": row.missed,
                    "refused": row.refused,
                    "energy": _energy(row.energy),
                }
                for row in self.tools()
            ],
            "collectors": [
                {
                    "collector": row.name,
                    "starts": row.starts,
                    "hours": round(row.hours, 4),
                    "starts_an_hour": round(row.starts_an_hour, 2),
                    "worst_hour": {"starts": row.worst_hour, "from": ms_stamp(row.worst_began_ms)},
                    "energy": _energy(row.energy),
                }
                for row in self.collectors()
            ],
            "not_started": [
                {"name": one.name, "rule": one.rule, "because": one.because, "count": one.count, "refused": one.refused}
                for one in self.troubles()
            ],
            "gate_movements": dict(sorted(tally.movements.items())),
            "gate_faults": dict(sorted(tally.faults.items())),
            "commands_vetoed": tally.vetoes,
            "alarms": dict(tally.alarms.most_common()),
            "stops": dict(account.stops),
            "bins_full": dict(account.bins_full),
            "readings_rejected": dict(account.rejected),
            "broker_lost": account.broker_lost,
            "log_gaps": account.log_gaps,
            "clock_steps": account.clock_steps,
            "upkeep": [
                {
                    "upkeep": one.name,
                    "collector": one.collector,
                    "every_hours": one.every_hours,
                    "hours": round(one.hours, 2),
                    "at_least": one.done_before_log,
                    "done": ms_stamp(one.since_ms),
                    "stands": one.word,
                }
                for one in self.upkeep
            ],
            "hours_by_day": self.hours_by_day(),
        }


def _energy(energy: Energy | None) -> dict[str, float | None] | None:
    if energy is None:
        return None
    return {
        "mean_amps": round(energy.mean_amps, 2),
        "ampere_hours": round(energy.ampere_hours, 2),
        "kvah": None if energy.kvah is None else round(energy.kvah, 3),
    }


@dataclass(frozen=True, slots=True)
class Window:
    """The time that a report is of; None: without end on that side."""

    since: datetime | None = None
    until: datetime | None = None


def gather(
    config: Config, folder: Path, window: Window, progress: Callable[[int], None] = lambda _events: None
) -> tuple[Summary, list[str]]:
    """The report of a time, and what had to be left out. `progress` hears the number of events so far."""
    reader = EventReader(folder)
    found = account(_counted(reader, window, progress), lambda: reader.passed_ts)
    summary = Summary(
        account=found,
        energies=energies(config, folder, (window.since, window.until), found.tally, until=found.until_ms),
        upkeep=_upkeep(config, folder, window, found),
        tool_names=tuple(config.tool),
    )
    return summary, [str(skipped) for skipped in reader.skipped]


def _counted(reader: EventReader, window: Window, progress: Callable[[int], None]) -> Iterator[Line]:
    for count, line in enumerate(reader.lines(window.since, window.until, without=NOT_COUNTED), 1):
        if not count % 5000:
            progress(count)
        yield line


def _upkeep(config: Config, folder: Path, window: Window, found: Account) -> list[Due]:
    """Upkeep counts from when it was last done, whatever time the report is of."""
    if not config.upkeep:
        return []
    done = done_at(folder)
    first = next(EventReader(folder).lines(), None)
    first_ms = None if first is None else stamp_ms(str(first["ts"]))
    whole = found if window == Window() else _since(folder, config.upkeep, done)
    return due(config, whole.tally.collectors, done, first_ms=first_ms, until_ms=whole.until_ms)


def _since(folder: Path, names: Mapping[str, object], done: Mapping[str, int]) -> Account:
    """The log from the day before any of these was last done; all of it where one never was."""
    oldest = min(done.get(name, 0) for name in names)
    begin = from_ms(oldest) - timedelta(days=1) if oldest else None
    reader = EventReader(folder)
    return account(reader.lines(begin, None, without=NOT_COUNTED), lambda: reader.passed_ts)
