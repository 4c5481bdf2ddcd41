"""A disk in memory that fills up, stalls and tears, and the log's thread as a virtual one on top of it.

The real `EventLog` writes, mends and counts; only its thread is replaced, because nothing may depend on the machine.
"""

import errno
import json
from collections import Counter, deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from pathlib import Path

from sim_time import Clocks, Scheduler

from gatehand.journal.disk import Disk
from gatehand.journal.line import LineError, LogLine, decode
from gatehand.journal.writer import EventLog

BOUND = 0.015
"""What a command may wait for its explanation; the shell's own number is not imported."""


AT_ONCE = ("stop_contact", "fan_against_shut_gates")
"""Rules by which an off (and the air for a fan that it is for) leaves before its explanation."""
EXPLAINING = {"gate_commanded": "", "collector_on": "on", "collector_off": "off", "collector_unanswered": ""}
"""Events that explain a command, and the word of it; empty: a fact says it."""


class MemoryDisk(Disk):
    """The `Disk` of the journal, in memory. `room`: bytes that may still be written; None: plenty."""

    def __init__(self) -> None:
        self.files: dict[Path, bytearray] = {}
        self.room: int | None = None
        self._open: dict[int, Path] = {}
        self._next = 3
        self._locked: dict[int, Path] = {}

    def make_folder(self, folder: Path) -> None:
        """Folders need no making."""

    def open_append(self, path: Path) -> int:
        """Open; a full disk takes no new file."""
        if path not in self.files:
            if self.room is not None and self.room <= 0:
                raise OSError(errno.ENOSPC, "No space left on device")
            self.files[path] = bytearray()
        self._next += 1
        self._open[self._next] = path
        return self._next

    def write(self, handle: int, data: bytes) -> int:
        """Append what there is room for, as a filling disk does: first a short write, then an error."""
        path = self._open[handle]
        if self.room is not None:
            if self.room <= 0:
                raise OSError(errno.ENOSPC, "No space left on device")
            data = data[: self.room]
            self.room -= len(data)
        self.files[path] += data
        return len(data)

    def sync(self, handle: int) -> None:
        """Memory is a medium."""
        del handle

    def size(self, handle: int) -> int:
        """Bytes in the file."""
        return len(self.files[self._open[handle]])

    def read_at(self, handle: int, length: int, offset: int) -> bytes:
        """Bytes from the file."""
        return bytes(self.files[self._open[handle]][offset : offset + length])

    def close(self, handle: int) -> None:
        """Close a file or give a lock free."""
        self._open.pop(handle, None)
        self._locked.pop(handle, None)

    def is_at(self, handle: int, path: Path) -> bool:
        """Nobody moves files here."""
        return self._open[handle] == path and path in self.files

    def lock(self, path: Path) -> int | None:
        """One holder at a time."""
        if path in self._locked.values():
            return None
        self._next += 1
        self._locked[self._next] = path
        return self._next

    def names(self, folder: Path) -> list[str]:
        """Names in the folder."""
        return [path.name for path in self.files if path.parent == folder]

    def file_size(self, path: Path) -> int:
        """Bytes in a file."""
        return len(self.files[path])

    def read(self, path: Path, most: int = -1) -> bytes:
        """A whole file."""
        del most
        return bytes(self.files[path])

    def write_whole(self, path: Path, data: bytes, mode: int = 0o644) -> None:
        """All or nothing."""
        del mode
        if self.room is not None and self.room < len(data):
            raise OSError(errno.ENOSPC, "No space left on device")
        self.files[path] = bytearray(data)

    def remove(self, path: Path) -> None:
        """Remove a file."""
        self.files.pop(path, None)

    def free_bytes(self, folder: Path) -> int:
        """Room left."""
        del folder
        return 1 << 40 if self.room is None else self.room

    def lines_backwards(self) -> Iterator[LogLine]:
        """The event log's lines, newest first; what is torn is passed over."""
        for path in sorted((path for path in self.files if path.name.startswith("events-")), reverse=True):
            for raw in reversed(bytes(self.files[path]).splitlines()):
                with suppress(LineError):
                    yield decode(raw)

    def starts(self) -> list[tuple[str, float]]:
        """Collectors switched on, by the log, and the monotonic time; read without the daemon's reader."""
        events = [bytes(data) for path, data in self.files.items() if path.name.startswith("events-")]
        told = [raw for data in events for raw in data.splitlines(keepends=True) if b'"collector_on"' in raw]
        lines = [json.loads(raw) for raw in told if raw.endswith(b"}\n")]
        return [(line["collector"], line["mono"]) for line in lines if line["rule"] != "refresh"]

    def drop_process(self) -> None:
        """The process is gone: the system closes its files and frees its locks."""
        self._open.clear()
        self._locked.clear()

    def tear(self, data: bytes) -> None:
        """The process died in the middle of a write to the newest event file."""
        events = sorted(path for path in self.files if path.name.startswith("events-"))
        if events:
            self.files[events[-1]] += data


