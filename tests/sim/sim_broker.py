"""A broker and what lies between it and everybody.

To the devices a radio that loses, doubles and delays; to the daemon one connection that can die, freeze and thaw, with
the real `Outbox` at the daemon's end.

Order on the daemon's connection is TCP's; on the radio there is none while it is disturbed.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from random import Random
from typing import Protocol

from sim_time import Clocks, Scheduler
from support.topic_filters import matches

from gatehand.mqtt.outbox import ANSWER_WITHIN, Outbox
from gatehand.mqtt.transport import Connected, MessageKind, Outgoing, Subscription

NOTICED_AFTER = 12.0
"""Seconds of silence after which the keepalive ends a connection: twice the usual 6 s."""
AUTOSAVE = 1800.0
"""Seconds between two savings of what the broker retains."""
RETRY = (0.2, 0.4, 0.8, 1.6, 3.2, 5.0)


class Ear(Protocol):
    """What the connection calls: the daemon."""

    def on_message(self, topic: str, payload: bytes, retained: bool, received: float) -> None:
        """A message."""

    def on_connected(self, info: Connected) -> None:
        """Connected."""

    def on_settled(self) -> None:
        """What is retained has come."""

    def on_lost(self, reason: str, heard_at: float) -> None:
        """Lost."""


@dataclass(slots=True)
class Radio:
    """How bad the air is now; shares are probabilities for each message."""

    lost: float = 0.0
    doubled: float = 0.0
    delayed: float = 0.0
    longest: float = 0.0
    """Seconds, for a delayed one."""

    @property
    def clear(self) -> bool:
        """Nothing is wrong."""
        return not (self.lost or self.doubled or self.delayed)


@dataclass(slots=True)
class Counted:
    """What the broker and the radio did to messages."""

    messages: int = 0
    faults: dict[str, int] = field(default_factory=dict)

    def fault(self, name: str) -> None:
        """One more."""
        self.faults[name] = self.faults.get(name, 0) + 1


class VirtualBroker:
    """Retained store, the radio, and at most one daemon. `take` gives a command to the devices."""

    def __init__(
        self, clocks: Clocks, scheduler: Scheduler, random: Random, take: Callable[[str, bytes], None]
    ) -> None:
        self._clocks = clocks
        self._scheduler = scheduler
        self._random = random
        self._take = take
        self.up = True
        self.retained: dict[str, bytes] = {}
        self.radio = Radio()
        self.latency = 0.002
        self.counted = Counted()
        self.link: Link | None = None
        self.stops_link: Link | None = None
        self.on_arrival: Callable[[str, bytes], None] = lambda _topic, _payload: None
        """Called with what a device has said, when it is at the broker."""
        self.flooded = 0.0
        """The share of messages that its queue for the daemon drops: somebody speaks too much on another topic."""
        self._saved: dict[str, bytes] = {}
        self._save()
        self._last: dict[str, float] = {}
        self.late_on_radio: dict[str, float] = {}
        """By command topic: when one last reached its device more than a second late."""
        self.lost_on_radio: dict[str, float] = {}
        """By command topic: when one was last lost."""

    @property
    def links(self) -> list["Link"]:
        """The connections of the daemon that stand."""
        return [each for each in (self.link, self.stops_link) if each is not None]

    def say(self, topic: str, payload: bytes, *, retain: bool) -> None:
        """A device (or anybody) publishes."""
        self._over_the_air(topic, lambda: self._arrive(topic, payload, retain=retain))

    def drops(self) -> bool:
        """Whether this one finds the daemon's queue full."""
        dropped = self._random.random() < self.flooded
        if dropped:
            self.counted.fault("message dropped in a flood")
        return dropped

    def receive(self, outgoing: Outgoing) -> None:
        """The daemon's message is at the broker."""
        if outgoing.kind is MessageKind.STATUS:
            self._store(outgoing.topic, outgoing.payload)
            return
        topic, payload, sent_at = outgoing.topic, outgoing.payload, self._clocks.now
        self._over_the_air(topic, lambda: self._reach(topic, payload, sent_at), down=True)

    def die(self, memory: str) -> None:
        """Killed: connections are reset. What was retained is "kept", "lost", or as it was "saved" last."""
        self.up = False
        if memory != "kept":
            self.retained = dict(self._saved) if memory == "saved" else {}
        for link in self.links:
            link.reset_soon("the connection was reset")

    def _save(self) -> None:
        if self.up:
            self._saved = dict(self.retained)
        self._scheduler.at(self._clocks.now + AUTOSAVE, self._save)

    def _reach(self, topic: str, payload: bytes, sent_at: float) -> None:
        if self._clocks.now - sent_at > 1.0:
            self.late_on_radio[topic] = self._clocks.now
        self._take(topic, payload)

    def _over_the_air(self, topic: str, arrive: Callable[[], None], *, down: bool = False) -> None:
        radio, now = self.radio, self._clocks.now
        self.counted.messages += 1
        if radio.clear:
            when = max(now + self.latency, self._last.get(topic, 0.0))
            self._last[topic] = when
            self._scheduler.at(when, arrive)
            return
        chance = self._random.random
        if chance() < radio.lost:
            self.counted.fault("message lost")
            if down:
                self.lost_on_radio[topic] = now
            return
        copies = 1
        if chance() < radio.doubled:
            self.counted.fault("message doubled")
            copies = 2
        for _ in range(copies):
            wait = self.latency
            if chance() < radio.delayed:
                self.counted.fault("message delayed")
                wait += chance() ** 3 * radio.longest
            if now + wait < self._last.get(topic, 0.0):
                self.counted.fault("message reordered")
            self._last[topic] = max(now + wait, self._last.get(topic, 0.0))
            self._scheduler.at(now + wait, arrive)

    def _arrive(self, topic: str, payload: bytes, *, retain: bool) -> None:
        if not self.up:
            return
        if retain:
            self._store(topic, payload)
        self.on_arrival(topic, payload)
        for link in self.links:
            link.forward(topic, payload)

    def _store(self, topic: str, payload: bytes) -> None:
        if not self.up:
            return
        if payload:
            self.retained[topic] = payload
        else:
            self.retained.pop(topic, None)


