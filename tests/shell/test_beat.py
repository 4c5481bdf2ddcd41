"""The daemon's beat: said every second for as long as its control loop gets somewhere, and by nothing else."""

import os
import signal
import threading
from pathlib import Path

import paho.mqtt.client as paho
import pytest
from daemon_support import SHOP, Process, Shopfloor
from paho.mqtt.enums import CallbackAPIVersion
from support.child import wait_until
from support.mosquitto import Mosquitto

from gatehand.mqtt.inbox import Message
from gatehand.screen.daemon_status import DaemonStatus
from gatehand.shell.daemon import BEAT_TOPIC

TOPIC = f"gatehand/{BEAT_TOPIC}"


class Listener:
    """Counts what is said on the beat's topic, and what of it was retained."""

    def __init__(self, port: int) -> None:
        self.said = 0
        self.retained = 0
        ready = threading.Event()
        self._client = paho.Client(CallbackAPIVersion.VERSION2)
        self._client.on_message = self._hear
        self._client.on_subscribe = lambda *_: ready.set()
        self._client.connect("127.0.0.1", port)
        self._client.subscribe(TOPIC)
        self._client.loop_start()
        assert ready.wait(60)

    def _hear(self, _client: paho.Client, _userdata: object, message: paho.MQTTMessage) -> None:
        self.said += 1
        self.retained += message.retain

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@pytest.mark.broker
def test_the_daemon_beats_until_it_is_frozen_and_again_once_it_is_thawed(broker: Mosquitto, tmp_path: Path) -> None:
    with Shopfloor(broker.port) as floor, Process(tmp_path, SHOP.format(port=broker.port)) as daemon:
        wait_until(lambda: floor.retained.get("gatehand/online") == "1")
        heard = Listener(broker.port)
        wait_until(lambda: heard.said >= 2, what="it beats")
        os.kill(daemon.pid, signal.SIGSTOP)
        wait_until(lambda: Path(f"/proc/{daemon.pid}/stat").read_text().rpartition(")")[2].split()[0] == "T")
        marked = Listener(broker.port)  # what was under way has come once this one has subscribed
        assert marked.retained == 0
        before = marked.said
        os.kill(daemon.pid, signal.SIGCONT)
        wait_until(lambda: marked.said >= before + 2, what="it beats again")
        assert heard.retained == marked.retained == 0
        for each in (heard, marked):
            each.close()
        assert daemon.stop() == 0


STUCK = """
import pathlib, sys
from gatehand.shell.engine import Engine
beat = Engine.beat
def stuck(self):
    if pathlib.Path(sys.argv[-1]).with_name("stuck").exists():
        raise RuntimeError("stuck")
    beat(self)
Engine.beat = stuck
from gatehand.cli import main
sys.exit(main())
"""
"""A daemon whose control loop gets nowhere while a file of that name is there."""


@pytest.mark.broker
def test_a_loop_that_gets_nowhere_does_not_beat(broker: Mosquitto, tmp_path: Path) -> None:
    with (
        Shopfloor(broker.port) as floor,
        Process(tmp_path, SHOP.format(port=broker.port), program=STUCK) as daemon,
    ):
        wait_until(lambda: floor.retained.get("gatehand/online") == "1")
        heard = Listener(broker.port)
        wait_until(lambda: heard.said >= 1, what="it beats")
        (tmp_path / "stuck").touch()
        wait_until(lambda: daemon.stderr.count("RuntimeError: stuck") >= 1)
        Listener(broker.port).close()  # what it had said before has come
        before = heard.said
        wait_until(lambda: daemon.stderr.count("RuntimeError: stuck") >= 3, what="three turns that got nowhere")
        assert heard.said == before
        (tmp_path / "stuck").unlink()
        wait_until(lambda: heard.said > before, what="it beats again")
        heard.close()
        assert daemon.stop() == 0


def said(payload: bytes, received: float, *, topic: str = BEAT_TOPIC, retained: bool = False) -> Message:
    return Message(f"gatehand/{topic}", payload, retained, received)


def test_silence_counts_from_the_last_beat_by_the_monotonic_clock() -> None:
    status = DaemonStatus("gatehand")
    status.connected()
    status.hear(said(b"1", 100.0, topic="online", retained=True), 1e9)
    assert status.silent_for(500.0) == 0, "an earlier daemon never beats: only its will tells"
    status.hear(said(b"1", 101.0), 1e9 - 7200)  # a wall clock that is set back
    assert status.silent_for(101.5) == 0.5
    status.hear(said(b"1", 140.0, retained=True), 1e9)
    assert status.silent_for(103.5) == 2.5, "what is retained is no beat"


@pytest.mark.parametrize("end", ["offline", "another connection"])
def test_an_earlier_daemon_that_comes_next_need_not_beat(end: str) -> None:
    status = DaemonStatus("gatehand")
    status.connected()
    status.hear(said(b"1", 100.0), 1e9)
    if end == "offline":
        status.hear(said(b"0", 101.0, topic="online"), 1e9)
    else:
        status.connected()
    assert status.silent_for(500.0) == 0
