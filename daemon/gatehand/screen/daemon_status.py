"""What the daemon has published: the last word on everything, the alarms that are raised, and what changed lately.

Fed by messages and by what becomes of the connection; draws nothing, knows no MQTT library. All times are wall seconds
of this machine, but those that the daemon names: `now` turns the one into the other, because the clocks may differ.

A message is read with tolerance: what is missing or of another kind is nothing, never an error. It came over the
network and goes to a terminal, so text is freed of control characters here.
"""

import json
from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from sys import float_info
from typing import Any, Final

from gatehand.journal.sentences import spoken, spoken_alarm
from gatehand.mqtt.inbox import Message
from gatehand_rules.words import Measure

LONGEST: Final = 65_536
"""Bytes; a longer message is none of the daemon's."""
_LONGEST_TEXT: Final = 2_000
_EVENTS_KEPT: Final = 200
_CLOCKS_AGREE: Final = 2.0
"""Seconds that two machines' clocks may differ before it is taken into account: a message takes its time too."""
_ON_THE_WAY: Final = frozenset({"opening", "shutting"})
_DEPTH: Final = 2
_BEAT: Final = ["daemon", "beat"]
_DEVICES: Final = ("collector", "gate", "tool")
_PAST: Final = ("since", "reading_at", "reported_at")
"""Times in a status at which something was."""


@dataclass(frozen=True, slots=True)
class StatusMessage:
    """The facts of a status message."""

    facts: Mapping[str, object]

    def text(self, key: str) -> str:
        """A text, printable; empty when there is none."""
        found = self.facts.get(key)
        return printable(found) if isinstance(found, str) else ""

    def number(self, key: str) -> float | None:
        """A finite number."""
        found = self.facts.get(key)
        if isinstance(found, bool) or not isinstance(found, int | float) or not abs(found) <= float_info.max:
            return None  # also one that is none, or infinite
        return float(found)

    def flag(self, key: str) -> bool | None:
        """Yes or no."""
        found = self.facts.get(key)
        return found if isinstance(found, bool) else None

    @property
    def measure(self) -> Measure:
        """What a tool's sensor measures: its reading stands under that name, heard or not."""
        return next((measure for measure in Measure if measure in self.facts), Measure.AMPS)

    @property
    def reading(self) -> float | None:
        """A tool's reading in the unit of its measure; of a contact 1 or 0. None: none yet."""
        if self.measure is not Measure.RUNNING:
            return self.number(self.measure)
        closed = self.flag(Measure.RUNNING)
        return None if closed is None else float(closed)

    def names(self, key: str) -> tuple[str, ...]:
        """A list of names."""
        found = self.facts.get(key)
        return tuple(printable(each) for each in found if isinstance(each, str)) if isinstance(found, list) else ()

    def part(self, key: str) -> "StatusMessage | None":
        """A part with facts of its own."""
        found = self.facts.get(key)
        return StatusMessage(found) if isinstance(found, dict) else None

    def parts(self, key: str) -> "tuple[StatusMessage, ...]":
        """A list of parts with facts of their own."""
        found = self.facts.get(key)
        return tuple(StatusMessage(one) for one in found if isinstance(one, dict)) if isinstance(found, list) else ()

    def odd(self, key: str) -> tuple[str, ...]:
        """A list of what was said somewhere and not understood, as sentences."""
        each = [one.facts for one in self.parts(key)]
        return tuple(printable(f"said {one.get('said')!r} on {one.get('topic')}: {one.get('why')}") for one in each)

    def moment(self, key: str) -> float | None:
        """An RFC 3339 time, as seconds of the wall clock."""
        try:
            return datetime.fromisoformat(self.text(key)).timestamp()
        except (ValueError, OverflowError):
            return None


def read(payload: bytes) -> StatusMessage | None:
    """The message's facts, or None when it is no JSON object."""
    if len(payload) > LONGEST:
        return None
    try:
        found: Any = json.loads(payload)
    except (ValueError, RecursionError):
        return None
    return StatusMessage(found) if isinstance(found, dict) else None


def printable(text: str) -> str:
    """The text on one line, with a question mark for what could move a terminal's cursor."""
    line = " ".join(text[:_LONGEST_TEXT].split())
    return line if line.isprintable() else "".join(char if char.isprintable() else "?" for char in line)


@dataclass(frozen=True, slots=True)
class ShownEvent:
    """Something that changed. `at`: wall seconds by the daemon's clock."""

    at: float
    text: str
    loud: bool = False


