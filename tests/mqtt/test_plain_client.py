"""The ordinary client, against a real Mosquitto and a server that misbehaves."""

import asyncio
import contextlib

import paho.mqtt.client as paho
import pytest
from paho.mqtt.enums import CallbackAPIVersion
from support.certificates import make_authority, make_broker_certificate
from support.mosquitto import Mosquitto
from support.ports import free_port
from support.recorder import LONGEST
from support.scripted_broker import ScriptedBroker

from gatehand.mqtt.client import ClientError, PlainClient, plain_client
from gatehand.mqtt.settings import BrokerSettings, TlsFiles
from gatehand.mqtt.transport import MessageKind, Outgoing


def to(port: int, **more: object) -> BrokerSettings:
    return BrokerSettings("127.0.0.1", port, client_id="somebody", **more)  # type: ignore[arg-type]


@pytest.mark.broker
async def test_an_encrypted_broker_is_talked_to_only_with_its_authority() -> None:
    broker = Mosquitto()
    ca_file = make_authority(broker.folder, "shop")
    broker.configure(*make_broker_certificate(broker.folder, "shop"))
    with broker:
        async with plain_client(to(broker.port, tls=TlsFiles(ca_file)), ["t"]) as client:
            await client.publish("t", b"sealed", qos=1)
            async for heard in client.messages():
                assert heard.payload == b"sealed"
                break
        with pytest.raises(ClientError, match=r"no encrypted connection .* correct tls"):
            async with plain_client(to(broker.port, tls=TlsFiles())):
                pass
        with pytest.raises(ClientError, match=r"ca_file .* cannot be used"):
            async with plain_client(to(broker.port, tls=TlsFiles(broker.folder / "none.pem"))):
                pass


@pytest.mark.broker
async def test_a_sent_command_tells_whether_anybody_listens() -> None:
    with Mosquitto() as broker:
        async with plain_client(to(broker.port)) as client:
            objection = await client.send(Outgoing("shop/gate/set", b"open", MessageKind.ACT))
            assert objection is not None
            assert "no device listens on 'shop/gate/set'" in objection.text
        async with plain_client(to(broker.port), ["shop/gate/set"]) as client:
            assert await client.send(Outgoing("shop/gate/set", b"open", MessageKind.ACT)) is None


@pytest.mark.broker
async def test_a_sent_command_tells_that_the_broker_refuses_it() -> None:
    broker = Mosquitto()
    (broker.folder / "acl").write_text("topic read #\n")
    broker.configure(f"acl_file {broker.folder}/acl")
    with broker:
        async with plain_client(to(broker.port)) as client:
            objection = await client.send(Outgoing("shop/gate/set", b"open", MessageKind.ACT))
        assert objection is not None
        assert "refused a message to 'shop/gate/set'" in objection.text


class Levels(list[bytes]):
    """CONNECTs; sets the answer to each: no to MQTT 5, yes to 3.1.1 (the level is the seventh byte)."""

    def __init__(self, broker: ScriptedBroker) -> None:
        super().__init__()
        self._broker = broker

    def append(self, body: bytes) -> None:
        super().append(body)
        self._broker.connack = b"\x20\x03\x00\x84\x00" if body[6] == 5 else b"\x20\x02\x00\x00"


async def test_a_broker_that_knows_no_mqtt_5_is_spoken_to_in_3_1_1() -> None:
    async with ScriptedBroker() as old:
        old.connects = Levels(old)
        async with plain_client(to(old.port)) as client:
            assert client.protocol == "3.1.1"
        assert [connect[6] for connect in old.connects] == [5, 4]


async def test_nobody_there_is_said_with_what_to_do() -> None:
    with pytest.raises(ClientError, match="start the broker, or correct host and port"):
        async with plain_client(to(free_port())):
            pass


@pytest.mark.broker
async def test_a_frozen_broker_does_not_hold_up_who_leaves(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("gatehand.mqtt.client._ANSWER_WITHIN", 1e6)
    with Mosquitto() as broker:
        async with asyncio.timeout(LONGEST), plain_client(to(broker.port)):
            broker.sigstop()
        broker.sigcont()


class Deaf:
    """A connection that comes about just when nobody wants it any more."""

    _client = on_publish = None

    def __init__(self) -> None:
        self._client = self
        self.left = False

    def socket(self) -> None:
        return None

    async def __aexit__(self, *_: object) -> None:
        self.left = True


async def test_a_cancellation_that_the_library_loses_ends_it_all_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    """Python 3.11's wait_for loses one that comes in the turn in which the broker has answered."""
    connection, inside = Deaf(), False

    async def connect(*_: object) -> tuple[Deaf, str]:
        with contextlib.suppress(asyncio.CancelledError):
            await asyncio.sleep(LONGEST)
        return connection, "5"

    async def use() -> None:
        nonlocal inside
        async with plain_client(to(free_port())):
            inside = True

    monkeypatch.setattr("gatehand.mqtt.client._connect", connect)
    task = asyncio.ensure_future(use())
    await asyncio.sleep(0)
    task.cancel()
    await asyncio.wait({task})
    assert task.cancelled()
    assert connection.left
    assert not inside


async def test_a_cancellation_that_the_library_loses_while_it_publishes_ends_it_too() -> None:
    class Losing:
        _client = paho.Client(CallbackAPIVersion.VERSION2)

        async def publish(self, *_: object, **__: object) -> None:
            with contextlib.suppress(asyncio.CancelledError):
                await asyncio.sleep(LONGEST)

    task = asyncio.ensure_future(PlainClient(Losing(), "5").publish("shop/fan", b"1"))  # type: ignore[arg-type]
    await asyncio.sleep(0)
    task.cancel()
    await asyncio.wait({task})
    assert task.cancelled()
