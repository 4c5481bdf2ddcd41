"""The day's digest: when it is due, by the local clock, and what of it is remembered. Pure: the clock is passed in.

Once a day, at its time or at the next look after it on the same day, by the clock as it is now: an hour that summer
time leaves out, one that comes twice and a clock that is set right change nothing of that. A day whose time went by
while this was not running and whose midnight has passed is told by the next digest, which begins where the last one
ended.
"""

from collections.abc import Callable
from datetime import date, datetime, time, timedelta
from typing import Final

from msgspec.structs import replace

from gatehand.notify.memory import Digested
from gatehand.notify.telling import LONGEST_WAIT, TRIES, wait_after
from gatehand.times import stamp

MOST_DAYS: Final = 31
"""How far back one goes at most."""


def local(wall: float) -> datetime:
    """Wall seconds as this machine's clocks show them."""
    return datetime.fromtimestamp(wall)  # noqa: DTZ006 - the local day and hour are what is asked for


class Digests:
    """Whether a digest is due.

    Args:
        at: time of day.
        remembered: what an earlier process knew; None: nothing.
        wall: wall seconds now.
        clock: wall seconds as local time.
    """

    def __init__(
        self, at: time, remembered: Digested | None, wall: float, clock: Callable[[float], datetime] = local
    ) -> None:
        self._at, self._clock = at, clock
        self.state = remembered or self._first(wall)
        if self.state.running:
            # It may have been told, or not. Never twice a day; what it would have told, the next one tells.
            self.state = replace(self.state, due=False, running=False)
        self._again_at = wall

    def _first(self, wall: float) -> Digested:
        """Nothing is known of earlier ones: a day whose time is past already may have had its own."""
        now = self._clock(wall)
        day = now.date() if now.time() >= self._at else now.date() - timedelta(days=1)
        return Digested(day.isoformat(), self._midnight(wall))

    def _midnight(self, wall: float) -> float:
        """Wall seconds at which the day began, on a day of 23 or 25 hours too."""
        day = datetime.combine(self._clock(wall).date(), time())
        near = wall - (self._clock(wall) - day).total_seconds()
        return near - (self._clock(near) - day).total_seconds()

    def look(self, wall: float) -> bool:
        """Whether one is to be told now."""
        now = self._clock(wall)
        today, last = now.date(), date.fromisoformat(self.state.day)
        if last > today + timedelta(days=1):  # of a clock that was wrong; today's may have been told by it
            self.state = replace(self.state, day=today.isoformat(), due=False)
            last = today
        if today > last and now.time() >= self._at:
            self.state = Digested(today.isoformat(), self.state.until, due=True)
            self._again_at = wall
        elif self.state.due and last != today:  # the next one tells of that day
            self.state = replace(self.state, due=False)
        waits = wall < self._again_at <= wall + LONGEST_WAIT  # else the clock was set
        return self.state.due and not waits

    def span(self, wall: float) -> tuple[float, float]:
        """From when to when it tells, wall seconds."""
        begin = self.state.until if self.state.until < wall else self._midnight(wall)
        return max(begin, wall - MOST_DAYS * 86_400), wall

    def begin(self) -> None:
        """The program is about to be run with it."""
        self.state = replace(self.state, running=True)

    def ended(self, *, well: bool, until: float, wall: float) -> bool:
        """The run has ended. Whether it is given up: it was tried too often, and the next one tells of it."""
        if well:
            self.state = Digested(self.state.day, until)
            return False
        tries = self.state.tries + 1
        self.state = replace(self.state, running=False, tries=tries, due=tries < TRIES)
        self._again_at = wall + wait_after(tries)
        return not self.state.due


def told(facts: dict[str, object], span: tuple[float, float], active: list[dict[str, object]]) -> dict[str, object]:
    """The digest as the program gets it. `facts`: of the log, or a problem; `active`: alarms, as they are told."""
    begin, end = (stamp(each) for each in span)
    title = f"The shop to {local(span[1]):%Y-%m-%d %H:%M}"
    return {"kind": "digest", "title": title, "from": begin, "to": end, **facts, "active": active}
