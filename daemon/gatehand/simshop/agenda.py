"""What is to happen when, in order of time. The only notion of time that the models have; it knows no devices."""

from collections.abc import Callable
from heapq import heappop, heappush
from itertools import count


class Appointment:
    """Something that will happen unless it is called off."""

    __slots__ = ("_action",)

    def __init__(self, action: Callable[[float], object]) -> None:
        self._action: Callable[[float], object] | None = action

    @property
    def stands(self) -> bool:
        """Neither called off nor kept yet."""
        return self._action is not None

    def call_off(self) -> None:
        """It will not happen; harmless when it has happened."""
        self._action = None

    def keep(self, at: float) -> None:
        """Do it, once."""
        action, self._action = self._action, None
        if action is not None:
            action(at)


class Agenda:
    """Appointments in seconds of any monotonic clock. What falls on the same instant happens in the order of asking."""

    __slots__ = ("_entries", "_order", "now")

    def __init__(self, now: float = 0.0) -> None:
        self.now = now
        self._entries: list[tuple[float, int, Appointment]] = []
        self._order = count()

    def at(self, moment: float, action: Callable[[float], object]) -> Appointment:
        """Have `action(moment)` done then; a moment that has passed means as soon as time goes on."""
        appointment = Appointment(action)
        heappush(self._entries, (max(moment, self.now), next(self._order), appointment))
        return appointment

    def next_at(self) -> float | None:
        """When the next thing happens, or None."""
        while self._entries and not self._entries[0][2].stands:
            heappop(self._entries)
        return self._entries[0][0] if self._entries else None

    def advance(self, to: float) -> None:
        """Let everything happen that is due until `to`, and let it be `to`. Time that has passed stays passed."""
        while (moment := self.next_at()) is not None and moment <= to:
            _, _, appointment = heappop(self._entries)
            self.now = moment
            appointment.keep(moment)
        self.now = max(self.now, to)
