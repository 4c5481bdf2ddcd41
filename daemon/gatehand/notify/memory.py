"""What outlives a restart of `notify`: what was told, what waits to be told, the last run and the last digest.

`notify.json` in the state folder: written aside, synced, renamed. Without a folder it is kept nowhere.
"""

from datetime import date
from pathlib import Path
from typing import Final

import msgspec
from msgspec import Struct

from gatehand.journal.disk import Disk
from gatehand.notify.telling import Kept

FILE: Final = "notify.json"
LOCK: Final = "notify.lock"
VERSION: Final = 1
_MODE: Final = 0o600
_LARGEST_BYTES: Final = 20_000_000


class Digested(Struct, frozen=True):
    """What is known of digests."""

    day: str
    """The local day of the last one, ISO 8601; a day that needs none any more, too."""
    until: float
    """Wall seconds up to which it told."""
    due: bool = False
    """It was begun and has not been told."""
    running: bool = False
    """The program was being run with it."""
    tries: int = 0


class Memory(Struct, frozen=True):
    """All of it."""

    version: int = VERSION
    kept: tuple[Kept, ...] = ()
    last_run: float | None = None
    """Wall seconds."""
    digest: Digested | None = None


class UnreadableMemoryError(Exception):
    """It cannot be used; the text says why and what follows."""


class AlreadyRunningError(Exception):
    """Another process tells from this folder."""


class MemoryFile:
    """The file, and the lock by which one process uses it. `folder`: None keeps nothing."""

    def __init__(self, folder: Path | None, disk: Disk | None = None) -> None:
        self.folder = folder
        self._disk = disk or Disk()
        self._written: bytes | None = None

    def lock(self) -> None:
        """Be the one process of this folder until the process ends.

        Raises:
            AlreadyRunningError: another one is.
            OSError: the folder cannot be written.
        """
        if self.folder is None:
            return
        self._disk.make_folder(self.folder)
        if self._disk.lock(self.folder / LOCK) is None:
            raise AlreadyRunningError(f"another gatehand notify uses {self.folder}: give each its own --state")

    def recall(self) -> Memory:
        """What was remembered; empty where nothing was.

        Raises:
            UnreadableMemoryError: the file cannot be read.
        """
        if self.folder is None:
            return Memory()
        path = self.folder / FILE
        try:
            found = msgspec.json.decode(self._disk.read(path, _LARGEST_BYTES), type=Memory)
            if found.digest is not None:
                date.fromisoformat(found.digest.day)
        except FileNotFoundError:
            return Memory()
        except (OSError, msgspec.MsgspecError, ValueError, RecursionError) as error:
            raise UnreadableMemoryError(
                f"{path} cannot be read ({error}): alarms that are active now are reported again"
            ) from None
        if found.version != VERSION:
            raise UnreadableMemoryError(
                f"{path} is of version {found.version}: alarms that are active now are reported again"
            )
        return found

    def keep(self, memory: Memory) -> None:
        """Write it, unless it is what was written last.

        Raises:
            OSError: it cannot be written; what was there is there still.
        """
        if self.folder is None:
            return
        content = msgspec.json.encode(memory) + b"\n"
        if content != self._written:
            self._disk.write_whole(self.folder / FILE, content, _MODE)
            self._written = content
