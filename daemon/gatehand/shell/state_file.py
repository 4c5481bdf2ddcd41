"""`state.json`: what outlives daemon, broker and power cut, on this machine's own disk. A `Memory` for the engine.

Written aside, synced, renamed, the folder synced, by one thread off the control loop. A file aside that is whole is
newer than the one in place (the rename takes it away), so it is read first. What cannot be read is never written over:
it is set aside under another name, and until a reset every collector is held.
"""

import threading
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Final

import msgspec
from msgspec import Struct

from gatehand.journal.disk import ASIDE, Disk
from gatehand.journal.threads import Job, Worker, call_in
from gatehand.rhythm import Rhythm
from gatehand.shell.ports import HoldKept, Kept, Memory, Remembered

if TYPE_CHECKING:
    import asyncio  # `gatehand off` reads what stands here, and does without

FILE: Final = "state.json"
VERSION: Final = 1
LARGEST_BYTES: Final = 4_000_000


class _Version(Struct):
    version: int


class _File(Struct):
    version: int
    holds: tuple[HoldKept, ...]
    resets: tuple[str, ...]
    heard: tuple[str, ...] = ()
    baselines: dict[str, object] = {}
    rhythms: dict[str, Rhythm] = {}
    retained: tuple[str, ...] = ()


def recall(folder: Path, disk: Disk | None = None) -> Remembered:
    """What `state.json` in that folder says; never raises. None there: a first start, which holds nothing by itself."""
    disk = disk or Disk()
    path = folder / FILE
    with suppress(OSError):  # none there, as it should be
        aside = _parse(disk.read(path.with_name(FILE + ASIDE), LARGEST_BYTES + 1))
        if isinstance(aside, Remembered):
            return aside  # else the power went while it was written: nothing of it was shown to anybody
    try:
        found = _parse(disk.read(path, LARGEST_BYTES + 1))
    except FileNotFoundError:
        return Remembered()
    except OSError as error:
        found = error.strerror or str(error)
    if isinstance(found, Remembered):
        return found
    return Remembered(unreadable=f"{path} cannot be read: {found}; nobody knows what was on hold before")


def _parse(data: bytes) -> Remembered | str:
    """What it says; a text: why it is no state."""
    if len(data) > LARGEST_BYTES:
        return f"it is larger than {LARGEST_BYTES // 1_000_000} MB"
    if not data.strip(b" \0\r\n"):
        return "it is empty"
    try:
        version = msgspec.json.decode(data, type=_Version).version
        if version != VERSION:
            return f"it is of version {version}, and this Gatehand knows version {VERSION}"
        found = msgspec.json.decode(data, type=_File)
    except (msgspec.MsgspecError, ValueError, RecursionError) as error:
        return f"it is damaged ({error})"
    return Remembered(found.holds, found.resets, found.heard, found.baselines, found.rhythms, found.retained)


def encoded(what: Remembered) -> bytes:
    """The file's text: a person may look at it."""
    file = _File(VERSION, what.holds, what.resets, what.heard, dict(what.baselines), dict(what.rhythms), what.retained)
    return msgspec.json.format(msgspec.json.encode(file), indent=1) + b"\n"


class StateFile(Memory):
    """The `Memory` of one daemon in one folder, whose lock it must have.

    Args:
        folder: the state folder.
        loop: where `kept` is called; None: in the writing thread (for tests without a loop).
        disk: None: the machine's.
    """

    def __init__(
        self, folder: Path, *, loop: "asyncio.AbstractEventLoop | None" = None, disk: Disk | None = None
    ) -> None:
        self.folder = folder
        self._loop = loop
        self._disk = disk or Disk()
        self._recalled = recall(folder, self._disk)
        self._set_aside = self._recalled.unreadable is not None
        self._lock = threading.Lock()
        self._latest: Remembered | None = None
        self._waiting: list[Kept] = []
        self._worker = Worker("state", _whatever_comes, threaded=True)

    def recall(self) -> Remembered:
        """What was there at the start."""
        return self._recalled

    def keep(self, what: Remembered, kept: Kept) -> None:
        """See `Memory.keep`."""
        with self._lock:
            self._latest = what
            self._waiting.append(kept)
        self._worker.give(self._keep_latest)

    def also(self, job: Callable[[], None]) -> None:
        """Do this in the same thread, after what waits; it must not raise."""
        self._worker.give(job)

    def close(self, within: float = 1.0) -> None:
        """Wait for what was given, so long and no longer; a disk that hangs does not keep the process."""
        self._worker.end(within)

    def _keep_latest(self) -> None:
        with self._lock:
            what, self._latest = self._latest, None
            waiting, self._waiting = self._waiting, []
        if what is None:
            return  # the one before has written it already
        trouble = self._write(what)

        def answer() -> None:
            for kept in waiting:
                kept(trouble)

        call_in(self._loop, answer)

    def _write(self, what: Remembered) -> str | None:
        path = self.folder / FILE
        try:
            if self._set_aside and self._disk.exists(path):
                self._disk.write_beside(path, encoded(what), 0o640)
            else:
                self._disk.write_whole(path, encoded(what), 0o640)
        except Exception as error:  # noqa: BLE001 - the alarm says what it was
            return f"{getattr(error, 'strerror', None) or error} ({path})"
        self._set_aside = False
        return None


def _whatever_comes(job: Job) -> None:
    with suppress(Exception):  # whatever it is, holds must be written on
        job()
