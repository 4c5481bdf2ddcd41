"""The event log's daily files: open, mend, append, count what was lost, remove what is too old.

Used by one thread at a time, but for `sync`; queue and threads stand in `writer`. An error never leaves this module
once the log is open: a line is on disk, or it is counted and a `log_gap` line says so when the disk works again.
"""

import contextlib
import errno
import re
import threading
from datetime import date, timedelta
from pathlib import Path

from msgspec import Struct, to_builtins
from msgspec.structs import replace

from gatehand.journal.disk import Disk
from gatehand.journal.line import LineError, OwnEvent, Stamper, decode, encode, number_of
from gatehand.times import stamp

DAILY = re.compile(r"events-(\d{4}-\d{2}-\d{2})\.jsonl")
LOCK_NAME = "events.lock"
_TAIL = 1 << 16
_FULL = {errno.ENOSPC, errno.EDQUOT}


class LogFolderError(Exception):
    """The log cannot be written where the config says; the text says why and what to do."""


class Gap(Struct, frozen=True, omit_defaults=True):
    """Lines that are not in the file; each field a fact of the line that tells of them."""

    lost: int = 0
    first_lost: int = 0
    last_lost: int = 0
    """`seq` of the first and last lost line."""
    unsure: int = 0
    """Lines written whose sync failed."""
    torn_bytes: int = 0
    """Bytes of a line cut short; they keep a line of their own."""
    why: str = ""


