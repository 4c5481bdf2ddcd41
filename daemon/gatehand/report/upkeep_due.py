"""Upkeep by hours of running: when it was last done, how many hours since, and what is due.

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
from gatehand.past.account import Account, Use
from gatehand.times import stamp, stamp_ms

FILE: Final = "upkeep.jsonl"
DONE: Final = "upkeep_done"
_SOON: Final = 0.9


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

    @property
    def word(self) -> str:
        """How it stands."""
        if self.hours >= self.every_hours:
            return "due"
        return "soon" if self.hours >= _SOON * self.every_hours else "well"


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
        found.append(Due(name, collector, upkeep.every_hours, hours, since, early))
    return found
