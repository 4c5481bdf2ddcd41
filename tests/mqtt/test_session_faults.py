"""Brokers that die, freeze, refuse and come back: no late command, nothing leaked, each said in words (I6)."""

import asyncio
import gc
import socket
import subprocess
import time
from collections.abc import Iterator
from pathlib import Path
from unittest.mock import ANY

import pytest
from support.certificates import make_authority, make_broker_certificate
from support.mosquitto import Mosquitto
from support.ports import free_port
from support.recorder import LONGEST, Observer, Recorder, attempts_of, running, until
from support.scripted_broker import ScriptedBroker, publish

from gatehand.mqtt import paho_client
from gatehand.mqtt.failures import Patience
from gatehand.mqtt.outbox import LATEST
from gatehand.mqtt.session import Session
from gatehand.mqtt.settings import BrokerSettings, Protocol, TlsFiles
from gatehand.mqtt.transport import MessageKind, NoticeKind, Outgoing, Subscription

pytestmark = pytest.mark.broker

ON = Outgoing("shop/fan/set", b"1", MessageKind.ACT)
OFF = Outgoing("shop/fan/set", b"0", MessageKind.OFF)
MARK = Outgoing("mark", b"here", MessageKind.EVENT)
ESTOP = Subscription("estop")
PINGRESP = b"\xd0\x00"
PROTOCOLS: list[Protocol] = ["5", "3.1.1"]
QUICK = Patience(retry=(0.05, 0.1), refused=0.3, contended=0.3, answer=1.0)


@pytest.fixture
def broker() -> Iterator[Mosquitto]:
    with Mosquitto() as one:
        yield one


def sockets() -> int:
    gc.collect()  # the observers' libraries leave theirs to the collector
    count = 0
    for path in Path("/proc/self/fd").iterdir():
        try:
            count += str(path.readlink()).startswith("socket:")
        except FileNotFoundError:
            continue
    return count


def settings(broker: Mosquitto, protocol: Protocol = "5", keepalive: int = 6) -> BrokerSettings:
    return BrokerSettings("127.0.0.1", broker.port, "gatehand-test", protocol, keepalive)


async def nothing_late(one: Session, seen: Observer, command: str = "shop/fan/set") -> None:
    """A broker passes on what one client says in order: what was said before a mark would have come by then."""
    assert one.publish(MARK)
    await until(lambda: seen.live(MARK.topic))
    assert seen.live(command) == []
    seen.seen.clear()


@pytest.mark.parametrize("protocol", PROTOCOLS)
async def test_ten_deaths_of_the_broker_leak_nothing_and_deliver_no_late_command(
    broker: Mosquitto, protocol: Protocol, monkeypatch: pytest.MonkeyPatch
) -> None:
    shell, attempts = Recorder(), attempts_of(monkeypatch)
    async with running(
        Session(settings(broker, protocol), "gatehand", shell, (Subscription("a"),), patience=QUICK)
    ) as one:
        await until(lambda: "settled" in shell.story)
        before, tasks = sockets(), len(asyncio.all_tasks())
        for _ in range(10):
            shell.lost.clear()
            shell.connected.clear()
            shell.notices.clear()
            broker.kill9()
            one.publish(ON)  # whatever it answers: the socket may not know yet
            await until(lambda: shell.lost)
            assert not one.publish(ON)
            await until(lambda: shell.noticed(NoticeKind.UNREACHABLE))
            broker.revive()
            with Observer(broker.port) as seen:
                attempts.clear()
                await until(lambda: shell.connected)
                assert len(attempts) <= 2  # one more may have been under way
                await nothing_late(one, seen)
        del seen
        await until(lambda: len(asyncio.all_tasks()) == tasks)
        assert sockets() == before
    assert shell.noticed(NoticeKind.SAME_CLIENT_ID) == []  # it was away, and is no stranger with our id


