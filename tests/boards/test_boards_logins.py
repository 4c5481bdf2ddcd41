"""The logins of boards, entered as `gatehand boards` says, at a real broker that is set up as deploy/ does it."""

import os
import shutil
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from boards_desk import LOGINS, Desk, with_logins
from our_boards import ROOT, boards_modules, filled_in, program
from paho.mqtt import client as paho
from paho.mqtt.enums import CallbackAPIVersion
from support.child import wait_until
from support.mosquitto import Mosquitto

from gatehand.access_rights import access_list, users
from gatehand.config import load

pytestmark = pytest.mark.broker


@pytest.fixture
def desk(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> Desk:
    return Desk(tmp_path, capsys)


class Shop:
    """A broker with the access list of `gatehand access` and the passwords entered as the command says."""

    def __init__(self, broker: Mosquitto, desk: Desk) -> None:
        self.broker, self.desk = broker, desk

    def board(self, login: str, console: list[str] | None = None) -> Any:  # noqa: ANN401 - CPython knows no such class
        """A board's own link to the broker, with the role that it has; connected. `console`: what it shows there."""
        table = filled_in(self.desk.settings(login))
        table["broker"] |= {"host": "127.0.0.1", "port": self.broker.port}
        role = program(table)
        with boards_modules() as module:
            board = module("board")
            role.hears = {one.topic: lambda *_: None for last, one in role.signals.items() if last == "set"}
            link = board.Link(board.Settings(table), [].append if console is None else console.append)
            link.serve(role)

            def connected() -> bool:
                link.tick(_now())
                return bool(link.up)

            wait_until(connected, what="the board is connected")
        return link

    @contextmanager
    def person(self, name: str, password: str) -> Iterator[paho.Client]:
        """Somebody with a login."""
        made = paho.Client(CallbackAPIVersion.VERSION2, protocol=paho.MQTTv311, client_id=f"test-{name}")
        made.username_pw_set(name, password)
        made.connect("127.0.0.1", self.broker.port)
        made.loop_start()
        try:
            wait_until(made.is_connected)
            yield made
        finally:
            made.disconnect()
            made.loop_stop()


def _now() -> int:
    """Milliseconds."""
    return int(time.monotonic() * 1000)


@pytest.fixture
def shop(desk: Desk) -> Iterator[Shop]:
    with_logins(desk)
    said = desk.run()
    config = load(desk.config, files=False).config
    assert config is not None
    broker = Mosquitto(listens=False)
    (broker.folder / "gatehand.acl").write_text(access_list(users(config)))
    passwords = broker.folder / "gatehand.passwd"
    enter(passwords, "gatehand", "daemon's")
    enter(passwords, "gate-band_saw", "an old one")
    commands = [line.strip() for line in said.splitlines() if line.startswith(("  sudo", "  cut"))]
    assert len(commands) == 5
    for command in commands:
        here = command.replace("sudo ", "").replace("/etc/mosquitto/gatehand.passwd", str(passwords))
        done = subprocess.run(["bash", "-c", here], capture_output=True, text=True, env={"PATH": _path()}, check=False)  # noqa: S603, S607
        assert done.returncode == 0 or "User bin_full-main not found" in done.stderr, (command, done.stderr)
    passwords.chmod(0o644)
    assert not passwords.with_name("gatehand.passwd.new").exists()
    text = (ROOT / "deploy/mosquitto/gatehand.conf").read_text()
    text = text.replace("listener 1883 ", f"listener {broker.port} ").replace("/etc/mosquitto/", f"{broker.folder}/")
    broker.configure(text)
    with broker as running:
        yield Shop(running, desk)


def _path() -> str:
    return f"{os.environ.get('PATH', '')}:/usr/sbin:/sbin"


def enter(file: Path, name: str, password: str) -> None:
    program = shutil.which("mosquitto_passwd")
    assert program is not None
    new = [] if file.exists() else ["-c"]
    subprocess.run([program, *new, "-b", str(file), name, password], check=True, capture_output=True)  # noqa: S603


def test_a_boards_login_can_do_all_that_its_settings_name(shop: Shop) -> None:
    heard: list[tuple[str, bytes]] = []
    with shop.person("gatehand", "daemon's") as daemon:
        daemon.on_message = lambda _c, _u, message: heard.append((message.topic, bytes(message.payload)))
        daemon.subscribe("#", qos=1)
        for login in LOGINS:
            link, table = shop.board(login), shop.desk.settings(login)
            said = [(one["topic"], login.encode()) for one in _told(table)]
            for topic, payload in said:
                assert link.publish(topic, payload, qos=1)
            said.append((table["online"]["topic"], b"1"))
            wait_until(partial(_has_all, heard, said))
            wait_until(partial(_has_about, heard, table["about"]["topic"]))
            link.leave(_now())
            wait_until(partial(_has_all, heard, [(table["online"]["topic"], b"0")]))


def _has_about(heard: list[tuple[str, bytes]], about: str) -> bool:
    return any(topic == about and b"gatehand_board" in payload for topic, payload in heard)


def _has_all(heard: list[tuple[str, bytes]], wanted: list[tuple[str, bytes]]) -> bool:
    return {*wanted} <= {*heard}


def test_a_boards_login_can_do_nothing_else(shop: Shop) -> None:
    every = {name: shop.desk.settings(name) for name in LOGINS}
    topics = {name: {one["topic"] for one in (*_told(table), table["online"])} for name, table in every.items()}
    topics["collector-main"] |= topics["bin_full-main"] - {"shop/bin/online"}  # one device may be all of a collector
    commands = {table["set"]["topic"] for table in every.values() if "set" in table}
    all_topics = set.union(*topics.values()) | commands | {"gatehand/collector/main/reset", "x"}
    heard: list[str] = []
    with shop.person("gatehand", "daemon's") as daemon:
        daemon.on_message = lambda _c, _u, message: heard.append(message.topic)
        daemon.subscribe("#", qos=1)
        for login in LOGINS:
            heard.clear()
            with shop.person(login, every[login]["broker"]["password"]) as board:
                for topic in sorted(all_topics - topics[login]):
                    board.publish(topic, "1", qos=1).wait_for_publish(30)
                last = every[login]["about"]["topic"]
                board.publish(last, "1", qos=1).wait_for_publish(30)
                wait_until(partial(heard.__contains__, last))
            assert set(heard) == {last}


def _told(table: dict[str, Any]) -> list[dict[str, Any]]:
    """What a board says, but for what every board says."""
    return [*(table[key] for key in ("state", "button", "amps") if key in table), *table.get("inputs", [])]


def test_the_old_password_of_a_board_is_over_and_the_daemons_stays(shop: Shop) -> None:
    lines = (shop.broker.folder / "gatehand.passwd").read_text().splitlines()
    assert sorted(line.partition(":")[0] for line in lines) == sorted(["gatehand", *LOGINS])
    assert all("$" in line for line in lines), "no password stands there as it is"


def test_a_board_notices_that_the_access_list_does_not_know_it(shop: Shop) -> None:
    console: list[str] = []
    link = shop.board("gate-band_saw", console)
    heard = _now() + 3100
    wait_until(lambda: link.tick(_now()) or not link.behind)
    link.tick(heard)
    assert not [line for line in console if "access list" in line]
    link.leave(heard)
    config = load(shop.desk.config, files=False).config
    assert config is not None
    others = tuple(user for user in users(config) if user.name != "gate-band_saw")
    (shop.broker.folder / "gatehand.acl").write_text(access_list(others))
    shop.broker.kill9()
    shop.broker.start()
    link = shop.board("gate-band_saw", console)
    wait_until(lambda: link.tick(_now()) or not link.behind)
    link.tick(_now() + 3100)
    assert "the broker passes nothing on that this login says" in console[-1]
