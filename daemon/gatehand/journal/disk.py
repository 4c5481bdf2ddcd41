"""Every touch of the disk that the log makes, as one small class, so that a test can make it full, slow or torn.

And how the loop hears from a thread that writes. No policy: what to do about an error stands in `files`, `writer` and
`recorder`.
"""

import contextlib
import fcntl
import os
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import asyncio  # whoever only reads does without


class Disk:
    """The machine's own; a test's inherits from it. File operations by handle. All may raise OSError."""

    def make_folder(self, folder: Path) -> None:
        """Make the folder and its parents, if missing."""
        folder.mkdir(parents=True, exist_ok=True)

    def open_append(self, path: Path) -> int:
        """Open for appending; a new file's name is on the medium when this returns."""
        flags = os.O_APPEND | os.O_RDWR | os.O_CLOEXEC
        try:
            return os.open(path, flags)
        except FileNotFoundError:
            handle = os.open(path, flags | os.O_CREAT, 0o644)
            _sync_folder(path.parent)
            return handle

    def write(self, handle: int, data: bytes) -> int:
        """Append; the number of bytes written, which may be fewer than given."""
        return os.write(handle, data)

    def sync(self, handle: int) -> None:
        """Wait for the medium; the length is data, times are not."""
        os.fdatasync(handle)

    def size(self, handle: int) -> int:
        """Bytes in the file."""
        return os.fstat(handle).st_size

    def read_at(self, handle: int, length: int, offset: int) -> bytes:
        """Bytes from the file."""
        return os.pread(handle, length, offset)

    def close(self, handle: int) -> None:
        """Close."""
        os.close(handle)

    def is_at(self, handle: int, path: Path) -> bool:
        """Whether `path` still names the open file (it was neither removed nor moved)."""
        mine = os.fstat(handle)
        try:
            there = os.stat(path)  # noqa: PTH116 - on the way of every line
        except FileNotFoundError:
            return False
        return (mine.st_ino, mine.st_dev) == (there.st_ino, there.st_dev)

    def lock(self, path: Path) -> int | None:
        """Take the lock file, with our process id in it; None when another process has it."""
        handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            os.close(handle)
            return None
        os.ftruncate(handle, 0)
        os.pwrite(handle, f"{os.getpid()}\n".encode(), 0)
        return handle

    def names(self, folder: Path) -> list[str]:
        """Names in the folder."""
        return os.listdir(folder)  # noqa: PTH208 - names are wanted, not paths

    def file_size(self, path: Path) -> int:
        """Bytes in a file by name."""
        return path.stat().st_size

    def read(self, path: Path) -> bytes:
        """A whole file."""
        return path.read_bytes()

    def write_whole(self, path: Path, data: bytes) -> None:
        """Write a file whole or not at all, on the medium when this returns; it replaces one of that name."""
        # Written beside, synced, then renamed.
        beside = path.with_name(path.name + ".part")
        try:
            handle = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, 0o644)
            try:
                view = memoryview(data)
                while view:
                    view = view[os.write(handle, view) :]
                os.fdatasync(handle)
            finally:
                os.close(handle)
            beside.replace(path)
        except OSError:
            beside.unlink(missing_ok=True)
            raise
        _sync_folder(path.parent)

    def remove(self, path: Path) -> None:
        """Remove a file."""
        path.unlink(missing_ok=True)

    def free_bytes(self, folder: Path) -> int:
        """Bytes that this process may still write."""
        found = os.statvfs(folder)
        return found.f_bavail * found.f_frsize


def _sync_folder(folder: Path) -> None:
    handle = os.open(folder, os.O_RDONLY | os.O_CLOEXEC)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def call_in(loop: "asyncio.AbstractEventLoop | None", callback: Callable[[], object]) -> None:
    """Call in the loop's thread, soon; at once where there is no loop. One that is closed has nobody left to tell."""
    if loop is None:
        callback()
        return
    with contextlib.suppress(RuntimeError):
        loop.call_soon_threadsafe(callback)


class Health:
    """Says in the loop's thread when the disk begins to refuse, and when it takes what it is given again."""

    def __init__(
        self,
        loop: "asyncio.AbstractEventLoop | None",
        on_trouble: Callable[[str], None],
        on_well: Callable[[], None],
    ) -> None:
        self.ill = False
        self._loop = loop
        self._on_trouble = on_trouble
        self._on_well = on_well

    def is_now(self, trouble: str | None) -> None:
        """How it stands: None, or what is wrong. Only a change is told."""
        was, self.ill = self.ill, trouble is not None
        if self.ill != was:
            call_in(self._loop, self._on_well if trouble is None else partial(self._on_trouble, trouble))
