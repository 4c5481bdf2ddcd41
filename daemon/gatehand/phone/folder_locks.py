"""The locks in the page's state folder: one for the moment of a change, one that says that a page runs with it.

What is locked is a file of its own, by `flock(2)`: the system gives it up with the process, however that ends.
"""

import errno
import fcntl
import os
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from gatehand.journal.disk import Disk

LOCK: Final = "page.lock"
"""Held for the moment of a change."""
SERVED: Final = "page.served"
"""Held, shared, by every page that runs with this folder."""
MODE: Final = 0o600
_AGAIN: Final = 0.02
"""Seconds between two tries."""
_TRIES: Final = 500


@contextmanager
def changing(folder: Path) -> Iterator[None]:
    """Change what is in the folder while nobody else does.

    Raises:
        OSError: the lock cannot be made, or another process has kept it for ten seconds.
    """
    handle = _open(folder / LOCK)
    try:
        _wait_for(handle)
        yield
    finally:
        os.close(handle)


def serve_from(folder: Path) -> int | None:
    """Mark the folder as one that a page runs with, until the handle is closed; None: the folder cannot be written."""
    try:
        Disk().make_folder(folder)
        handle = _open(folder / SERVED)
        fcntl.flock(handle, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except OSError:
        return None
    return handle


def is_served(folder: Path) -> bool:
    """Whether a page runs with this folder now; where it cannot be known, yes."""
    try:
        handle = os.open(folder / SERVED, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK | os.O_NOFOLLOW)
    except FileNotFoundError:
        return False
    except OSError:
        return True
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        return True
    finally:
        os.close(handle)
    return False


def _wait_for(handle: int) -> None:
    """Have the lock to oneself; a change takes a moment, so whoever keeps it for longer has been frozen."""
    for _ in range(_TRIES):
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            time.sleep(_AGAIN)
        else:
            return
    raise OSError(errno.EAGAIN, f"another process has kept {LOCK} for {_TRIES * _AGAIN:g} s")


def _open(path: Path) -> int:
    handle = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NONBLOCK | os.O_NOFOLLOW, MODE)
    hand_over(path)
    return handle


def hand_over(path: Path) -> None:
    """What root makes in a service's folder (`sudo gatehand page --pair`) is the service's, or it could not read it."""
    if os.geteuid() != 0:
        return
    owner = path.parent.stat()
    os.chown(path, owner.st_uid, owner.st_gid, follow_symlinks=False)
