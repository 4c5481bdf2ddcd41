"""The real command on a real Mosquitto, with the real daemon killed, stopped, frozen, and the broker killed."""

import asyncio
import json
import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from types import TracebackType
from typing import Self

import paho.mqtt.client as paho
import pytest
from notify_support import GATE, SAW, payload, program, told, writer
from paho.mqtt.enums import CallbackAPIVersion
from support.child import RunningDaemon, environment, wait_until
from support.mosquitto import Mosquitto
from support.quick_shop import quick_shop

from gatehand.config import load
from gatehand.notify.entry import GONE, LOST
from gatehand.notify.memory import FILE
from gatehand.shell.daemon import Daemon
from gatehand.times import stamp

pytestmark = pytest.mark.broker
STOP = """
[stop.emergency]
topic = "shop/estop"
active = "1"
clear = "0"
"""
AFTER = "0.2"
PROMPT = """
import sys
from gatehand.notify import telling
telling.TOGETHER = 0.2
from gatehand.cli import main
sys.exit(main())
"""
"""A service that waits less for more."""


class Observer:
    """Hears all, and may say anything."""

    def __init__(self, port: int, name: str | None = None) -> None:
        self.retained: dict[str, bytes] = {}
        self._ready = threading.Event()
        self._client = paho.Client(CallbackAPIVersion.VERSION2)
        if name is not None:
            self._client.username_pw_set(name, name)
        self._client.on_message = self._on_message
        self._client.on_connect = lambda client, *_: client.subscribe("#", 1)
        self._client.on_subscribe = lambda *_: self._ready.set()
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        assert self._ready.wait(60)

    def _on_message(self, _client: paho.Client, _userdata: object, message: paho.MQTTMessage) -> None:
        self.retained[message.topic] = bytes(message.payload)

    def say(self, topic: str, body: bytes, *, retain: bool = True) -> None:
        self._client.publish(topic, body, 1, retain).wait_for_publish(60)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._client.disconnect()
        self._client.loop_stop()


class Notifier:
    """`gatehand notify` as a child process, whose program writes to the file `told` of a folder."""

    def __init__(self, folder: Path, port: int, *more: str, run: Path | None = None) -> None:
        self.folder = folder
        words = (
            "notify",
            "--broker",
            f"127.0.0.1:{port}",
            "--after",
            AFTER,
            *more,
            "--run",
            str(run or writer(folder)),
        )
        with (folder / "said").open("ab") as stderr:
            self._process = subprocess.Popen(  # noqa: S603
                [sys.executable, "-c", PROMPT, *words], stdout=stderr, stderr=stderr, env=environment(), cwd=folder
            )

    @property
    def said(self) -> str:
        return (self.folder / "said").read_text()

    def first(self) -> list[str]:
        """The ids of the first run."""
        arguments, given = wait_until(lambda: told(self.folder), what=f"a run; it said: {self.said}")[0]
        assert [each["id"] for each in given] == arguments
        return arguments

    def connected(self) -> Self:
        wait_until(lambda: "connected to" in self.said, what="a connection")
        return self

    def stop(self, number: int = signal.SIGTERM) -> int:
        self._process.send_signal(number)
        return self._process.wait(60)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._process.poll() is None:
            self._process.kill()
            self._process.wait()


@pytest.fixture
def observer(broker: Mosquitto) -> Iterator[Observer]:
    with Observer(broker.port) as found:
        yield found
        for topic, body in list(found.retained.items()):
            if body and topic.startswith("gatehand/"):
                found.say(topic, b"")


def daemon(folder: Path, port: int, observer: Observer, broker: str = "") -> RunningDaemon:
    """One that has claimed the shop, and has nothing to report of it: no gate answers, and none is late yet."""
    (folder / "config.toml").write_text(quick_shop(port, STOP, broker=broker, travel=60))
    found = RunningDaemon(folder)
    wait_until(lambda: observer.retained.get("gatehand/daemon"), what=f"a claim; it said: {found.said}")
    return found


@pytest.fixture(scope="module", autouse=True)
def frozen(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Notifier]:
    """A daemon that is frozen from the beginning of this file on: its broker takes some seconds to miss it."""
    folder = tmp_path_factory.mktemp("frozen")
    with (
        Mosquitto() as broker,
        Observer(broker.port) as observer,
        daemon(folder, broker.port, observer, "keepalive = 1") as running,
        Notifier(folder, broker.port) as found,
    ):
        found.connected()
        os.kill(running.pid, signal.SIGSTOP)
        yield found
        running.kill()


