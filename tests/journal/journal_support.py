"""A clock that tests set, and a disk that fails on demand."""

import asyncio
import errno
import time
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

from gatehand.journal.disk import Disk
from gatehand.journal.line import Stamper
from gatehand.journal.writer import Ticket

NOON = datetime(2026, 3, 5, 12, tzinfo=UTC).timestamp()


@dataclass
class FakeClock:
    """Both clocks, by hand."""

    at: float = NOON
    monotonic: float = 100.0
    kept: bool = True

    def wall(self) -> float:
        return self.at

    def mono(self) -> float:
        return self.monotonic

    def synced(self) -> bool:
        return self.kept

    def step(self, seconds: float) -> None:
        """Time passes on both."""
        self.at += seconds
        self.monotonic += seconds


@dataclass
class FaultyDisk(Disk):
    """A disk that has room for so many bytes more, or refuses by a number of its own."""

    room: int | None = None
    """Bytes until it is full; None: no end. A write that does not fit is cut short, as ENOSPC does it."""
    sync_fails: bool = False
    open_fails: int | None = None
    free: int = 1 << 40
    syncs: int = 0
    written: list[bytes] = field(default_factory=list)

    def write(self, handle: int, data: bytes) -> int:
        if self.room is not None:
            if self.room <= 0:
                raise OSError(errno.ENOSPC, "No space left on device")
            data = data[: self.room]
            self.room -= len(data)
        self.written.append(data)
        return super().write(handle, data)

    def open_append(self, path: Path) -> int:
        if self.open_fails is not None:
            raise OSError(self.open_fails, "Read-only file system")
        return super().open_append(path)

    def sync(self, handle: int) -> None:
        self.syncs += 1
        if self.sync_fails:
            raise OSError(errno.EIO, "Input/output error")
        super().sync(handle)

    def free_bytes(self, folder: Path) -> int:
        return min(self.free, super().free_bytes(folder))


async def settled(ticket: Ticket, within: float = 5.0) -> bool:
    """Wait beside the event loop until the ticket is done; whether its lines are on disk."""
    await asyncio.to_thread(ticket.wait, within)
    return ticket.written


def stamper(clock: FakeClock, run: str = "run1") -> Stamper:
    return Stamper(run, clock)


def wait_all(tickets: Sequence[Ticket], within: float) -> bool:
    """Block until every ticket is done; False when `within` seconds did not suffice."""
    until = time.monotonic() + within
    return all(ticket.wait(until - time.monotonic()) for ticket in tickets)
