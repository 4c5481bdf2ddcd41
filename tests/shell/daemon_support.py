"""The real daemon as a child process against a real Mosquitto, with devices and an observer around it."""

import asyncio
import json
import signal
import subprocess
import sys
import threading
import time
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, Any, Self

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion
from support.child import environment, wait_until

from gatehand.mqtt.embedded import embedded_broker

if TYPE_CHECKING:
    from collections.abc import Callable

SHOP = """
[broker]
port = {port}

[collector.main]
command = {{ topic = "shop/fan/set", on = "1", off = "0" }}
state = {{ topic = "shop/fan/state", on = "1", off = "0" }}
spin_up = 0.2
coast_down = 0.5

[gate.band_saw]
command = {{ topic = "shop/gate/band_saw/set", open = "open", shut = "shut" }}
state = {{ topic = "shop/gate/band_saw/state", open = "open", shut = "shut" }}
travel = 0.5
retries = 1

[gate.bench]
command = {{ topic = "shop/gate/bench/set", open = "open", shut = "shut" }}
travel = 0.3

[tool.band_saw]
gates = ["band_saw"]
current = {{ topic = "shop/band_saw/amps" }}
start_amps = 2.5
run_on = 0.5

[tool.router]
gates = ["bench"]
current = {{ topic = "shop/router/amps" }}
start_amps = 2
run_on = 0

[stop.emergency]
topic = "shop/estop"
active = "1"
clear = "0"
"""

FAN, SAW, BENCH = "shop/fan/set", "shop/gate/band_saw/set", "shop/gate/bench/set"
COMMANDS = (FAN, SAW, BENCH)
ON, OFF = (FAN, "1"), (FAN, "0")


class Shopfloor:
    """Everything on the broker but the daemon: healthy devices that answer, and an observer of all commands."""

    def __init__(self, port: int, answering: tuple[str, ...] = (FAN, SAW)) -> None:
        self.commands: list[tuple[str, str]] = []
        self.retained: dict[str, str] = {}
        self.at: list[float] = []
        self.answering = set(answering)
        self.watched = set(COMMANDS)
        """Topics of commands."""
        self.on_command: Callable[[str, str], None] = lambda _topic, _text: None
        self._doubted = True
        self._ready = threading.Event()
        self._client = paho.Client(CallbackAPIVersion.VERSION2)
        self._client.on_message = self._on_message
        self._client.on_connect = lambda client, *_: client.subscribe([("shop/#", 1), ("gatehand/#", 1)])
        self._client.on_subscribe = lambda *_: self._ready.set()
        self._client.reconnect_delay_set(1, 1)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        assert self._ready.wait(60)

    def say(self, topic: str, payload: str | bytes, *, retain: bool = False) -> None:
        self._client.publish(topic, payload, 1, retain)

    def reset(self, collector: str = "main") -> None:
        """Ask for a reset until one counts: none may have come in the two seconds before it."""
        for _ in range(25):
            self.say(f"gatehand/collector/{collector}/reset", "")
            end = time.monotonic() + 2.2
            while time.monotonic() < end:
                if (self.shown(f"collector/{collector}") or {}).get("state") != "held":
                    return
                time.sleep(0.01)
        raise AssertionError(f"no reset of {collector} counts")

    def told(self, since: int = 0) -> list[tuple[str, str]]:
        return list(self.commands[since:])

    def shown(self, topic: str) -> Any:  # noqa: ANN401 - JSON, or None when it was emptied
        text = self.retained.get(f"gatehand/{topic}", "")
        return json.loads(text) if text else None

    def idle(self) -> None:
        """Both tools are heard to stand, and the shop has come to rest."""
        wait_until(lambda: self.retained.get("gatehand/online") == "1", what="the daemon is there")
        self.stand()
        wait_until(lambda: all((self.shown(f"tool/{t}") or {}).get("state") == "idle" for t in ("band_saw", "router")))
        wait_until(lambda: (self.shown("collector/main") or {}).get("state") == "off", what="the fan stands")
        wait_until(lambda: (self.shown("gate/bench") or {}).get("state") == "shut", what="the gates are shut")
        wait_until(lambda: (self.shown("gate/band_saw") or {}).get("state") == "shut", what="the gates are shut")

    def stand(self) -> None:
        """Both tools say that they stand: to a new connection twice, a second after it has heard the first word."""
        self._say_standing("0.1")
        if self._doubted:
            self._say_standing("0.3")  # another current, which the next beat shows
            wait_until(lambda: all((self.shown(f"tool/{t}") or {}).get("amps") == 0.3 for t in ("band_saw", "router")))
            time.sleep(1)
            self._say_standing("0.1")
            self._doubted = False

    def _say_standing(self, amps: str) -> None:
        self.say("shop/band_saw/amps", amps)
        self.say("shop/router/amps", amps)

    def _on_message(self, _client: paho.Client, _userdata: object, message: paho.MQTTMessage) -> None:
        text = message.payload.decode(errors="replace")
        if message.topic in self.watched:
            if message.retain or not text:
                return
            self.on_command(message.topic, text)
            self.at.append(time.monotonic())
            self.commands.append((message.topic, text))
            if message.topic in self.answering:
                self._client.publish(message.topic.removesuffix("set") + "state", text, 1)
        elif message.topic.startswith("gatehand/"):
            self.retained[message.topic] = text
            self._doubted = self._doubted or message.topic == "gatehand/online"

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


