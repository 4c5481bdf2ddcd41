"""`gatehand demo` as a user runs it: a process of its own, real MQTT, the real daemon, its screen and its log."""

import asyncio
import os
import re
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from support.child import wait_until
from support.ports import free_port

from gatehand.demo.day import DAY
from gatehand.demo.verdict import complaints
from gatehand.journal.line import LogLine
from gatehand.journal.reader import EventReader
from gatehand.mqtt.client import plain_client
from gatehand.mqtt.settings import BrokerSettings

pytest.importorskip("amqtt", reason="the extra `demo` is not installed")

# Development mode tells of tasks and sockets that were left behind.
COMMAND = [sys.executable, "-X", "dev", "-m", "gatehand", "demo"]
SLOW_TURN = re.compile(r"^Executing .*took [\d.]+ seconds$", re.MULTILINE)
"""What development mode says of a slow turn of the event loop; no fault."""


STARTED: list[subprocess.Popen[str]] = []


@pytest.fixture(autouse=True)
def _nothing_left_running() -> Iterator[None]:
    yield
    while STARTED:
        process = STARTED.pop()
        process.kill()
        process.communicate()


def start(*options: str) -> subprocess.Popen[str]:
    process = subprocess.Popen(  # noqa: S603 - our own command
        [*COMMAND, *options],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "COLUMNS": "80"},
    )
    STARTED.append(process)
    return process


def shop_column(out: str) -> str:
    return " ".join(" ".join(row[8:34] for row in out.splitlines()).split())


def log_of(folder: Path) -> list[LogLine]:
    return list(EventReader(folder).lines())


def publish(port: int, *messages: tuple[str, str]) -> None:
    async def send() -> None:
        settings = BrokerSettings("127.0.0.1", port, client_id="somebody", protocol="3.1.1")
        async with plain_client(settings) as client:
            for topic, payload in messages:
                await client.publish(topic, payload.encode(), qos=1)

    asyncio.run(send())


@pytest.mark.slow
def test_the_day_goes_as_scripted_and_its_log_stays(tmp_path: Path) -> None:
    process = start("--log", str(tmp_path))
    out, err = process.communicate(timeout=120)
    assert process.returncode == 0, out + err
    assert SLOW_TURN.sub("", err).strip() == ""
    lines = log_of(tmp_path)
    assert complaints(lines) == []
    assert lines[0]["event"] == "daemon_started"
    assert lines[-1]["event"] == "daemon_stopped"
    for happening in DAY:
        assert happening.text in shop_column(out)
    assert "start_watts = 1" in out, "what would have caught the missed cut"
    assert f"gatehand log --log {tmp_path}" in out
    assert max(map(len, out.splitlines())) <= max(80, len(str(tmp_path)) + 60)


