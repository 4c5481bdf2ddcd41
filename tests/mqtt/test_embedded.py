"""The demo's broker inside the process."""

import asyncio
import logging
import socket
import sys

import pytest
from support.recorder import Recorder, running, until

from gatehand.mqtt.embedded import NoEmbeddedBrokerError, embedded_broker
from gatehand.mqtt.failures import Patience
from gatehand.mqtt.session import Session
from gatehand.mqtt.settings import BrokerSettings
from gatehand.mqtt.transport import MessageKind, NoticeKind, Outgoing, Subscription


def settings(port: int, client_id: str, protocol: str = "3.1.1") -> BrokerSettings:
    return BrokerSettings("127.0.0.1", port, client_id, "5" if protocol == "5" else "3.1.1")


async def test_two_sessions_talk_through_it_and_hear_each_others_end() -> None:
    pytest.importorskip("amqtt", reason="needs the extra demo: pip install 'gatehand[demo]'")
    shop, daemon = Recorder(), Recorder()
    wanted = (Subscription("shop/fan/set"), Subscription("gatehand/online"))
    async with embedded_broker() as port, running(Session(settings(port, "shop"), "shop", shop, wanted)):
        await until(lambda: "settled" in shop.story)
        async with running(
            Session(settings(port, "daemon"), "gatehand", daemon, (Subscription("shop/amps", 0),))
        ) as one:
            await until(lambda: "settled" in daemon.story)
            one.publish(Outgoing("shop/fan/set", b"1", MessageKind.ACT))
            # An off overtakes an on that still waits for the broker's sign of life, so one after the other.
            await until(lambda: ("shop/fan/set", b"1") in shop.payloads)
            one.publish(Outgoing("shop/fan/set", b"0", MessageKind.OFF))
            await until(lambda: ("shop/fan/set", b"0") in shop.payloads)
        await until(lambda: shop.payloads[-1] == ("gatehand/online", b"0"))
    assert len(asyncio.all_tasks()) == 1
    with pytest.raises(ConnectionRefusedError):
        socket.create_connection(("127.0.0.1", port), timeout=1)


async def test_mqtt_5_falls_back_to_3_1_1_there_and_says_so() -> None:
    pytest.importorskip("amqtt", reason="needs the extra demo: pip install 'gatehand[demo]'")
    shell = Recorder()
    patience = Patience(retry=(0.05,), answer=0.4)
    async with (
        embedded_broker() as port,
        running(Session(settings(port, "d", "5"), "gatehand", shell, patience=patience)),
    ):
        await until(lambda: shell.connected)
    assert shell.connected[0].protocol == "3.1.1"
    assert "does not speak MQTT 5; using 3.1.1" in shell.noticed(NoticeKind.OLDER_PROTOCOL)[0].text


async def test_it_writes_nothing_to_the_log_and_leaves_the_loggers_as_they_were(
    caplog: pytest.LogCaptureFixture,
) -> None:
    pytest.importorskip("amqtt", reason="needs the extra demo: pip install 'gatehand[demo]'")
    before = logging.getLogger("amqtt").level
    with caplog.at_level(logging.INFO):
        async with embedded_broker() as port:
            reader, writer = await asyncio.open_connection("127.0.0.1", port)
            writer.write_eof()  # a client that leaves without a word
            assert await reader.read() == b""
            writer.close()
    assert caplog.records == []
    assert logging.getLogger("amqtt").level == before


async def test_without_the_extra_the_message_says_how_to_install_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delitem(sys.modules, "gatehand.mqtt.amqtt_broker", raising=False)
    for name in [name for name in sys.modules if name.partition(".")[0] == "amqtt"]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.setitem(sys.modules, "amqtt", None)
    with pytest.raises(NoEmbeddedBrokerError, match=r"install it with: pip install 'gatehand\[demo\]'"):
        async with embedded_broker():
            pass
