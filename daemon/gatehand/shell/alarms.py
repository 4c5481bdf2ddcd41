"""The alarms that stand, and their retained messages: since when, because of what, and what to do next.

Raised by the rules, or by the shell for its own part (config, log, retained commands). How one comes, is acknowledged
and goes stands in `alarm_life`; nothing is decided here.
"""

import json
from collections.abc import Mapping

from gatehand.journal.line import ALARM_STORM, ALARM_STORM_ENDED
from gatehand.mqtt.transport import Kind, Outgoing
from gatehand.shell.alarm_life import WINDOW, Life, ShownAlarm
from gatehand.times import stamp
from gatehand_rules.alarms import Alarm
from gatehand_rules.findings import Fact

__all__ = ["Alarms", "ShownAlarm"]


class Alarms:
    """The alarms that stand now, by id, and what the broker was last told of them. `now` is monotonic seconds."""

    def __init__(self, base: str) -> None:
        self._prefix = f"{base}/alarm/"
        self._lives: dict[str, Life] = {}
        self._news: list[tuple[str, dict[str, Fact]]] = []

    @property
    def standing(self) -> Mapping[str, ShownAlarm]:
        """By id, oldest first."""
        found = [life.alarm for life in self._lives.values() if life.alarm is not None]
        return {alarm.id: alarm for alarm in sorted(found, key=lambda alarm: alarm.since)}

    def raise_(self, alarm: ShownAlarm, now: float) -> None:
        """It stands from now on; one of the same id is replaced and keeps its beginning."""
        life = self._lives.setdefault(alarm.id, Life())
        if life.raise_(alarm, now) and life.storms:
            self._news.append((ALARM_STORM, {"alarm": alarm.id, "times": life.alarm.times if life.alarm else 0}))

    def clear(self, alarm: Alarm, now: float) -> bool:
        """Its cause is gone. False when it did not stand, or stands on because it comes and goes."""
        life = self._lives.get(alarm.id)
        return life is not None and life.clear(now)

    def acknowledge(self, name: str, by: str | None, wall: float, now: float) -> bool:
        """Somebody has seen it. False when it does not stand, or was acknowledged before."""
        life = self._lives.get(name)
        return life is not None and life.acknowledge(by, wall, now)

    def found_retained(self, name: str, now: float) -> None:
        """A former run of the daemon left this alarm at the broker: it is emptied unless it stands."""
        life = self._lives.setdefault(name, Life())
        if life.alarm is None:
            life.say(now)

    def say_all(self, now: float) -> None:
        """A new connection: the broker may have forgotten."""
        for life in self._lives.values():
            if life.alarm is not None:
                life.say(now)

    def pass_time(self, now: float) -> tuple[tuple[str, dict[str, Fact]], ...]:
        """End the storms that are over; gives the log's events for what has happened to storms since the last call."""
        for name, life in list(self._lives.items()):
            alarm = life.alarm
            if life.pass_time(now) and alarm is not None:
                self._news.append((ALARM_STORM_ENDED, {"alarm": name, "times": alarm.times, "quiet_for": WINDOW}))
            if life.is_over(now):
                del self._lives[name]
        news, self._news = tuple(self._news), []
        return news

    def take_messages(self, now: float) -> tuple[Outgoing, ...]:
        """The messages that are due."""
        due = [(name, life) for name, life in self._lives.items() if life.take_due(now)]
        return tuple(Outgoing(self._prefix + name, _payload(life), Kind.STATUS) for name, life in due)


def _payload(life: Life) -> bytes:
    alarm = life.alarm
    if alarm is None:
        return b""
    because = alarm.because
    if life.storms:
        because += f" It comes and goes: it stands until it has stayed away for {WINDOW:.0f} s."
    shown: dict[str, object] = {
        "kind": alarm.alarm.kind,
        "name": alarm.alarm.name,
        "what": alarm.alarm.what,
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
    return json.dumps(shown, ensure_ascii=False).encode("utf-8", "backslashreplace")
