"""`gatehand status` and `gatehand watch` as programs, against a real Mosquitto."""

import json
import os
import pty
import re
import select
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path

import pytest
from support.mosquitto import Mosquitto
from support.ports import free_port
from support.recorder import Observer
from support.status_shop import alarm, collector, gate, stamp, tool

from gatehand.cli import main

ROOT = Path(__file__).resolve().parents[2]
ENVIRONMENT = {**os.environ, "PYTHONPATH": f"{ROOT / 'rules'}:{ROOT / 'daemon'}", "TERM": "xterm", "TZ": "UTC"}


@pytest.fixture
def shop() -> Iterator[tuple[Mosquitto, Observer]]:
    """A broker that retains what a daemon has said."""
    with Mosquitto() as broker, Observer(broker.port, "nothing") as daemon:
        for topic, body in {
            "online": "1",
            "collector/main": json.dumps(collector()),
            "gate/band_saw": json.dumps(gate()),
            "tool/band_saw": json.dumps(tool()),
        }.items():
            daemon.publish(f"gatehand/{topic}", body, qos=1, retain=True)
        yield broker, daemon


def command(*words: str) -> list[str]:
    return [sys.executable, "-m", "gatehand", *words]


def status(port: int, *words: str) -> subprocess.CompletedProcess[str]:
    asked = command("status", "--broker", f"127.0.0.1:{port}", *words)
    return subprocess.run(asked, capture_output=True, text=True, timeout=60, check=False, env=ENVIRONMENT)  # noqa: S603


@pytest.mark.broker
def test_status_says_how_the_shop_stands(shop: tuple[Mosquitto, Observer]) -> None:
    broker, _ = shop
    said = status(broker.port)
    assert said.returncode == 0, said.stderr
    for word in ("Gatehand is running.", "collector main  OFF", "No active alarms.", "band saw", "0.05 A"):
        assert word in said.stdout
    assert "\x1b" not in said.stdout


@pytest.mark.broker
def test_status_is_no_where_an_alarm_stands_or_the_daemon_is_gone(shop: tuple[Mosquitto, Observer]) -> None:
    broker, daemon = shop
    daemon.publish("gatehand/alarm/config", json.dumps(alarm("The changed config was not taken.")), qos=1, retain=True)
    said = status(broker.port)
    assert said.returncode == 1
    assert "! The changed config was not taken." in said.stdout
    daemon.publish("gatehand/alarm/config", b"", qos=1, retain=True)
    daemon.publish("gatehand/online", "0", qos=1, retain=True)
    said = status(broker.port)
    assert said.returncode == 1
    assert "THE DAEMON IS OFFLINE" in said.stdout


@pytest.mark.broker
def test_status_gives_programs_what_the_daemon_published(shop: tuple[Mosquitto, Observer]) -> None:
    broker, _ = shop
    found = json.loads(status(broker.port, "--json").stdout)
    assert found["ok"] is True
    assert found["online"] is True
    assert found["tools"]["band_saw"] == tool()
    assert found["collectors"]["main"]["state"] == "off"
    assert found["alarms"] == {}


@pytest.mark.broker
def test_status_of_a_base_where_nobody_speaks_ends(shop: tuple[Mosquitto, Observer]) -> None:
    """After which time, `test_screen_listen.py` says."""
    broker, _ = shop
    said = status(broker.port, "--base", "other", "--wait", "1")
    assert said.returncode == 1
    assert "Nothing is heard on other/online" in said.stdout


def test_status_without_a_broker_says_what_to_do() -> None:
    said = status(free_port(), "--json")
    assert said.returncode == 1
    found = json.loads(said.stdout)
    assert found["connected"] is False
    assert "start the broker, or correct host and port" in found["problem"]


@pytest.mark.parametrize("address", ["", "a b", "host:0", "host:99999", "host:x", "[::1]:x", "mqtt://host"])
def test_an_address_that_is_none_is_wrong_usage(address: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["status", "--broker", address]) == 2
    assert "wanted HOST or HOST:PORT" in capsys.readouterr().err


def test_without_config_and_broker_both_ways_are_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["status", "--config", str(tmp_path / "none.toml")]) == 1
    error = capsys.readouterr().err
    assert "there is no such file" in error
    assert "--broker HOST[:PORT]" in error


def test_watch_says_which_package_is_missing(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    for name in ("rich.console", "rich.live", "rich.text", "gatehand.screen.live"):
        monkeypatch.delitem(sys.modules, name, raising=False)
    monkeypatch.setitem(sys.modules, "rich", None)
    assert main(["watch", "--broker", "127.0.0.1"]) == 1
    assert "pip install 'gatehand[watch]'" in capsys.readouterr().err


def test_watch_wants_a_terminal(capsys: pytest.CaptureFixture[str]) -> None:
    pytest.importorskip("rich")
    assert main(["watch", "--broker", "127.0.0.1"]) == 2
    assert "gatehand status shows the same once" in capsys.readouterr().err


class Terminal:
    """A terminal of 80 x 24 with a program in it; remembers everything that was written to it."""

    def __init__(self, words: list[str]) -> None:
        self.seen = ""
        self._child, self._end = pty.fork()
        if self._child == 0:
            os.execve(words[0], words, {**ENVIRONMENT, "COLUMNS": "80", "LINES": "24"})  # noqa: S606

    def wait_for(self, text: str, seconds: float = 60.0) -> None:
        until = time.monotonic() + seconds
        while text not in re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", self.seen):
            assert time.monotonic() < until, f"never seen: {text!r} in\n{self.seen[-3000:]}"
            if select.select([self._end], [], [], 0.1)[0]:
                self.seen += os.read(self._end, 65_536).decode(errors="replace")

    def interrupt(self) -> int:
        os.kill(self._child, signal.SIGINT)
        until = time.monotonic() + 60
        while time.monotonic() < until:
            if select.select([self._end], [], [], 0.05)[0]:
                with suppress(OSError):  # the other side has closed
                    self.seen += os.read(self._end, 65_536).decode(errors="replace")
            done, how = os.waitpid(self._child, os.WNOHANG)
            if done:
                return os.waitstatus_to_exitcode(how)
        os.kill(self._child, signal.SIGKILL)
        pytest.fail("it did not end")


@pytest.mark.broker
@pytest.mark.parametrize("plain", [False, True])
def test_watch_shows_what_happens_and_ends_well(shop: tuple[Mosquitto, Observer], plain: bool) -> None:
    pytest.importorskip("rich")
    broker, daemon = shop
    words = command("watch", "--broker", f"127.0.0.1:{broker.port}", *(["--plain"] if plain else []))
    terminal = Terminal(words)
    terminal.wait_for("collector main  OFF")
    daemon.publish(
        "gatehand/collector/main",
        json.dumps(collector("run_on", since=time.time(), until=stamp(time.time() + 100))),
        qos=1,
        retain=True,
    )
    terminal.wait_for("RUN-ON  off in 1 min")
    daemon.publish("gatehand/online", "0", qos=1, retain=True)
    terminal.wait_for("THE DAEMON IS OFFLINE")
    broker.kill9()
    terminal.wait_for("NO BROKER")
    broker.revive()
    terminal.wait_for("Nothing is heard on gatehand/online")  # this broker keeps nothing over a kill
    assert terminal.interrupt() == 0
    colours = re.findall(r"\x1b\[[0-9;]*m", terminal.seen)
    assert bool([each for each in colours if each not in {"\x1b[0m", "\x1b[m"}]) is not plain
