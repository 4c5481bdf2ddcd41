"""Every touch of the disk that the log makes, as one small class, so that a test can make it full, slow or torn.

No policy: what to do about an error stands in `files`, `writer` and `recorder`.
"""

import fcntl
import os
from pathlib import Path


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
