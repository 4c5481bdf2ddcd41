"""Upkeep by hours of running: when it was last done, how many hours since, and what is due.

A filter is told by the suction instead, where the shop has taken a baseline (`gatehand exercise --suction`) and its
suction was measured since with the same gates open: behind the inlet, a filter that clogs lowers the flow, and the
suction falls with the flow's square.

`gatehand done NAME` adds a line to `upkeep.jsonl` beside the event log: a file of its own, because the daemon alone
writes the log. It is never thinned out; the hours are counted from the log, as far back as that goes.
"""

import json
import os
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Final

from gatehand.config import Config
from gatehand.journal.line import LineError, decode
from gatehand.past.account import Account, SuctionSeen, Use
from gatehand.shell.baselines import FALLS
from gatehand.times import stamp, stamp_ms

FILE: Final = "upkeep.jsonl"
DONE: Final = "upkeep_done"
_SOON: Final = 0.9
FILTER: Final = "filter"
"""Upkeep with this in its name is the filter's."""


@dataclass(frozen=True, slots=True)
class SuctionFall:
    """How far the suction has fallen, and at what a filter is due: parts of the baseline."""

    gates: str
    fallen: float
    limit: float
    by_ducts: bool
    """The limit is where the dirty filter of the config has it; else common practice, no published source."""
    baseline_at: str

    @property
    def share(self) -> float:
        """Of the limit."""
        return max(0.0, self.fallen / self.limit)


def _fall(seen: SuctionSeen) -> SuctionFall:
    limit = seen.dirty_falls or FALLS
    return SuctionFall(seen.gates, 1 - seen.pascals / seen.baseline, limit, bool(seen.dirty_falls), seen.baseline_at)


@dataclass(frozen=True, slots=True)
class Due:
    """One kind of upkeep. `since_ms`: when it was last done, wall ms; None: never, or before the log begins."""

    name: str
    collector: str
    every_hours: float
    hours: float
    since_ms: int | None
    done_before_log: bool
    """It was done, but the log begins later: the hours are at least these."""
    suction: SuctionFall | None = None
    """Of a filter, where it is known: it counts in the hours' stead."""

    @property
    def share(self) -> float:
        """How much of what it may take it has had."""
        return self.hours / self.every_hours if self.suction is None else self.suction.share

    @property
    def word(self) -> str:
        """How it stands."""
        if self.share >= 1:
            return "due"
        return "soon" if self.share >= _SOON else "well"


def done_at(folder: Path) -> dict[str, int]:
    """When each kind of upkeep was last done, wall ms."""
    try:
        raw = (folder / FILE).read_bytes()
    except FileNotFoundError:
        return {}
    found: dict[str, int] = {}
    for one in raw.splitlines():
        try:
            line = decode(one)
        except LineError:
            continue  # a torn line costs itself
        name = line.get("upkeep")
        if line["event"] == DONE and isinstance(name, str):
            found[name] = max(found.get(name, 0), stamp_ms(str(line["ts"])))
    return found


def note_done(folder: Path, name: str, when: datetime) -> None:
    """Add a line. May raise OSError."""
    folder.mkdir(parents=True, exist_ok=True)
    line = json.dumps({"ts": stamp(when.timestamp()), "event": DONE, "upkeep": name}) + "\n"
    handle = os.open(folder / FILE, os.O_RDWR | os.O_CREAT | os.O_APPEND, 0o644)
    try:
        size = os.fstat(handle).st_size
        if size and os.pread(handle, 1, size - 1) != b"\n":
            line = "\n" + line  # what was torn keeps a line of its own
        os.write(handle, line.encode())
        os.fsync(handle)
    finally:
        os.close(handle)


def due(config: Config, account: Account, done: Mapping[str, int], *, first_ms: int | None) -> list[Due]:
    """How all upkeep stands. `first_ms`: when the log begins."""
    found = []
    for name, upkeep in config.upkeep.items():
        collector, since = config.upkeep_collector(name), done.get(name)
        hours = account.collectors.get(collector, Use()).hours(account.until_ms, since or 0)
        early = since is not None and first_ms is not None and since < first_ms
        seen = account.suctions.get(collector) if FILTER in name.lower() else None
        fall = None if seen is None or seen.ms < (since or 0) else _fall(seen)
        found.append(Due(name, collector, upkeep.every_hours, hours, since, early, fall))
    return found
