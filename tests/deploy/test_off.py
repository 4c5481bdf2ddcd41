"""`gatehand off` as the service runs it: a process of its own, against a real Mosquitto, in time whatever happens."""

import asyncio
import getpass
import json
import socket
import threading
from collections.abc import Iterator
from functools import partial
from pathlib import Path
from typing import Any

import pytest
from broker_people import PASSWORD, Person, people, write_passwords
from support.child import gatehand_does, wait_until
from support.mosquitto import Mosquitto
from support.ports import free_port
from support.virtual_loop import timed

from gatehand.access_rights import access_list, users
from gatehand.commands.off import WITHIN
from gatehand.config import load
from gatehand.mqtt.connection import Hooks
from gatehand.mqtt.deliver import Answers, deliver
from gatehand.mqtt.failures import ConnectionFailedError, Failure
from gatehand.mqtt.inbox import Inbox, Message
from gatehand.mqtt.settings import BrokerSettings, Protocol
from gatehand.mqtt.transport import MessageKind, Notice, NoticeKind, Outgoing, Subscription

SHOP = """
[broker]
port = {port}
{more}

[collector.main]
command = {{ topic = "shop/fan/set", on = "1", off = "0" }}

[collector.bench]
command = {{ topic = "shop/bench_fan/set", on = "on", off = "off" }}

[gate.band_saw]
collector = "main"
command = {{ topic = "shop/gate/set", open = "open", shut = "shut" }}

[gate.bench]
collector = "bench"
command = {{ topic = "shop/bench_gate/set", open = "open", shut = "shut" }}

[tool.band_saw]
gates = ["band_saw"]
current = {{ topic = "shop/band_saw/amps" }}
start_amps = 2.5

[tool.router]
gates = ["bench"]
current = {{ topic = "shop/router/amps" }}
start_amps = 2
"""

BOTH = "collector main: off sent\ncollector bench: off sent\n"


def by(folder: Path) -> str:
    return f"by {folder / 'config.toml'}:\n{BOTH}"


def off(folder: Path, text: str, *options: str) -> tuple[int, str, str]:
    """Exit code, output and error output of `gatehand off`."""
    config = folder / "config.toml"
    config.write_text(text)
    done = gatehand_does("off", "--config", str(config), *options, seconds=60)
    return done.returncode, done.stdout, done.stderr


@pytest.fixture(scope="module")
def open_broker() -> Iterator[Mosquitto]:
    with Mosquitto() as running:
        yield running


@pytest.mark.broker
@pytest.mark.parametrize("more", ["", 'protocol = "3.1.1"'])
def test_every_collector_hears_off_once_and_nothing_stays_at_the_broker(
    open_broker: Mosquitto, tmp_path: Path, more: str
) -> None:
    with people(open_broker.port, None, None) as (main, bench):
        main.listen("shop/fan/set")
        bench.listen("shop/bench_fan/set")
        code, said, _ = off(tmp_path, SHOP.format(port=open_broker.port, more=more))
        assert (code, said) == (0, by(tmp_path))
        main.has_heard(("shop/fan/set", b"0"))
        bench.has_heard(("shop/bench_fan/set", b"off"))
    with people(open_broker.port, None) as (late,):
        late.listen("shop/+/set")
        late.say("shop/end/set", "end")
        wait_until(lambda: bool(late.heard))
        late.has_heard(("shop/end/set", b"end"))


@pytest.mark.broker
def test_a_collector_that_nobody_listens_for_is_not_told(open_broker: Mosquitto, tmp_path: Path) -> None:
    with people(open_broker.port, None) as (main,):
        main.listen("shop/fan/set")
        code, said, _ = off(tmp_path, SHOP.format(port=open_broker.port, more=""))
        assert code == 1
        assert "\ncollector main: off sent\ncollector bench: not switched off: no device listens" in said
        code, said, _ = off(tmp_path, SHOP.format(port=open_broker.port, more=""), "--json")
        assert code == 1
        found = json.loads(said)
        assert (found["ok"], found["collectors"]["main"]) == (False, None)
        assert "shop/bench_fan/set" in found["collectors"]["bench"]


