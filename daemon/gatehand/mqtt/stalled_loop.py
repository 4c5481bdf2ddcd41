"""Notices that the event loop stood still: the process frozen, starved of its processor, or asleep with the machine.

A look at the time four times a second, and whenever something may act that should not after a standstill: before a
socket is read, before a timer of the rules is let go (`Pulse`). What had waited meanwhile is over when a word said
after it has come back (`Echo`). No asyncio but its timers, no policy about what follows.
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


class Echo:
    """What is over once all words of ours that were under way when it began have come back, or it has waited enough.

    A session says its words on a topic of its own. A broker answers one client in order, so that what waited comes
    before them; its answer to a ping would not do, because that overtakes what a full window of unacknowledged messages
    holds back. A broker whose queue is full may drop a word: another is said after each wait, and stands for it.

    Args:
        over: called once after each `begin`, unless `cancel` comes first.
        say: says another word.
        wait: seconds.
        waits: how often it waits. A broker that speaks and gives us none of our words does not let us read our topic.
    """

    def __init__(self, over: Callable[[], None], say: Callable[[], None], wait: float, waits: int) -> None:
        self._over, self._say, self._wait, self._waits = over, say, wait, waits
        self._left = self._to_come = 0
        self._timer: asyncio.TimerHandle | None = None

    def begin(self, under_way: int) -> None:
        """From now on wait for so many words; what it waited for before counts no more."""
        self.cancel()
        self._left, self._to_come = self._waits, under_way
        self._timer = asyncio.get_running_loop().call_later(self._wait, self._late)

    def heard(self) -> None:
        """A word has come back."""
        self._to_come -= 1
        if self._to_come <= 0:
            self.end()

    def end(self) -> None:
        """It is over, if it has begun."""
        if self._timer is not None:
            self.cancel()
            self._over()

    def cancel(self) -> None:
        """Wait no more, and call nobody."""
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None

    def _late(self) -> None:
        self._left -= 1
        if self._left <= 0:
            self.end()
            return
        self._timer = asyncio.get_running_loop().call_later(self._wait, self._late)
        self._say()
