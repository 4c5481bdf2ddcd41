"""`state.json`: what outlives daemon, broker and power cut, on this machine's own disk. A `Memory` for the engine.

Written aside, synced, renamed, the folder synced, by one thread off the control loop. A file aside that is whole is
newer than the one in place (the rename takes it away), so it is read first. What cannot be read is never written over:
it is set aside under another name, and until a reset every collector is held.
"""

import os
import threading
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING, Final

import msgspec
from msgspec import Struct

from gatehand.shell.ports import HoldKept, Kept, Remembered

if TYPE_CHECKING:
    import asyncio  # `gatehand off` reads what stands here, and does without

FILE: Final = "state.json"
VERSION: Final = 1
LARGEST_BYTES: Final = 4_000_000
_ASIDE: Final = ".part"
_UNREADABLE: Final = ".unreadable-"


class StateDisk:
    """Every touch of the disk that is made here, so that a test can cut the power in between. All may raise OSError."""

    def read(self, path: Path) -> bytes:
        """The file, or a little more than `LARGEST_BYTES` of it; never waits for a writer, should it be a pipe."""
        handle = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK)
        with os.fdopen(handle, "rb") as stream:
            return stream.read(LARGEST_BYTES + 1) or b""

    def write(self, path: Path, data: bytes, mode: int) -> None:
        """Write a file anew; its content is on the medium when this returns, its name perhaps not."""
        path.parent.mkdir(parents=True, exist_ok=True)
        path.unlink(missing_ok=True)  # another's rights, or a pipe
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, mode)
        try:
            view = memoryview(data)
            while view:
                view = view[os.write(handle, view) :]
            os.fsync(handle)
        finally:
            os.close(handle)

    def rename(self, old: Path, new: Path) -> None:
        """Another name, in place of a file that has it; at once or not at all."""
        old.replace(new)

    def sync_folder(self, folder: Path) -> None:
        """The names in it are on the medium when this returns."""
        handle = os.open(folder, os.O_RDONLY | os.O_CLOEXEC)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)

    def exists(self, path: Path) -> bool:
        """Whether anything has that name."""
        return os.path.lexists(path)

    def remove(self, path: Path) -> None:
        """Remove a file, if it is there."""
        path.unlink(missing_ok=True)


def write_whole(disk: StateDisk, path: Path, data: bytes, mode: int) -> None:
    """The file is on the medium whole when this returns; whenever the power goes, the old one or the new one is there.

    Raises:
        OSError: it could not be written; the old one is still there.
    """
    aside = path.with_name(path.name + _ASIDE)
    try:
        disk.write(aside, data, mode)
        disk.rename(aside, path)
    except OSError:
        with suppress(OSError):  # what is torn there is not taken for a state
            disk.remove(aside)
        raise
    disk.sync_folder(path.parent)


class _Version(Struct):
    version: int


class _File(Struct):
    version: int
    holds: tuple[HoldKept, ...]
    resets: tuple[str, ...]
    heard: tuple[str, ...] = ()
    baselines: dict[str, object] = {}


def recall(folder: Path, disk: StateDisk | None = None) -> Remembered:
    """What `state.json` in that folder says; never raises. None there: a first start, which holds nothing by itself."""
    disk = disk or StateDisk()
    path = folder / FILE
    try:
        return _parse(disk.read(path.with_name(FILE + _ASIDE)))
    except (OSError, _BadStateError):
        pass  # none there, as it should be, or the power went while it was written: nothing of it was shown to anybody
    try:
        return _parse(disk.read(path))
    except FileNotFoundError:
        return Remembered()
    except OSError as error:
        why = error.strerror or str(error)
    except _BadStateError as bad:
        why = str(bad)
    return Remembered(unreadable=f"{path} cannot be read: {why}; what was held before is not known")


class _BadStateError(Exception):
    """The content is no state; the text says why."""


