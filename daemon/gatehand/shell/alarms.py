"""The alarms that stand, and their retained messages: since when, because of what, and what to do next.

Raised by the rules, or by the shell for its own part (config, log, retained commands). Nothing is decided here.
"""

import json
from collections.abc import Mapping
from dataclasses import dataclass, replace

from gatehand.journal.line import stamp
from gatehand.mqtt.transport import Kind, Outgoing


@dataclass(frozen=True, slots=True)
class Alarm:
    """One alarm. `subject`: such as {"tool": "band_saw"}; `because` and `next` are sentences."""

    id: str
    since: float
    """Wall seconds."""
    because: str
    next: str
    subject: tuple[tuple[str, str], ...] = ()
    rule: str | None = None
    facts: tuple[tuple[str, object], ...] = ()
    acknowledged: float | None = None
    """Wall seconds at which somebody said that they have seen it."""


class Alarms:
    """The alarms that stand now, by id, and what the broker was last told of them."""

    def __init__(self, base: str) -> None:
        self._prefix = f"{base}/alarm/"
        self._standing: dict[str, Alarm] = {}
        self._unsaid: dict[str, None] = {}

    @property
    def standing(self) -> Mapping[str, Alarm]:
        """By id, oldest first."""
        return self._standing

    def raise_(self, alarm: Alarm) -> None:
        """It stands from now on; one of the same id is replaced and keeps its beginning."""
        before = self._standing.get(alarm.id)
        if before is not None:
            alarm = replace(alarm, since=before.since, acknowledged=before.acknowledged)
        if alarm != before:
            self._standing[alarm.id] = alarm
            self._unsaid[alarm.id] = None

    def clear(self, name: str) -> bool:
        """It no longer stands. False when it did not."""
        self._unsaid[name] = None
        return self._standing.pop(name, None) is not None

    def acknowledge(self, name: str, wall: float) -> bool:
        """Somebody has seen it. False when it does not stand, or was acknowledged before."""
        alarm = self._standing.get(name)
        if alarm is None or alarm.acknowledged is not None:
            return False
        self._standing[name] = replace(alarm, acknowledged=wall)
        self._unsaid[name] = None
        return True

    def found_retained(self, name: str) -> None:
        """A former run of the daemon left this alarm at the broker: it is emptied unless it stands."""
        if name not in self._standing:
            self._unsaid[name] = None

    def say_all(self) -> None:
        """A new connection: the broker may have forgotten."""
        self._unsaid.update(dict.fromkeys(self._standing))

    def take_messages(self) -> tuple[Outgoing, ...]:
        """The messages for what has changed since the last call."""
        names, self._unsaid = list(self._unsaid), {}
        return tuple(Outgoing(self._prefix + name, self._payload(name), Kind.STATUS) for name in names)

    def _payload(self, name: str) -> bytes:
        alarm = self._standing.get(name)
        if alarm is None:
            return b""
        shown: dict[str, object] = {
            "since": stamp(alarm.since),
            **dict(alarm.subject),
            "because": alarm.because,
            "next": alarm.next,
        }
        shown["acknowledged"] = None if alarm.acknowledged is None else stamp(alarm.acknowledged)
        if alarm.rule is not None:
            shown["rule"] = alarm.rule
        shown.update((key, value) for key, value in alarm.facts if key not in shown)
        return json.dumps(shown, ensure_ascii=False).encode("utf-8", "backslashreplace")
