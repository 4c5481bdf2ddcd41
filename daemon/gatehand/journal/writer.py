"""The event log: lines go in from the control loop, one thread writes them, another syncs, a ticket says when written.

The daemon's duty: append the explanation, wait for its ticket, but not for long, then publish. A sync has a thread of
its own, so that no line, and no command behind it, waits for the medium. What the files are stands in `files`.
"""

import threading
import time
from collections.abc import Sequence
from functools import partial
from pathlib import Path

from gatehand.journal.disk import Disk
from gatehand.journal.files import EventFiles
from gatehand.journal.line import LogLine, Stamper, encode, number_of, wants_sync
from gatehand.journal.threads import Health, Job, Worker

QUEUE_LIMIT = 20_000
_PROBE_EVERY = 5.0
_CLOSE_WITHIN = 5.0


class Ticket:
    """Says when a group of lines is written, or when the disk would not have them."""

    __slots__ = ("_pending", "done_at", "written")

    def __init__(self) -> None:
        self.done_at: float | None = None
        """When (monotonic seconds); None: not yet."""
        self.written = False
        self._pending = threading.Lock()
        self._pending.acquire()

    def wait(self, seconds: float) -> bool:
        """Block this thread until done, for so long at most; whether it is done."""
        if self.done_at is None and self._pending.acquire(timeout=max(0.0, seconds)):
            self._pending.release()
        return self.done_at is not None

    def finish(self, at: float, *, written: bool) -> None:
        """For the log alone."""
        self.written = written
        self.done_at = at
        self._pending.release()


class EventLog:
    """The event log of one daemon. `health` hears of trouble.

    `threaded=False` writes within `append`: for a simulation in which nothing may depend on the machine's timing.
    """

    def __init__(
        self,
        folder: Path,
        *,
        stamper: Stamper,
        keep_days: int = 400,
        disk: Disk | None = None,
        health: Health | None = None,
        limit: int = QUEUE_LIMIT,
        threaded: bool = True,
    ) -> None:
        """Open the log.

        Raises:
            LogFolderError: The folder cannot be written, or another daemon writes there.
        """
        self.stamper = stamper
        self._files = EventFiles(folder, stamper, keep_days, disk or Disk())
        self._health = health or Health()
        self._limit = limit
        self._refused: list[int] = []
        """Numbers of lines that came when the queue was full, since the last that were taken."""
        self._counting = threading.Lock()
        self._unsynced = 0
        self._files.open()
        self._writer = Worker("event log", self._do, threaded=threaded, idle=self._look, every=_PROBE_EVERY)
        self._syncer = Worker("event log sync", threaded=threaded)

    def append(self, lines: Sequence[LogLine]) -> Ticket:
        """Hand lines over, in order; never blocks. Lines beyond the queue's limit are counted as lost."""
        ticket = Ticket()
        encoded = [(encode(line), str(line["ts"]), number_of(line)) for line in lines]
        if self._writer.waiting >= self._limit:
            self._refused += [seq for _, _, seq in encoded]
            ticket.finish(self.stamper.clock.mono(), written=False)
        else:
            refused, self._refused = self._refused, []
            self._writer.give(partial(self._write, refused, encoded, ticket, sync=any(map(wants_sync, lines))))
        return ticket

    def close(self, within: float = _CLOSE_WITHIN) -> bool:
        """Write what is queued and close; False when the disk took longer than `within` seconds."""
        until = time.monotonic() + within
        if not (self._writer.end(within) and self._syncer.end(until - time.monotonic())):
            return False
        self._writer.end(0)  # what the last sync says
        self._lose(self._refused)
        self._sync()
        self._files.probe()
        self._files.close()
        return True

    def _do(self, job: Job) -> None:
        job()
        self._health.is_now(self._files.trouble)

    def _look(self) -> None:
        """With nothing to write: whether a disk that failed works again."""
        if self._health.ill:
            self._files.look_again()
            self._do(self._files.probe)

    def _write(
        self, refused: Sequence[int], lines: Sequence[tuple[bytes, str, int]], ticket: Ticket, *, sync: bool
    ) -> None:
        """Write lines, each given with its time and number; `refused` came just before them."""
        self._files.look_again()
        self._lose(refused)
        results = [self._files.write(raw, ts, seq) for raw, ts, seq in lines]
        with self._counting:
            self._unsynced += sum(results)
        ticket.finish(self.stamper.clock.mono(), written=all(results))
        if sync:
            self._syncer.give(self._sync)

    def _sync(self) -> None:
        """Once for all lines that were written meanwhile."""
        with self._counting:
            lines, self._unsynced = self._unsynced, 0
        error = self._files.sync() if lines else None
        if error is not None:  # the files are the writer's
            self._writer.give(partial(self._files.doubt, lines, error))

    def _lose(self, numbers: Sequence[int]) -> None:
        for seq in numbers:
            self._files.lose(seq, f"more than {self._limit} lines waited for the disk")
