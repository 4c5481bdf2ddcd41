"""The shop as heard from the broker: the last word on everything, the alarms that stand, and what changed lately.

Fed by messages and by what becomes of the connection; draws nothing, knows no MQTT library. All times are wall seconds
of this machine, but those that the daemon names: `now` turns the one into the other, because the clocks may differ.
"""

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from gatehand.journal.sentences import spoken, spoken_alarm
from gatehand.screen.said import Said, printable, read

KINDS: Final = ("collector", "gate", "tool")
_EVENTS_KEPT: Final = 200
_CLOCKS_AGREE: Final = 2.0
"""Seconds that two machines' clocks may differ before it is taken into account: a message takes its time too."""
_ON_THE_WAY: Final = frozenset({"opening", "shutting"})
_DEPTH: Final = 2


@dataclass(frozen=True, slots=True)
class Event:
    """Something that changed. `at`: wall seconds by the daemon's clock."""

    at: float
    text: str
    loud: bool = False


class Picture:
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
        self.ahead = 0.0
        """Seconds that the daemon's clock is ahead of ours, where they differ much."""
        self.events: deque[Event] = deque(maxlen=_EVENTS_KEPT)
        self._said: dict[str, dict[str, Said]] = {kind: {} for kind in (*KINDS, "alarm")}
        self._before: dict[tuple[str, str], Said] = {}

    @property
    def collectors(self) -> Mapping[str, Said]:
        """By name, in the order of hearing."""
        return self._said["collector"]

    @property
    def gates(self) -> Mapping[str, Said]:
        """By name, in the order of hearing."""
        return self._said["gate"]

    @property
    def tools(self) -> Mapping[str, Said]:
        """By name, in the order of hearing."""
        return self._said["tool"]

    @property
    def alarms(self) -> Mapping[str, Said]:
        """Those that stand, by id, in the order of hearing."""
        return self._said["alarm"]

    @property
    def is_well(self) -> bool:
        """The daemon is there and no alarm stands."""
        return self.lost_because is None and self.online is True and not self.alarms

    def now(self, at: float) -> float:
        """The daemon's wall clock at `at` of ours."""
        return at + self.ahead

    def connected(self) -> None:
        """A connection stands; everything that the broker retains follows."""
        self.lost_because = self.lost_at = None
        self.online = None
        for said in self._said.values():
            said.clear()

    def lost(self, why: str, at: float) -> None:
        """The connection is gone, or did not come about."""
        if self.lost_because is None:
            self.events.append(Event(self.now(at), "the connection to the broker is lost", loud=True))
        if self.lost_at is None:
            self.lost_at = at
        self.lost_because = printable(why)

    def hear(self, topic: str, payload: bytes, *, retained: bool, at: float) -> None:
        """A message below the base."""
        parts = topic.removeprefix(f"{self.base}/").split("/")
        if not retained:
            self.heard_at = at
        if parts == ["online"]:
            self._hear_online(payload, retained=retained, at=at)
        elif len(parts) == _DEPTH and parts[0] in self._said:
            if not retained and payload:
                self._compare_clocks(parts[0], parts[1], read(payload), at)
            self._hear_status(parts[0], printable(parts[1]), payload, at)

    def _hear_online(self, payload: bytes, *, retained: bool, at: float) -> None:
        online = payload == b"1"
        if online is not self.online and not retained:
            text = "the daemon is there" if online else "the daemon is offline"
            self.events.append(Event(self.now(at), text, loud=not online))
        self.online = online

    def _hear_status(self, kind: str, name: str, payload: bytes, at: float) -> None:
        said = read(payload) if payload else None
        key = (kind, name)
        before = self._before.get(key)
        if said is None:
            gone = self._said[kind].pop(name, None)
            self._before.pop(key, None)
            if gone is not None and kind == "alarm":
                self.events.append(Event(self.now(at), f"alarm over: {spoken_alarm(name)}"))
            return
        self._said[kind][name] = said
        self._before[key] = said
        event = self._event(kind, name, before, said, at)
        if event is not None:
            self.events.append(event)

    def _event(self, kind: str, name: str, before: Said | None, said: Said, at: float) -> Event | None:
        since = said.moment("since")
        if kind == "alarm":
            # One that stood already when we came is no event of ours.
            is_new = self.heard_at is not None and (before is None or before.moment("since") != since)
            return Event(since or self.now(at), f"ALARM: {spoken_alarm(name)}", loud=True) if is_new else None
        if before is None:
            return None
        word = said.text("state")
        changed = word != before.text("state")
        explained = said.text("because") != before.text("because")
        if not changed and (kind == "collector" or not explained):
            return None
        if kind == "gate" and word in _ON_THE_WAY and changed:
            return None
        when = (since if changed else None) or self.now(at)
        loud = word in {"fault", "silent", "held"}
        return Event(when, _sentence(kind, name, said, explained=explained), loud)

    def _compare_clocks(self, kind: str, name: str, said: Said | None, at: float) -> None:
        """What has just begun began now: that tells how far the daemon's clock is from ours."""
        before = self._before.get((kind, name))
        if said is None or before is None:
            return
        since = said.moment("since")
        if since is not None and since != before.moment("since"):
            ahead = since - at
            self.ahead = 0.0 if abs(ahead) < _CLOCKS_AGREE else ahead


def _sentence(kind: str, name: str, said: Said, *, explained: bool) -> str:
    who = spoken(name) if kind == "tool" else kind if name == "main" else f"{kind} {spoken(name)}"
    word, because = said.text("state").replace("_", "-"), said.text("because")
    if not explained or not because:
        return f"{who}: {word}"
    if kind != "collector" and because.startswith(who):
        return because
    return f"{who} {word}: {because.removeprefix(f'{who} ')}"
