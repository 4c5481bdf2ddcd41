"""A session with a real Mosquitto: what is published, how, and what comes back."""

import asyncio
import contextlib
import time
from collections.abc import Iterator
from functools import partial

import pytest
from support.mosquitto import Mosquitto
from support.recorder import Observer, Recorder, running, until

from gatehand.mqtt.session import Session
from gatehand.mqtt.settings import BrokerSettings, Protocol
from gatehand.mqtt.transport import MessageKind, NoticeKind, Outgoing, Subscription

pytestmark = pytest.mark.broker

ON = Outgoing("shop/fan/set", b"1", MessageKind.ACT)
OFF = Outgoing("shop/fan/set", b"0", MessageKind.OFF)
PROTOCOLS: list[Protocol] = ["5", "3.1.1"]


@pytest.fixture
def broker() -> Iterator[Mosquitto]:
    with Mosquitto() as one:
        yield one


def lines_about(broker: Mosquitto, topic: str) -> list[str]:
    return [line for line in broker.log.splitlines() if "PUBLISH from gatehand-test" in line and f"'{topic}'" in line]


def session(broker: Mosquitto, shell: Recorder, *topics: str, protocol: Protocol = "5") -> Session:
    settings = BrokerSettings("127.0.0.1", broker.port, "gatehand-test", protocol)
    return Session(settings, "gatehand", shell, tuple(Subscription(topic) for topic in topics))


@pytest.mark.parametrize("protocol", PROTOCOLS)
async def test_online_is_said_after_the_subscriptions_and_unsaid_at_a_clean_stop(
    broker: Mosquitto, protocol: Protocol
) -> None:
    shell = Recorder()
    with Observer(broker.port) as seen:
        async with running(session(broker, shell, "shop/saw/amps", protocol=protocol)) as one:
            await until(lambda: "settled" in shell.story)
            assert one.listens_to((Subscription("shop/saw/amps"),))
            seen.publish("shop/saw/amps", b"4.2")
            await until(lambda: shell.payloads == [("shop/saw/amps", b"4.2")])
        assert not one.publish(ON)
        await until(lambda: seen.live("gatehand/online") == [b"1", b"0"])
    with Observer(broker.port, "gatehand/online") as late:  # our own "0" coming back is no reason to say "1"
        await until(lambda: late.seen == [("gatehand/online", b"0", True)])
    assert shell.connected[0].protocol == protocol
    assert broker.log.index("Received SUBSCRIBE from gatehand-test") < broker.log.index(
        "Received PUBLISH from gatehand"
    )
    assert "Received DISCONNECT from gatehand-test" in broker.log
    assert shell.lost == []


async def test_what_the_broker_retains_comes_after_connected_and_before_settled_and_is_marked(
    broker: Mosquitto,
) -> None:
    shell = Recorder()
    with Observer(broker.port) as other:
        for number in range(50):
            other.publish(f"shop/gate/{number}/state", b"open", qos=1, retain=True)
        async with running(session(broker, shell, *(f"shop/gate/{number}/state" for number in range(50)))):
            await until(lambda: "settled" in shell.story)
            other.publish("shop/gate/0/state", b"shut", qos=1, retain=True)
            await until(lambda: len(shell.messages) == 51)
    assert shell.story[0] == "connected"
    assert shell.story.index("settled") == 51
    assert [retained for _, _, retained, _ in shell.messages] == [True] * 50 + [False]


async def test_commands_are_never_retained_and_expire_and_status_is_retained(broker: Mosquitto) -> None:
    shell = Recorder()
    status = Outgoing("gatehand/collector/main", b"{}", MessageKind.STATUS)
    with Observer(broker.port) as seen:
        async with running(session(broker, shell)) as one:
            await until(lambda: shell.connected)
            for outgoing in (ON, OFF, status):
                assert one.publish(outgoing)
                await until(partial(seen.live, outgoing.topic))
                assert seen.expiry[outgoing.topic] == (None if outgoing is status else 3)
                seen.seen.clear()
    with Observer(broker.port) as late:
        late.publish("mark", b"here")  # comes after what is retained
        await until(lambda: late.live("mark"))
        assert sorted(topic for topic, _, retained in late.seen if retained) == [
            "gatehand/collector/main",
            "gatehand/online",
        ]


