"""What a test needs around a session: a listener that remembers, a client that watches from outside, patience."""

import asyncio
import contextlib
import socket
import time
from collections.abc import AsyncIterator, Callable
from dataclasses import dataclass, field
from types import TracebackType
from typing import Any, Final, Self

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.subscribeoptions import SubscribeOptions

from gatehand.mqtt import paho_client
from gatehand.mqtt.session import Session
from gatehand.mqtt.settings import BrokerSettings, Protocol
from gatehand.mqtt.transport import Connected, Notice, NoticeKind

LONGEST: Final = 60.0
"""Seconds that only a hang exceeds."""


@dataclass
class Recorder:
    """A listener that remembers all it is told."""

    messages: list[tuple[str, bytes, bool, float]] = field(default_factory=list)
    connected: list[Connected] = field(default_factory=list)
    lost: list[tuple[str, float]] = field(default_factory=list)
    notices: list[Notice] = field(default_factory=list)
    story: list[str] = field(default_factory=list)
    """In which order it was told, one word each; messages by topic."""

    def on_message(self, topic: str, payload: bytes, retained: bool, received: float) -> None:
        self.messages.append((topic, payload, retained, received))
        self.story.append(topic)

    def on_connected(self, info: Connected) -> None:
        self.connected.append(info)
        self.story.append("connected")

    def on_settled(self) -> None:
        self.story.append("settled")

    def on_lost(self, reason: str, heard_at: float) -> None:
        self.lost.append((reason, heard_at))
        self.story.append("lost")

    def on_standstill(self, seconds: float) -> None:
        assert seconds > 1
        self.story.append("stood")

    def on_caught_up(self) -> None:
        self.story.append("caught up")

    def on_notice(self, notice: Notice) -> None:
        self.notices.append(notice)

    def noticed(self, kind: NoticeKind) -> list[Notice]:
        return [notice for notice in self.notices if notice.kind is kind]

    @property
    def payloads(self) -> list[tuple[str, bytes]]:
        return [(topic, payload) for topic, payload, _, _ in self.messages]


def attempts_of(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """Every connection that is tried from now on, by the seconds that the network may take for it."""
    made: list[float] = []
    connect = paho_client.connect

    def counted(client: paho.Client, settings: BrokerSettings, protocol: Protocol) -> None:
        made.append(client.connect_timeout)
        connect(client, settings, protocol)

    monkeypatch.setattr(paho_client, "connect", counted)
    return made


async def until(true: Callable[[], Any], seconds: float = LONGEST, what: str = "") -> None:
    """Wait until `true()` holds; fails after `seconds`."""
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, f"not within {seconds:g} s: {what or true}"
        await asyncio.sleep(0.01)


@contextlib.asynccontextmanager
async def running(session: Session) -> AsyncIterator[Session]:
    """Run a session; stopped at the end unless the test has done so."""
    task = asyncio.create_task(session.run())
    try:
        yield session
    finally:
        session.stop()
        async with asyncio.timeout(LONGEST):
            await task


class Observer:
    """A client of its own, in a thread of its own, that sees what the broker passes on to anybody."""

    def __init__(self, port: int, *topics: str, **login: str) -> None:
        self.seen: list[tuple[str, bytes, bool]] = []
        self.expiry: dict[str, int | None] = {}
        """Seconds left to the last message of each topic, None for ever."""
        self._subscribed = False
        self._client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
        if login:
            self._client.username_pw_set(login["username"], login["password"])
        self._client.on_message = self._on_message
        self._client.on_subscribe = self._on_subscribe
        self._client.connect("127.0.0.1", port, keepalive=60)
        sock = self._client.socket()
        assert isinstance(sock, socket.socket)
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._client.subscribe([(topic, SubscribeOptions(qos=1)) for topic in topics or ("#",)])
        self._client.loop_start()
        end = time.monotonic() + LONGEST
        while not self._subscribed:
            assert time.monotonic() < end, "the observer could not subscribe"
            time.sleep(0.005)

    def publish(self, topic: str, payload: bytes | str, *, qos: int = 0, retain: bool = False) -> None:
        """Publish and wait until it is sent (QoS 1: acknowledged)."""
        self._client.publish(topic, payload, qos, retain).wait_for_publish(LONGEST)

    def live(self, topic: str) -> list[bytes]:
        """Payloads seen on a topic that were not retained."""
        return [payload for seen, payload, retained in list(self.seen) if seen == topic and not retained]

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def _on_message(self, _client: paho.Client, _userdata: object, message: paho.MQTTMessage) -> None:
        self.seen.append((message.topic, bytes(message.payload), message.retain))
        self.expiry[message.topic] = getattr(message.properties, "MessageExpiryInterval", None)

    def _on_subscribe(self, *_: object) -> None:
        self._subscribed = True
