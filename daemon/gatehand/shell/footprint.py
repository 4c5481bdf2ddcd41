"""Keeps the process small: what loading the program has left behind goes back to the system.

Only for a process that is the daemon alone; without the C library's help it does nothing, and nothing depends on it.
"""

import ctypes
import gc
from typing import Final

_M_ARENA_MAX: Final = -8


def one_arena() -> None:
    """Let all threads share one heap. Before the first thread; they allocate little, and each heap costs memory."""
    try:
        ctypes.CDLL(None).mallopt(_M_ARENA_MAX, 1)
    except (OSError, AttributeError):
        return


def shed() -> None:
    """Give back what loading has left, and spare the garbage collector what stays for good."""
    gc.collect()
    gc.freeze()
    try:
        ctypes.CDLL(None).malloc_trim(0)
    except (OSError, AttributeError):
        return