async def test_a_sleeping_device_never_hears_an_expired_on(broker: Mosquitto) -> None:
    """A persistent session of 3.1.1: the broker keeps QoS 1 for it, and drops what has expired."""
    import paho.mqtt.client as paho
    from paho.mqtt.enums import CallbackAPIVersion

    def device() -> paho.Client:
        client = paho.Client(CallbackAPIVersion.VERSION2, client_id="relay", clean_session=False)
        client.on_message = lambda _c, _u, message: heard.append(message.payload)
        client.connect("127.0.0.1", broker.port)
        client.subscribe("shop/fan/set", 1)
        return client

    heard: list[bytes | bytearray] = []
    sleeper = device()
    await until(lambda: sleeper.loop(0.05) == 0 and "Sending SUBACK to relay" in broker.log)
    sleeper.disconnect()
    shell = Recorder()
    async with running(session(broker, shell)) as one:
        await until(lambda: shell.connected)
        one.publish(ON)
        await asyncio.sleep(4.2)
        one.publish(OFF)
        one.publish(Outgoing(OFF.topic, b"2", MessageKind.OFF))
        await until(lambda: len(lines_about(broker, OFF.topic)) == 3)
        waker = device()
        await until(lambda: waker.loop(0.05) == 0 and b"2" in heard)
        waker.disconnect()
    assert heard == [b"0", b"2"]


async def test_under_3_1_1_on_is_qos_0_and_off_is_qos_1(broker: Mosquitto) -> None:
    shell = Recorder()
    async with running(session(broker, shell, protocol="3.1.1")) as one:
        await until(lambda: shell.connected)
        one.publish(ON)
        # An off that follows at once takes the place of an on that still waits for a sign of life.
        await until(lambda: len(lines_about(broker, "shop/fan/set")) == 1)
        one.publish(OFF)
        await until(lambda: len(lines_about(broker, "shop/fan/set")) == 2)
    on, off = lines_about(broker, "shop/fan/set")
    assert "(d0, q0, r0, m0," in on
    assert "(d0, q1, r0, " in off


async def test_without_a_connection_publish_says_false_and_nothing_is_sent_later(broker: Mosquitto) -> None:
    shell = Recorder()
    one = session(broker, shell)
    broker.kill9()
    async with running(one):
        assert not one.publish(ON)
        await until(lambda: shell.noticed(NoticeKind.UNREACHABLE))
        assert not one.publish(ON)
        broker.revive()
        with Observer(broker.port) as seen:
            await until(lambda: shell.connected)
            one.publish(Outgoing("mark", b"here", MessageKind.EVENT))
            await until(lambda: seen.live("mark"))
            assert seen.live("shop/fan/set") == []
    assert "start the broker, or correct host and port in [broker]" in shell.noticed(NoticeKind.UNREACHABLE)[0].text


async def test_a_late_will_of_an_old_connection_does_not_stand(broker: Mosquitto) -> None:
    shell = Recorder()
    async with running(session(broker, shell)):
        await until(lambda: "settled" in shell.story)
        with Observer(broker.port, "gatehand/online") as seen:
            seen.publish("gatehand/online", b"0", qos=1, retain=True)
            await until(lambda: seen.live("gatehand/online") == [b"0", b"1"])


async def test_our_death_is_told_by_the_will(broker: Mosquitto) -> None:
    shell = Recorder()
    task = asyncio.create_task(session(broker, shell).run())
    await until(lambda: "settled" in shell.story)
    with Observer(broker.port, "gatehand/online") as seen:
        task.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await task
        await until(lambda: seen.live("gatehand/online") == [b"0"])


async def test_another_daemon_with_our_base_is_noticed(broker: Mosquitto) -> None:
    shell = Recorder()
    async with running(session(broker, shell)):
        await until(lambda: "settled" in shell.story)
        with Observer(broker.port, "gatehand/online") as other:
            other.publish("gatehand/online", b"1", qos=1)
            await until(lambda: shell.noticed(NoticeKind.SAME_BASE))


async def test_a_command_nobody_listens_to_is_named_once_in_a_connection(broker: Mosquitto) -> None:
    shell = Recorder()
    async with running(session(broker, shell)) as one:
        await until(lambda: shell.connected)
        for _ in range(3):
            one.publish(ON)
        one.publish(Outgoing("shop/gate/set", b"open", MessageKind.ACT))
        await until(lambda: len(shell.noticed(NoticeKind.NOBODY_LISTENS)) > 1)  # the answers come in order
    assert [notice.facts["topic"] for notice in shell.noticed(NoticeKind.NOBODY_LISTENS)] == [
        "shop/fan/set",
        "shop/gate/set",
    ]