def test_a_clean_stop_of_the_daemon_is_told_to_nobody(tmp_path: Path, broker: Mosquitto, observer: Observer) -> None:
    with Notifier(tmp_path, broker.port) as notifier:
        notifier.connected()
        with daemon(tmp_path, broker.port, observer):
            pass
        wait_until(lambda: observer.retained.get("gatehand/online") == b"0")
        assert observer.retained["gatehand/daemon"] == b""
        observer.say(f"gatehand/alarm/{GATE}", payload())
        assert notifier.first() == [GATE], "had its death been told, that would have been the first"


def test_the_daemons_own_alarm_is_told(tmp_path: Path, broker: Mosquitto, observer: Observer) -> None:
    with daemon(tmp_path, broker.port, observer), Notifier(tmp_path, broker.port) as notifier:
        notifier.connected()
        observer.say("shop/estop", b"1", retain=False)
        first = set(notifier.first())
        assert first <= {"stop.emergency.active", "collector.main.held"}, "mostly both at once"
        _, given = told(tmp_path)[0]
        assert all("stop contact emergency" in str(each["because"]) for each in given)
        observer.say("shop/estop", b"0", retain=False)


def test_a_daemon_that_is_killed_is_told(tmp_path: Path, broker: Mosquitto, observer: Observer) -> None:
    with daemon(tmp_path, broker.port, observer) as running, Notifier(tmp_path, broker.port) as notifier:
        notifier.connected()
        running.kill()
        assert notifier.first() == [GONE]


async def test_a_daemon_that_an_error_of_its_own_has_ended_leaves_its_claim(
    tmp_path: Path, broker: Mosquitto, observer: Observer, monkeypatch: pytest.MonkeyPatch
) -> None:
    failing = asyncio.Event()

    async def fails(_self: Daemon, *_: object) -> None:
        await failing.wait()
        raise ZeroDivisionError

    monkeypatch.setattr(Daemon, "_beats", fails)
    (tmp_path / "config.toml").write_text(quick_shop(broker.port))
    running = asyncio.ensure_future(Daemon(load(tmp_path / "config.toml"), lambda *_: None).run())
    await asyncio.to_thread(wait_until, lambda: observer.retained.get("gatehand/daemon"))
    failing.set()
    with pytest.raises(ZeroDivisionError):
        await running
    await asyncio.to_thread(wait_until, lambda: observer.retained["gatehand/online"] == b"0")
    assert observer.retained["gatehand/daemon"]


def test_a_restart_tells_nothing_again(tmp_path: Path, broker: Mosquitto, observer: Observer) -> None:
    observer.say(f"gatehand/alarm/{GATE}", payload())
    state = tmp_path / "state"
    with Notifier(tmp_path, broker.port, "--state", str(state)) as notifier:
        assert notifier.first() == [GATE]
        wait_until(lambda: "reported gate" in notifier.said)
        assert notifier.stop() == 0
    known = json.loads((state / FILE).read_text())
    (state / FILE).write_text(json.dumps({**known, "last_run": 0}))  # or the next run waits for its minute
    observer.say(f"gatehand/alarm/{SAW}", payload(SAW))
    with Notifier(tmp_path, broker.port, "--state", str(state)):
        wait_until(lambda: len(told(tmp_path)) == 2)
    assert told(tmp_path)[1][0] == [SAW]


def test_a_digest_is_counted_in_a_process_of_its_own(tmp_path: Path, broker: Mosquitto) -> None:
    config, state = tmp_path / "config.toml", tmp_path / "state"
    config.write_text(quick_shop(broker.port))
    (tmp_path / "log").mkdir()
    now = stamp(time.time())
    line = {"ts": now, "mono": 1.0, "run": "a", "seq": 1, "event": "alarm_raised", "alarm": GATE}
    (tmp_path / f"log/events-{now[:10]}.jsonl").write_text(json.dumps(line) + "\n")
    state.mkdir()
    (state / FILE).write_text(json.dumps({"version": 1, "digest": {"day": "2026-01-01", "until": 0}}))
    with Notifier(tmp_path, broker.port, "--config", str(config), "--state", str(state), "--digest", "0:00"):
        arguments, [digest] = wait_until(lambda: told(tmp_path))[0]
        wait_until(lambda: '"due":false' in (state / FILE).read_text())
    assert arguments == []
    assert (digest["kind"], digest["problem"], digest["alarms"]) == ("digest", None, {GATE: 1})


