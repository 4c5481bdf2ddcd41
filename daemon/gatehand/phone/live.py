"""Keeps what the page shows: hears the broker, makes the parts anew, and hands out what has changed since a version.

No queue stands between a change and a slow phone: whoever asks gets what is newer than what they have, however often it
has changed meanwhile.
"""

import asyncio
import json
import time
from collections.abc import Callable, Mapping
from contextlib import suppress
from typing import Final

from gatehand.mqtt.client import ClientError
from gatehand.mqtt.hearing import keep_hearing
from gatehand.mqtt.inbox import Message
from gatehand.phone.parts import Part, Stations, parts_of
from gatehand.screen.daemon_status import DaemonStatus
from gatehand.screen.listen import Where

TICK: Final = 1.0
"""Seconds between two looks at what no message brings, and between two signs of life to each browser."""


class Live:
    """The parts as they are now, each with the version in which it last changed.

    Args:
        base: the daemon's topic.
        stations: gives the tiles of the config in force; None: there is no config.
    """

    def __init__(self, base: str, stations: Callable[[], Stations | None]) -> None:
        self.status = DaemonStatus(base)
        self.version = 0
        self._stations = stations
        self._parts: dict[str, tuple[int, str | None]] = {}
        """By key: the version in which it changed, and its JSON; None: it is gone."""
        self._news = asyncio.Event()
        self.renew()

    async def keep(self, where: Where) -> None:
        """Hear until cancelled."""
        ticking = asyncio.ensure_future(self._tick())
        try:
            await keep_hearing(where.settings, (f"{where.base}/#",), self)
        finally:
            ticking.cancel()
            with suppress(asyncio.CancelledError):
                await ticking

    async def _tick(self) -> None:
        while True:
            await asyncio.sleep(TICK)
            self.renew()

    def connected(self) -> None:
        """See `Ears`."""
        self.status.connected()
        self.renew()

    def hear(self, message: Message) -> None:
        """See `Ears`."""
        self.status.hear(message, time.time())
        self.renew()

    def lost(self, error: ClientError) -> None:
        """See `Ears`."""
        self.status.lost(str(error), time.time())
        self.renew()

    def renew(self) -> None:
        """Make the parts anew; whoever waits is woken when one has changed."""
        made: Mapping[str, Part] = parts_of(self.status, self._stations(), time.time(), time.monotonic())
        texts = {key: json.dumps(part, separators=(",", ":")) for key, part in made.items() if key != "shop"}
        changed: dict[str, str | None] = {
            key: text for key, text in texts.items() if self._parts.get(key, (0, None))[1] != text
        }
        changed |= {key: None for key, (_, text) in self._parts.items() if text is not None and key not in made}
        if not changed:
            return
        self.version += 1
        changed["shop"] = json.dumps(made["shop"], separators=(",", ":"))
        self._parts |= {key: (self.version, text) for key, text in changed.items()}
        self._news.set()
        self._news = asyncio.Event()

    def since(self, version: int) -> str:
        """The parts that are newer than a version (0: all), as the data of one server-sent event."""
        newer = {key: text for key, (at, text) in self._parts.items() if at > version and (version or text)}
        inside = ",".join(f"{json.dumps(key)}:{text or 'null'}" for key, text in newer.items())
        return f'{{"v":{self.version},"all":{"false" if version else "true"},"parts":{{{inside}}}}}'

    async def newer(self, version: int, within: float) -> bool:
        """Wait until there is something newer than `version`, for `within` seconds at most."""
        if self.version > version:
            return True
        with suppress(TimeoutError):
            async with asyncio.timeout(within):
                await self._news.wait()
        return self.version > version
