"""Notices that the event loop stood still: the process frozen, starved of its processor, or asleep with the machine.

A look at the time four times a second, and whenever something may act that should not after a standstill: before a
socket is read, before a timer of the rules is let go (`Pulse`). What had waited meanwhile is over when a word said
after it has come back (`CatchUp`). No asyncio but its timer, no policy about what follows.
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


class CatchUp:
    """How far a session has got after a standstill; begun anew for each connection.

    The session says a word on a topic of its own and waits until it comes back. A broker answers one client in order,
    so that what waited comes before it; the broker's answer to a ping would not do, because it overtakes what a full
    window of unacknowledged messages holds back. Counts only; no clock.
    """

    def __init__(self) -> None:
        self.under_way = 0
        """Words said that have not come back."""
        self._to_come: int | None = None
        self.stood_for: float | None = None
        """How long it stood still, while what waited is still coming."""

    def said(self) -> None:
        """A word of our own was published."""
        self.under_way += 1

    def heard(self) -> bool:
        """A word like ours came. False: nobody here had said it."""
        self.under_way -= 1
        if self._to_come is not None:
            self._to_come -= 1
        if self.under_way < 0:
            self.under_way = 0
            return False
        return True

    def stood(self, seconds: float) -> None:
        """It stood still, and the word that was said last is waited for, with those that went before it.

        A broker whose queue is full may drop one: say another now and then, which then stands for it.
        """
        self.stood_for = max(seconds, self.stood_for or 0.0)
        self._to_come = self.under_way

    @property
    def is_over(self) -> bool:
        """The word waited for has come."""
        return self._to_come is not None and self._to_come <= 0

    def end(self) -> None:
        """What comes from now on is new."""
        self.stood_for = None
        self._to_come = None