@pytest.mark.parametrize("protocol", PROTOCOLS)
async def test_a_frozen_broker_is_noticed_by_its_keepalive(broker: Mosquitto, protocol: Protocol) -> None:
    shell = Recorder()
    async with running(Session(settings(broker, protocol, keepalive=1), "gatehand", shell, patience=QUICK)):
        await until(lambda: "settled" in shell.story)
        broker.sigstop()
        await asyncio.sleep(0.01)  # what it had sent before is read
        frozen = time.monotonic()
        await until(lambda: shell.lost)
        reason, heard_at = shell.lost[0]
        assert reason == "the broker gave no sign of life within its keepalive of 1 s"
        assert heard_at <= frozen
        broker.sigcont()
        await until(lambda: len(shell.connected) == 2)


@pytest.mark.parametrize("protocol", PROTOCOLS)
async def test_a_command_given_to_a_frozen_broker_is_never_carried_out_when_it_thaws(
    broker: Mosquitto, protocol: Protocol
) -> None:
    shell = Recorder()
    async with running(Session(settings(broker, protocol), "gatehand", shell, patience=QUICK)) as one:
        await until(lambda: "settled" in shell.story)
        with Observer(broker.port) as seen:
            await asyncio.sleep(0.4)
            broker.sigstop()
            asked = time.monotonic()
            assert one.publish(ON)
            await until(lambda: shell.lost)
            assert "no sign of life for 3 s while a command waited" in shell.lost[0][0]
            assert shell.lost[0][1] < asked
            broker.sigcont()
            await until(lambda: len(shell.connected) == 2)
            await nothing_late(one, seen)
            assert one.publish(ON)
            await until(lambda: seen.live("shop/fan/set") == [b"1"])


