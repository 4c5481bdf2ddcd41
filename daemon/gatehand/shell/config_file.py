"""The config file of a program that runs: looked at again and again, read and checked when it has changed.

The daemon and `gatehand page` take a changed config while they run. What they do with it is theirs.
"""

import hashlib
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Final

from msgspec import Struct

from gatehand.config.load import Loaded, load_bytes
from gatehand.small_files import UnreadableError, read_bytes

LONGEST_LOOK: Final = 10.0
"""Seconds after which a look at the file hangs: a large config on a small, busy machine takes one or two."""
HANGS: Final = f"could not be read for over {LONGEST_LOOK:g} s: its disk or its mount hangs"
GONE: Final = "is gone: there is no longer a file of that name"
LOOKS_UNTIL_GONE: Final = 2
"""Editors remove a file before they put the new one in its place: one look may find none."""


class Seen(Struct, frozen=True):
    """What a look has found. None of these: all is as it was."""

    loaded: Loaded | None = None
    """Another content than before, read and checked."""
    unreadable: str | None = None
    """Why there is nothing to read, as a clause about the file."""
    absent: bool = False
    """It was not there, which is nothing to speak of yet."""


class ConfigFile:
    """One file by its name, since editors replace files. Its looks may be had in any thread, one after the other.

    Args:
        path: its name.
        text: what it was when it was last read.
        files: whether a look also checks the files that it names, which only the daemon's user may be able to read.
    """

    def __init__(self, path: Path, text: str, *, files: bool = True) -> None:
        self.path = path
        self._files = files
        self._digest: bytes | None = hashlib.sha256(text.encode()).digest()
        self._stat: tuple[int, int, int] | None = None
        self._missed = 0

    def look(self, *, anew: bool = False) -> Seen:
        """What has become of it since the last look. `anew`: read and check it even if it is the same."""
        try:
            found = self.path.stat()
            stat = (found.st_mtime_ns, found.st_size, found.st_ino)
            if stat == self._stat and not anew:
                return Seen()
            content = read_bytes(self.path)
        except UnreadableError as error:
            return self._unreadable(error, anew=anew)
        except OSError as error:
            missing = isinstance(error, FileNotFoundError)
            return self._unreadable(UnreadableError(f"cannot be read ({error.strerror})", missing=missing), anew=anew)
        digest = hashlib.sha256(content).digest()
        same, self._digest, self._stat, self._missed = digest == self._digest, digest, stat, 0
        return Seen() if same and not anew else Seen(load_bytes(content, self.path, files=self._files))

    def _unreadable(self, error: UnreadableError, *, anew: bool) -> Seen:
        self._missed = self._missed + 1 if error.missing else LOOKS_UNTIL_GONE
        if self._missed < LOOKS_UNTIL_GONE and not anew:
            return Seen(absent=True)
        self._digest = self._stat = None  # whatever comes back has to be read
        return Seen(unreadable=GONE if error.missing else str(error))


def in_a_thread(work: Callable[[], None]) -> None:
    """Nobody waits for the thread at the end of the process, for it may never come back."""
    threading.Thread(target=work, name="config file", daemon=True).start()
