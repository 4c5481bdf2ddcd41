"""The real world of a first evening: the person at the terminal, and one connection after the other to the broker.

Subscribes to everything and publishes nothing.
"""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, suppress
from pathlib import Path
from typing import Final, TextIO

from gatehand.first_config.port import BrokerWord
from gatehand.first_config.steps import Connect
from gatehand.mqtt.client import ClientError
from gatehand.mqtt.hearing import keep_hearing
from gatehand.mqtt.inbox import Message
from gatehand.mqtt.settings import BrokerSettings, TlsFiles, fresh_client_id
from gatehand.person import Person
from gatehand.small_files import NoSecretError, read_secret

EVERYTHING: Final = ("#",)


class OwnersEars(Person[Message | BrokerWord]):
    """See `port.Ears`. `folder`: relative paths count from it."""

    def __init__(self, out: TextIO, folder: Path) -> None:
        super().__init__(out)
        self._folder = folder
        self._hearing: asyncio.Task[None] | None = None
        self._first: asyncio.Future[str | None] | None = None
        """How the first attempt went; done from then on."""
        self._lost = False

    async def connect(self, to: Connect) -> str | None:
        """Listen to this broker instead of the one before."""
        await self.leave()
        try:
            settings = _settings(to, self._folder)
        except NoSecretError as error:
            return str(error)
        self._lost = False
        self._first = asyncio.get_running_loop().create_future()
        self._hearing = asyncio.ensure_future(self._hear_on(settings))
        return await self._first

    async def leave(self) -> None:
        """End the connection."""
        hearing, self._hearing = self._hearing, None
        if hearing is not None:
            hearing.cancel()
            await asyncio.wait({hearing})

    async def _hear_on(self, settings: BrokerSettings) -> None:
        with suppress(ClientError):  # out of `lost`, which has told of it
            await keep_hearing(settings, EVERYTHING, self)

    # What `keep_hearing` tells

    def connected(self) -> None:
        """A connection stands."""
        if self._first is not None and not self._first.done():
            self._first.set_result(None)
        elif self._lost:
            self._lost = False
            self.happen(BrokerWord(None))

    def hear(self, message: Message) -> None:
        """A message."""
        self.happen(message)

    def lost(self, error: ClientError) -> None:
        """There is none, or none any more. The first attempt is the last where it fails: the answers may be wrong."""
        if self._first is not None and not self._first.done():
            self._first.set_result(str(error))
            raise error
        if not self._lost:
            self._lost = True
            self.happen(BrokerWord(str(error)))


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
