"""`gatehand exercise --limit` as a program on a real Mosquitto: how it ends, and where it does not begin."""

import fcntl
import json
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from support.child import environment, wait_until
from support.mosquitto import Mosquitto

from gatehand.cli import main
from gatehand.shell.ports import HoldKept, Remembered
from gatehand.shell.state_file import FILE, encoded
from gatehand.shell.state_folder import LOCK

SHOP = """
[broker]
port = {port}

[collector.main]
command = {{ topic = "c/set", on = "1", off = "0" }}
state = {{ topic = "c/state", on = "1", off = "0" }}
coast_down = 0
refresh = {refresh}

[gate.sweep]
command = {{ topic = "g/set", open = "open", shut = "shut" }}
state = {{ topic = "g/state", open = "open", shut = "shut" }}
button = {{ topic = "g/button", pressed = "1" }}
travel = 5
"""
ON, OFF = ("c/set", "1"), ("c/set", "0")


class Devices:
    """A gate and a switch that do as they are told and say so, over a connection that comes back by itself."""

    def __init__(self, port: int) -> None:
        self.told: list[tuple[str, str]] = []
        self._there = threading.Event()
        self._client = paho.Client(CallbackAPIVersion.VERSION2)
        self._client.reconnect_delay_set(1, 1)
        self._client.on_connect = lambda client, *_: client.subscribe([("c/set", 1), ("g/set", 1)])
        self._client.on_subscribe = lambda *_: self._there.set()
        self._client.on_message = self._on_message
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        assert self._there.wait(60)

    def _on_message(self, client: paho.Client, _userdata: object, message: paho.MQTTMessage) -> None:
        self.told.append((message.topic, message.payload.decode()))
        client.publish(message.topic.replace("set", "state"), message.payload, 1)

    def leave(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@contextmanager
def tried(broker: Mosquitto, folder: Path) -> Iterator[tuple["subprocess.Popen[str]", Devices]]:
    """The command and its devices, once the fan has been switched on."""
    file = folder / "shop.toml"
    file.write_text(SHOP.format(port=broker.port, refresh=300))
    devices = Devices(broker.port)
    command = [
        sys.executable,
        "-m",
        "gatehand",
        "exercise",
        "--config",
        str(file),
        "--limit",
        "main",
        "--yes",
        "--json",
    ]
    pipes = {"stdin": subprocess.DEVNULL, "stdout": subprocess.PIPE, "stderr": subprocess.PIPE}
    with subprocess.Popen(command, env=environment(), text=True, **pipes) as process:  # type: ignore[call-overload]  # noqa: S603
        try:
            wait_until(lambda: ON in devices.told, what="it switches the fan on")
            yield process, devices
        finally:
            process.kill()
            devices.leave()


@pytest.mark.broker
@pytest.mark.parametrize("how", [signal.SIGHUP, signal.SIGTSTP], ids=lambda how: how.name)
def test_a_signal_sends_off_first(how: signal.Signals, tmp_path: Path, broker: Mosquitto) -> None:
    with tried(broker, tmp_path) as (process, devices):
        process.send_signal(how)
        out, err = process.communicate(timeout=60)
        found = json.loads(out)
        assert (process.returncode, found["broken_off"], found["ok"]) == (1, True, False), err
        assert devices.told[-2:] == [ON, OFF]
        assert "was switched off" in found["made_safe"]
        assert "nothing but the switch's own limit ends the fan" in " ".join(err.split()), "said before it began"


@pytest.mark.broker
def test_a_broker_that_is_killed_and_comes_back_is_brought_the_off(tmp_path: Path) -> None:
    with Mosquitto() as broker, tried(broker, tmp_path) as (process, devices):
        broker.kill9()
        broker.revive()
        out, err = process.communicate(timeout=60)
        found = json.loads(out)
        assert process.returncode == 1, err
        assert "lost the broker" in found["stopped"]
        assert found["made_safe"] == ("Off was sent to main over a new connection. Gates were left as they are."), found
        wait_until(lambda: devices.told[-1] == OFF)
        assert devices.told.count(ON) == 1


@pytest.fixture
def config(tmp_path: Path) -> Path:
    file = tmp_path / "config.toml"
    file.write_text(SHOP.format(port=1, refresh=20))
    return file


def refused(config: Path, capsys: pytest.CaptureFixture[str], *words: str) -> tuple[int, str]:
    code = main(["exercise", "--config", str(config), "--yes", *words])
    return code, " ".join(capsys.readouterr().err.split())


def test_without_a_refresh_there_is_nothing_to_try(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    config.write_text(SHOP.format(port=1, refresh=0))
    code, said = refused(config, capsys, "--limit", "main")
    assert code == 1
    assert "[collector.main] has refresh = 0" in said
    assert "set refresh to a little under half of it" in said


def test_wrong_usage_says_what_was_meant(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert refused(config, capsys, "--limit", "mian") == (
        2,
        "gatehand exercise: there is no collector 'mian'; did you mean main?",
    )
    code, said = refused(config, capsys, "sweep", "--limit", "main")
    assert (code, "leave out the names" in said) == (2, True)


def test_a_daemon_that_runs_here_unseen_by_the_broker_is_refused(
    config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with (config.parent / LOCK).open("w") as held:
        fcntl.flock(held, fcntl.LOCK_EX)
        code, said = refused(config, capsys, "--limit", "main")
    assert (code, "a daemon is running here" in said) == (1, True)


@pytest.mark.broker
def test_a_hold_that_only_the_disk_remembers_is_refused(
    broker: Mosquitto, config: Path, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    config.write_text(SHOP.format(port=broker.port, refresh=20))
    hold = HoldKept("7f", "another_name", "c/set", "filter change", "2026-03-02T09:00:00Z")
    (tmp_path / "state").mkdir()
    (tmp_path / "state" / FILE).write_bytes(encoded(Remembered(holds=(hold,))))
    code, said = refused(config, capsys, "--limit", "main", "--state", str(tmp_path / "state"))
    assert (code, "the collector main is on hold (filter change), and a hold outlives the daemon" in said) == (1, True)
