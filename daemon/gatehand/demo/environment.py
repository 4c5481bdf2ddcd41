"""Broker, devices and the real daemon in one event loop: brought up together, and taken down in the order of a shop's.

Its folder, which stays, has the event log and the config that goes with it. Knows no script and prints nothing; what
is played here stands in `play`.
"""

import asyncio
import re
import tempfile
import time
from collections.abc import AsyncIterator, Callable, Mapping
from contextlib import AsyncExitStack, asynccontextmanager, suppress
from importlib.resources import files
from pathlib import Path
from typing import Final

from gatehand.config import Loaded, load
from gatehand.demo.day import BLIND_GATE, HABITS
from gatehand.demo.simulated_devices import FAULT_TOPICS, SimulatedDevices
from gatehand.journal.line import LogLine
from gatehand.journal.reader import Follower
from gatehand.mqtt.client import plain_client
from gatehand.mqtt.embedded import embedded_broker
from gatehand.mqtt.settings import BrokerSettings
from gatehand.shell.daemon import Daemon
from gatehand.simshop.sim_shop import SimShop
from gatehand.text import shown
from gatehand_rules.findings import Fact, Happened

CONFIG_NAME: Final = "shop.toml"
_PORT: Final = re.compile(r"^port = 1883\b", re.MULTILINE)
_UP_WITHIN: Final = 15.0
_DOWN_WITHIN: Final = 5.0
_LOOK_EVERY: Final = 0.05


class FolderError(Exception):
    """The folder cannot be used; the message says why and what to do."""


class DemoError(Exception):
    """The demo cannot go on; the message says why."""


def make_folder(wanted: Path | None) -> Path:
    """The folder: the one named, made where it is not there yet, or a fresh one among the system's temporary ones.

    Raises:
        FolderError: it cannot be made.
    """
    try:
        if wanted is None:
            return Path(tempfile.mkdtemp(prefix="gatehand-demo-"))
        wanted.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise FolderError(f"{error.filename or wanted}: {error.strerror}; name another folder with --log") from error
    return wanted


def _write_config(folder: Path, port: int) -> Loaded:
    """The shop's config, with the broker's port in it, beside the log that it names; gives it loaded."""
    text = (files("gatehand.demo") / CONFIG_NAME).read_text("utf-8")
    path = folder / CONFIG_NAME
    first = text.partition("\n")[0]
    try:
        if path.exists() and not path.read_text("utf-8", "replace").startswith(first):
            raise FolderError(f"{path}: not a config of the demo, so it is left alone; name another folder with --log")
        path.write_text(_PORT.sub(f"port = {port}", text), encoding="utf-8")
    except OSError as error:
        raise FolderError(f"{path}: {error.strerror}; name another folder with --log") from error
    loaded = load(path)
    if loaded.errors:
        raise FolderError(f"{loaded.errors[0]} ({shown(CONFIG_NAME)} comes with the demo: install it again)")
    return loaded


class Environment:
    """A demo that is up. `look` is to be called often: it reads the log, and notices when a part has ended."""

    def __init__(
        self, folder: Path, port: int, devices: SimulatedDevices, heard: Callable[[list[LogLine]], None]
    ) -> None:
        self.folder = folder
        self.port = port
        self.devices = devices
        self.warnings: list[str] = []
        """What the daemon said to whoever looks at the service, information left out."""
        self.lines: list[LogLine] = []
        """The event log so far."""
        self.parts: dict[str, asyncio.Task[None]] = {}
        """What must not end before the demo does."""
        self._follower = Follower(folder)
        self._heard = heard

    def diagnose(self, level: str, text: str, facts: Mapping[str, Fact] | None = None) -> None:
        """The daemon's own words."""
        del facts
        if level != "info":
            self.warnings.append(text)

    def look(self) -> None:
        """Read what is new in the event log, and see that every part still runs.

        Raises:
            DemoError: a part of the demo has ended.
        """
        fresh = self._follower.poll()
        self.lines += fresh
        self._heard(fresh)
        for what, task in self.parts.items():
            if task.done():
                error = None if task.cancelled() else task.exception()
                raise DemoError(f"{what} ended too early: {_innermost(error)}") from error

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


@asynccontextmanager
async def brought_up(
    folder: Path, port: int, played: Callable[[float, str], None], heard: Callable[[list[LogLine]], None]
) -> AsyncIterator[Environment]:
    """Everything up: the broker answers, the devices speak, the daemon has adopted the shop.

    Args:
        folder: for log and config.
        port: the broker's; 0: any that is free.
        played: hears what people do by fault inputs, at monotonic seconds.
        heard: is given the lines of the event log as they come, often none; to the last one.

    Raises:
        NoEmbeddedBrokerError: no broker.
        FolderError: the config cannot be written, or a file of that name is not the demo's.
        DemoError: a part did not come up.
    """
    async with AsyncExitStack() as stack:
        port = await stack.enter_async_context(embedded_broker(port))
        loaded = _write_config(folder, port)
        if loaded.config is None:
            raise DemoError("the demo's config has errors")
        shop = SimShop(loaded.config, now=time.monotonic(), habits=HABITS)
        settings = BrokerSettings("127.0.0.1", port, client_id="shop-devices", protocol="3.1.1", keepalive=30)
        client = await stack.enter_async_context(plain_client(settings, (*shop.topics, FAULT_TOPICS)))
        devices = SimulatedDevices(shop, client, played)
        demo = Environment(folder, port, devices, heard)
        speaking = demo.parts["the simulated shop"] = asyncio.create_task(devices.run())
        stack.push_async_callback(_end, speaking)
        daemon = Daemon(loaded, demo.diagnose)
        working = demo.parts["the daemon"] = asyncio.create_task(daemon.run())
        stack.push_async_callback(_stop, daemon, working, demo)
        if not await demo.wait(lambda: _is_up(demo.lines), _UP_WITHIN):
            raise DemoError(f"the daemon was not ready within {_UP_WITHIN:g} s")
        yield demo


def _is_up(lines: list[LogLine]) -> bool:
    """Everything found at the start has been seen to: the gate that cannot report has been shut last."""
    return any(line["event"] == Happened.GATE_SHUT and line.get("gate") == BLIND_GATE for line in lines)


async def _stop(daemon: Daemon, working: asyncio.Task[None], demo: Environment) -> None:
    """The daemon says goodbye while its broker and devices still live."""
    daemon.stop("the demo is over")
    await asyncio.wait((working,), timeout=_DOWN_WITHIN)
    await _end(working)
    with suppress(DemoError):  # that it has ended is no news here
        demo.look()


async def _end(task: asyncio.Task[None]) -> None:
    task.cancel()
    await asyncio.wait((task,))
    if not task.cancelled():
        task.exception()  # `look` has told it, or nobody needs it any more


def _innermost(error: BaseException | None) -> str:
    while isinstance(error, BaseExceptionGroup):
        error = error.exceptions[0]
    return "without a word" if error is None else f"{error}" or type(error).__name__
