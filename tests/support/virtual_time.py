"""The daemon's clocks and timers in a test's hand: time passes when the test says so."""

import heapq
import itertools
from collections.abc import Callable
from math import inf

WALL = 1_800_000_000.0
"""Wall time when the monotonic clock was 0; a January day of 2027."""


class Clocks:
    """Monotonic and wall time, moved together; who moves `ahead` moves the wall alone."""

    def __init__(self, wall: float = WALL + 100.0, mono: float = 100.0) -> None:
        self.now = mono
        self.ahead = wall - mono

    def mono(self) -> float:
        """Whole milliseconds, as the daemon's own."""
        return round(self.now, 3)

    def wall(self) -> float:
        """Seconds since 1970."""
        return self.ahead + self.now

    def synced(self) -> bool:
        """The wall clock is right."""
        return True


class Call:
    """A call to come."""

    def __init__(self, callback: Callable[[], None]) -> None:
        self.callback: Callable[[], None] | None = callback

    def cancel(self) -> None:
        """Forget it."""
        self.callback = None


class Timers:
    """Calls to come, in the order of their instants; `late(number)`: by how many seconds a busy machine is late."""

    def __init__(self, clocks: Clocks, late: Callable[[int], float] = lambda _number: 0.0) -> None:
        self._clocks = clocks
        self._late = late
        self._order = itertools.count()
        self._calls: list[tuple[float, int, Call]] = []

    def call_at(self, when: float, callback: Callable[[], None]) -> Call:
        """See `ports.Timers`."""
        call, number = Call(callback), next(self._order)
        heapq.heappush(self._calls, (max(when, self._clocks.now) + self._late(number), number, call))
        return call

    @property
    def waiting(self) -> int:
        """How many are still to be made."""
        return sum(call.callback is not None for _, _, call in self._calls)

    def next_at(self) -> float:
        """When the next is due; inf without one."""
        while self._calls and self._calls[0][2].callback is None:
            heapq.heappop(self._calls)
        return self._calls[0][0] if self._calls else inf

    def run_next(self) -> None:
        """Make the next, at its time."""
        when, _, call = heapq.heappop(self._calls)
        if call.callback is not None:
            self._clocks.now = max(self._clocks.now, when)
            call.callback()

    def run_until(self, end: float) -> None:
        """Make all that are due by then, each at its own time."""
        while self.next_at() <= end:
            self.run_next()
        self._clocks.now = max(self._clocks.now, end)
