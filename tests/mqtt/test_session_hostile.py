"""Servers that hang, lie and send rubbish: the session ends the connection, says why, and tries again in peace."""

import asyncio
import socket
from collections import Counter
from collections.abc import AsyncIterator, Callable
from functools import partial, wraps
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from support.recorder import LONGEST, Recorder, attempts_of, running, until
from support.scripted_broker import CONNACK, ScriptedBroker, publish

from gatehand.mqtt.connection import Connection
from gatehand.mqtt.failures import Patience
from gatehand.mqtt.session import Session
from gatehand.mqtt.settings import BrokerSettings
from gatehand.mqtt.transport import MessageKind, NoticeKind, Outgoing, Subscription

ON = Outgoing("shop/fan/set", b"1", MessageKind.ACT)
QUICK = Patience(retry=(0.05,), refused=0.2, contended=0.2, connect=1.0, answer=0.5, settle=0.3)


@pytest.fixture
async def broker() -> AsyncIterator[ScriptedBroker]:
    async with ScriptedBroker() as one:
        yield one


def session(broker: ScriptedBroker, shell: Recorder, *topics: str, patience: Patience = QUICK) -> Session:
    wanted = tuple(Subscription(topic) for topic in topics)
    return Session(
        BrokerSettings("127.0.0.1", broker.port, "gatehand-test"), "gatehand", shell, wanted, patience=patience
    )


def twice(broker: ScriptedBroker) -> bool:
    return len(broker.connects) >= 2


@pytest.fixture
def turns(monkeypatch: pytest.MonkeyPatch) -> Counter[str]:
    """How often a connection was asked to read, to write and to look: a thousand times is spinning."""
    counts: Counter[str] = Counter()

    def counting(name: str, work: Callable[..., Any]) -> Callable[..., Any]:
        @wraps(work)
        def counted(*args: Any) -> Any:  # noqa: ANN401 - whatever it takes and gives
            counts[name] += 1
            return work(*args)

        return counted

    for name in ("pump", "_flush", "_keep_alive", "_on_message", "_on_disconnect"):
        monkeypatch.setattr(Connection, name, counting(name, getattr(Connection, name)))
    return counts


async def test_a_server_that_accepts_and_never_answers_is_given_up_and_tried_again() -> None:
    shell = Recorder()
    async with ScriptedBroker(connack=None) as mute, running(session(mute, shell)):
        await until(lambda: len(mute.connects) >= 3)
        await until(lambda: len(mute.ends) >= 2)
    assert "connected, but no answer within 0.5 s" in shell.noticed(NoticeKind.UNREACHABLE)[0].text
    assert shell.connected == []


async def test_a_server_that_hangs_up_is_tried_with_the_older_protocol_too() -> None:
    shell = Recorder()
    async with ScriptedBroker(connack=None, hang_up=True) as rude, running(session(rude, shell)):
        await until(lambda: len(rude.connects) >= 4)
    levels = [body[6] for body in rude.connects[:4]]
    assert levels == [5, 5, 4, 5]


async def test_a_server_that_does_not_know_mqtt_5_gets_3_1_1_at_once() -> None:
    shell = Recorder()
    refusal = b"\x20\x02\x00\x01"  # a CONNACK of 3.1.1: unacceptable protocol version
    async with ScriptedBroker(refusal) as old, running(session(old, shell)):
        await until(lambda: old.connects)
        old.connack = b"\x20\x02\x00\x00"
        await until(lambda: len(old.connects) >= 2)
    assert [body[6] for body in old.connects[:2]] == [5, 4]


@pytest.mark.parametrize(
    ("code", "kind", "words"),
    [
        (0x86, NoticeKind.LOGIN_REFUSED, "bad user name or password"),
        (0x87, NoticeKind.LOGIN_REFUSED, "not authorized"),
        (0x85, NoticeKind.CONNECTION_REFUSED, "client identifier not valid"),
        (0x89, NoticeKind.CONNECTION_REFUSED, "server busy"),
    ],
)
async def test_each_refusal_is_told_apart(code: int, kind: NoticeKind, words: str) -> None:
    shell = Recorder()
    async with ScriptedBroker(bytes([0x20, 3, 0, code, 0]), hang_up=True) as strict, running(session(strict, shell)):
        await until(lambda: shell.notices)
    assert shell.notices[0].kind is kind
    assert words in shell.notices[0].text


async def test_a_refused_subscription_is_named_and_told_with_the_connection() -> None:
    shell = Recorder()
    async with (
        ScriptedBroker(grants=False) as strict,
        running(session(strict, shell, "shop/estop", "bad/#/filter")) as one,
    ):
        await until(lambda: shell.connected)
        assert one.refused.keys() == {"shop/estop", "bad/#/filter", "gatehand/online"}
    texts = [notice.text for notice in shell.noticed(NoticeKind.SUBSCRIPTION_REFUSED)]
    assert any("'shop/estop' (not authorized)" in text and "access list" in text for text in texts)
    assert any("'bad/#/filter' (it has '#' in level 2" in text for text in texts)


