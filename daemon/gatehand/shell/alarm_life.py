"""One alarm's life: raised, acknowledged, cleared, and kept from storming. Pure: time is passed in.

A cause that comes and goes every few seconds (a sensor with a loose plug) must not raise and clear its alarm each time:
who is told too often stops listening. An alarm that comes for the third time within a minute stands from then on, with
a count, until its cause has been gone for a minute. The rules know nothing of this; what they decide is not delayed.

An alarm that is raised anew after it was cleared is a new one: nobody has acknowledged it.
"""

import math
from collections import deque
from typing import Final

from msgspec import Struct
from msgspec.structs import replace

from gatehand_rules.alarms import Alarm

WINDOW: Final = 60.0
"""Seconds within which comings count together, and for which a cause must be gone before a storm is over."""
COMINGS: Final = 3
"""The coming with which the alarm stands for good."""
SAY_AGAIN: Final = 10.0
"""Seconds between two messages that tell nothing new but another count or other numbers."""
MOST_A_MINUTE: Final = 3 * COMINGS + math.ceil(WINDOW / SAY_AGAIN)
"""Messages for each alarm within any minute, at most: raised, acknowledged and cleared for each coming, and counts."""


class ShownAlarm(Struct, frozen=True):
    """An alarm as people are shown it. `subject`: such as {"tool": "band_saw"}; `because` and `next` are sentences."""

    alarm: Alarm
    """What is the matter with whom."""
    since: float
    """Wall seconds."""
    because: str
    next: str
    subject: tuple[tuple[str, str], ...] = ()
    rule: str | None = None
    facts: tuple[tuple[str, object], ...] = ()
    acknowledged: float | None = None
    """Wall seconds at which somebody said that they have seen it."""
    acknowledged_by: str | None = None
    times: int = 1
    """How often it has come since it last stayed away for a minute."""

    @property
    def id(self) -> str:
        """Its topic level below `alarm/`."""
        return self.alarm.id


class Life:
    """What is known of one alarm. All times but the alarm's own are monotonic seconds."""

    def __init__(self) -> None:
        self.alarm: ShownAlarm | None = None
        """What stands now."""
        self._comings: deque[float] = deque(maxlen=COMINGS)
        self._storms = False
        self._gone_since: float | None = None
        """Stands on, although its cause is gone since then."""
        self._times = 0
        self._say_at: float | None = None
        self._said_at = -math.inf

    @property
    def storms(self) -> bool:
        """It stands until its cause has been gone for a minute."""
        return self._storms

    def raise_(self, alarm: ShownAlarm, now: float) -> bool:
        """Its cause is there. True when this begins an alarm, False when it stands already."""
        before = self.alarm
        if before is not None and self._gone_since is None:
            self._change(alarm, before, now)
            return False
        again = self._storms or (bool(self._comings) and now - self._comings[-1] < WINDOW)
        self._times = self._times + 1 if again else 1
        self._comings.append(now)
        if before is not None:
            self._gone_since = None
            self._change(alarm, before, now)
            return False
        self._storms = len(self._comings) == COMINGS and now - self._comings[0] < WINDOW
        self.alarm = replace(alarm, times=self._times)
        self._say_at = now
        return True

    def clear(self, now: float) -> bool:
        """Its cause is gone. True when this ends the alarm."""
        if self.alarm is None:
            return False
        if self._storms:
            self._gone_since = now if self._gone_since is None else self._gone_since
            return False
        self._end(now)
        return True

    def acknowledge(self, by: str | None, wall: float, now: float) -> bool:
        """Somebody has seen it. False when it does not stand, or was acknowledged before."""
        if self.alarm is None or self.alarm.acknowledged is not None:
            return False
        self.alarm = replace(self.alarm, acknowledged=wall, acknowledged_by=by)
        self._say_at = now
        return True

    def pass_time(self, now: float) -> bool:
        """True when a storm is over with this: the alarm has ended."""
        if self._gone_since is None or now - self._gone_since < WINDOW:
            return False
        self._end(now)
        self._storms, self._gone_since = False, None
        self._comings.clear()
        return True

    def say(self, now: float) -> None:
        """It is to be said, new or not."""
        self._say_at = now

    def take_due(self, now: float) -> bool:
        """Whether it is to be said now; asked once for each message."""
        if self._say_at is None or now < self._say_at:
            return False
        self._say_at, self._said_at = None, now
        return True

    def is_over(self, now: float) -> bool:
        """Nothing of it needs to be remembered."""
        quiet = not self._comings or now - self._comings[-1] >= WINDOW
        return self.alarm is None and self._say_at is None and quiet

    def _change(self, alarm: ShownAlarm, before: ShownAlarm, now: float) -> None:
        after = replace(
            alarm,
            since=before.since,
            acknowledged=before.acknowledged,
            acknowledged_by=before.acknowledged_by,
            times=self._times,
        )
        if after != before:
            self.alarm = after
            if self._say_at is None:
                self._say_at = max(now, self._said_at + SAY_AGAIN)

    def _end(self, now: float) -> None:
        self.alarm = None
        self._say_at = now