def _parse(data: bytes) -> Remembered:
    if len(data) > LARGEST_BYTES:
        raise _BadStateError(f"it is larger than {LARGEST_BYTES // 1_000_000} MB")
    if not data.strip(b" \0\r\n"):
        raise _BadStateError("it is empty")
    try:
        version = msgspec.json.decode(data, type=_Version).version
        if version != VERSION:
            raise _BadStateError(f"it is of version {version}, and this Gatehand knows version {VERSION}")
        found = msgspec.json.decode(data, type=_File)
    except (msgspec.MsgspecError, ValueError, RecursionError) as error:
        raise _BadStateError(f"it is damaged ({error})") from None
    return Remembered(found.holds, found.resets, found.heard, found.baselines)


def encoded(what: Remembered) -> bytes:
    """The file's text: a person may look at it."""
    file = _File(VERSION, what.holds, what.resets, what.heard, dict(what.baselines))
    return msgspec.json.format(msgspec.json.encode(file), indent=1) + b"\n"


class StateFile:
    """The `Memory` of one daemon in one folder, whose lock it must have.

    Args:
        folder: the state folder.
        loop: where `kept` is called; None: in the writing thread (for tests without a loop).
        disk: None: the machine's.
    """

    def __init__(
        self, folder: Path, *, loop: "asyncio.AbstractEventLoop | None" = None, disk: StateDisk | None = None
    ) -> None:
        self.folder = folder
        self._loop = loop
        self._disk = disk or StateDisk()
        self._recalled = recall(folder, self._disk)
        self._set_aside = self._recalled.unreadable is not None
        self._wake = threading.Condition()
        self._next: Remembered | None = None
        self._waiting: list[Kept] = []
        self._jobs: list[Callable[[], None]] = []
        self._busy = False
        self._closed = False
        self._thread = threading.Thread(target=self._work, daemon=True, name="state")
        self._thread.start()

    def recall(self) -> Remembered:
        """What was there at the start."""
        return self._recalled

    def new_id(self) -> str:
        """Random: two state folders, or a restored one, shall not meet in one id."""
        return os.urandom(8).hex()

    def keep(self, what: Remembered, kept: Kept) -> None:
        """See `Memory.keep`."""
        with self._wake:
            self._next = what
            self._waiting.append(kept)
            self._wake.notify_all()

    def also(self, job: Callable[[], None]) -> None:
        """Do this in the same thread, after what waits; it must not raise."""
        with self._wake:
            self._jobs.append(job)
            self._wake.notify_all()

    def close(self, within: float = 1.0) -> None:
        """Wait for what was given, so long and no longer; a disk that hangs does not keep the process."""
        with self._wake:
            self._closed = True
            self._wake.notify_all()
        self._thread.join(within)

    def _work(self) -> None:
        while True:
            with self._wake:
                while self._next is None and not self._jobs and not self._closed:
                    self._wake.wait()
                if self._next is None and not self._jobs:
                    return
                what, self._next = self._next, None
                waiting, self._waiting = self._waiting, []
                jobs, self._jobs = self._jobs, []
            if what is not None:
                self._answer(waiting, self._write(what))
            for job in jobs:
                with suppress(Exception):  # whatever it is, holds must be written on
                    job()

    def _write(self, what: Remembered) -> str | None:
        path = self.folder / FILE
        try:
            if self._set_aside and self._disk.exists(path):
                self._put_aside(path, encoded(what))
            else:
                write_whole(self._disk, path, encoded(what), 0o640)
        except Exception as error:  # noqa: BLE001 - this thread must not end, and the alarm says what it was
            return f"{getattr(error, 'strerror', None) or error} ({path})"
        self._set_aside = False
        return None

    def _put_aside(self, path: Path, data: bytes) -> None:
        """The new file is on the medium before the old one gives way: at no instant is there neither."""
        aside = path.with_name(FILE + _ASIDE)
        self._disk.write(aside, data, 0o640)
        self._disk.sync_folder(path.parent)
        number = 1
        while self._disk.exists(other := path.with_name(f"{FILE}{_UNREADABLE}{number}")):
            number += 1
        self._disk.rename(path, other)
        self._disk.rename(aside, path)
        self._disk.sync_folder(path.parent)

    def _answer(self, waiting: list[Kept], trouble: str | None) -> None:
        def answer() -> None:
            for kept in waiting:
                kept(trouble)

        if self._loop is None:
            answer()
            return
        with suppress(RuntimeError):  # the loop has ended, and with it all who waited
            self._loop.call_soon_threadsafe(answer)
