"""The shops that the page is tried with: simulated ones that a real broker shows, and `gatehand page` beside them.

What is shown of a shop is what the real engine has published (`support/recorded_shop.py`), in simulated time: no shape
of a message is made up here, and the beat is said as the daemon says it.
"""

import http.client
import itertools
import json
import os
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType
from typing import Any, Final, Self

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion
from support.child import environment, gatehand_does, wait_until
from support.ports import free_port
from support.recorded_shop import RecordedShop

from gatehand.config import load
from gatehand.mqtt.transport import MessageKind, Outgoing
from gatehand.shell.daemon import BEAT, BEAT_TOPIC

SHOP: Final = """
[collector.main]
command = { topic = "shop/fan/set", on = "1", off = "0" }
state = { topic = "shop/fan/state", on = "1", off = "0" }
spin_up = 2
coast_down = 6
bin_full = { topic = "shop/bin/full", active = "1", clear = "0" }

[gate.band_saw]
command = { topic = "shop/gate/band_saw/set", open = "open", shut = "shut" }
state = { topic = "shop/gate/band_saw/state", open = "open", shut = "shut" }
button = { topic = "shop/gate/band_saw/button", pressed = "1" }
retries = 1

[gate.planing]
command = { topic = "shop/gate/planing/set", open = "open", shut = "shut" }
state = { topic = "shop/gate/planing/state", open = "open", shut = "shut" }

[gate.router]
command = { topic = "shop/gate/router/set", open = "open", shut = "shut" }

[gate.sweep]
command = { topic = "shop/gate/sweep/set", open = "open", shut = "shut" }
state = { topic = "shop/gate/sweep/state", open = "open", shut = "shut" }
button = { topic = "shop/gate/sweep/button", pressed = "1" }
hand_limit = "5 min"

[tool.band_saw]
gates = ["band_saw"]
current = { topic = "shop/band_saw/amps" }
start_amps = 2.5
run_on = 10

[tool.jointer]
gates = ["planing"]
current = { topic = "shop/jointer/amps" }
start_amps = 2.5
run_on = 12

[tool.drum_sander]
gates = ["planing"]
current = { topic = "shop/drum_sander/amps" }
start_amps = 2.5
run_on = 20

[tool.router]
gates = ["router"]
current = { topic = "shop/router/amps" }
start_amps = 2
run_on = 0

[stop.emergency]
topic = "shop/estop"
active = "1"
clear = "0"
"""
"""The instrument maker's: two machines on one gate, a gate without report, a sweep without a machine."""


def long_shop(names: list[str]) -> str:
    """A shop with a gate and a tool of each name."""
    tables = ['[collector.main]\ncommand = { topic = "shop/fan/set", on = "1", off = "0" }\n']
    for number, name in enumerate(names):
        tables.append(
            f'[gate.{name}]\ncommand = {{ topic = "shop/gate/{number}/set", open = "open", shut = "shut" }}\n'
            f'state = {{ topic = "shop/gate/{number}/state", open = "open", shut = "shut" }}\n'
            f'[tool.{name}]\ngates = ["{name}"]\ncurrent = {{ topic = "shop/{number}/amps" }}\nstart_amps = 2.5\n'
        )
    return "\n".join(tables)


class Broadcast:
    """What the broker retains for the page: the last shop shown, and nothing of the one before it; and its beat.

    The beat comes three times a second: a busy machine may be late with some, and the shop is not to be lost by that.
    """

    def __init__(self, port: int) -> None:
        self._kept: dict[str, bytes] = {}
        self._ends = threading.Event()
        self._beating = threading.Thread(target=self._beat, daemon=True)
        self._client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        self._beating.start()

    def say(self, topic: str, payload: bytes | str, *, retain: bool = True) -> None:
        """Publish, and wait until the broker has it."""
        raw = payload.encode() if isinstance(payload, str) else payload
        self._client.publish(topic, raw, 1, retain).wait_for_publish(60)
        if retain:
            self._kept[topic] = raw

    def show(self, retained: dict[str, bytes]) -> None:
        """Make the broker retain this and nothing else."""
        for topic in [each for each, payload in self._kept.items() if payload and each not in retained]:
            self.say(topic, b"")
        for topic, payload in retained.items():
            if self._kept.get(topic) != payload:
                self.say(topic, payload)

    def close(self) -> None:
        """Leave the broker."""
        self._ends.set()
        self._beating.join()
        self._client.disconnect()
        self._client.loop_stop()

    def _beat(self) -> None:
        while not self._ends.wait(BEAT / 3):
            self._client.publish(f"gatehand/{BEAT_TOPIC}", b"1", 0)


