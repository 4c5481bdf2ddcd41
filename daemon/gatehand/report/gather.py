"""Brings a report's facts together from the log's folder and the config."""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

from gatehand.config import Config
from gatehand.journal.line import Line
from gatehand.journal.reader import EventReader
from gatehand.past.account import NOT_COUNTED, Account, account, wall_ms
from gatehand.recording.format import EPOCH
from gatehand.report.energy import energies
from gatehand.report.summary import Summary
from gatehand.report.upkeep import Due, done_at, due


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
    first_ms = None if first is None else wall_ms(str(first["ts"]))
    whole = found if window == Window() else _since(folder, config.upkeep, done)
    return due(config, whole.tally.collectors, done, first_ms=first_ms, until_ms=whole.until_ms)


def _since(folder: Path, names: Mapping[str, object], done: Mapping[str, int]) -> Account:
    """The log from the day before any of these was last done; all of it where one never was."""
    oldest = min(done.get(name, 0) for name in names)
    begin = EPOCH + timedelta(milliseconds=oldest) - timedelta(days=1) if oldest else None
    reader = EventReader(folder)
    return account(reader.lines(begin, None, without=NOT_COUNTED), lambda: reader.passed_ts)