@pytest.mark.broker
def test_a_config_that_was_spoilt_meanwhile_still_serves(open_broker: Mosquitto, tmp_path: Path) -> None:
    with people(open_broker.port, None, None) as (main, bench):
        main.listen("shop/fan/set")
        bench.listen("shop/bench_fan/set")
        text = SHOP.format(port=open_broker.port, more="").replace("start_amps = 2.5", 'start_amps = "much"')
        code, said, complained = off(tmp_path, text.replace("[gate.bench]", "[gate.bench]\ncolour = 1"))
        assert (code, said) == (0, f"by what can be read of {tmp_path / 'config.toml'}:\n{BOTH}")
        assert "the config has errors" in complained


@pytest.mark.parametrize("text", ["", "[collector.main\n", "collector = 3\n", "\x00"])
def test_without_any_collector_to_read_it_says_so(tmp_path: Path, text: str) -> None:
    code, said, _ = off(tmp_path, text)
    assert code == 1
    assert "names no collector" in said
    assert "config.toml" in said


def test_a_broker_that_is_away_is_said_at_once(tmp_path: Path) -> None:
    """By its refusal, not by the end of our patience, of which there would be other words."""
    code, said, _ = off(tmp_path, SHOP.format(port=free_port(), more=""))
    assert code == 1
    assert said.count("not switched off: no connection to the broker") == 2
    assert "refused" in said
    assert "no answer" not in said
    assert "trying again" not in said


def test_a_server_that_keeps_silent_is_given_up(tmp_path: Path) -> None:
    with socket.socket() as silent:
        silent.bind(("127.0.0.1", 0))
        silent.listen(16)
        code, said, _ = off(tmp_path, SHOP.format(port=silent.getsockname()[1], more=""))
    assert code == 1
    assert "no answer" in said


@pytest.mark.broker
def test_a_broker_that_freezes_is_given_up(tmp_path: Path) -> None:
    with Mosquitto() as broker:
        broker.sigstop()
        try:
            code, said, _ = off(tmp_path, SHOP.format(port=broker.port, more=""))
        finally:
            broker.sigcont()
    assert code == 1
    assert "no answer" in said


class SilentBroker:
    """Stands for a connection: to a broker that never answers it, or (`opens`) answers that and no message."""

    def __init__(self, *, opens: bool, protocol: Protocol, **_settings: object) -> None:
        self.opens, self.protocol = opens, protocol
        self.closed = asyncio.get_running_loop().create_future()

    async def open(self) -> None:
        await asyncio.sleep(0.1 if self.opens else 1000)

    def publish(self, _outgoing: Outgoing) -> bool:
        return True

    def abort(self) -> None:
        """Nothing is open."""

    async def say_goodbye(self, _last: None) -> None:
        """Nobody hears it."""