async def test_a_message_that_overtakes_the_answer_to_its_subscription_still_comes_after_connected(
    broker: ScriptedBroker,
) -> None:
    shell = Recorder()
    broker.before_suback = publish(b"a", b"kept", retain=True)
    async with running(session(broker, shell, "a")):
        await until(lambda: shell.story == ["connected", "a", "settled"])


async def test_a_broker_that_ends_it_gives_its_reason(broker: ScriptedBroker) -> None:
    shell = Recorder()
    async with running(session(broker, shell)):
        await until(lambda: shell.connected)
        broker.send(b"\xe0\x02\x8b\x00")  # DISCONNECT: server shutting down
        await until(lambda: shell.lost)
    assert shell.lost[0][0] == "the broker ended it: server shutting down"


async def test_a_broker_that_says_taken_over_is_believed_the_first_time(broker: ScriptedBroker) -> None:
    shell = Recorder()
    async with running(session(broker, shell)):
        await until(lambda: shell.connected)
        broker.send(b"\xe0\x02\x8e\x00")
        await until(lambda: shell.noticed(NoticeKind.SAME_CLIENT_ID))
    assert "(the broker says so)" in shell.notices[-1].text


async def test_a_topic_that_is_not_utf_8_is_ignored_and_reported_once_and_the_session_lives(
    broker: ScriptedBroker, turns: Counter[str]
) -> None:
    shell = Recorder()
    async with running(session(broker, shell, "a")):
        await until(lambda: shell.connected)
        for _ in range(50):
            broker.send(publish(b"shop/\xff\xfe", b"1"))
        broker.send(publish(b"a", b"after"))
        await until(lambda: shell.payloads == [("a", b"after")])
        await asyncio.sleep(0.1)
        assert max(turns.values()) < 200
    assert [notice.text for notice in shell.noticed(NoticeKind.MESSAGE_UNREADABLE)] == [
        "ignored a message whose topic is not UTF-8: shop/\\xff\\xfe"
    ]
    assert shell.lost == []


BROKEN = "the broker sent something that is not MQTT"
RUBBISH = {
    "malformed_publish": (b"\x30\x02\x00\xff", BROKEN),
    "bad_property": (b"\x30\x06\x00\x01a\x02\xff\xff", BROKEN),
    "qos_3": (b"\x36\x06\x00\x01a\x00\x01\x00", BROKEN),
    "length_of_five_bytes": (b"\x30\xff\xff\xff\xff\xff", BROKEN),
    "suback_of_nothing": (b"\x90\x04\x77\x77\x00\x00", None),
    "puback_of_nothing": (b"\x40\x02\x77\x77", None),
    "second_connack": (CONNACK, None),
    "reserved_type": (b"\x00\x00", BROKEN),
    "auth": (b"\xf0\x00", BROKEN),
    "empty_disconnect": (b"\xe0\x00", "the broker ended it: normal disconnection"),
}


@pytest.mark.parametrize("name", RUBBISH)
async def test_rubbish_neither_spins_nor_stops_the_session(
    broker: ScriptedBroker, name: str, caplog: pytest.LogCaptureFixture, turns: Counter[str]
) -> None:
    shell = Recorder()
    async with running(session(broker, shell, "a")):
        await until(lambda: "settled" in shell.story)
        rubbish, ending = RUBBISH[name]
        broker.send(rubbish)
        await asyncio.sleep(0.1)
        assert max(turns.values()) < 200
        await until(lambda: len(shell.connected) > len(shell.lost))
        broker.send(publish(b"a", b"after"))
        await until(lambda: ("a", b"after") in shell.payloads)
    assert len(caplog.records) < 8
    assert [reason for reason, _ in shell.lost] == ([] if ending is None else [ending])


async def test_a_greeting_of_rubbish_is_given_up_soon_and_without_spinning(turns: Counter[str]) -> None:
    shell = Recorder()
    for greeting in (
        b"\x20\x03\x00\x00\xff",
        b"\x20\x04\x00\x00\x01\xff",
        b"HTTP/1.1 400 Bad Request\r\n\r\n",
        b"\x20\x7f",
    ):
        async with ScriptedBroker(greeting) as liar, running(session(liar, shell)):
            await until(partial(twice, liar))
            assert max(turns.values()) < 200
    assert shell.connected == []


async def test_our_close_is_a_reset_so_that_nothing_unsent_is_delivered_later(broker: ScriptedBroker) -> None:
    shell = Recorder()
    task = asyncio.create_task(session(broker, shell).run())
    await until(lambda: "settled" in shell.story)
    task.cancel()
    await asyncio.wait({task})
    await until(lambda: broker.ends)
    assert broker.ends == ["reset"]


