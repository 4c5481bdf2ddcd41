"""Hears topics for as long as it is let: one connection after the other, and says when one is lost. Only listens."""

import asyncio
from collections.abc import Sequence
from typing import NoReturn, Protocol

from gatehand.mqtt.client import ClientError, plain_client
from gatehand.mqtt.failures import Patience
from gatehand.mqtt.inbox import Message
from gatehand.mqtt.settings import BrokerSettings


class Ears(Protocol):
    """Who is told. What one of them raises ends the hearing."""

    def connected(self) -> None:
        """The topics are subscribed to; what is retained comes next."""

    def hear(self, message: Message) -> None:
        """A message."""

    def lost(self, error: ClientError) -> None:
        """There is no connection, or none any more; another attempt follows."""


async def keep_hearing(settings: BrokerSettings, topics: Sequence[str], ears: Ears) -> NoReturn:
    """Hear until cancelled, or until one of `ears` raises. Tries again for ever."""
    failures = 0
    while True:
        try:
            async with plain_client(settings, topics) as client:
                failures = 0
                ears.connected()
                async for message in client.messages():
                    ears.hear(message)
        except ClientError as error:
            ears.lost(error)
        failures += 1
        await asyncio.sleep(Patience().before_attempt(failures))
