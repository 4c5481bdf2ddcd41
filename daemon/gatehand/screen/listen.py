"""Keeps the status true: one connection after the other for a screen, or one look for `status`. Only listens."""

import asyncio
import time
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from typing import Final

from gatehand.mqtt.client import ClientError, PlainClient, plain_client
from gatehand.mqtt.hearing import keep_hearing
from gatehand.mqtt.inbox import Message
from gatehand.mqtt.settings import BrokerSettings
from gatehand.screen.daemon_status import DaemonStatus

_QUIET: Final = 0.4
"""Seconds without a retained message after which all of them have come."""


@dataclass(frozen=True, slots=True)
class Where:
    """The broker, and the topic below which the daemon speaks."""

    settings: BrokerSettings
    base: str

    @property
    def text(self) -> str:
        """As a screen names it."""
        return f"{self.base} at {self.settings.host}:{self.settings.port}"


async def keep(where: Where, status: DaemonStatus, changed: Callable[[], None]) -> None:
    """Listen until cancelled; tell `changed` when there is something new. Tries again for ever."""
    await keep_hearing(where.settings, (f"{where.base}/#",), _StatusEars(status, changed))


@dataclass(frozen=True, slots=True)
class _StatusEars:
    status: DaemonStatus
    changed: Callable[[], None]

    def connected(self) -> None:
        self.status.connected()
        self.changed()

    def hear(self, message: Message) -> None:
        self.status.hear(message, time.time())
        self.changed()

    def lost(self, error: ClientError) -> None:
        self.status.lost(str(error), time.time())
        self.changed()


async def look(where: Where, status: DaemonStatus, within: float) -> None:
    """Hear once what the broker retains, in at most `within` seconds. Without a connection the status says why."""
    try:
        async with asyncio.timeout(within), plain_client(where.settings, (f"{where.base}/#",)) as client:
            status.connected()
            await _until_quiet(client, status)
    except TimeoutError:
        if status.lost_because is not None:
            status.lost(f"no answer within {within:g} s", time.time())
    except ClientError as error:
        status.lost(str(error), time.time())


async def _until_quiet(client: PlainClient, status: DaemonStatus) -> None:
    """Until what is retained has come; where nothing comes at all, until the caller's patience ends."""
    messages, quiet_at = client.messages(), None
    with suppress(TimeoutError):
        while True:
            async with asyncio.timeout_at(quiet_at):
                message = await anext(messages)
            status.hear(message, time.time())
            if message.retained:
                quiet_at = asyncio.get_running_loop().time() + _QUIET