class Kept:
    """A demo that is kept up."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.port = free_port()
        self.process = start("--keep", "--port", str(self.port), "--log", str(folder))

    def has(self, **facts: object) -> bool:
        return any(all(line.get(key) == value for key, value in facts.items()) for line in log_of(self.folder))

    def end(self) -> tuple[str, str]:
        self.process.send_signal(signal.SIGINT)
        return self.process.communicate(timeout=20)


@pytest.fixture
def kept(tmp_path: Path) -> Kept:
    demo = Kept(tmp_path)
    wait_until(lambda: demo.has(event="gate_shut", gate="carving_router"))
    return demo


@pytest.mark.slow
def test_a_kept_demo_answers_to_any_client_and_ends_well_on_an_interrupt(kept: Kept) -> None:
    publish(kept.port, ("sim/band_saw/switch", "1"))
    wait_until(lambda: kept.has(event="collector_on"))
    publish(kept.port, ("sim/nobody/switch", "1"), ("sim/planing/jam", "maybe"), ("sim/planing/kick", "1"))
    publish(kept.port, ("sim/emergency/press", "1"))
    wait_until(lambda: kept.has(event="collector_off", rule="stop_contact"))
    publish(kept.port, ("sim/emergency/press", "0"))
    wait_until(lambda: kept.has(event="stop_cleared"))
    publish(kept.port, ("gatehand/collector/main/reset", "1"))
    wait_until(lambda: kept.has(event="start_refused", tool="band_saw", rule="not_fresh"))
    out, err = kept.end()
    assert kept.process.returncode == 0, out + err
    assert SLOW_TURN.sub("", err).strip() == ""
    assert f"-p {kept.port} -t sim/band_saw/switch -m 1" in out, "an example that can be copied"
    said = shop_column(out)
    assert "The band saw is switched on." in said
    assert "no tool 'nobody'" in said
    assert "wanted 1 or 0" in said
    assert "no such input 'kick'" in said
    assert kept.has(event="daemon_stopped")


@pytest.mark.slow
def test_a_new_subscriber_gets_what_is_retained_for_its_own_topics_once(kept: Kept) -> None:
    gates = [f"gatehand/gate/{name}" for name in ("band_saw", "planing", "carving_router", "sweep")]
    last = "gatehand/gate/last"

    async def listen() -> list[str]:
        """What is retained, and whatever more of it comes before a message that is sent once all of it is there."""
        settings = BrokerSettings("127.0.0.1", kept.port, client_id="screen", protocol="3.1.1")
        heard: list[str] = []
        async with asyncio.timeout(60), plain_client(settings, ["gatehand/gate/+"]) as client:
            async for message in client.messages():
                if message.topic == last:
                    break
                if message.retained:
                    heard.append(message.topic)
                    if len(heard) == len(gates):
                        await client.publish(last, b"", qos=1)
        return heard

    assert sorted(asyncio.run(listen())) == sorted(gates)


@pytest.mark.slow
def test_a_day_that_is_broken_off_ends_in_order_and_says_so(tmp_path: Path) -> None:
    process = start("--log", str(tmp_path))
    wait_until(lambda: any(line["event"] == "collector_on" for line in log_of(tmp_path)))
    process.send_signal(signal.SIGINT)
    out, err = process.communicate(timeout=20)
    assert process.returncode == 130
    assert SLOW_TURN.sub("", err).strip() == ""
    assert "Stopped before the day was over." in out
    lines = log_of(tmp_path)
    assert lines[-1]["event"] == "daemon_stopped"
    assert any(line["event"] == "collector_off" and line.get("rule") == "shutdown" for line in lines)


def test_a_port_that_is_taken_is_named_with_what_to_do(tmp_path: Path) -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        process = start("--port", str(port), "--log", str(tmp_path / "home"))
        out, err = process.communicate(timeout=30)
    assert process.returncode == 1, out
    assert not (tmp_path / "home").exists(), "nothing came of it, so nothing stays"
    assert str(port) in err
    assert "another port" in err


def test_a_config_that_is_not_the_demos_is_left_alone(tmp_path: Path) -> None:
    mine = tmp_path / "shop.toml"
    mine.write_text("# mine\n", encoding="utf-8")
    process = start("--log", str(tmp_path))
    _, err = process.communicate(timeout=30)
    assert process.returncode == 1
    assert str(mine) in err
    assert "--log" in err
    assert mine.read_text(encoding="utf-8") == "# mine\n"


def test_a_folder_that_cannot_be_made_is_named_with_what_to_do(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("", encoding="utf-8")
    process = start("--log", str(tmp_path / "file" / "log"))
    _, err = process.communicate(timeout=30)
    assert process.returncode == 1
    assert "file" in err
    assert "--log" in err


@pytest.mark.parametrize("port", ["0", "65536", "x", "-1"])
def test_a_port_that_is_none_is_wrong_usage(port: str) -> None:
    process = start("--port", port)
    _, err = process.communicate(timeout=30)
    assert process.returncode == 2
    assert "from 1 to 65535" in err or "expected one argument" in err


def test_without_the_extra_the_demo_says_how_to_install_it(tmp_path: Path) -> None:
    (tmp_path / "amqtt").mkdir()
    (tmp_path / "amqtt" / "__init__.py").write_text("raise ImportError('gone', name='amqtt')\n", encoding="utf-8")
    path = os.pathsep.join([str(tmp_path), *filter(None, sys.path)])
    done = subprocess.run(  # noqa: S603
        [*COMMAND, "--log", str(tmp_path / "log")],
        env={**os.environ, "PYTHONPATH": path},
        capture_output=True,
        text=True,
        timeout=30,
        check=False,
    )
    assert done.returncode == 1
    assert "pip install 'gatehand[demo]'" in done.stderr
