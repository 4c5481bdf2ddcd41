"""The real world of a first evening: the person at the terminal, and one connection after the other to the broker.

Subscribes to everything and publishes nothing.
"""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from pathlib import Path
from typing import Final, TextIO

from gatehand.first_config.evening import BrokerWord
from gatehand.first_config.steps import Connect
from gatehand.mqtt.client import ClientError, PlainClient, plain_client
from gatehand.mqtt.failures import Patience
from gatehand.mqtt.inbox import Message
from gatehand.mqtt.settings import BrokerSettings, TlsFiles, fresh_client_id
from gatehand.person import Person
from gatehand.small_files import NoSecretError, read_secret

EVERYTHING: Final = ("#",)


class OwnersEars(Person[Message | BrokerWord]):
    """See `evening.Ears`. `folder`: relative paths count from it."""

    def __init__(self, out: TextIO, folder: Path) -> None:
        super().__init__(out)
        self._folder = folder
        self._listening: asyncio.Task[None] | None = None

    async def connect(self, to: Connect) -> str | None:
        """Listen to this broker instead of the one before."""
        await self.leave()
        try:
            settings = _settings(to, self._folder)
        except NoSecretError as error:
            return f"{error}"
        answer: asyncio.Future[str | None] = asyncio.get_running_loop().create_future()
        self._listening = asyncio.ensure_future(self._keep(settings, answer))
        trouble = await answer
        if trouble is not None:
            await self.leave()
        return trouble

    async def leave(self) -> None:
        """End the connection."""
        listening, self._listening = self._listening, None
        if listening is not None:
            listening.cancel()
            await asyncio.wait({listening})

    async def _keep(self, settings: BrokerSettings, answer: "asyncio.Future[str | None]") -> None:
        """One connection after the other. The first that fails ends it."""
        failures = 0
        while True:
            try:
                async with plain_client(settings, EVERYTHING) as client:
                    self._stands(answer, failures)
                    failures = 0
                    await self._pass_on(client)
            except ClientError as error:
                if not answer.done():
                    answer.set_result(str(error))
                    return
                if not failures:
                    self.happen(BrokerWord(str(error)))
            failures += 1
            await asyncio.sleep(Patience().before_attempt(failures))

    def _stands(self, answer: "asyncio.Future[str | None]", failures: int) -> None:
        if not answer.done():
            answer.set_result(None)
        elif failures:
            self.happen(BrokerWord(None))

    async def _pass_on(self, client: PlainClient) -> None:
        async for message in client.messages():
            self.happen(message)


def _settings(to: Connect, folder: Path) -> BrokerSettings:
    return BrokerSettings(
        to.host,
        to.port,
        client_id=fresh_client_id("gatehand", "init"),
        username=to.username,
        password=None if to.password_file is None else read_secret(folder / to.password_file),
        tls=None if to.ca_file is None else TlsFiles(folder / to.ca_file),
    )


@asynccontextmanager
async def owners_ears(out: TextIO, folder: Path) -> AsyncIterator[OwnersEars]:
    """The person at standard input who reads `out`, and no broker yet."""
    ears = OwnersEars(out, folder)
    with ears.attentive():
        try:
            yield ears
        finally:
            await ears.leave()
