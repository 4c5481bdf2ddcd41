"""Notices that the event loop stood still: the process frozen, starved of its processor, or asleep with the machine.

A look at the time four times a second, and whenever something may act that should not after a standstill: before a
socket is read, before a timer of the rules is let go. No asyncio but its timer, no policy about what follows.
"""

import asyncio
import time
from collections.abc import Callable
from typing import Final

LONGEST: Final = 1.0
"""Seconds between two looks from which on the loop counts as having stood still."""
BEAT: Final = 0.25
"""Seconds between two looks of its own."""
_SLEEP_COUNTS: Final[int | None] = getattr(time, "CLOCK_BOOTTIME", None)


def awake_or_not() -> float:
    """Seconds that never jump and, where the system can tell, go on while the machine sleeps."""
    return time.monotonic() if _SLEEP_COUNTS is None else time.clock_gettime(_SLEEP_COUNTS)


class Pulse:
    """Calls its listeners with the seconds that the loop stood still, before anything else happens."""

    def __init__(self, clock: Callable[[], float] = awake_or_not) -> None:
        self._clock = clock
        self._looked = clock()
        self._listeners: list[Callable[[float], None]] = []
        self._timer: asyncio.TimerHandle | None = None

    def listen(self, listener: Callable[[float], None]) -> None:
        """Call it from now on."""
        self._listeners.append(listener)

    def unlisten(self, listener: Callable[[float], None]) -> None:
        """Call it no more."""
        if listener in self._listeners:
            self._listeners.remove(listener)

    def look(self) -> None:
        """Look at the time."""
        now = self._clock()
        stood, self._looked = now - self._looked, now
        if stood > LONGEST:
            for listener in tuple(self._listeners):
                listener(round(stood, 3))

    def start(self) -> None:
        """Beat in the running event loop, until `stop`."""
        self._looked = self._clock()
        self._beat()

    def stop(self) -> None:
        """Beat no more."""
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None

    def _beat(self) -> None:
        self._timer = asyncio.get_running_loop().call_later(BEAT, self._beat)
        self.look()