async def test_subscriptions_change_while_it_runs(broker: Mosquitto) -> None:
    shell = Recorder()
    async with running(session(broker, shell, "a", "b")) as one:
        await until(lambda: "settled" in shell.story)
        with Observer(broker.port) as other:
            other.publish("c", b"kept", qos=1, retain=True)
            one.subscribe((Subscription("b"), Subscription("c")))
            await until(lambda: ("c", b"kept") in shell.payloads)
            for topic in "abc":
                other.publish(topic, b"live", qos=1)
            await until(lambda: ("c", b"live") in shell.payloads)
    assert shell.payloads == [("c", b"kept"), ("b", b"live"), ("c", b"live")]
    assert len(shell.connected) == 1


async def test_a_burst_of_status_messages_arrives_whole_and_in_the_latest_form(broker: Mosquitto) -> None:
    shell = Recorder()
    with Observer(broker.port, "gatehand/#") as seen:
        async with running(session(broker, shell)) as one:
            await until(lambda: shell.connected)
            for number in range(300):
                one.publish(Outgoing(f"gatehand/gate/{number % 100}", str(number).encode(), MessageKind.STATUS))
            await until(
                lambda: all(
                    seen.live(f"gatehand/gate/{gate}")[-1:] == [str(gate + 200).encode()] for gate in range(100)
                )
            )


async def test_a_fault_of_the_shell_is_reported_and_the_next_message_still_comes(broker: Mosquitto) -> None:
    class Faulty(Recorder):
        def on_message(self, topic: str, payload: bytes, retained: bool, received: float) -> None:
            super().on_message(topic, payload, retained, received)
            if payload == b"bad":
                raise KeyError("shell")

    shell = Faulty()
    async with running(session(broker, shell, "a")):
        await until(lambda: "settled" in shell.story)
        with Observer(broker.port) as other:
            other.publish("a", b"bad", qos=1)
            other.publish("a", b"good", qos=1)
            await until(lambda: ("a", b"good") in shell.payloads)
    assert "KeyError" in shell.noticed(NoticeKind.INTERNAL_ERROR)[0].text
    assert shell.lost == []


async def test_twenty_megabytes_arrive_cut_and_the_session_lives(broker: Mosquitto) -> None:
    shell = Recorder()
    async with running(session(broker, shell, "a")):
        await until(lambda: "settled" in shell.story)
        with Observer(broker.port, "nothing") as other:
            other.publish("a", b"x" * 20_000_000, qos=1)
            other.publish("a", b"after", qos=1)
            await until(lambda: len(shell.messages) == 2)
    assert [len(payload) for _, payload in shell.payloads] == [65_537, 5]
    assert shell.lost == []


async def test_a_slow_shell_loses_readings_but_no_button_and_sees_the_newest(broker: Mosquitto) -> None:
    class Slow(Recorder):
        def on_message(self, topic: str, payload: bytes, retained: bool, received: float) -> None:
            super().on_message(topic, payload, retained, received)
            time.sleep(0.002)

    shell = Slow()
    settings = BrokerSettings("127.0.0.1", broker.port, "gatehand-test")
    wanted = (Subscription("amps", qos=0, sheddable=True), Subscription("button"))
    async with running(Session(settings, "gatehand", shell, wanted)):
        await until(lambda: "settled" in shell.story)
        with Observer(broker.port, "nothing") as other:
            for number in range(5000):
                other.publish("amps", str(number).encode())
                if number % 500 == 0:
                    other.publish("button", str(number).encode(), qos=1)
                if number % 50 == 0:
                    await asyncio.sleep(0)
            await until(lambda: ("amps", b"4999") in shell.payloads)
    buttons = [payload for topic, payload in shell.payloads if topic == "button"]
    assert buttons == [str(number).encode() for number in range(0, 5000, 500)]
    amps = [int(payload) for topic, payload in shell.payloads if topic == "amps"]
    assert amps == sorted(amps)
    assert len(amps) < 5000
    shed = sum(int(notice.facts["count"] or 0) for notice in shell.noticed(NoticeKind.READINGS_SHED))
    assert shed == 5000 - len(amps)
    stamps = [received for _, _, _, received in shell.messages]
    assert stamps == sorted(stamps)