async def test_a_short_freeze_delays_a_command_by_as_much_and_loses_nothing(
    broker: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("gatehand.mqtt.outbox.LATEST", LONGEST)  # however slow this machine is now
    monkeypatch.setattr("gatehand.mqtt.connection.ANSWER_WITHIN", LONGEST)
    shell = Recorder()
    async with running(Session(settings(broker), "gatehand", shell, patience=QUICK)) as one:
        await until(lambda: "settled" in shell.story)
        with Observer(broker.port) as seen:
            await asyncio.sleep(0.4)
            broker.sigstop()
            one.publish(ON)
            await asyncio.sleep(0.15)
            broker.sigcont()
            await until(lambda: seen.live("shop/fan/set") == [b"1"])
    assert shell.lost == []


async def test_a_command_that_a_longer_freeze_has_held_up_never_leaves_and_counts_as_not_given(
    broker: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("gatehand.mqtt.connection.ANSWER_WITHIN", LONGEST)  # however slow this machine is now
    shell = Recorder()
    async with running(Session(settings(broker), "gatehand", shell, patience=QUICK)) as one:
        await until(lambda: "settled" in shell.story)
        with Observer(broker.port) as seen:
            await asyncio.sleep(0.4)
            broker.sigstop()
            asked = time.monotonic()
            one.publish(ON)
            await asyncio.sleep(LATEST + 0.1)
            broker.sigcont()
            await until(lambda: shell.lost)
            assert shell.lost[0] == ("the broker gave no sign of life in time while a command waited", ANY)
            assert shell.lost[0][1] < asked
            await until(lambda: len(shell.connected) == 2)
            await nothing_late(one, seen)


async def test_an_emergency_stop_that_comes_with_the_sign_of_life_takes_back_the_on_that_waits_for_it() -> None:
    shell = Recorder()
    async with ScriptedBroker() as server:
        one = Session(BrokerSettings("127.0.0.1", server.port), "gatehand", shell, (ESTOP,), patience=QUICK)
        heard = shell.on_message

        def stop(topic: str, payload: bytes, retained: bool, received: float) -> None:
            heard(topic, payload, retained, received)
            one.publish(OFF)

        shell.on_message = stop  # type: ignore[method-assign]
        async with running(one):
            await until(lambda: "settled" in shell.story)
            await asyncio.sleep(0.1)
            server.pongs = False
            one.publish(ON)
            await asyncio.sleep(0.1)
            server.send(publish(b"estop", b"1") + PINGRESP)
            await until(lambda: shell.messages)
            one.publish(MARK)
            await until(lambda: any(b"mark" in body for body in server.published))
            commands = [body for body in server.published if b"shop/fan/set" in body]
    assert [body[-1:] for body in commands] == [b"0"]


async def test_what_arrived_before_the_end_is_delivered_before_the_loss_is_told(broker: Mosquitto) -> None:
    shell = Recorder()
    async with running(Session(settings(broker), "gatehand", shell, (Subscription("estop"),), patience=QUICK)):
        await until(lambda: "settled" in shell.story)
        with Observer(broker.port, "nothing") as other:
            other.publish("estop", b"1", qos=1)
            broker.kill9()
            await until(lambda: shell.lost)
    assert shell.story[-2:] == ["estop", "lost"]


@pytest.mark.parametrize("protocol", PROTOCOLS)
async def test_a_refused_login_is_explained_and_tried_until_it_is_accepted(
    broker: Mosquitto, protocol: Protocol
) -> None:
    broker.stop()
    people = broker.folder / "people"
    passwords(people, "fan", "right")
    broker.configure(f"password_file {people}", anonymous=False)
    broker.start()
    shell = Recorder()
    login = BrokerSettings(
        "127.0.0.1",
        broker.port,
        "gatehand-test",
        protocol,
        username="fan",
        password="other",
    )
    async with running(Session(login, "gatehand", shell, patience=QUICK)):
        await until(lambda: shell.noticed(NoticeKind.LOGIN_REFUSED))
        assert shell.connected == []
        passwords(people, "fan", "other")
        broker.reload()
        await until(lambda: shell.connected)
    text = shell.noticed(NoticeKind.LOGIN_REFUSED)[0].text
    assert "refused the login of user 'fan' (" in text
    assert "correct username and password_file in [broker]" in text
    assert len(shell.noticed(NoticeKind.LOGIN_REFUSED)) == 1


@pytest.mark.parametrize("protocol", PROTOCOLS)
async def test_a_topic_we_may_not_read_is_named_and_tried_again(broker: Mosquitto, protocol: Protocol) -> None:
    broker.stop()
    rights = broker.folder / "rights"
    rights.write_text("topic readwrite gatehand/#\ntopic read shop/saw/amps\n")
    broker.configure(f"acl_file {rights}")
    broker.start()
    shell = Recorder()
    wanted = (Subscription("shop/saw/amps"), Subscription("shop/estop"))
    patience = Patience(refused_topics=0.3)
    async with running(Session(settings(broker, protocol), "gatehand", shell, wanted, patience=patience)) as one:
        await until(lambda: "settled" in shell.story)
        one.publish(ON)
        if protocol == "5":
            await until(lambda: shell.noticed(NoticeKind.PUBLISH_REFUSED))
            assert "'shop/fan/set' (not authorized)" in shell.noticed(NoticeKind.PUBLISH_REFUSED)[0].text
        # Mosquitto grants what it will not deliver, unless the whole filter is denied to subscribe.
        denied = one.refused
        assert denied.keys() <= {"shop/estop"}
        if denied:
            rights.write_text("topic readwrite gatehand/#\ntopic read shop/#\n")
            broker.reload()
            await until(lambda: shell.noticed(NoticeKind.SUBSCRIPTION_GRANTED))


@pytest.mark.parametrize("protocol", PROTOCOLS)
async def test_another_client_with_our_id_is_recognised_after_three_short_lives(
    broker: Mosquitto, protocol: Protocol
) -> None:
    ours, theirs = Recorder(), Recorder()
    one = Session(settings(broker, protocol), "gatehand", ours, patience=QUICK)
    two = Session(settings(broker, protocol), "other", theirs, patience=QUICK)
    async with running(one), running(two):
        await until(lambda: ours.noticed(NoticeKind.SAME_CLIENT_ID) and theirs.noticed(NoticeKind.SAME_CLIENT_ID))
    text = ours.noticed(NoticeKind.SAME_CLIENT_ID)[0].text
    assert "another client uses the same client_id 'gatehand-test'" in text
    assert "change client_id in [broker]" in text


async def test_nothing_there_is_told_once_and_tried_for_ever(monkeypatch: pytest.MonkeyPatch) -> None:
    shell, attempts = Recorder(), attempts_of(monkeypatch)
    nobody = BrokerSettings("127.0.0.1", free_port(), "gatehand-test")
    async with running(Session(nobody, "gatehand", shell, patience=QUICK)):
        await until(lambda: len(attempts) > 4)
    assert len(shell.noticed(NoticeKind.UNREACHABLE)) == 1
    assert "Connection refused" in shell.notices[0].text


async def test_a_host_that_does_not_exist_is_named() -> None:
    shell = Recorder()
    nowhere = BrokerSettings("no-such-host.invalid", 1883, "gatehand-test")
    async with running(Session(nowhere, "gatehand", shell, patience=QUICK)):
        await until(lambda: shell.noticed(NoticeKind.UNREACHABLE))
    assert "no-such-host.invalid:1883" in shell.notices[0].text


async def test_an_acknowledged_command_does_not_slow_down_the_next_reading(
    broker: Mosquitto, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nagle's algorithm on either side would cost 40 ms a round: ours is off, the broker's gets what it waits for."""
    acknowledged = []
    acknowledge_now = paho_client.acknowledge_now

    def counted(sock: socket.socket) -> None:
        acknowledge_now(sock)
        acknowledged.append(sock.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY))

    class Answering(Recorder):
        def on_message(self, topic: str, payload: bytes, retained: bool, received: float) -> None:
            super().on_message(topic, payload, retained, received)
            one.publish(ON)

    shell = Answering()
    one = Session(settings(broker), "gatehand", shell, (Subscription("amps", qos=0),), patience=QUICK)
    async with running(one):
        await until(lambda: shell.connected)
        with Observer(broker.port, "shop/fan/set") as other:
            monkeypatch.setattr(paho_client, "acknowledge_now", counted)
            for number in range(10):
                read = len(acknowledged)
                other.publish("amps", str(number).encode())
                await until(lambda number=number: len(other.seen) > number)  # type: ignore[misc]
                assert len(acknowledged) > read
    assert all(acknowledged)


async def test_an_encrypted_connection_is_checked_against_the_ca_and_a_bad_one_is_explained(tmp_path: Path) -> None:
    encrypted = Mosquitto()
    shop, stranger = (make_authority(encrypted.folder, name) for name in ("shop", "stranger"))
    encrypted.configure(*make_broker_certificate(encrypted.folder, "shop", names="DNS:localhost"))
    with encrypted as broker:
        shell = Recorder()
        login = BrokerSettings("localhost", broker.port, "gatehand-test", tls=TlsFiles(shop))
        async with running(Session(login, "gatehand", shell, (Subscription("a"),), patience=QUICK)) as one:
            await until(lambda: "settled" in shell.story)
            for number in range(200):
                one.publish(Outgoing("a", str(number).encode(), MessageKind.OFF))
            await until(lambda: len(shell.messages) == 200)
        wary = Recorder()
        login = BrokerSettings("localhost", broker.port, "gatehand-test", tls=TlsFiles(stranger))
        async with running(Session(login, "gatehand", wary, patience=QUICK)):
            await until(lambda: wary.notices)
    assert "CERTIFICATE_VERIFY_FAILED" in wary.notices[0].text
    assert "correct tls in [broker]" in wary.notices[0].text
    assert wary.connected == []
    shell = Recorder()
    missing = BrokerSettings("localhost", 1883, tls=TlsFiles(tmp_path / "none.crt"))
    async with running(Session(missing, "gatehand", shell, patience=QUICK)):
        await until(lambda: shell.notices)
    assert f"ca_file {tmp_path}/none.crt cannot be used" in shell.notices[0].text


def passwords(file: Path, user: str, password: str) -> None:
    file.touch()
    subprocess.run(["mosquitto_passwd", "-b", str(file), user, password], check=True, capture_output=True)  # noqa: S603, S607
    file.chmod(0o644)