class VirtualTicket:
    """Done when the virtual thread has written its lines."""

    __slots__ = ("_log", "asked_at", "done_at")

    def __init__(self, log: "VirtualLog", asked_at: float) -> None:
        self.done_at: float | None = None
        self.asked_at = asked_at
        self._log = log

    def wait(self, seconds: float) -> bool:
        """The daemon stands still until the virtual thread has written, or so long."""
        if self.done_at is None and seconds > 0:
            self._log.work_within(seconds)
        return self.done_at is not None


class VirtualLog:
    """The log's thread: it takes `delay()` seconds for what waits, then writes all of it at once."""

    def __init__(self, log: EventLog, clocks: Clocks, scheduler: Scheduler, delay: Callable[[], float]) -> None:
        self._log = log
        self._clocks = clocks
        self._scheduler = scheduler
        self._delay = delay
        self._waiting: deque[tuple[Sequence[LogLine], VirtualTicket]] = deque()
        self._busy = False
        self._due = 0.0
        self._alive = True
        self._appended: Counter[tuple[str, str]] = Counter()
        self._written: Counter[tuple[str, str]] = Counter()
        self.stalled = False
        self.appended: Callable[[], None] = lambda: None
        """Called after lines were handed over."""
        self.said: Callable[[Sequence[LogLine]], None] = lambda _lines: None
        """Called with the lines before that."""
        self.waits_until: Callable[[float], None] = lambda _until: None
        """Called before the daemon stands still until then."""
        self._at_once: set[tuple[str, str, int]] = set()
        """Commands, each with its number, of a step whose off waits for no line, so that none of the step's does."""

    def append(self, lines: Sequence[LogLine]) -> VirtualTicket:
        """See `ports.Log`."""
        ticket = VirtualTicket(self, self._clocks.now)
        if not self._alive:
            return ticket
        self._waiting.append((list(lines), ticket))
        for command in _explained(lines):
            self._appended[command] += 1
            if any(line.get("rule") in AT_ONCE for line in lines):
                self._at_once.add((*command, self._appended[command]))
        self._start()
        self.said(lines)
        self.appended()
        return ticket

    def work_within(self, seconds: float) -> None:
        """Time passes until all is written that waits, or so long."""
        if not self._alive:
            return
        stuck = self.stalled or self._due > self._clocks.now + seconds
        until = self._clocks.now + seconds if stuck else max(self._due, self._clocks.now)
        self.waits_until(until)
        self._clocks.now = until
        if not stuck:
            self._work()

    def stall(self, *, on: bool) -> None:
        """The disk does nothing (or works again)."""
        self.stalled = on
        if not on:
            self._start()

    def unexplained(self, subject: str, word: str, told: int) -> bool:
        """Whether the `told`-th command of this word to `subject` ought to have its line on disk, and has not."""
        key = (subject, word)
        return self._written[key] < told <= self._appended[key] and (*key, told) not in self._at_once

    @property
    def oldest(self) -> float | None:
        """When the oldest line that is not on disk was handed over."""
        return self._waiting[0][1].asked_at if self._waiting else None

    def end(self, *, killed: bool, share: float = 0.0) -> bytes:
        """The process ends. Cleanly: all is written. Killed: what waited is lost; gives a torn beginning of it."""
        torn = b""
        if killed and self._waiting and share > 0:
            from gatehand.journal.line import encode

            lines = self._waiting[0][0]
            whole = encode(lines[0]) if lines else b""
            torn = whole[: int(len(whole) * share)]
        if not killed:
            while self._waiting:
                self._write()
            self._log.close()
        self._alive = False
        self._waiting.clear()
        return torn

    def _start(self) -> None:
        if not self._busy and not self.stalled and self._waiting and self._alive:
            self._busy = True
            self._due = self._clocks.now + self._delay()
            self._scheduler.at(self._due, self._work)

    def _work(self) -> None:
        self._busy = False
        if not self._alive or self.stalled:
            return
        for _ in range(len(self._waiting)):
            if self._waiting:
                self._write()
        self._start()

    def _write(self) -> None:
        lines, ticket = self._waiting.popleft()
        self._log.append(lines)
        self._written.update(_explained(lines))
        ticket.done_at = self._clocks.mono()


def _explained(lines: Sequence[LogLine]) -> list[tuple[str, str]]:
    """The commands that these lines explain: subject and word."""
    found = []
    for line in lines:
        words = EXPLAINING.get(str(line["event"]))
        if words is not None:
            subject = line.get("gate") or line.get("collector")
            found.append((str(subject), words or str(line.get("to") or line.get("told"))))
    return found
