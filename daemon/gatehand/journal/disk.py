"""Every touch of the disk that log, recording and state file make, as one small class.

So that a test can make it full, slow or torn, or cut the power in between. No policy: `files`, `writer`, `recorder` and
`state_file` know what to do about an error.
"""

import fcntl
import os
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Final

ASIDE: Final = ".part"
"""What a file's name has behind it while it is written."""
_UNREADABLE: Final = ".unreadable-"
"""The same, before a number, of one that could not be read and is kept."""


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
            self.sync_folder(path.parent)
            return handle

    def write(self, handle: int, data: bytes) -> int:
        """Append; the number of bytes written, which may be fewer than given."""
        return os.write(handle, data)

    def write_all(self, handle: int, data: bytes) -> None:
        """Append all of it, by one write where the disk takes it; the rest of a short one is tried again."""
        while data:
            data = data[self.write(handle, data) :]

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

    def exists(self, path: Path) -> bool:
        """Whether anything has that name."""
        return os.path.lexists(path)

    def read(self, path: Path, most: int = -1) -> bytes:
        """A file, or the first `most` bytes of it; never waits for a writer, should it be a pipe."""
        handle = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK)
        with os.fdopen(handle, "rb") as stream:
            return stream.read(most) or b""

    def write_whole(self, path: Path, data: bytes, mode: int = 0o644) -> None:
        """Write a file whole or not at all, on the medium when this returns; it replaces one of that name."""
        aside = path.with_name(path.name + ASIDE)
        try:
            self.write_file(aside, data, mode)
            self.rename(aside, path)
        except OSError:
            with suppress(OSError):  # what is torn there is not taken for a file
                self.remove(aside)
            raise
        self.sync_folder(path.parent)

    def write_beside(self, path: Path, data: bytes, mode: int, ready: Callable[[Path], None] | None = None) -> None:
        """Write a file whole, and keep the one of that name, which cannot be read, as NAME.unreadable-1, -2, ...

        The new file is on the medium before the old one gives way: at no instant is there neither.

        Args:
            path: the file.
            data: what it gets.
            mode: of the new file.
            ready: is given the new file before it has its name.
        """
        aside = path.with_name(path.name + ASIDE)
        self.write_file(aside, data, mode)
        if ready is not None:
            ready(aside)
        self.sync_folder(path.parent)
        number = 1
        while self.exists(other := path.with_name(f"{path.name}{_UNREADABLE}{number}")):
            number += 1
        self.rename(path, other)
        self.rename(aside, path)
        self.sync_folder(path.parent)

    def write_file(self, path: Path, data: bytes, mode: int) -> None:
        """Write a file anew; its content is on the medium when this returns, its name perhaps not."""
        self.make_folder(path.parent)
        path.unlink(missing_ok=True)  # another's rights, or a pipe
        handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, mode)
        try:
            self.write_all(handle, data)
            self.sync(handle)
        finally:
            self.close(handle)

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

    def remove(self, path: Path) -> None:
        """Remove a file, if it is there."""
        path.unlink(missing_ok=True)

    def free_bytes(self, folder: Path) -> int:
        """Bytes that this process may still write."""
        found = os.statvfs(folder)
        return found.f_bavail * found.f_frsize
