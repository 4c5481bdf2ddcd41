"""A first evening over a real broker, under virtual time.

What the shop says goes out by one client and comes in by the evening's own, and time moves on once all of it has
arrived: no test's outcome hangs on how fast the broker is.
"""

import asyncio
from collections import deque
from types import TracebackType
from typing import Final, Self

from made_shops import MadeShop
from shop_owner import OwnersEvening

from gatehand.first_config.ears import EVERYTHING
from gatehand.first_config.steps import Connect
from gatehand.mqtt.client import ClientError, PlainClient, plain_client
from gatehand.mqtt.hearing import keep_hearing
from gatehand.mqtt.inbox import Message
from gatehand.mqtt.settings import BrokerSettings
from gatehand.simshop.device import Sent

MARK: Final = "judge/mark"
ARRIVES_WITHIN: Final = 30.0
"""Seconds of real time after which a broker is taken for dead."""


class OverBroker(OwnersEvening):
    """Used as an async context: the shop's client."""

    def __init__(self, shop: MadeShop, port: int) -> None:
        super().__init__(shop)
        self._port = port
        self._marks = 0
        self._arrived: asyncio.Queue[int] = asyncio.Queue()
        self._at: deque[float] = deque()
        """When each of what is under way was said."""
        self._hearing: asyncio.Task[None] | None = None

    async def __aenter__(self) -> Self:
        self._leaving = plain_client(BrokerSettings("127.0.0.1", self._port, client_id="shop"))
        self._shop: PlainClient = await self._leaving.__aenter__()
        return self

    async def __aexit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._hearing is not None:
            self._hearing.cancel()
            await asyncio.wait({self._hearing})
        await self._leaving.__aexit__(kind, error, trace)

    async def connect(self, to: Connect) -> str | None:
        assert (to.host, to.port) == ("127.0.0.1", self._port)
        for topic, payload in self.world.kept.items():
            await self._shop.publish(topic, payload, 1, retain=True)
        self._stands = asyncio.Event()
        settings = BrokerSettings(to.host, to.port, client_id="init")
        self._hearing = asyncio.ensure_future(keep_hearing(settings, EVERYTHING, self))
        await asyncio.wait_for(self._stands.wait(), ARRIVES_WITHIN)
        self._connected = True
        await self._all_arrived()
        return None

    async def _hear(self, said: list[Sent]) -> None:
        if not said or not self._connected:
            return  # what is kept meanwhile is in the world's own list
        for one in said:
            self._at.append(one.at)
            await self._shop.publish(one.topic, one.payload, retain=one.retain)
        await self._all_arrived()

    async def _all_arrived(self) -> None:
        self._marks += 1
        await self._shop.publish(MARK, str(self._marks).encode())
        arriving = asyncio.ensure_future(self._arrived.get())
        done, _ = await asyncio.wait(
            {arriving, *filter(None, (self._hearing,))}, timeout=ARRIVES_WITHIN, return_when=asyncio.FIRST_COMPLETED
        )
        assert arriving in done, f"the broker does not pass it on, or the hearing has ended: {self._hearing}"
        assert arriving.result() == self._marks

    # What the evening's client hears

    def connected(self) -> None:
        self._stands.set()

    def hear(self, message: Message) -> None:
        if message.topic == MARK:
            self._arrived.put_nowait(int(message.payload))
            return
        at = self.time if message.retained else self._at.popleft()
        self._waiting.append(Message(message.topic, message.payload, message.retained, at))

    def lost(self, error: ClientError) -> None:
        raise error
