"""Broker, devices and the real daemon in one event loop: raised together, and taken down in the order of a shop's.

Knows no script and prints nothing; what is played on it stands in `play`.
"""

import asyncio
import time
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import AsyncExitStack, asynccontextmanager, suppress
from pathlib import Path
from typing import Final

from gatehand.demo.day import BLIND_GATE, HABITS
from gatehand.demo.devices import DevicesAtWork
from gatehand.demo.home import furnish
from gatehand.journal.line import Line
from gatehand.journal.reader import Follower
from gatehand.mqtt.client import plain_client
from gatehand.mqtt.embedded import embedded_broker
from gatehand.mqtt.settings import BrokerSettings
from gatehand.shell.daemon import Daemon
from gatehand.simshop import SimShop
from gatehand_rules.findings import Fact, Happened

_UP_WITHIN: Final = 15.0
_DOWN_WITHIN: Final = 5.0
_LOOK_EVERY: Final = 0.05


class StageError(Exception):
    """The demo cannot go on; the message says why."""


class Stage:
    """A demo that stands. `look` is to be called often: it reads the log, and notices when a part has fallen."""

    def __init__(self, home: Path, port: int, devices: DevicesAtWork, heard: Callable[[list[Line]], None]) -> None:
        self.home = home
        self.port = port
        self.devices = devices
        self.warnings: list[str] = []
        """What the daemon said to whoever looks at the service, information left out."""
        self.lines: list[Line] = []
        """The event log so far."""
        self._follower = Follower(home)
        self._heard = heard
        self._parts: dict[str, asyncio.Task[None]] = {}

    def diagnose(self, level: str, text: str, facts: Mapping[str, Fact] | None = None) -> None:
        """The daemon's own words."""
        del facts
        if level != "info":
            self.warnings.append(text)

    def look(self) -> None:
        """Read what is new in the event log, and see that every part still stands.

        Raises:
            StageError: a part of the demo has ended.
        """
        fresh = self._follower.poll()
        self.lines += fresh
        self._heard(fresh)
        for what, task in self._parts.items():
            if task.done():
                error = None if task.cancelled() else task.exception()
                raise StageError(f"{what} ended before its time: {_innermost(error)}") from error

    async def wait(self, until: Callable[[], bool], within: float) -> bool:
        """Look until something is so; False when it was not so in time (seconds)."""
        end = time.monotonic() + within
        while True:
            self.look()
            if until():
                return True
            left = end - time.monotonic()
            if left <= 0:
                return False
            await asyncio.sleep(min(_LOOK_EVERY, left))

    def add(self, what: str, task: asyncio.Task[None]) -> None:
        """Watch over a part."""
        self._parts[what] = task


@asynccontextmanager
async def raised(
    home: Path, port: int, told: Callable[[float, str], None], heard: Callable[[list[Line]], None]
) -> AsyncIterator[Stage]:
    """Everything up: the broker answers, the devices speak, the daemon has adopted the shop.

    Args:
        home: folder for log and config.
        port: the broker's; 0: any that is free.
        told: hears what people do with the levers, at monotonic seconds.
        heard: is given the lines of the event log as they come, often none; to the last one.

    Raises:
        NoEmbeddedBrokerError: no broker.
        NoHomeError: no folder.
        StageError: a part did not come up.
    """
    async with AsyncExitStack() as stack:
        port = await stack.enter_async_context(embedded_broker(port))
        loaded = furnish(home, port)
        if loaded.config is None:
            raise StageError("the demo's config has errors")
        shop = SimShop(loaded.config, now=time.monotonic(), habits=HABITS)
        settings = BrokerSettings("127.0.0.1", port, client_id="shop-devices", protocol="3.1.1", keepalive=30)
        client = await stack.enter_async_context(plain_client(settings, DevicesAtWork.topics(shop)))
        devices = DevicesAtWork(shop, client, told)
        stage = Stage(home, port, devices, heard)
        speaking = asyncio.create_task(devices.run())
        stack.push_async_callback(_end, speaking)
        stack.callback(devices.stop)
        stage.add("the simulated shop", speaking)
        daemon = Daemon(loaded, stage.diagnose)
        working = asyncio.create_task(daemon.run())
        stack.push_async_callback(_stop, daemon, working, stage)
        stage.add("the daemon", working)
        if not await stage.wait(lambda: _is_up(stage.lines), _UP_WITHIN):
            raise StageError(f"the daemon was not ready within {_UP_WITHIN:g} s")
        yield stage


def _is_up(lines: list[Line]) -> bool:
    """Everything found at the start has been seen to: the gate that cannot report has been shut last."""
    return any(line["event"] == Happened.GATE_SHUT and line.get("gate") == BLIND_GATE for line in lines)


async def _stop(daemon: Daemon, working: asyncio.Task[None], stage: Stage) -> None:
    """The daemon says goodbye while its broker and devices still live."""
    daemon.stop("the demo is over")
    await asyncio.wait((working,), timeout=_DOWN_WITHIN)
    await _end(working)
    with suppress(StageError):  # that it has ended is no news here
        stage.look()


async def _end(task: asyncio.Task[None]) -> None:
    task.cancel()
    await asyncio.wait((task,))
    if not task.cancelled():
        task.exception()  # `look` has told it, or nobody needs it any more


def _innermost(error: BaseException | None) -> str:
    while isinstance(error, BaseExceptionGroup):
        error = error.exceptions[0]
    return "without a word" if error is None else f"{error}" or type(error).__name__
