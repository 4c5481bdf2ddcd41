"""Daemon and broker killed together while a collector is held, the broker's memory lost or old: does a cut start it?

Real processes: a daemon, a Mosquitto with persistence whose autosave is far away, and the devices as one client.
"""

import itertools
import json
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from random import Random

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion
from support.child import RunningDaemon, wait_until
from support.mosquitto import Mosquitto
from support.quick_shop import STOP, quick_shop

FAN, AMPS, ESTOP, HOLD = "shop/fan/set", "shop/band_saw/amps", "shop/estop", "gatehand/collector/main/hold"
CAUSES = ("a hold asked for", "a stop latched")
MEMORIES = ("lost", "old")


class Devices:
    """All devices of the shop, which answer, and what they heard of the daemon."""

    def __init__(self, port: int) -> None:
        self.starts = 0
        self.shown: dict[str, dict[str, object]] = {}
        self.online = 0
        """How often the daemon has said that it is there."""
        self._ready = threading.Event()
        self._client = client = paho.Client(CallbackAPIVersion.VERSION2)
        client.on_message = self._on_message
        client.on_connect = lambda client, *_: client.subscribe([("shop/#", 1), ("gatehand/#", 1)])
        client.on_subscribe = lambda *_: self._ready.set()
        client.connect("127.0.0.1", port)
        client.loop_start()
        assert self._ready.wait(5), "the broker gave no answer"

    def say(self, topic: str, payload: str, *, retain: bool = False) -> None:
        """Publish, and wait until the broker has it."""
        self._client.publish(topic, payload, 1, retain).wait_for_publish(5)

    def word(self, what: str) -> object:
        """The state that the daemon shows of it, such as of "tool/band_saw"."""
        return self.shown.get(what, {}).get("state")

    def rest(self) -> None:
        """The saw is heard to stand."""
        self._until("0.1", "idle")

    def cut(self) -> None:
        """From idle to cutting, seen by the daemon."""
        self.rest()
        self._until("5", "running")

    def _until(self, amps: str, word: str) -> None:
        """As a sensor that speaks ten times a second does, until the daemon shows what it made of it."""

        def seen() -> bool:
            self.say(AMPS, amps)
            time.sleep(0.1)
            return self.word("tool/band_saw") == word

        wait_until(seen, 20, f"the saw is {word}")

    def leave(self) -> None:
        """Off the broker."""
        self._client.disconnect()
        self._client.loop_stop()

    def _on_message(self, client: paho.Client, _data: object, message: paho.MQTTMessage) -> None:
        text = message.payload.decode(errors="replace")
        if message.topic.endswith("/set") and not message.retain:
            self.starts += (message.topic, text) == (FAN, "1")
            client.publish(message.topic.removesuffix("set") + "state", text, 1)
        elif message.topic == "gatehand/online" and text == "1" and not message.retain:
            self.online += 1
        elif message.topic.startswith(("gatehand/tool/", "gatehand/collector/")) and text.startswith("{"):
            self.shown[message.topic.removeprefix("gatehand/")] = json.loads(text)


@contextmanager
def devices(port: int) -> Iterator[Devices]:
    """On the broker for as long as it lasts."""
    there = Devices(port)
    try:
        yield there
    finally:
        there.leave()


def double_kill(folder: Path, number: int, random: Random, *, forgets: bool = False) -> tuple[str, int]:
    """One hold, both killed, one cut; gives what was tried, and how often the collector was switched on.

    `forgets`: the daemon's own file is lost as well.
    """
    cause, memory = CAUSES[number % 2], MEMORIES[number // 2 % 2]
    cutting, daemon_first = random.random() < 0.5, random.random() < 0.5
    folder.mkdir()
    with Mosquitto(config=("autosave_interval 1800",), persistent=True) as broker:
        (folder / "config.toml").write_text(quick_shop(broker.port, STOP, coast_down=0.5, run_on=0.5))
        if memory == "old":
            _one_quiet_life(folder, broker)
        with RunningDaemon(folder) as daemon:
            with devices(broker.port) as there:
                wait_until(lambda: there.word("collector/main") is not None, 20, "it is there")
                there.cut() if cutting else there.rest()
                if cutting:
                    wait_until(lambda: there.word("collector/main") == "running", 20, "the fan runs")
                _hold(there, cause)
                wait_until(lambda: there.word("collector/main") == "held", 20, "held is shown")
                time.sleep(random.uniform(0, 0.2))
            for kill in (daemon.kill, broker.kill9) if daemon_first else (broker.kill9, daemon.kill):
                kill()
        if memory == "lost":
            (broker.folder / "mosquitto.db").unlink(missing_ok=True)
        if forgets:
            (folder / "state.json").unlink()
        broker.revive()
        with devices(broker.port) as there, RunningDaemon(folder):
            wait_until(lambda: there.online > 0, 20, "it is back")
            there.cut()
            _two_beats(there)
            tried = f"{cause}, broker's memory {memory}, {'cutting' if cutting else 'at rest'}"
            return tried, there.starts


def _one_quiet_life(folder: Path, broker: Mosquitto) -> None:
    """The broker saves that the collector is off, and knows nothing of what follows."""
    with devices(broker.port) as there, RunningDaemon(folder):
        wait_until(lambda: there.word("collector/main") == "off", 20, "it rests")
    broker.stop()
    assert (broker.folder / "mosquitto.db").exists(), "the broker has saved its memory"
    broker.revive()


def _hold(there: Devices, cause: str) -> None:
    if cause == CAUSES[0]:
        there.say(HOLD, "filter change")
    else:
        there.say(ESTOP, "1")
        wait_until(lambda: there.word("collector/main") == "held", 20, "the stop holds")
        there.say(ESTOP, "0", retain=True)


def _two_beats(there: Devices) -> None:
    """Readings that are shown at the daemon's own beats: longer than a gate's travel and a start."""
    for amps in (6.0, 7.5, 9.0):
        there.say(AMPS, str(amps))
        wait_until(lambda: there.shown["tool/band_saw"].get("amps") == amps, 20, "a beat")  # noqa: B023


def double_kills(folder: Path, numbers: range, seed: int, tell: Callable[[str], None]) -> int:
    """So many of them; gives the starts in all, of which there must be none."""
    starts = 0
    for count, number in enumerate(numbers, 1):
        tried, seen = double_kill(folder / str(number), number, Random(f"{seed} {number}"))
        starts += seen
        tell(f"double kill {count}: {tried}: {seen} starts")
    tell(f"{starts} starts of {len(numbers)} (seed {seed})")
    return starts


def sample(most: int, seed: int) -> range:
    """A stretch of so many numbers that has each cause and each memory."""
    assert most >= len(tuple(itertools.product(CAUSES, MEMORIES)))
    return range(begin := Random(seed).randrange(1000), begin + most)
