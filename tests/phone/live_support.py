"""What the tests of the page's stream share: a browser's memory, and a broker that keeps what is retained."""

import asyncio
import json
import re
from typing import Any

from gatehand.mqtt.client import ClientError
from gatehand.mqtt.inbox import Message
from gatehand.phone.live import SETTLE, Live
from gatehand.phone.parts import Stations

BASE = "gatehand"
SHOP = Stations(("planing", "carving", "bench"), {"planing": ("band_saw", "jointer"), "carving": ("router",)})
_NUMBER = re.compile(r"number (\d+)", re.IGNORECASE)


class Memory:
    """What one browser shows: it takes events as they are meant, and minds that nothing older follows what is newer."""

    def __init__(self) -> None:
        self.version = 0
        self.parts: dict[str, Any] = {}
        self.events: list[dict[str, Any]] = []
        self._newest: dict[str, int] = {}

    def take(self, data: str) -> None:
        event = json.loads(data)
        assert event["v"] > self.version
        self.version = event["v"]
        self.events.append(event)
        if event["all"]:
            self.parts.clear()
        for key, part in event["parts"].items():
            if part is None:
                assert not event["all"]
                self.parts.pop(key, None)
                continue
            self.parts[key] = part
            for number in map(int, _NUMBER.findall(json.dumps(part)) if key != "events" else ()):
                assert number >= self._newest.get(key, 0), f"{key} went back to {number}"
                self._newest[key] = number

    @property
    def reached(self) -> str:
        return str(self.parts["reached"]["state"])

    async def follow(self, live: Live, slow: float = 0.0) -> None:
        """As the app's stream does it; a slow one looks seldom."""
        while True:
            if live.version > self.version:
                self.take(live.since(self.version))
            await asyncio.sleep(slow)
            await live.newer(self.version, 1.0)


class Retaining:
    """A broker and a daemon at it, as far as the page hears of them."""

    def __init__(self, live: Live) -> None:
        self.live = live
        self.retained: dict[str, bytes] = {}
        self.is_connected = False

    def say(self, topic: str, facts: dict[str, Any] | None, *, retain: bool = True) -> None:
        payload = b"" if facts is None else json.dumps(facts).encode()
        self.send(topic, payload, retain=retain)

    def send(self, topic: str, payload: bytes, *, retain: bool = True) -> None:
        if retain and payload:
            self.retained[f"{BASE}/{topic}"] = payload
        elif retain:
            self.retained.pop(f"{BASE}/{topic}", None)
        if self.is_connected:
            self._hear(f"{BASE}/{topic}", payload, retained=False)

    def _hear(self, topic: str, payload: bytes, *, retained: bool) -> None:
        self.live.hear(Message(topic, payload, retained, asyncio.get_running_loop().time()))

    def begin(self) -> None:
        """The daemon is there."""
        self.send("online", b"1")

    def beat(self) -> None:
        self.send("daemon/beat", b"1", retain=False)

    def connect(self) -> None:
        self.is_connected = True
        self.live.connected()
        for topic, payload in self.retained.items():
            self._hear(topic, payload, retained=True)

    def lose(self) -> None:
        self.is_connected = False
        self.live.lost(ClientError("lost the broker (it was switched off)"))

    async def settle(self) -> None:
        """All that is retained has come and is shown."""
        await asyncio.sleep(SETTLE + 0.05)


def made_live(**more: Any) -> Live:  # noqa: ANN401
    """One on the loop that runs, whose clock it takes."""
    loop = asyncio.get_running_loop()
    return Live(BASE, lambda: SHOP, wall=lambda: 1_700_000_000.0 + loop.time(), mono=loop.time, **more)
