"""The alarms that are raised, each one's life, and their retained messages. Pure: time is passed in.

Raised by the rules, or by the shell for its own part (config, log, retained commands); nothing is decided here.

A cause that comes and goes every few seconds (a sensor with a loose plug) must not raise and clear its alarm each time:
who is told too often stops listening. An alarm that comes for the third time within a minute stays from then on, with
a count, until its cause has been gone for a minute. The rules know nothing of this; what they decide is not delayed.

An alarm that is raised anew after it was cleared is a new one: nobody has acknowledged it.
"""

import math
from collections import deque
from collections.abc import Mapping
from typing import Final

from msgspec import Struct
from msgspec.structs import asdict, replace

from gatehand.journal.clock import Clock
from gatehand.journal.line import OwnEvent
from gatehand.mqtt.transport import MessageKind, Outgoing
from gatehand.text import json_bytes
from gatehand.times import stamp
from gatehand_rules.findings import Alarm, Fact

WINDOW: Final = 60.0
"""Seconds within which comings count together, and for which a cause must be gone before a storm is over."""
COMINGS: Final = 3
"""The coming with which the alarm stays for good."""
SAY_AGAIN: Final = 10.0
"""Seconds between two messages that tell nothing new but another count or other numbers."""


class ShownAlarm(Struct, frozen=True):
    """An alarm as people are shown it; `because` and `next` are sentences."""

    alarm: Alarm
    """What is the matter with whom."""
    because: str
    next: str
    rule: str | None = None
    facts: tuple[tuple[str, object], ...] = ()
    since: float = 0.0
    """Wall seconds; set when it is raised."""
    acknowledged: float | None = None
    """Wall seconds at which somebody said that they have seen it."""
    acknowledged_by: str | None = None
    times: int = 1
    """How often it has come since it last stayed away for a minute."""
    news: bool = False
    """Each other text of it is news, to be shown at once: somebody works on what it is about."""

    @property
    def id(self) -> str:
        """Its topic level below `alarm/`."""
        return self.alarm.id


class Life:
    """What is known of one alarm. All times but the alarm's own are monotonic seconds."""

    def __init__(self) -> None:
        self.alarm: ShownAlarm | None = None
        """As it is raised now."""
        self._comings: deque[float] = deque(maxlen=COMINGS)
        self.storms = False
        """It stays until its cause has been gone for a minute."""
        self.times = 0
        """How often it has come since it last stayed away for a minute."""
        self._gone_since: float | None = None
        """It stays, although its cause is gone since then."""
        self.due_at: float | None = None
        """When it is to be published, new or not; None: nothing new."""
        self._published_at = -math.inf
        self.began = -math.inf
        """When it was raised."""

    def raise_(self, alarm: ShownAlarm, now: float) -> bool:
        """Its cause is there. True when this begins an alarm, False when it is raised already."""
        before = self.alarm
        if before is not None and self._gone_since is None:
            self._change(alarm, before, now)
            return False
        again = self.storms or (bool(self._comings) and now - self._comings[-1] < WINDOW)
        self.times = self.times + 1 if again else 1
        self._comings.append(now)
        if before is not None:
            self._gone_since = None
            self._change(alarm, before, now)
            return False
        self.storms = len(self._comings) == COMINGS and now - self._comings[0] < WINDOW
        self.alarm = replace(alarm, times=self.times)
        self.due_at = self.began = now
        return True

    def clear(self, now: float) -> bool:
        """Its cause is gone. True when this ends the alarm."""
        if self.alarm is None:
            return False
        if self.storms:
            self._gone_since = now if self._gone_since is None else self._gone_since
            return False
        self._end(now)
        return True

    def acknowledge(self, by: str | None, wall: float, now: float) -> bool:
        """Somebody has seen it. False when it is not raised, or was acknowledged before."""
        if self.alarm is None or self.alarm.acknowledged is not None:
            return False
        self.alarm = replace(self.alarm, acknowledged=wall, acknowledged_by=by)
        self.due_at = now
        return True

    def pass_time(self, now: float) -> bool:
        """True when a storm is over with this: the alarm has ended."""
        if self._gone_since is None or now - self._gone_since < WINDOW:
            return False
        self._end(now)
        self.storms, self._gone_since = False, None
        self._comings.clear()
        return True

    def take_due(self, now: float) -> bool:
        """Whether it is to be published now; asked once for each message."""
        if self.due_at is None or now < self.due_at:
            return False
        self.due_at, self._published_at = None, now
        return True

    def is_over(self, now: float) -> bool:
        """Nothing of it needs to be remembered."""
        quiet = not self._comings or now - self._comings[-1] >= WINDOW
        return self.alarm is None and self.due_at is None and quiet

    def _change(self, alarm: ShownAlarm, before: ShownAlarm, now: float) -> None:
        after = replace(
            alarm,
            since=before.since,
            acknowledged=before.acknowledged,
            acknowledged_by=before.acknowledged_by,
            times=self.times,
        )
        if after != before:
            self.alarm = after
            if alarm.news and alarm.because != before.because:
                self.due_at = now
            elif self.due_at is None:
                self.due_at = max(now, self._published_at + SAY_AGAIN)

    def _end(self, now: float) -> None:
        self.alarm = None
        self.due_at = now


