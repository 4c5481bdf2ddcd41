"""Virtual time: one clock for the world, calls in order of their instant. Nothing here reads the machine's clock."""

import heapq
import itertools
from collections.abc import Callable
from datetime import UTC, datetime
from math import inf

MORNING = datetime(2026, 3, 5, 7, tzinfo=UTC).timestamp()


class Clocks:
    """The daemon's clocks: monotonic time moves with the world, wall time can jump."""

    def __init__(self) -> None:
        self.now = 1000.0
        self.ahead = MORNING - self.now

    def mono(self) -> float:
        """Whole milliseconds, as the daemon's own."""
        return round(self.now, 3)

    def wall(self) -> float:
        """Seconds since 1970; whatever it is said to be."""
        return self.ahead + self.now

    def synced(self) -> bool:
        """Nobody keeps this clock."""
        return False


class Call:
    """A call to come."""

    __slots__ = ("callback",)

    def __init__(self, callback: Callable[[], None]) -> None:
        self.callback: Callable[[], None] | None = callback

    def cancel(self) -> None:
        """Forget it."""
        self.callback = None


class Scheduler:
    """Calls by instant, in the order of asking where instants are equal."""

    def __init__(self, clocks: Clocks) -> None:
        self._clocks = clocks
        self._order = itertools.count()
        self._calls: list[tuple[float, int, Call]] = []

    @property
    def now(self) -> float:
        """The world's time."""
        return self._clocks.now

    def at(self, when: float, callback: Callable[[], None]) -> Call:
        """Call once at `when`, never within this very call."""
        call = Call(callback)
        self.put(when, call)
        return call

    def put(self, when: float, call: Call) -> None:
        """Make this call at `when`, never within this very one."""
        heapq.heappush(self._calls, (max(when, self._clocks.now), next(self._order), call))

    def next_at(self) -> float:
        """The next instant; inf without one."""
        calls = self._calls
        while calls and calls[0][2].callback is None:
            heapq.heappop(calls)
        return calls[0][0] if calls else inf

    def run_next(self) -> None:
        """Make the next call; its instant becomes now."""
        when, _, call = heapq.heappop(self._calls)
        callback, call.callback = call.callback, None
        if callback is not None:
            self._clocks.now = max(self._clocks.now, when)
            callback()


class DaemonTimers:
    """The daemon's timers: each a little late, as a busy machine makes them; all gone when the daemon is.

    `late` is asked when a timer is set, `held_until` when it fires: the process gets no processor until then.
    """

    def __init__(self, scheduler: Scheduler, late: Callable[[], float], held_until: Callable[[], float]) -> None:
        self._scheduler = scheduler
        self._late = late
        self._held_until = held_until
        self._alive = True

    def call_at(self, when: float, callback: Callable[[], None]) -> Call:
        """See `ports.Timers`."""
        call = Call(lambda: self._make(call, callback))
        self._scheduler.put(when + self._late(), call)
        return call

    def end(self) -> None:
        """The daemon is dead."""
        self._alive = False

    def _make(self, call: Call, callback: Callable[[], None]) -> None:
        if not self._alive:
            return
        if (until := self._held_until()) > self._scheduler.now:
            call.callback = lambda: self._make(call, callback)
            self._scheduler.put(until, call)
        else:
            callback()
