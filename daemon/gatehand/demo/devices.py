"""The simulated shop on real MQTT: its devices listen and speak as an ordinary client of the broker.

The only place where the models meet the event loop and the clock.
"""

import asyncio
import time
from collections.abc import Callable, Sequence
from contextlib import suppress

from gatehand.demo.floor import Floor
from gatehand.demo.levers import LEVERS, Levers
from gatehand.mqtt.client import Heard, PlainClient
from gatehand.simshop import Sent, SimShop


class DevicesAtWork:
    """Runs a shop's devices over one connection. `told` hears what the levers of people did."""

    def __init__(self, shop: SimShop, client: PlainClient, told: Callable[[float, str], None]) -> None:
        self._shop = shop
        self._client = client
        self._levers = Levers(shop)
        self._told = told
        self._waiting: list[Sent] = []
        self._wake = asyncio.Event()
        self._over = False
        self.breaches: list[float] = []
        """When (monotonic seconds) a fan was driven while no gate stood fully open: seen on the devices themselves."""

    @staticmethod
    def topics(shop: SimShop) -> Sequence[str]:
        """What the client must subscribe to."""
        return (*shop.topics, LEVERS)

    def act(self, action: Callable[[Floor, float], None]) -> None:
        """Somebody in the shop does something, now."""
        now = time.monotonic()
        self._shop.agenda.advance(now)
        action(Floor(self._shop, self._publish), now)
        self._wake.set()

    def stop(self) -> None:
        """Say nothing more. To be called before `run` is cancelled: a publish may swallow that (Python 3.11)."""
        self._over = True
        self._wake.set()

    async def run(self) -> None:
        """Come up, then listen and speak until cancelled.

        Raises:
            ClientError: the broker is gone.
        """
        self._waiting += self._shop.begin(time.monotonic())
        async with asyncio.TaskGroup() as tasks:
            tasks.create_task(self._listen())
            tasks.create_task(self._speak())

    async def _listen(self) -> None:
        async for message in self._client.messages():
            self._take(message, time.monotonic())
            self._wake.set()

    def _take(self, message: Heard, now: float) -> None:
        if message.retained:
            return  # a device that comes up obeys no command from before
        if self._levers.has(message.topic):
            self._told(now, self._levers.pull(message.topic, message.payload, now))
        else:
            self._shop.deliver(message.topic, message.payload, now)

    async def _speak(self) -> None:
        while not self._over:
            self._wake.clear()
            now = time.monotonic()
            self._waiting += self._shop.advance(now)
            self._look(now)
            waiting, self._waiting = self._waiting, []
            for sent in waiting:
                await self._client.publish(sent.topic, sent.payload, retain=sent.retain, qos=1 if sent.retain else 0)
            next_at = self._shop.next_at()
            with suppress(TimeoutError):
                async with asyncio.timeout(None if next_at is None else max(0.0, next_at - time.monotonic())):
                    await self._wake.wait()

    def _look(self, now: float) -> None:
        driven = any(collector.turns for collector in self._shop.collectors.values())
        if driven and not any(gate.position(now) == 1.0 for gate in self._shop.gates.values()):
            self.breaches.append(now)

    def _publish(self, topic: str, payload: str) -> None:
        self._waiting.append(Sent(time.monotonic(), topic, payload.encode()))
