"""`gatehand listen` against a real Mosquitto; its connection that comes and goes, in virtual time."""

import asyncio
import json
import signal
import subprocess
import sys
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from pathlib import Path

import pytest
from support.child import environment, gatehand_does, wait_until
from support.mosquitto import Mosquitto
from support.recorder import Observer
from support.virtual_loop import timed

from gatehand.cli import main
from gatehand.mqtt import hearing
from gatehand.mqtt.client import ClientError
from gatehand.mqtt.hearing import keep_hearing
from gatehand.mqtt.inbox import Message
from gatehand.mqtt.settings import BrokerSettings


@pytest.mark.broker
def test_it_shows_what_is_said_and_says_nothing_itself(
    broker: Mosquitto, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    with Observer(broker.port, "#") as other:
        other.publish("shop/saw", '{"amps": 0.1}', qos=1, retain=True)
        other.publish("shop/run", "ON", qos=1, retain=True)
        assert main(["listen", "--broker", f"127.0.0.1:{broker.port}", "--for", "0.5s", "--json"]) == 0
        facts = json.loads(capsys.readouterr().out)
        topics = {one["topic"]: one for one in facts["topics"]}
        assert topics["shop/saw"]["values"][0]["config_line"] == 'current = { topic = "shop/saw", pointer = "/amps" }'
        assert topics["shop/run"]["values"][0]["words"] == {"ON": 1}
        other.publish("end", "1", qos=1)
        wait_until(lambda: other.live("end"))
        assert {topic for topic, *_ in other.seen} == {"shop/saw", "shop/run", "end"}
    (line,) = [one for one in broker.log.splitlines() if " as gatehand-listen-" in one]
    assert "c1" in line.split(" (")[-1]  # a clean session, that leaves nothing behind


@pytest.mark.broker
def test_a_config_names_the_broker_and_what_is_used(
    broker: Mosquitto, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "config.toml"
    file.write_text(
        f"""
[broker]
port = {broker.port}
protocol = "3.1.1"
[collector.main]
command = {{ topic = "used/set", on = "1", off = "0" }}
min_open = 0
[tool.saw]
current = {{ topic = "used/saw" }}
start_amps = 2
"""
    )
    with Observer(broker.port, "nothing") as other:
        other.publish("used/saw", "0.1", qos=1, retain=True)
        assert main(["listen", "--config", str(file), "--for", "0.5", "--topic", "used/#"]) == 0
    said = capsys.readouterr().out
    assert "used by tool.saw current" in said
    assert "shop/" not in said


@pytest.mark.broker
def test_a_login_that_may_read_nothing_is_told_where_to_look(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with Mosquitto() as closed:
        access = closed.folder / "nobody.acl"
        access.write_text("topic write #\n")
        access.chmod(0o644)
        closed.stop()
        closed.configure(f"acl_file {access}")
        closed.start()
        with Observer(closed.port, "nothing") as other:
            other.publish("shop/saw", "6.4", qos=1, retain=True)
            file = ["--config", str(tmp_path / "none.toml")]
            assert main(["listen", *file, "--broker", f"127.0.0.1:{closed.port}", "--for", "0.3"]) == 1
    said = capsys.readouterr()
    assert "0 topics" in said.out
    assert "access list: it may not let a client without a login read anything" in said.err


@pytest.mark.broker
def test_ctrl_c_shows_what_was_heard(broker: Mosquitto, tmp_path: Path) -> None:
    words = ["listen", "--config", str(tmp_path / "none"), "--broker", f"127.0.0.1:{broker.port}", "--for", "1h"]
    before = broker.log.count(" as gatehand-listen-")
    with subprocess.Popen(  # noqa: S603
        [sys.executable, "-m", "gatehand", *words], stdout=subprocess.PIPE, text=True, env=environment()
    ) as child:
        wait_until(lambda: broker.log.count(" as gatehand-listen-") > before)
        child.send_signal(signal.SIGINT)
        try:
            said, _ = child.communicate(timeout=60)
        finally:
            child.kill()
    assert said.startswith("Heard for ")


def test_where_nobody_is_there_it_says_who_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["listen", "--config", str(tmp_path / "none.toml"), "--broker", "127.0.0.1:1", "--for", "1"]) == 1
    assert "gatehand listen: no connection to the broker at 127.0.0.1:1" in capsys.readouterr().err
    assert main(["listen", "--config", str(tmp_path / "none.toml")]) == 1
    assert "without a config, name the broker: --broker" in capsys.readouterr().err


@pytest.mark.broker
def test_nobody_to_press_enter_is_told_what_to_do_instead(broker: Mosquitto, tmp_path: Path) -> None:
    where = ["--config", str(tmp_path / "none"), "--broker", f"127.0.0.1:{broker.port}"]
    child = gatehand_does("listen", *where, "--watch-for", "band saw")
    assert child.returncode == 2
    assert "run it in a terminal, or say with --on-at and --off-at when it is switched" in child.stderr


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--on-at", "3", "--off-at", "9"], "--on-at and --off-at need --watch-for NAME too"),
        (["--watch-for", "saw", "--on-at", "9", "--off-at", "3"], "off after on"),
        (["--watch-for", "saw", "--on-at", "3"], "wanted both --on-at and --off-at"),
        (["--watch-for", "saw", "--on-at", "3", "--off-at", "9", "--for", "8"], "--for ends before --off-at"),
        (["--topic", "shop/#/x"], "wanted a topic filter"),
        (["--topic", "$SYS/#"], "wanted a topic filter"),
        (["--for", "soon"], "wanted seconds"),
        (["--watch-for", " "], "wanted a name"),
    ],
)
def test_options_that_make_no_sense_are_wrong_usage(
    words: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["listen", "--broker", "127.0.0.1:1", *words]) == 2
    assert said in capsys.readouterr().err


class Broker:
    """Says a word on each connection, which ends after a second; the first and third attempt fail."""

    def __init__(self) -> None:
        self.attempts = 0

    @asynccontextmanager
    async def plain_client(self, _settings: BrokerSettings, _topics: Sequence[str]) -> AsyncIterator["Broker"]:
        self.attempts += 1
        if self.attempts in {1, 3}:
            raise ClientError("no connection")
        yield self

    async def messages(self) -> AsyncIterator[Message]:
        yield Message("word", str(self.attempts).encode(), retained=False, received=0.0)
        await asyncio.sleep(1)
        raise ClientError("the broker is gone")


class Enough(Exception):  # noqa: N818 - it ends a hearing
    """Three words were heard."""


class Notes:
    def __init__(self) -> None:
        self.said: list[str] = []

    def connected(self) -> None:
        self.said.append("connected")

    def hear(self, message: Message) -> None:
        self.said.append(message.payload.decode())
        if message.payload == b"5":
            raise Enough

    def lost(self, error: ClientError) -> None:
        self.said.append(str(error))


def test_a_lost_connection_is_taken_up_again(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(hearing, "plain_client", Broker().plain_client)
    notes = Notes()

    async def hear() -> None:
        with pytest.raises(Enough):
            await keep_hearing(BrokerSettings("127.0.0.1"), ["#"], notes)

    timed(hear())
    gone = "the broker is gone"
    assert notes.said == [
        *("no connection", "connected", "2", gone, "no connection", "connected", "4", gone, "connected", "5"),
    ]