PATIENT = """
import sys
from gatehand.shell import log_first
log_first.BOUND = 30.0
from gatehand.cli import main
sys.exit(main())
"""
"""A daemon whose commands wait longer for their lines: a test that has seen a command finds its line in the log,
however busy the machine is. What the bound of the product does is tested by a disk that stalls."""


class Process:
    """`gatehand run` in a folder of its own. `program`: another Python program that ends in gatehand's `main`."""

    def __init__(self, folder: Path, text: str, *, env: dict[str, str] | None = None, program: str = PATIENT) -> None:
        self.folder = folder
        self._after = 0
        self.config = folder / "config.toml"
        self.config.write_text(text)
        with (folder / "stderr").open("ab") as stderr:
            self._process = subprocess.Popen(  # noqa: S603
                [sys.executable, "-c", program, "run", "--config", str(self.config)],
                stderr=stderr,
                stdout=stderr,
                env=env or environment(),
            )

    @property
    def pid(self) -> int:
        return self._process.pid

    @property
    def stderr(self) -> str:
        return (self.folder / "stderr").read_text()

    def signal(self, number: signal.Signals) -> None:
        self._process.send_signal(number)

    def wait(self, seconds: float = 60.0) -> int:
        return self._process.wait(seconds)

    def stop(self) -> int:
        self.signal(signal.SIGTERM)
        return self.wait()

    @property
    def runs(self) -> bool:
        return self._process.poll() is None

    def mark(self) -> None:
        """From here on `lines` and `events` give what comes after."""
        self._after = max((int(line["seq"]) for line in self.lines()), default=0)

    def lines(self) -> list[dict[str, Any]]:
        """The event log as it is on disk now."""
        found: list[dict[str, Any]] = []
        for file in sorted((self.folder / "log").glob("events-*.jsonl")):
            found += [json.loads(line) for line in file.read_text().splitlines() if line.endswith("}")]
        return [line for line in found if line["seq"] > self._after]

    def events(self, *names: str) -> list[dict[str, Any]]:
        return [line for line in self.lines() if line["event"] in names]

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self.runs:
            self._process.kill()
            self._process.wait()


class EmbeddedBroker:
    """The demo's broker, in an event loop of its own."""

    def __init__(self) -> None:
        self.port = 0
        self._loop = asyncio.new_event_loop()
        self._end = asyncio.Event()
        self._up = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def _run(self) -> None:
        async def serve() -> None:
            async with embedded_broker() as self.port:
                self._up.set()
                await self._end.wait()

        self._loop.run_until_complete(serve())
        self._loop.close()

    def __enter__(self) -> Self:
        self._thread.start()
        assert self._up.wait(60), "the embedded broker does not come up"
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._loop.call_soon_threadsafe(self._end.set)
        self._thread.join(60)
