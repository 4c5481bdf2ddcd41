"""The clocks of the log: wall time for people, monotonic time for order, and whether wall time can be trusted.

The one place of this package that reads a clock. Rules never see these; they get `now` as a parameter.
"""

import os
import time
from typing import Protocol

_SYNC_MARK = "/run/systemd/timesync/synchronized"
_STA_UNSYNC = 0x0040
_TIME_ERROR = 5
_TIMEX_BYTES = 512
"""More than `struct timex` has on any Linux (208 bytes on 64 bit)."""
_CHECK_EVERY = 10.0


class Clock(Protocol):
    """What the log wants to know about time."""

    def wall(self) -> float:
        """Seconds since 1970, UTC; may jump."""

    def mono(self) -> float:
        """Monotonic seconds, as given to the rules."""

    def synced(self) -> bool:
        """Whether the wall clock is kept by a time service."""


class SystemClock:
    """The machine's clocks. The answer to `synced` is kept for ten seconds."""

    def __init__(self) -> None:
        self._synced = False
        self._asked_at = float("-inf")

    def wall(self) -> float:
        """Seconds since 1970."""
        return time.time()

    def mono(self) -> float:
        """Monotonic seconds, whole milliseconds."""
        return round(time.monotonic() * 1000) / 1000

    def synced(self) -> bool:
        """Whether a time service keeps the wall clock."""
        now = time.monotonic()
        if now - self._asked_at >= _CHECK_EVERY:
            self._asked_at = now
            self._synced = os.path.exists(_SYNC_MARK) or _kernel_says_synced()  # noqa: PTH110 - hot enough to stay plain
        return self._synced


def _kernel_says_synced() -> bool:
    """Ask the kernel (adjtimex, reading only); False where it cannot be asked. Any time service sets this."""
    import ctypes  # 0.3 MB that a machine with the mark does without

    try:
        library = ctypes.CDLL(None, use_errno=True)
        buffer = ctypes.create_string_buffer(_TIMEX_BYTES)
        answer = library.adjtimex(buffer)
    except (OSError, AttributeError):
        return False
    # struct timex: unsigned modes; long offset, freq, maxerror, esterror; int status.
    status = ctypes.c_int.from_buffer(buffer, ctypes.sizeof(ctypes.c_long) * 5).value
    return 0 <= answer != _TIME_ERROR and not status & _STA_UNSYNC