@pytest.mark.parametrize("opens", [False, True])
@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
def test_silence_costs_no_more_than_the_bound(opens: bool, protocol: Protocol, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("gatehand.mqtt.deliver.Connection", partial(SilentBroker, opens=opens))
    settings = BrokerSettings("127.0.0.1", 1883, client_id="off", protocol=protocol)
    offs = [Outgoing(f"shop/{name}/set", b"0", MessageKind.OFF) for name in ("fan", "bench_fan")]

    async def outcome() -> tuple[str | None, ...]:
        try:
            return await deliver(
                settings, offs, WITHIN, [Outgoing("gatehand/collector/main/off", b"", MessageKind.OFF)]
            )
        except ConnectionFailedError as failed:
            return (str(failed),)

    answers, took = timed(outcome())
    assert took == pytest.approx(WITHIN)
    assert len(answers) == (3 if opens else 1)
    assert None not in answers


class OldBroker(SilentBroker):
    """One that knows MQTT 3.1.1 alone, and acknowledges everything, whether anybody hears it or not."""

    def __init__(self, *, protocol: Protocol, hooks: Hooks, **_settings: object) -> None:
        super().__init__(opens=True, protocol=protocol)
        self._hooks = hooks

    async def open(self) -> None:
        if self.protocol == "5":
            raise ConnectionFailedError(Failure.PROTOCOL, "unsupported protocol version")

    def publish(self, outgoing: Outgoing) -> bool:
        self._hooks.answered(outgoing, None)
        return True


def test_a_broker_that_cannot_say_whether_a_daemon_listens_is_not_taken_at_its_word(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("gatehand.mqtt.deliver.Connection", OldBroker)
    off, ask = (Outgoing(topic, b"0", MessageKind.OFF) for topic in ("shop/fan/set", "gatehand/collector/main/off"))
    settings = BrokerSettings("127.0.0.1", 1883, client_id="off")
    (sent, heard), _ = timed(deliver(settings, [off], WITHIN, [ask]))
    assert sent is None
    assert heard is not None
    assert "3.1.1" in heard


class Answering(SilentBroker):
    """A broker behind which somebody answers: to each ask what `says` has for its topic; without that nobody listens.

    Args:
        says: topic of an ask to the payload of its answer (None: it keeps silent), and after how many seconds.
        refuses: a subscription is not answered in time.
    """

    def __init__(
        self,
        *,
        says: dict[str, tuple[bytes | None, float]],
        refuses: bool,
        protocol: Protocol,
        hooks: Hooks,
        **_settings: object,
    ) -> None:
        super().__init__(opens=True, protocol=protocol)
        self.inbox, self.said = Inbox(), list[str]()
        self._hooks, self._says, self._refuses = hooks, says, refuses
        self._topics: tuple[str, ...] = ()

    async def subscribe(self, wanted: list[Subscription]) -> dict[str, str]:
        self.said.append("subscribes")
        if self._refuses:
            await asyncio.sleep(1000)
        self._topics = tuple(each.topic for each in wanted)
        return {}

    def publish(self, outgoing: Outgoing) -> bool:
        self.said.append(outgoing.topic)
        if outgoing.topic not in self._says and outgoing.topic.startswith("gatehand/"):
            self._hooks.answered(outgoing, Notice(NoticeKind.NOBODY_LISTENS, "nobody listens"))
            return True
        self._hooks.answered(outgoing, None)
        payload, after = self._says.get(outgoing.topic, (None, 0.0))
        if payload is not None and self._topics:
            answer = self._topics[0 if outgoing.topic == ASKS[0].topic else 1]
            asyncio.get_running_loop().call_later(after, self._arrives, answer, payload)
        return True

    def _arrives(self, topic: str, payload: bytes) -> None:
        self.inbox.put(Message("gatehand/online", b"1", False, 0.0))
        self.inbox.put(Message(topic, payload, False, 0.0))
        self._hooks.arrived()


ASKS = [Outgoing(f"gatehand/collector/{name}/off", b"{}", MessageKind.OFF) for name in ("main", "bench")]
MAIN, BENCH = (each.topic for each in ASKS)


@pytest.mark.parametrize(
    ("says", "came", "takes"),
    [
        ({MAIN: (b"yes", 0.2), BENCH: (b"too", 0.1)}, {"a": b"yes", "b": b"too"}, 0.2),
        ({MAIN: (b"yes", 0.2)}, {"a": b"yes"}, 0.2),  # nobody listens for the other
        ({MAIN: (b"yes", 0.2), BENCH: (None, 0.0)}, {"a": b"yes"}, 1.0),
        ({MAIN: (b"late", 1.1), BENCH: (b"too", 0.9)}, {"b": b"too"}, 1.0),
        ({}, {}, 0.0),
    ],
)
def test_the_daemons_answers_are_waited_for_a_second_and_no_longer_than_they_can_come(
    says: dict[str, tuple[bytes | None, float]],
    came: dict[str, bytes],
    takes: float,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    made: list[Answering] = []

    def connection(**settings: Any) -> Answering:  # noqa: ANN401 - a connection's
        made.append(Answering(says=says, refuses=False, **settings))
        return made[-1]

    monkeypatch.setattr("gatehand.mqtt.deliver.Connection", connection)
    answers = Answers(("a", "b"))
    off = Outgoing("shop/fan/set", b"0", MessageKind.OFF)
    settings = BrokerSettings("127.0.0.1", 1883, client_id="off")
    (sent, *_), took = timed(deliver(settings, [off], WITHIN, ASKS, answers))
    assert sent is None
    assert answers.came == came
    assert took == pytest.approx(0.1 + takes)
    assert made[0].said == ["shop/fan/set", "subscribes", MAIN, BENCH], "off waits for nothing"


def test_a_subscription_that_is_not_answered_delays_the_ask_and_no_more(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("gatehand.mqtt.deliver.Connection", partial(Answering, says={MAIN: (b"x", 0.0)}, refuses=True))
    answers = Answers(("a",))
    settings = BrokerSettings("127.0.0.1", 1883, client_id="off")
    found, took = timed(deliver(settings, [Outgoing("shop/fan/set", b"0", MessageKind.OFF)], WITHIN, ASKS[:1], answers))
    assert found == (None, None)
    assert answers.came == {}
    assert took == pytest.approx(WITHIN)


@pytest.mark.broker
def test_what_the_daemon_answered_is_told_and_given_to_programs(open_broker: Mosquitto, tmp_path: Path) -> None:
    """Under MQTT 3.1.1 too, where no broker says whether a daemon is there; and one that answers for itself alone."""
    with people(open_broker.port, None, None, None) as (main, bench, daemon):
        main.listen("shop/fan/set")
        bench.listen("shop/bench_fan/set")
        daemon.listen("gatehand/collector/main/off")

        def answers(count: int) -> None:
            wait_until(lambda: len(daemon.heard) >= count)
            asked = json.loads(daemon.heard[-1][1])
            assert asked["by"] == getpass.getuser()
            daemon.say(f"gatehand/answer/{asked['id']}", '{"ok": true, "rule": "off_asked", "text": "off\\u0007"}')

        for count, options in ((1, ()), (2, ("--json",))):
            answering = threading.Thread(target=answers, args=(count,))
            answering.start()
            text = SHOP.format(port=open_broker.port, more='protocol = "3.1.1"')
            code, said, _ = off(tmp_path, text, *options)
            answering.join()
            assert code == 0
            if not options:
                others = "if a daemon is running, it was asked to keep the others off until a fresh start\n"
                answered = "collector main: the daemon answered: off\\x07\n"
                assert said == f"{by(tmp_path)}{answered}{others}"
        found = json.loads(said)
        assert found["answers"] == {"main": {"ok": True, "rule": "off_asked", "text": "off\u0007"}}
        assert found["daemon_told"] is True


@pytest.fixture(scope="module")
def guarded() -> Iterator[Mosquitto]:
    """A broker that knows the example's users, with the access list for the shop above."""
    broker = Mosquitto(anonymous=False)
    config = broker.folder / "shop.toml"
    config.write_text(SHOP.format(port=1883, more='username = "gatehand"'))
    shop = load(config).config
    assert shop is not None
    everybody = users(shop)
    (broker.folder / "acl").write_text(access_list(everybody))
    write_passwords(broker.folder / "passwords", [user.name for user in everybody])
    broker.configure(f"password_file {broker.folder}/passwords", f"acl_file {broker.folder}/acl")
    with broker as running:
        yield running


def login(folder: Path, name: str, password: str) -> str:
    (folder / "secret").write_text(password + "\n")
    return f'username = "{name}"\npassword_file = "secret"'


@pytest.mark.broker
def test_it_logs_in_as_the_daemon_does(guarded: Mosquitto, tmp_path: Path) -> None:
    with people(guarded.port, "collector-main", "collector-bench") as (main, bench):
        main.listen("shop/fan/set")
        bench.listen("shop/bench_fan/set")
        code, said, _ = off(tmp_path, SHOP.format(port=guarded.port, more=login(tmp_path, "gatehand", PASSWORD)))
        assert (code, said) == (0, by(tmp_path))
        main.has_heard(("shop/fan/set", b"0"))


@pytest.mark.broker
def test_a_refused_login_and_a_refused_topic_are_told_apart(guarded: Mosquitto, tmp_path: Path) -> None:
    code, said, _ = off(tmp_path, SHOP.format(port=guarded.port, more=login(tmp_path, "gatehand", "wrong")))
    assert code == 1
    assert "refused the login of user 'gatehand'" in said
    code, said, _ = off(tmp_path, SHOP.format(port=guarded.port, more=login(tmp_path, "viewer", PASSWORD)))
    assert code == 1
    assert "the broker refused a message to 'shop/fan/set' (not authorized)" in said
    code, said, _ = off(tmp_path, SHOP.format(port=guarded.port, more='username = "gatehand"\npassword_file = "no"'))
    assert code == 1
    assert "no cannot be read" in said


@pytest.mark.broker
def test_the_daemon_under_the_same_id_keeps_its_connection(open_broker: Mosquitto, tmp_path: Path) -> None:
    daemon = Person(open_broker.port, None)
    try:
        daemon.listen("shop/+/set")
        assert off(tmp_path, SHOP.format(port=open_broker.port, more='client_id = "gatehand"'))[0] == 0
        assert "already connected" not in open_broker.log
    finally:
        daemon.leave()