class DaemonStatus:
    """What is known of one daemon's shop. `base`: its topic."""

    def __init__(self, base: str) -> None:
        self.base = base
        self.online: bool | None = None
        """None: nothing was heard of it."""
        self.lost_because: str | None = "not connected yet"
        """Why there is no connection; None: there is one."""
        self.lost_at: float | None = None
        self.heard_at: float | None = None
        """When the daemon last said something, retained messages aside."""
        self.beat_at: float | None = None
        """When this daemon's last beat came, by the monotonic clock; None: none has on this connection."""
        self.ahead = 0.0
        """Seconds that the daemon's clock is ahead of ours, where they differ much."""
        self.events: deque[ShownEvent] = deque(maxlen=_EVENTS_KEPT)
        # By name, in the order of hearing; alarms by id.
        self.collectors: dict[str, StatusMessage] = {}
        self.gates: dict[str, StatusMessage] = {}
        self.tools: dict[str, StatusMessage] = {}
        self.alarms: dict[str, StatusMessage] = {}
        self.by_kind = {"collector": self.collectors, "gate": self.gates, "tool": self.tools, "alarm": self.alarms}
        self._before: dict[tuple[str, str], StatusMessage] = {}

    @property
    def is_well(self) -> bool:
        """The daemon is there and no alarm is active."""
        return self.lost_because is None and self.online is True and not self.alarms

    @property
    def newest(self) -> float | None:
        """The newest time that a status of a device names, by the daemon's clock; what is to come aside."""
        every = (message for kind in _DEVICES for message in self.by_kind[kind].values())
        return max((at for message in every for key in _PAST if (at := message.moment(key)) is not None), default=None)

    def states(self, kind: str) -> dict[str, str]:
        """The word for the state of each device of a kind, by name."""
        return {name: message.text("state") for name, message in self.by_kind[kind].items()}

    def silent_for(self, mono: float) -> float:
        """Seconds by the monotonic clock since the daemon's last beat, which comes every second; 0: it has said none.

        An earlier daemon says none: of that only its `online` tells that it is gone.
        """
        return 0.0 if self.beat_at is None else max(0.0, mono - self.beat_at)

    def now(self, at: float) -> float:
        """The daemon's wall clock at `at` of ours."""
        return at + self.ahead

    def connected(self) -> None:
        """A connection stands; everything that the broker retains follows."""
        self.lost_because = self.lost_at = None
        self.online = self.beat_at = None
        for every in self.by_kind.values():
            every.clear()

    def lost(self, why: str, at: float) -> None:
        """The connection is gone, or did not come about."""
        if self.lost_because is None:
            self.events.append(ShownEvent(self.now(at), "the connection to the broker is lost", loud=True))
        if self.lost_at is None:
            self.lost_at = at
        self.lost_because = printable(why)

    def hear(self, message: Message, at: float) -> None:
        """A message below the base."""
        parts = message.topic.removeprefix(f"{self.base}/").split("/")
        if not message.retained:
            self.heard_at = at
        if parts == _BEAT and not message.retained:
            self.beat_at = message.received
        elif parts == ["online"]:
            self._hear_online(message.payload, retained=message.retained, at=at)
        elif len(parts) == _DEPTH and parts[0] in self.by_kind:
            self._hear_status(parts[0], printable(parts[1]), read(message.payload), at, live=not message.retained)

    def _hear_online(self, payload: bytes, *, retained: bool, at: float) -> None:
        online = payload == b"1"
        if online is not self.online and not retained:
            text = "the daemon is there" if online else "the daemon is offline"
            self.events.append(ShownEvent(self.now(at), text, loud=not online))
        self.online = online
        if not online:
            self.beat_at = None  # whoever comes next may be an earlier daemon

    def _hear_status(self, kind: str, name: str, status: StatusMessage | None, at: float, *, live: bool) -> None:
        before = self._before.pop((kind, name), None)
        if status is None:
            gone = self.by_kind[kind].pop(name, None)
            if gone is not None and kind == "alarm":
                self.events.append(ShownEvent(self.now(at), f"alarm over: {spoken_alarm(name)}"))
            return
        since = status.moment("since")
        if live and before is not None and since is not None and since != before.moment("since"):
            # What has just begun began now: that tells how far the daemon's clock is from ours.
            self.ahead = 0.0 if abs(since - at) < _CLOCKS_AGREE else since - at
        self.by_kind[kind][name] = self._before[kind, name] = status
        event = self._event(kind, name, before, status, at)
        if event is not None:
            self.events.append(event)

    def _event(
        self, kind: str, name: str, before: StatusMessage | None, status: StatusMessage, at: float
    ) -> ShownEvent | None:
        since = status.moment("since")
        if kind == "alarm":
            # One that stood already when we came is no event of ours.
            is_new = self.heard_at is not None and (before is None or before.moment("since") != since)
            return ShownEvent(since or self.now(at), f"ALARM: {spoken_alarm(name)}", loud=True) if is_new else None
        if before is None:
            return None
        word = status.text("state")
        changed = word != before.text("state")
        explained = status.text("because") != before.text("because")
        if not changed and (kind == "collector" or not explained):
            return None
        if kind == "gate" and word in _ON_THE_WAY and changed:
            return None
        when = (since if changed else None) or self.now(at)
        loud = word in {"fault", "silent", "held"}
        return ShownEvent(when, _sentence(kind, name, status, explained=explained), loud)


def _sentence(kind: str, name: str, status: StatusMessage, *, explained: bool) -> str:
    who = spoken(name) if kind == "tool" else kind if name == "main" else f"{kind} {spoken(name)}"
    word, because = status.text("state").replace("_", "-"), status.text("because")
    if not explained or not because:
        return f"{who}: {word}"
    if kind != "collector" and because.startswith(who):
        return because
    return f"{who} {word}: {because.removeprefix(f'{who} ')}"


def as_json(status: DaemonStatus) -> dict[str, object]:
    """For programs. `ok` is what the exit code says. Everything below a kind is as the daemon published it."""
    return {
        "ok": status.is_well,
        "base": status.base,
        "connected": status.lost_because is None,
        "problem": status.lost_because,
        "online": status.online,
        **{
            f"{kind}s": {name: each.facts for name, each in sorted(every.items())}
            for kind, every in status.by_kind.items()
        },
    }