class Alarms:
    """The alarms that are raised now, by id, and what the broker has of them."""

    def __init__(self, base: str, clock: Clock) -> None:
        self._prefix = f"{base}/alarm/"
        self._clock = clock
        self._lives: dict[str, Life] = {}
        self._news: list[tuple[str, dict[str, Fact]]] = []

    @property
    def raised(self) -> Mapping[str, ShownAlarm]:
        """By id, oldest first."""
        found = [life.alarm for life in self._lives.values() if life.alarm is not None]
        return {alarm.id: alarm for alarm in sorted(found, key=lambda alarm: alarm.since)}

    def raised_for(self, id_: str) -> float | None:
        """Seconds since it was raised, by no wall clock; None: it is not."""
        life = self._lives.get(id_)
        return None if life is None or life.alarm is None else self._clock.mono() - life.began

    def raise_(self, alarm: ShownAlarm) -> None:
        """It is raised from now on; one of the same id is replaced and keeps its beginning."""
        life = self._lives.setdefault(alarm.id, Life())
        begins = life.raise_(replace(alarm, since=self._clock.wall()), self._clock.mono())
        if begins and life.storms:
            self._news.append((OwnEvent.ALARM_STORM, {"alarm": alarm.id, "times": life.times}))

    def clear(self, alarm: Alarm) -> bool:
        """Its cause is gone. False when it was not raised, or stays because it comes and goes."""
        life = self._lives.get(alarm.id)
        return life is not None and life.clear(self._clock.mono())

    def acknowledge(self, name: str, by: str | None) -> bool:
        """Somebody has seen it. False when it is not raised, or was acknowledged before."""
        life = self._lives.get(name)
        return life is not None and life.acknowledge(by, self._clock.wall(), self._clock.mono())

    def found_retained(self, name: str) -> None:
        """A former run of the daemon left this alarm at the broker: it is emptied unless it is raised."""
        life = self._lives.setdefault(name, Life())
        if life.alarm is None:
            life.due_at = self._clock.mono()

    def say_all(self) -> None:
        """A new connection: the broker may have forgotten."""
        for life in self._lives.values():
            if life.alarm is not None:
                life.due_at = self._clock.mono()

    def pass_time(self) -> tuple[tuple[str, dict[str, Fact]], ...]:
        """Once a second: ends the storms that are over; gives the log's events about storms since the last call."""
        now = self._clock.mono()
        for name, life in list(self._lives.items()):
            if life.pass_time(now):
                self._news.append(
                    (OwnEvent.ALARM_STORM_ENDED, {"alarm": name, "times": life.times, "quiet_for": WINDOW})
                )
            if life.is_over(now):
                del self._lives[name]
        news, self._news = tuple(self._news), []
        return news

    def take_messages(self) -> list[Outgoing]:
        """The messages that are due."""
        now = self._clock.mono()
        due = [(name, life) for name, life in self._lives.items() if life.take_due(now)]
        return [Outgoing(self._prefix + name, _payload(life), MessageKind.STATUS) for name, life in due]


def _payload(life: Life) -> bytes:
    alarm = life.alarm
    if alarm is None:
        return b""
    because = alarm.because
    if life.storms:
        because += f" It comes and goes: it stays active until it has been quiet for {WINDOW:.0f} s."
    shown: dict[str, object] = {
        **asdict(alarm.alarm),
        "since": stamp(alarm.since),
        "because": because,
        "next": alarm.next,
        "count": alarm.times,
        "acked_by": alarm.acknowledged_by,
        "acked": None if alarm.acknowledged is None else stamp(alarm.acknowledged),
    }
    if alarm.rule is not None:
        shown["rule"] = alarm.rule
    shown.update((key, value) for key, value in alarm.facts if key not in shown)
    return json_bytes(shown)
