"""The event log: lines go in from the control loop, one thread writes them, another syncs, a ticket says when written.

The daemon's duty: append the explanation, wait for its ticket, but not for long, then publish. A sync has a thread of
its own, so that no line, and no command behind it, waits for the medium. What the files are stands in `files`.
"""

import asyncio
import contextlib
import threading
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import TypeAlias

from msgspec import Struct

from gatehand.journal.disk import Disk
from gatehand.journal.files import EventFiles
from gatehand.journal.line import Line, Stamper, encode, wants_sync

QUEUE_LIMIT = 20_000
_PROBE_EVERY = 5.0
_CLOSE_WITHIN = 5.0


class Ticket:
    """Says when a group of lines is written. `done` is also true when the disk would not have them; see `written`."""

    __slots__ = ("_callbacks", "_guard", "_pending", "done", "written")

    def __init__(self, guard: threading.Lock) -> None:
        self.done = False
        self.written = False
        self._guard = guard
        self._pending = threading.Lock()
        self._pending.acquire()
        self._callbacks: list[Callable[[], None]] = []

    def add_done_callback(self, callback: Callable[[], None]) -> None:
        """Call `callback` in the event loop's thread when done; at once when done already."""
        with self._guard:
            if not self.done:
                self._callbacks.append(callback)
                return
        callback()

    def wait(self, seconds: float) -> bool:
        """Block this thread until done, for so long at most; whether it is done."""
        if not self.done and self._pending.acquire(timeout=max(0.0, seconds)):
            self._pending.release()
        return self.done

    def finish(self, *, written: bool) -> list[Callable[[], None]]:
        """For the log alone: mark done, and hand out what is to be called."""
        with self._guard:
            self.written = written
            self.done = True
            callbacks, self._callbacks = self._callbacks, []
        self._pending.release()
        return callbacks


class _Lines(Struct, frozen=True):
    """One append on its way to the thread: each line with its time and number."""

    lines: Sequence[tuple[bytes, str, int]]
    ticket: Ticket
    sync: bool
    """Wanted on the medium right after; others wait for the next sync."""
    lost: Sequence[int]
    """Numbers of lines refused because the queue was full, just before these."""


class _SyncFailed(Struct, frozen=True):
    """So many lines are written, and perhaps not on the medium."""

    lines: int
    error: OSError


_Work: TypeAlias = _Lines | _SyncFailed


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
        self._files = EventFiles(folder, stamper, keep_days, disk or Disk())
        self._loop = loop
        self._on_trouble = on_trouble
        self._on_well = on_well
        self._limit = limit
        self._guard = threading.Lock()
        self._queue: SimpleQueue[_Work | None] = SimpleQueue()
        self._to_sync: SimpleQueue[int | None] = SimpleQueue()
        """Numbers of lines written since the last one that was put there."""
        self._refused: list[int] = []
        self._ill = False
        self._unsynced = 0
        self._files.open()
        self._threads: tuple[threading.Thread, ...] = ()
        if threaded:
            self._threads = (
                threading.Thread(target=self._write_all, name="event log", daemon=True),
                threading.Thread(target=self._sync_all, name="event log sync", daemon=True),
            )
            for thread in self._threads:
                thread.start()

    def append(self, lines: Sequence[Line]) -> Ticket:
        """Hand lines over, in order; never blocks. Lines beyond the queue's limit are counted as lost."""
        ticket = Ticket(self._guard)
        encoded = [(encode(line), str(line["ts"]), _seq(line)) for line in lines]
        if self._threads and self._queue.qsize() >= self._limit:
            self._refused += [seq for _, _, seq in encoded]
            ticket.finish(written=False)
            return ticket
        refused, self._refused = self._refused, []
        work = _Lines(encoded, ticket, any(map(wants_sync, lines)), refused)
        if self._threads:
            self._queue.put(work)
        else:
            self._handle(work)
        return ticket

    def close(self, within: float = _CLOSE_WITHIN) -> bool:
        """Write what is queued and close; False when the disk took longer than `within` seconds."""
        until = time.monotonic() + within
        if self._threads:
            self._queue.put(None)
        for thread in self._threads:
            thread.join(max(0.0, until - time.monotonic()))
            if thread.is_alive():
                return False
        while not self._queue.empty():
            if (work := self._queue.get()) is not None:  # what the last sync says
                self._handle(work)
        self._lose(self._refused)
        self._files.probe()
        if self._unsynced:
            self._sync(self._unsynced)
        self._files.close()
        return True

    def _write_all(self) -> None:
        """The writer's thread."""
        while True:
            try:
                work = self._queue.get(timeout=_PROBE_EVERY if self._ill else None)
            except Empty:
                self._files.look_again()
                self._files.probe()
                self._tell_health()
                continue
            if work is None:
                self._to_sync.put(None)
                return
            self._handle(work)

    def _sync_all(self) -> None:
        """The thread that syncs: once for all lines that were written meanwhile."""
        while (lines := self._to_sync.get()) is not None:
            with contextlib.suppress(Empty):
                while True:
                    more = self._to_sync.get_nowait()
                    if more is None:
                        self._to_sync.put(None)
                        break
                    lines += more
            error = self._files.sync()
            if error is not None:
                self._queue.put(_SyncFailed(lines, error))

    def _handle(self, work: _Work) -> None:
        match work:
            case _Lines():
                self._write(work)
            case _SyncFailed(lines=lines, error=error):
                self._files.doubt(lines, error)
        self._tell_health()

    def _write(self, work: _Lines) -> None:
        self._files.look_again()
        self._lose(work.lost)
        results = [self._files.write(raw, ts, seq) for raw, ts, seq in work.lines]
        self._unsynced += sum(results)
        callbacks = work.ticket.finish(written=all(results))
        if work.sync and self._unsynced:
            lines, self._unsynced = self._unsynced, 0
            if self._threads:
                self._to_sync.put(lines)
            else:
                self._sync(lines)
        if callbacks:
            self._call(lambda: [callback() for callback in callbacks])

    def _sync(self, lines: int) -> None:
        error = self._files.sync()
        if error is not None:
            self._files.doubt(lines, error)

    def _lose(self, numbers: Sequence[int]) -> None:
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