def test_a_broker_that_is_killed_is_told(tmp_path: Path) -> None:
    with Mosquitto() as broker, Notifier(tmp_path, broker.port, "--lost-after", "0.5") as notifier:
        notifier.connected()
        broker.kill9()
        assert notifier.first() == [LOST]
        broker.start()
        wait_until(lambda: notifier.said.count("connected to") == 2)


def test_a_login_that_may_only_read_is_enough_and_nothing_is_ever_published(tmp_path: Path) -> None:
    server = Mosquitto(anonymous=False)
    lists, secrets = server.folder / "acl", server.folder / "passwords"
    lists.write_text("user viewer\ntopic read gatehand/#\nuser daemon\ntopic readwrite #\n")
    secrets.write_text("viewer:viewer\ndaemon:daemon\n")
    subprocess.run(["mosquitto_passwd", "-U", str(secrets)], check=True, capture_output=True)  # noqa: S603, S607
    for file in (lists, secrets):
        file.chmod(0o644)
    server.configure(f"acl_file {lists}", f"password_file {secrets}")
    (tmp_path / "password").write_text("viewer\n")
    login = ("--username", "viewer", "--password-file", str(tmp_path / "password"))
    with server as broker, Observer(broker.port, "daemon") as owner:
        before = dict(owner.retained)
        with Notifier(tmp_path, broker.port, *login) as notifier:
            notifier.connected()
            assert owner.retained == before
            owner.say(f"gatehand/alarm/{GATE}", payload())
            assert notifier.first() == [GATE]
            assert owner.retained == {**before, f"gatehand/alarm/{GATE}": payload()}


def test_nothing_that_a_message_holds_is_run_or_becomes_an_option(
    tmp_path: Path, broker: Mosquitto, observer: Observer
) -> None:
    evil = f"$(touch {tmp_path}/pwned) `touch {tmp_path}/pwned`; touch {tmp_path}/pwned\n\r\x1b[2J\0 --help"
    observer.say("gatehand/alarm/--help", payload(since=evil, because=evil, next=evil, kind=evil))
    observer.say("gatehand/alarm/$(id).a.b", payload(because=evil))
    observer.say("gatehand/alarm/gate.big.fault", payload(because="x" * 60_000))
    observer.say("gatehand/alarm/gate.huge.fault", payload(because="x" * 70_000))
    observer.say("gatehand/alarm/gate.junk.fault", b"\0\xff{")
    with Notifier(tmp_path, broker.port) as notifier:
        arguments, given = wait_until(lambda: told(tmp_path))[0]
        assert arguments == ["gate.big.fault"]
        assert {each["id"] for each in given} == {"--help", "$(id).a.b", "gate.big.fault"}
        assert all(str(value).isprintable() for each in given for value in each.values())
        wait_until(lambda: notifier.said.count("ignored a message") == 2)
    assert not (tmp_path / "pwned").exists()


def test_a_program_that_is_running_when_the_service_is_stopped_may_finish(
    tmp_path: Path, broker: Mosquitto, observer: Observer
) -> None:
    go, began = tmp_path / "go", tmp_path / "began"
    run = program(
        tmp_path,
        f"open({str(began)!r}, 'w').close()",
        f"while not os.path.exists({str(go)!r}): time.sleep(0.01)",
        "print('done')",
    )
    observer.say(f"gatehand/alarm/{GATE}", payload())
    with Notifier(tmp_path, broker.port, run=run) as notifier:
        wait_until(began.exists)
        os.kill(notifier._process.pid, signal.SIGTERM)  # noqa: SLF001 - our own
        go.touch()
        assert notifier._process.wait(60) == 0  # noqa: SLF001
        assert "said: done" in notifier.said


def test_a_daemon_that_hangs_is_told(frozen: Notifier) -> None:
    assert frozen.first() == [GONE]
