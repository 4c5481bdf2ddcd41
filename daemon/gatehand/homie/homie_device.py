"""The device as a controller sees it: what is published when, and what becomes of what is asked. No asyncio.

Section "Device Lifecycle" gives the order: `init`, the description and every value, `ready`; at a clean stop
`disconnected`, and `lost` as the will. The description may change in `init` only.
"""

import json
from typing import Final

from gatehand.config import Config
from gatehand.homie.description import Node, alerts, asked, changes, describe, root, values
from gatehand.mqtt.payload import Rejected
from gatehand.mqtt.settings import Presence
from gatehand.mqtt.transport import Connected, MessageKind, Notice, Outgoing, Subscription, Transport
from gatehand.shell.engine import Engine
from gatehand.shell.ports import Diagnostics
from gatehand.shell.repeats import Rejections
from gatehand_rules.events import HandAsked, ResetAsked
from gatehand_rules.state import Held

_SETTLE: Final = 0.5
"""Seconds in `init` after a change of the shop, for the subscriptions to follow."""


class HomieDevice:
    """One device; the listener of a connection of its own, whose `transport` is set before it runs."""

    transport: Transport

    def __init__(self, engine: Engine, diagnose: Diagnostics) -> None:
        self._engine = engine
        self._diagnose = diagnose
        config = engine.active.config
        self.root = root(config)
        self.presence = Presence(f"{self.root}/$state", here=b"init", lost=b"lost", left=b"disconnected")
        self._rejections = Rejections()
        self._left: dict[str, str] = {}
        """What the broker retains of a former connection, by topic below the device's."""
        self._sent: dict[str, str] = {}
        self._version = 0
        self._ready_at: float | None = None
        """When to describe the device and say that it is ready; None: it has been said, or there is no connection."""
        self._live = False
        self._take(config)

    @property
    def first(self) -> tuple[Subscription, ...]:
        """What to listen to until what is retained has come. Never the state's own topic: that is the session's."""
        return (*self._sets(), Subscription(f"{self.root}/+/+"), Subscription(f"{self.root}/$description"))

    def show(self) -> None:
        """Publish what has changed. Called after each step and once a second."""
        if not self._live:
            return
        now = self._engine.clock.mono()
        if self._engine.active.config is not self._config:
            self._change(now)
        if self._ready_at is None:
            self._publish_changes()
        elif now >= self._ready_at:
            self._become_ready()

    # The connection calls

    def on_connected(self, info: Connected) -> None:
        """In `init`: the session has said so."""
        self._left, self._sent = {}, {}
        self._diagnose("info", f"shown as the Homie device {self.root} by MQTT {info.protocol}")

    def on_settled(self) -> None:
        """What a former connection has left is known: describe, show, be ready."""
        self._live = True
        self._take(self._engine.active.config)
        self._become_ready()
        self.transport.subscribe(self._sets())

    def on_lost(self, reason: str, heard_at: float) -> None:
        """The will speaks."""
        del reason, heard_at
        self._live, self._ready_at = False, None
        self.transport.subscribe(self.first)

    def on_standstill(self, seconds: float) -> None:
        """What controllers asked for meanwhile is old."""
        self._engine.stood_still(self.root, seconds)

    def on_caught_up(self) -> None:
        """It has been read."""
        self._engine.caught_up(self.root)

    def on_notice(self, notice: Notice) -> None:
        """Something about this connection; the daemon's own tells the log."""
        self._diagnose("warning", f"homie: {notice.text}", notice.facts)

    def on_message(self, topic: str, payload: bytes, retained: bool, received: float) -> None:
        """A controller asks, or the broker says what it retains."""
        below = topic.removeprefix(f"{self.root}/")
        match below.split("/"):
            case [node_id, name, "set"] if (node := self._settable.get((node_id, name))) is not None:
                self._on_set(node, name, payload, retained=retained, received=received)
            case [_, _] | ["$description"] if retained and payload and not self._live:
                self._left[below] = payload.decode(errors="replace")
            case _:
                pass

    # Inside

    def _take(self, config: Config) -> None:
        self._config = config
        self._description = describe(config)
        self._settable = self._description.settable()

    def _sets(self) -> tuple[Subscription, ...]:
        return tuple(Subscription(f"{self.root}/{node}/{name}/set") for node, name in self._settable)

    def _change(self, now: float) -> None:
        """The shop has changed; only another description is worth being unready for."""
        before = self._description
        self._take(self._engine.active.config)
        if self._description == before:
            return
        self._say("$state", "init")
        self._ready_at = now + _SETTLE
        self.transport.subscribe(self._sets())

    def _become_ready(self) -> None:
        self._ready_at = None
        was = self._left.pop("$description", self._sent.get("$description", ""))
        self._version = self._version_after(was)
        self._say("$description", self._description.as_json(self._version))
        wanted = self._shown()
        for below in self._left.keys() - wanted.keys():
            self._say(below, "")
        self._left = {}
        self._publish_changes()
        self._say("$state", "ready")

    def _version_after(self, was: str) -> int:
        """The same for the same document, else higher; a clock that is behind makes it no lower."""
        version = self._version
        try:
            found = json.loads(was)["version"]
            version = max(version, int(found))
        except (ValueError, TypeError, KeyError, RecursionError, OverflowError):
            pass
        if was == self._description.as_json(version):
            return version
        return max(version + 1, int(self._engine.clock.wall()))

    def _shown(self) -> dict[str, str]:
        active = self._engine.active
        publisher = self._engine.publisher
        found = values(self._description, active.shop, self._engine.state) | alerts(publisher.alarms.raised.values())
        for node in self._description.nodes:
            if publisher.withholds(node.subject):  # a hold is shown once it is on the disk, here too
                for below in (f"{node.id}/{name}" for name in node.properties):
                    found.pop(below, None)
                    if below in self._sent:
                        found[below] = self._sent[below]
        return found

    def _publish_changes(self) -> None:
        before = {below: payload for below, payload in self._sent.items() if below[0] != "$" or "/" in below}
        for below, payload in changes(before, self._shown()):
            self._say(below, payload)

    def _say(self, below: str, payload: str, kind: MessageKind = MessageKind.STATUS) -> None:
        if not self.transport.publish(Outgoing(f"{self.root}/{below}", payload.encode(), kind)):
            return
        if kind is MessageKind.STATUS and payload:
            self._sent[below] = payload
        else:
            self._sent.pop(below, None)

    def _on_set(self, node: Node, name: str, payload: bytes, *, retained: bool, received: float) -> None:
        kind, subject = node.subject
        match asked(node, name, payload, retained=retained):
            case Rejected() as bad:
                event = self._rejections.say(kind, subject, name, bad, received)
                if event is not None:
                    self._engine.handle(event, received)
                return
            case HandAsked() as event:
                # Said once more, even where nothing comes of it: the answer closes the controller's loop.
                self._sent.pop(f"{node.id}/{name}", None)
                self._engine.handle(event, received)
            case ResetAsked() as event:
                was_held = self._is_held(subject)
                self._engine.handle(event, received)
                if was_held and not self._is_held(subject):
                    self._say(f"{node.id}/{name}", payload.decode(), MessageKind.EVENT)
        self.show()

    def _is_held(self, collector: str) -> bool:
        at = self._engine.active.shop.collector_at(collector)
        return at is not None and isinstance(self._engine.state.collectors[at].phase, Held)