class ShownShop(RecordedShop):
    """A simulated shop whose daemon's words go to a real broker, when the test says so (`show`).

    Its clock is set so that now is now whenever it is shown.
    """

    def __init__(self, folder: Path, text: str = SHOP) -> None:
        self.published: dict[str, bytes] = {"gatehand/online": b"1"}
        folder.mkdir(parents=True, exist_ok=True)
        super().__init__(folder, text, wall=time.time())
        loaded = load(self.config)
        assert loaded.config is not None
        self._described = loaded.config

    def publish(self, outgoing: Outgoing) -> bool:
        """See `Transport`."""
        if outgoing.kind is MessageKind.STATUS:
            self.published[outgoing.topic] = outgoing.payload
            if not outgoing.payload:
                del self.published[outgoing.topic]
        return super().publish(outgoing)

    def run(self, seconds: float, *, alive: bool = True) -> None:
        """Time passes, and ends now."""
        self.clocks.ahead = time.time() - self.clocks.now - seconds
        super().run(seconds, alive=alive)

    def part_of(self, what: str) -> str:
        """The part of the page that shows `collector/main`, a gate or a tool."""
        kind, _, name = what.partition("/")
        match kind:
            case "collector":
                return f"collector:{name}"
            case "gate":
                return f"station:{name}"
            case _:
                return f"station:{self._described.tool[name].gates[0]}"

    def said(self, what: str) -> dict[str, Any]:
        """The status of `gate/band_saw`, or an alarm."""
        found = json.loads(self.published[f"gatehand/{what}"])
        assert isinstance(found, dict)
        return found

    @property
    def alarms(self) -> list[str]:
        """Ids of those that are active."""
        return [topic.removeprefix("gatehand/alarm/") for topic in self.published if "/alarm/" in topic]

    def reworded(self, word: Callable[[str, str], str]) -> Self:
        """The same messages with other texts in them: `word(key, text)` for each text, however deep it stands."""

        def again(key: str, found: object) -> object:
            match found:
                case str():
                    return word(key, found)
                case list():
                    return [again(key, each) for each in found]
                case dict():
                    return {name: again(name, each) for name, each in found.items()}
                case _:
                    return found

        for topic, payload in self.published.items():
            if topic != "gatehand/online":
                self.published[topic] = json.dumps(again("", json.loads(payload))).encode()
        return self

    def show(self, to: Broadcast) -> Self:
        """What the broker retains is what this shop's daemon has said."""
        to.show(self.published)
        return self