class EventFiles:
    """The files of one folder. `open` first; then `write`, `sync`, `close`."""

    def __init__(self, folder: Path, stamper: Stamper, keep_days: int, disk: Disk) -> None:
        self.folder = folder
        self.trouble: str | None = None
        self._stamper = stamper
        self._keep_days = keep_days
        self._disk = disk
        self._handle: int | None = None
        self._syncing = threading.Lock()
        self._day = ""
        self._gap = Gap()
        self._lock: int | None = None
        self._looked = False
        self._ragged = False
        """The file ends within a line."""

    def look_again(self) -> None:
        """Before the next line, see whether the file is still where it was: somebody may have moved it away."""
        self._looked = False

    def open(self) -> None:
        """Make the folder, lock it, open today's file and mend its tail. A full disk is `trouble`, as it is later on.

        Raises:
            LogFolderError: It cannot be written, or another daemon writes there.
        """
        try:
            self._disk.make_folder(self.folder)
            self._lock = self._disk.lock(self.folder / LOCK_NAME)
            if self._lock is None:
                raise LogFolderError(
                    f"{self.folder}: another Gatehand daemon writes its log here; stop it, or give this one a "
                    "[log] folder of its own"
                )
            self._roll(stamp(self._stamper.clock.wall()))
            self._write_gap()
        except OSError as error:
            if error.errno in _FULL:  # it may have room again before anybody looks, and a shop wants its air till then
                self._fail(error)
                return
            self.close()
            raise LogFolderError(
                f"{self.folder}: the log cannot be written here ({_reason(error)}); make the folder writable "
                "for the user that runs Gatehand, or name another under [log] folder"
            ) from error

    def write(self, raw: bytes, ts: str, seq: int) -> bool:
        """Append one encoded line; False when it is lost (and counted)."""
        try:
            self._roll(ts)
            self._write_gap()
            self._put(raw)
        except OSError as error:
            self.lose(seq, _reason(error))
            self._fail(error)
            return False
        self.trouble = None
        return True

    def sync(self) -> OSError | None:
        """Wait for the medium. May be called while another thread writes; the error is that one's to count."""
        with self._syncing:  # the file is not closed meanwhile
            if self._handle is None:
                return None
            try:
                self._disk.sync(self._handle)
            except OSError as error:
                return error
        return None

    def doubt(self, lines: int, error: OSError) -> None:
        """Count lines that are written and whose sync failed."""
        self._gap = replace(self._gap, unsure=self._gap.unsure + lines, why=_reason(error))
        self._fail(error)

    def lose(self, seq: int, why: str) -> None:
        """Count a line that will not be written."""
        gap = self._gap
        self._gap = replace(gap, lost=gap.lost + 1, first_lost=gap.first_lost or seq, last_lost=seq, why=why)

    def probe(self) -> bool:
        """With nothing to write: try whether a disk that failed works again. True when all is well."""
        if self.trouble is None and self._gap == Gap():
            return True
        try:
            self._roll(stamp(self._stamper.clock.wall()))
            self._write_gap()
        except OSError as error:
            self._fail(error)
            return False
        self.trouble = None
        failed = self.sync()
        if failed is not None:
            self.doubt(0, failed)
        return failed is None

    def close(self) -> None:
        """Close the file and give the folder free."""
        self._shut()
        if self._lock is not None:
            self._disk.close(self._lock)
            self._lock = None

    def _put(self, raw: bytes) -> None:
        assert self._handle is not None  # noqa: S101 - _roll has just opened it
        if self._ragged:
            raw, self._ragged = b"\n" + raw, False
        self._disk.write_all(self._handle, raw)

    def _roll(self, ts: str) -> None:
        """Have the file of this time open.

        A clock that steps back into the day before keeps the file: its lines stay in order. Further back, or forward,
        the file of the new date is taken.
        """
        if self._handle is not None and not self._looked:
            if not self._disk.is_at(self._handle, self.folder / _name(self._day)):
                self.sync()
                self._shut()
                self._disk.make_folder(self.folder)
            self._looked = True
        day = ts[:10]
        if self._handle is not None and day < self._day <= _after(day, 1):
            return
        if self._handle is None or day != self._day:
            self.sync()
            self._shut()
            self._disk.make_folder(self.folder)
            self._handle = self._disk.open_append(self.folder / _name(day))
            self._day = day
            self._mend()
            with contextlib.suppress(OSError):  # an old file that will not go costs no line
                self._remove_old(day)

    def _mend(self) -> None:
        """A torn last line keeps its bytes, and gets its newline together with the gap line that tells of it."""
        assert self._handle is not None  # noqa: S101
        self._ragged = False
        size = self._disk.size(self._handle)
        if size == 0:
            return
        tail = self._disk.read_at(self._handle, min(size, _TAIL), max(0, size - _TAIL))
        if tail.endswith(b"\n"):
            return
        self._ragged = True
        self._gap = replace(
            self._gap,
            torn_bytes=self._gap.torn_bytes + len(tail) - 1 - tail.rfind(b"\n"),
            why=self._gap.why or "the last line was cut short",
        )

    def _write_gap(self) -> None:
        if self._gap == Gap():
            return
        # It stands in the place of the last lost line, so that numbers rise through the file.
        seq = self._gap.last_lost or None
        facts = {"lost": self._gap.lost, **to_builtins(self._gap)}
        line = self._stamper.note(OwnEvent.LOG_GAP, self._stamper.clock.mono(), facts=facts, seq=seq)
        try:
            self._put(encode(line))
        except OSError as error:
            if seq is None:  # it has taken a number, which is lost with it
                self.lose(number_of(line), _reason(error))
            raise
        self._gap = Gap()

    def _fail(self, error: OSError) -> None:
        self.trouble = f"{self.folder}: the event log cannot be written ({_reason(error)}); lines are being lost"
        self._shut()

    def _shut(self) -> None:
        """Close the file; the next `_roll` opens it and looks at its tail again."""
        with self._syncing:
            handle, self._handle = self._handle, None
            # Linux frees the handle all the same; what failed to be written has been counted at its write.
            with contextlib.suppress(OSError):
                if handle is not None:
                    self._disk.close(handle)

    def _remove_old(self, today: str) -> None:
        """Remove files older than `keep_days` by their name and by their own last line.

        Under a clock that nobody keeps, the newest `keep_days` files stay whatever their date: a clock gone wild for an
        hour must not cost a year.
        """
        if self._keep_days <= 0:
            return
        limit = _after(today, -self._keep_days)
        names = sorted(name for name in self._disk.names(self.folder) if DAILY.fullmatch(name))
        if not self._stamper.clock.synced():
            names = names[: -self._keep_days]
        for name in names:
            path = self.folder / name
            if name[7:17] < limit and self._last_day(path) < limit:
                self._disk.remove(path)

    def _last_day(self, path: Path) -> str:
        """Date of the last line that tells one; empty for a file without any."""
        lines = self._disk.read(path).splitlines()
        for raw in reversed(lines):
            try:
                return str(decode(raw)["ts"])[:10]
            except LineError:
                continue
        return ""


def _name(day: str) -> str:
    return f"events-{day}.jsonl"


def _after(day: str, days: int) -> str:
    return (date.fromisoformat(day) + timedelta(days=days)).isoformat()


def _reason(error: OSError) -> str:
    return error.strerror or str(error) or type(error).__name__
