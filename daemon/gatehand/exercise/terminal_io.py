"""What the exercise needs of the world: time, a person, a broker.

The only place where the exercise meets the event loop. It asks for little, `now` to `next`, so that a test can be all
three.
"""

import asyncio
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from typing import TextIO, TypeAlias

from gatehand.mqtt.client import ClientError, PlainClient, plain_client
from gatehand.mqtt.inbox import Message
from gatehand.mqtt.settings import BrokerSettings
from gatehand.mqtt.transport import Outgoing
from gatehand.person import EndOfInput, Person

TerminalEvent: TypeAlias = Message | str | EndOfInput
"""A message, a line that the person typed (without its end), or an ending."""


class TerminalIo(Person[Message]):
    """The world of one connection, and of a person at standard input who reads `out`.

    `next` raises `ClientError` when the broker is gone.
    """

    def __init__(self, client: PlainClient, out: TextIO) -> None:
        super().__init__(out)
        self._client = client

    async def send(self, outgoing: Outgoing) -> str | None:
        """Publish; what the broker had against it, as a sentence, or None.

        Raises:
            ClientError: the broker is gone.
        """
        objection = await self._client.send(outgoing)
        return None if objection is None else objection.text

    async def listen(self) -> None:
        """Hear the broker until cancelled."""
        try:
            async for message in self._client.messages():
                self.happen(message)
        except ClientError as error:
            self.happen(error)


@asynccontextmanager
async def terminal_io(settings: BrokerSettings, topics: Sequence[str], out: TextIO) -> AsyncIterator[TerminalIo]:
    """A world that hears these topics, the person at standard input, and Ctrl-C.

    Raises:
        ClientError: no connection.
    """
    async with plain_client(settings, topics) as client:
        made = TerminalIo(client, out)
        listening = asyncio.ensure_future(made.listen())
        with made.attentive():
            try:
                yield made
            finally:
                listening.cancel()
                await asyncio.wait({listening})