class RunningPage:
    """`gatehand page` for the config of a folder. A context manager: ended at exit.

    Args:
        folder: with the config.toml.
        more: further words of the command.
    """

    def __init__(self, folder: Path, *more: str) -> None:
        self.folder = folder
        self.port = free_port()
        self._more = more
        self._process: subprocess.Popen[bytes] | None = None

    @property
    def url(self) -> str:
        """Its address, with the slash."""
        return f"http://127.0.0.1:{self.port}/"

    @property
    def pid(self) -> int:
        """Its process id."""
        assert self._process is not None, "the page does not run"
        return self._process.pid

    @property
    def said(self) -> str:
        """What it has printed so far, over all its starts."""
        return (self.folder / "page.out").read_text()

    def start(self) -> Self:
        """Start it (again), and wait until it answers."""
        words = ["page", "--config", str(self.folder / "config.toml"), "--listen", f"127.0.0.1:{self.port}"]
        with (self.folder / "page.out").open("ab") as out:
            self._process = subprocess.Popen(  # noqa: S603
                [sys.executable, "-m", "gatehand", *words, *self._more],
                stdout=out,
                stderr=out,
                env=environment(PYTHONUNBUFFERED="1"),
            )
        wait_until(self._answers, what="the page answers")
        return self

    def parts(self) -> dict[str, dict[str, Any]]:
        """What it tells a browser that asks now."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=60)
        try:
            connection.request("GET", "/events")
            answer = connection.getresponse()
            while not (line := answer.readline()).startswith(b'data: {"v"'):
                assert line, "the stream has ended"
            found: dict[str, dict[str, Any]] = json.loads(line.removeprefix(b"data: "))["parts"]
            return found
        finally:
            connection.close()

    def kill(self) -> None:
        """End it without warning."""
        process, self._process = self._process, None
        if process is not None:
            process.kill()
            process.wait()

    def code(self) -> str:
        """A new code for pairing, as the owner gets one."""
        done = gatehand_does("page", "--pair", "--config", str(self.folder / "config.toml"), *self._more)
        assert done.returncode == 0, done.stderr
        found = re.search(r"\b[2-9A-Z]{4}-[2-9A-Z]{4}\b", done.stdout)
        assert found is not None, done.stdout
        return found[0]

    def __enter__(self) -> Self:
        return self.start()

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.kill()

    def _answers(self) -> bool:
        assert self._process is not None
        assert self._process.poll() is None, self.said
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=60)
        try:
            connection.request("GET", "/")
            return connection.getresponse().status == http.client.OK
        except ConnectionRefusedError:
            return False
        finally:
            connection.close()


@contextmanager
def frozen(pid: int) -> Iterator[None]:
    """A process that stands still meanwhile: its connections stay, and nothing answers."""
    os.kill(pid, signal.SIGSTOP)
    try:
        wait_until(lambda: Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] == "T")
        yield
    finally:
        os.kill(pid, signal.SIGCONT)


class Devices:
    """Switch, gates and sensors of the real daemon's shop: whatever is commanded is reported at once.

    Args:
        port: of the broker.
        mute: topics of commands that nothing answers.
    """

    def __init__(self, port: int, *mute: str) -> None:
        self.mute = set(mute)
        self.asked: list[tuple[str, str]] = []
        """What was asked of the daemon, by topic below its base."""
        self.status: dict[str, str] = {}
        self._numbers = itertools.count()
        self._client = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv5)
        self._client.on_message = self._on_message
        self._client.on_connect = lambda client, *_: client.subscribe([("shop/#", 1), ("gatehand/#", 1)])
        self._client.reconnect_delay_set(1, 1)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()

    def say(self, topic: str, payload: str, *, retain: bool = False) -> None:
        """A message from anywhere in the shop."""
        self._client.publish(topic, payload, 1, retain)

    def state(self, what: str) -> str:
        """The daemon's word for `gate/band_saw`; empty: it has said none."""
        text = self.status.get(what, "")
        return str(json.loads(text)["state"]) if text else ""

    def asks(self, what: str) -> list[dict[str, Any]]:
        """All that a page has asked for on one topic below the base, such as `gate/band_saw/hand`."""
        found = [json.loads(text) for topic, text in list(self.asked) if topic == what and text.startswith("{")]
        return [each for each in found if each.get("by") == "page"]

    def close(self) -> None:
        """Leave the broker."""
        self._client.disconnect()
        self._client.loop_stop()

    def wait(self, true: Callable[[], object], what: str) -> None:
        """Until it is so."""
        wait_until(lambda: bool(true()), what=what)

    def _on_message(self, _client: paho.Client, _userdata: object, message: paho.MQTTMessage) -> None:
        topic, text = message.topic, message.payload.decode(errors="replace")
        if topic.startswith("gatehand/"):
            what = topic.removeprefix("gatehand/")
            if what.rpartition("/")[2] in {"hand", "hold", "reset", "off"}:
                self.asked.append((what, text))
            else:
                self.status[what] = text
        elif topic.endswith("/set") and topic not in self.mute and not message.retain:
            self._client.publish(f"{topic.removesuffix('set')}state", text, 1, retain=True)
