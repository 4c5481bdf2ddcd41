"""The event log: lines go in from the control loop, one thread puts them on disk, a ticket says when they are there.

The daemon's duty: append the explanation, wait for its ticket, but not for long, then publish. What the files are
stands in `files`.
"""

import asyncio
import contextlib
import threading
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from queue import Empty, SimpleQueue

from gatehand.journal.disk import Disk, RealDisk
from gatehand.journal.files import EventFiles
from gatehand.journal.line import Line, Stamper, encode, wants_sync

QUEUE_LIMIT = 20_000
_BATCH = 256
_PROBE_EVERY = 5.0
_CLOSE_WITHIN = 5.0


class Ticket:
    """Says when a group of lines is on disk. `done` is also true when the disk would not have them; see `written`."""

    __slots__ = ("_callbacks", "_guard", "done", "written")

    def __init__(self, guard: threading.Condition) -> None:
        self.done = False
        self.written = False
        self._guard = guard
        self._callbacks: list[Callable[[], None]] = []

    def add_done_callback(self, callback: Callable[[], None]) -> None:
        """Call `callback` in the event loop's thread when done; at once when done already."""
        with self._guard:
            if not self.done:
                self._callbacks.append(callback)
                return
        callback()

    def done_within(self, seconds: float) -> bool:
        """Block this thread until done; False after `seconds`. Not for the event loop."""
        with self._guard:
            return self._guard.wait_for(lambda: self.done, seconds)

    def _finish(self, *, written: bool) -> list[Callable[[], None]]:
        """Under the guard: mark done and hand out what is to be called."""
        self.done = True
        self.written = written
        callbacks, self._callbacks = self._callbacks, []
        return callbacks


class _Work:
    """One append on its way to the thread."""

    __slots__ = ("lines", "lost", "sync", "ticket")

    def __init__(self, lines: Sequence[tuple[bytes, str, int]], ticket: Ticket, *, sync: bool) -> None:
        self.lines = lines
        self.ticket = ticket
        self.sync = sync
        self.lost: list[int] = []
        """Numbers of lines refused because the queue was full, just before this one."""


class EventLog:
    """The event log of one daemon. Callbacks come in the loop's thread when `loop` is given, else in the writer's.

    `threaded=False` writes within `append`: for a simulation in which nothing may depend on the machine's timing.
    """

    def __init__(
        self,
        folder: Path,
        *,
        stamper: Stamper,
        keep_days: int = 400,
        disk: Disk | None = None,
        loop: asyncio.AbstractEventLoop | None = None,
        on_trouble: Callable[[str], None] = lambda _text: None,
        on_well: Callable[[], None] = lambda: None,
        limit: int = QUEUE_LIMIT,
        threaded: bool = True,
    ) -> None:
        """Open the log.

        Raises:
            LogFolderError: The folder cannot be written, or another daemon writes there.
        """
        self.stamper = stamper
        self._files = EventFiles(folder, stamper, keep_days, disk or RealDisk())
        self._loop = loop
        self._on_trouble = on_trouble
        self._on_well = on_well
        self._limit = limit
        self._guard = threading.Condition()
        self._queue: SimpleQueue[_Work | None] = SimpleQueue()
        self._refused: list[int] = []
        self._ill = False
        self._unsynced = 0
        self._files.open()
        self._thread: threading.Thread | None = None
        if threaded:
            self._thread = threading.Thread(target=self._run, name="event log", daemon=True)
            self._thread.start()

    def append(self, lines: Sequence[Line], *, sync: bool | None = None) -> Ticket:
        """Hand lines over, in order; never blocks.

        `sync`: on the medium before the ticket is done; by default as the lines themselves want it. Lines beyond the
        queue's limit are counted as lost.
        """
        ticket = Ticket(self._guard)
        want = any(wants_sync(line) for line in lines) if sync is None else sync
        work = _Work([(encode(line), str(line["ts"]), _seq(line)) for line in lines], ticket, sync=want)
        if self._thread is None:
            self._handle([work])
        elif self._queue.qsize() >= self._limit:
            self._refused += [seq for _, _, seq in work.lines]
            with self._guard:
                ticket._finish(written=False)  # noqa: SLF001 - the ticket's other half
        else:
            work.lost, self._refused = self._refused, []
            self._queue.put(work)
        return ticket

    def close(self, within: float = _CLOSE_WITHIN) -> bool:
        """Write what is queued and close; False when the disk took longer than `within` seconds."""
        if self._thread is not None:
            self._queue.put(None)
            self._thread.join(within)
            if self._thread.is_alive():
                return False
        self._lose(self._refused)
        self._files.probe()
        if self._unsynced:
            self._files.sync(self._unsynced)
        self._files.close()
        return True

    def _run(self) -> None:
        running = True
        while running:
            batch: list[_Work] = []
            with contextlib.suppress(Empty):
                work = self._queue.get(timeout=_PROBE_EVERY if self._ill else None)
                while work is not None:
                    batch.append(work)
                    if len(batch) >= _BATCH:
                        break
                    work = self._queue.get_nowait()
                else:
                    running = False
            if batch:
                self._handle(batch)
            elif running:
                self._files.look_again()
                self._files.probe()
                self._tell_health()

    def _handle(self, batch: list[_Work]) -> None:
        """Write, sync once, say done once."""
        well: list[bool] = []
        self._files.look_again()
        for work in batch:
            self._lose(work.lost)
            results = [self._files.write(raw, ts, seq) for raw, ts, seq in work.lines]
            self._unsynced += sum(results)
            well.append(all(results))
        if any(work.sync for work in batch) and self._unsynced:
            synced = self._files.sync(self._unsynced)
            self._unsynced = 0
            well = [ok and synced for ok in well]
        with self._guard:
            callbacks = [
                callback
                for work, ok in zip(batch, well, strict=True)
                for callback in work.ticket._finish(written=ok)  # noqa: SLF001 - the ticket's other half
            ]
            self._guard.notify_all()
        if callbacks:
            self._call(lambda: [callback() for callback in callbacks])
        self._tell_health()

    def _lose(self, numbers: list[int]) -> None:
        for seq in numbers:
            self._files.lose(seq, f"more than {self._limit} lines waited for the disk")

    def _tell_health(self) -> None:
        trouble = self._files.trouble
        if trouble is not None and not self._ill:
            self._ill = True
            self._call(lambda: self._on_trouble(trouble))
        elif trouble is None and self._ill:
            self._ill = False
            self._call(self._on_well)

    def _call(self, callback: Callable[[], object]) -> None:
        if self._loop is None:
            callback()
            return
        # A loop that is closed has nobody left to tell.
        with contextlib.suppress(RuntimeError):
            self._loop.call_soon_threadsafe(callback)


def _seq(line: Line) -> int:
    seq = line["seq"]
    return seq if isinstance(seq, int) else 0


def wait_all(tickets: Sequence[Ticket], within: float) -> bool:
    """Block until every ticket is done; False when `within` seconds did not suffice."""
    until = time.monotonic() + within
    return all(ticket.done_within(max(0.0, until - time.monotonic())) for ticket in tickets)
