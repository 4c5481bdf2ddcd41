"""The stop contacts' own connection in the virtual shop: `StopsConnection` over a virtual link."""

from collections.abc import Callable
from typing import TYPE_CHECKING

from sim_broker import RETRY, Link

from gatehand.mqtt.transport import Connected, Subscription
from gatehand_rules import events as ev

if TYPE_CHECKING:
    from sim_daemon import VirtualDaemon

CONNECTION = "stops"


class VirtualStopsConnection:
    """Listens to the topics last given to `want`. An ear for its own link."""

    def __init__(self, daemon: "VirtualDaemon", make: Callable[["VirtualStopsConnection"], Link | None]) -> None:
        self._daemon = daemon
        self._make = make
        self._topics: tuple[Subscription, ...] = ()
        self._failures = 0
        self._tries = False
        self.link: Link | None = None

    def want(self, topics: tuple[Subscription, ...]) -> None:
        """From now on listen to exactly these; until they have been read anew they count as unheard."""
        if topics == self._topics:
            return
        self._topics = topics
        if not topics:
            self.end()
            self._daemon.caught_up(CONNECTION)
            return
        self._daemon.stops_lost()
        self._daemon.engine.handle(ev.StopsLost())
        if self.link is None:
            self._connect_soon(0.002)
        else:
            self.link.subscribe(topics)
            self.link.settle()

    def end(self) -> None:
        """Nothing is heard any more."""
        if self.link is not None:
            self.link.abort()
            self.link = None

    def _connect_soon(self, wait: float) -> None:
        if not self._tries:
            self._tries = True
            self._daemon.later(wait, self._connect)

    def _connect(self) -> None:
        self._tries = False
        if not self._daemon.alive or self.link is not None or not self._topics:
            return
        link = self._make(self)
        if link is None:
            self._connect_soon(RETRY[min(self._failures, len(RETRY) - 1)])
            self._failures += 1
            return
        self._failures, self.link = 0, link
        link.on_end = lambda reason: self._daemon.later(0.001, lambda: self._ended(link, reason))
        link.subscribe(self._topics)
        link.settle()

    def _ended(self, link: Link, reason: str) -> None:
        if link is not self.link or not self._daemon.alive:
            return
        if (wait := self._daemon.still_for()) > 0:
            self._daemon.later(wait, lambda: self._ended(link, reason))
            return
        self.link = None
        self._daemon.caught_up(CONNECTION)
        self._daemon.stops_lost()
        self._daemon.engine.handle(ev.StopsLost(reason))
        self._connect_soon(RETRY[0])

    # What the link calls

    def on_connected(self, info: Connected) -> None:
        """Nobody needs to know."""
        del info

    def on_message(self, topic: str, payload: bytes, retained: bool, received: float) -> None:
        """A stop contact speaks."""
        self._daemon.on_message(topic, payload, retained, received)

    def on_settled(self) -> None:
        """What is retained has been read."""
        if self._daemon.alive and self.link is not None:
            self._daemon.stops_heard()
            self._daemon.engine.handle(ev.StopsHeard())

    def on_lost(self, reason: str, heard_at: float) -> None:
        """Called by `_ended` itself."""
        del reason, heard_at