@dataclass(frozen=True, slots=True)
class Packet:
    """What the broker sends: a message, an acknowledgement, or a mere sign of life."""

    topic: str = ""
    payload: bytes = b""
    retained: bool = False
    acknowledges: int | None = None
    settles: bool = False
    answers: Callable[[], None] | None = None


@dataclass(frozen=True, slots=True)
class Underway:
    """What the daemon has sent and the broker has not got. `silent_for`: how long ago the broker had been heard."""

    outgoing: Outgoing
    number: int
    sent_at: float
    silent_for: float


class Link:
    """One connection of one daemon, from CONNECT to its end; a new one for the next."""

    def __init__(self, broker: VirtualBroker, clocks: Clocks, scheduler: Scheduler, ear: Ear) -> None:
        self._broker = broker
        self._clocks = clocks
        self._scheduler = scheduler
        self._ear = ear
        self._outbox = Outbox(self._write, self._ask)
        self._numbers = 0
        self._down_at = 0.0
        self._up_at = 0.0
        self._exact: frozenset[str] = frozenset()
        self._wild: tuple[str, ...] = ()
        self._standing: frozenset[tuple[str, str]] = frozenset()
        self._buffer_down: list[Packet] = []
        self._buffer_up: list[Underway] = []
        self._watch_from = clocks.now
        self.heard_at = clocks.now
        self.apart = False
        """It carries the stop contacts and nothing else: no flood reaches it."""
        self.closed = False
        self.frozen = False
        self.dead = False
        self.left: Callable[[Outgoing, float], None] = lambda _outgoing, _offered: None
        """Called when a command leaves, with the instant at which it was asked for."""
        self._offered: dict[int, float] = {}
        self.on_end: Callable[[str], None] = lambda _reason: None
        self.arrived: Callable[[Underway, float], None] = lambda _underway, _late: None
        """Called when a command reaches the broker, with the seconds by which it is later than the wire takes."""

    # The daemon's side

    @property
    def sure_until(self) -> float:
        """What was given later may not have arrived."""
        return min(self.heard_at, self._outbox.unsure_since - 0.001)

    def publish(self, outgoing: Outgoing) -> bool:
        """See `Transport.publish`."""
        if self.closed:
            return False
        was_held = self._outbox.held_since
        self._offered[id(outgoing)] = self._clocks.now
        self._outbox.offer(outgoing, self._clocks.now, self.heard_at)
        held = self._outbox.held_since
        if was_held is None and held is not None:
            self._scheduler.at(held + ANSWER_WITHIN, lambda: self._no_answer(held))
        return True

    def subscribe(self, wanted: tuple[Subscription, ...]) -> None:
        """Listen to these; what is retained on new topics follows."""
        topics = frozenset(each.topic for each in wanted)
        meant = frozenset((each.topic, each.meaning) for each in wanted)
        new, self._standing = frozenset(topic for topic, _ in meant - self._standing), meant
        self._exact = frozenset(each for each in topics if "+" not in each and "#" not in each)
        self._wild = tuple(each for each in topics if each not in self._exact)
        self._send_retained(new)

    def settle(self) -> None:
        """Let the daemon know when what is retained has come."""
        self._down(Packet(settles=True))

    def ask(self, answered: Callable[[], None]) -> None:
        """A ping; `answered` is called with its answer, unless the connection ends before."""
        self._up_at = when = max(self._clocks.now + self._broker.latency, self._up_at)

        def asked() -> None:
            if not self.closed and not self.dead:
                self._down(Packet(answers=answered))

        self._scheduler.at(when, asked)

    def abort(self) -> None:
        """Closed by a reset: nothing in flight arrives any more, in either direction."""
        self.closed = True

    # The broker's side

    def forward(self, topic: str, payload: bytes) -> None:
        """A message for subscribers."""
        if topic in self._exact or any(matches(each, topic) for each in self._wild):
            if not self.apart and self._broker.flooded and self._broker.drops():
                return
            self._down(Packet(topic, payload))

    def reset_soon(self, reason: str) -> None:
        """The broker's process is gone."""
        self._scheduler.at(self._clocks.now + self._broker.latency, lambda: self._end(reason))

    def freeze(self) -> None:
        """Nothing moves, nothing is lost yet."""
        self.frozen = True
        self._watch(self.heard_at)

    @property
    def flows(self) -> bool:
        """What arrives at the broker now is with the daemon in a moment."""
        return not (self.closed or self.dead or self.frozen)

    def cut(self) -> None:
        """The cable is out: nothing arrives any more, and nobody is told."""
        self.dead = True
        self._watch(self.heard_at)

    def thaw(self) -> None:
        """What waited arrives, at once."""
        if self.closed or self.dead:
            return
        self.frozen = False
        up, self._buffer_up = self._buffer_up, []
        for underway in up:
            self._at_broker(underway)
        down, self._buffer_down = self._buffer_down, []
        if down:
            self._pump(down)

    # Inside

    def _watch(self, heard_at: float) -> None:
        self._scheduler.at(heard_at + NOTICED_AFTER, lambda: self._look(heard_at))

    def _look(self, heard_at: float) -> None:
        if self.heard_at == heard_at:
            self._end("the broker stopped answering")

    def _no_answer(self, held_since: float) -> None:
        if self._outbox.held_since == held_since:
            self._end("the broker gave no sign of life")

    def _end(self, reason: str) -> None:
        if not self.closed:
            self.closed = True
            self.on_end(reason)

    def _send_retained(self, topics: frozenset[str]) -> None:
        for topic, payload in list(self._broker.retained.items()):
            if topic in topics or any(matches(each, topic) for each in topics if "+" in each):
                self._down(Packet(topic, payload, retained=True))

    def _write(self, outgoing: Outgoing) -> int | None:
        now = self._clocks.now
        self.left(outgoing, self._offered.pop(id(outgoing), now))
        self._numbers += 1
        underway = Underway(outgoing, self._numbers, now, now - self.heard_at)
        self._up_at = when = max(now + self._broker.latency, self._up_at)
        self._scheduler.at(when, lambda: self._travel(underway))
        return underway.number

    def _ask(self) -> None:
        self._up_at = when = max(self._clocks.now + self._broker.latency, self._up_at)
        self._scheduler.at(when, self._asked)

    def _asked(self) -> None:
        if not self.closed and not self.dead:
            self._down(Packet())

    def _travel(self, underway: Underway) -> None:
        if self.closed or self.dead:
            return
        if self.frozen:
            self._buffer_up.append(underway)
        else:
            self._at_broker(underway)

    def _at_broker(self, underway: Underway) -> None:
        if underway.outgoing.kind is not MessageKind.STATUS:
            self.arrived(underway, self._clocks.now - underway.sent_at - self._broker.latency)
        self._broker.receive(underway.outgoing)
        self._down(Packet(acknowledges=underway.number))

    def _down(self, packet: Packet) -> None:
        self._down_at = when = max(self._clocks.now + self._broker.latency, self._down_at)
        self._scheduler.at(when, lambda: self._came(packet))

    def _came(self, packet: Packet) -> None:
        if self.closed or self.dead:
            return
        if self.frozen:
            self._buffer_down.append(packet)
        else:
            self._pump((packet,))

    def _pump(self, packets: list[Packet] | tuple[Packet, ...]) -> None:
        """In the order of the real link: acknowledgements, then the messages, then what has waited for them."""
        now = self.heard_at = self._clocks.now
        for packet in packets:
            if packet.acknowledges is not None:
                self._outbox.acknowledged(packet.acknowledges)
        for packet in packets:
            if self.closed:
                return
            if packet.settles:
                self._ear.on_settled()
            elif packet.answers is not None:
                packet.answers()
            elif packet.topic:
                self._ear.on_message(packet.topic, packet.payload, packet.retained, now)
        if self.closed:
            return
        if self._outbox.too_late(now):
            self._end("the broker gave no sign of life in time")
        else:
            self._outbox.heard()