async def test_a_clean_stop_is_an_ordinary_close_after_a_disconnect(broker: ScriptedBroker) -> None:
    shell = Recorder()
    async with running(session(broker, shell)):
        await until(lambda: "settled" in shell.story)
    await until(lambda: broker.ends)
    assert broker.ends == ["closed"]


@pytest.mark.parametrize("goodbye", [0.1, 1e6])
async def test_a_stop_waits_for_acknowledgements_and_no_longer_than_it_says(
    broker: ScriptedBroker, goodbye: float
) -> None:
    shell = Recorder()
    async with running(session(broker, shell, patience=Patience(settle=0.3, goodbye=goodbye))) as one:
        await until(lambda: "settled" in shell.story)
        broker.acks = False
        one.publish(Outgoing("shop/fan/set", b"0", MessageKind.OFF))
        one.stop()
        await until(lambda: len(broker.published) == 3)  # with online's "1" and "0"
        if goodbye > 1:
            await asyncio.sleep(0.1)
            assert broker.ends == []
            for body in broker.published[1:]:
                at = 2 + int.from_bytes(body[:2], "big")
                broker.send(b"\x40\x02" + body[at : at + 2])
        await until(lambda: broker.ends)
    assert any(b"shop/fan/set" in body for body in broker.published)


async def test_a_stop_while_connecting_ends_at_once() -> None:
    shell = Recorder()
    async with ScriptedBroker(connack=None) as mute:
        one = session(mute, shell, patience=Patience(connect=1e6, answer=1e6))
        task = asyncio.create_task(one.run())
        await until(lambda: mute.connects)
        one.stop()
        async with asyncio.timeout(LONGEST):
            await task
        await until(lambda: mute.ends == ["reset"])


async def test_a_network_that_swallows_the_connect_is_given_up_in_bounded_time_and_a_stop_does_not_wait_for_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    shell, attempts = Recorder(), attempts_of(monkeypatch)
    with socket.socket() as deaf:
        deaf.bind(("127.0.0.1", 0))
        deaf.listen(0)
        fillers = [socket.socket() for _ in range(4)]
        for filler in fillers:  # a full backlog leaves further connects without an answer
            filler.setblocking(False)
            filler.connect_ex(deaf.getsockname())
        silent = BrokerSettings("127.0.0.1", deaf.getsockname()[1], "gatehand-test")
        async with running(Session(silent, "gatehand", shell, patience=QUICK)):
            await until(lambda: shell.noticed(NoticeKind.UNREACHABLE))
        patient = Session(silent, "gatehand", Recorder(), patience=Patience(connect=1e4))
        task = asyncio.create_task(patient.run())
        await until(lambda: 1e4 in attempts)
        patient.stop()
        async with asyncio.timeout(LONGEST):
            await task
        for filler in fillers:
            filler.close()
    await until(lambda: len(asyncio.all_tasks()) == 1)
    assert "timed out" in shell.notices[0].text


async def test_settled_comes_even_where_our_own_words_do_not_come_back(broker: ScriptedBroker) -> None:
    shell = Recorder()
    async with running(session(broker, shell)):
        await until(lambda: shell.story == ["connected", "settled"])


async def test_a_broker_with_a_receive_maximum_of_one_is_never_sent_two() -> None:
    shell = Recorder()
    connack = b"\x20\x06\x00\x00\x03\x21\x00\x01"  # MQTT 5.0 section 3.2.2.3.3
    async with ScriptedBroker(connack, acks=False) as narrow, running(session(narrow, shell)) as one:
        await until(lambda: narrow.published)
        for number in range(5):
            one.publish(Outgoing(f"s/{number}", b"x", MessageKind.STATUS))
        one.publish(Outgoing("shop/fan/set", b"0", MessageKind.OFF))
        one.publish(Outgoing("mark", b"here", MessageKind.EVENT))
        await until(lambda: any(b"mark" in body for body in narrow.published))
        assert len(narrow.published) == 2
        narrow.send(b"\x40\x02\x00\x02")  # PUBACK of packet 2; 1 was the subscription
        await until(lambda: len(narrow.published) == 3)
        assert b"shop/fan/set" in narrow.published[2]


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.binary(min_size=1, max_size=40), min_size=1, max_size=4))
def test_any_bytes_from_the_broker_leave_the_session_running(chunks: list[bytes]) -> None:
    async def story() -> None:
        shell = Recorder()
        async with ScriptedBroker() as broker, running(session(broker, shell, "a")):
            await until(lambda: shell.connected)
            for chunk in chunks:
                broker.writers[-1].write(chunk)
                await asyncio.sleep(0)
            broker.writers[-1].close()
            await until(lambda: len(shell.connected) >= 2)
            assert shell.noticed(NoticeKind.INTERNAL_ERROR) == []

    asyncio.run(story())
