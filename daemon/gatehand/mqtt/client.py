"""An ordinary client, as a device or a person's program is one: connects once, subscribes, publishes, hears.

For what is not the daemon, such as the devices of the demo, `watch` and `exercise`. The daemon itself uses `session`,
which survives anything; this one says what failed and ends, and leaves nothing behind.
"""

import asyncio
import contextlib
import socket
from collections.abc import AsyncIterator, Sequence
from dataclasses import dataclass
from typing import Final

import aiomqtt
import paho.mqtt.client as paho
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from gatehand.mqtt import explain
from gatehand.mqtt.explain import Failure, LinkFailedError
from gatehand.mqtt.quiet import quiet_logger
from gatehand.mqtt.settings import BrokerSettings, Patience, Protocol
from gatehand.mqtt.transport import Outgoing
from gatehand.mqtt.wire import connect_failure, delivery, refusal, tls_context

_ANSWER_WITHIN: Final = 5.0
_LEAVE_WITHIN: Final = 1.0
_FIRST_FAILURE: Final = 0x80
"""Reason codes from here on are failures (MQTT 5.0 section 2.4)."""


class ClientError(Exception):
    """The broker could not be reached, or the connection ended; the message says what to do."""


@dataclass(frozen=True, slots=True)
class Heard:
    """A message. `retained`: sent for a new subscription, of unknown age."""

    topic: str
    payload: bytes
    retained: bool


class PlainClient:
    """One connection, from `plain_client`."""

    def __init__(self, client: aiomqtt.Client, protocol: Protocol) -> None:
        self._client = client
        self.protocol = protocol
        """What is spoken, perhaps after a fall back."""
        self._answers: dict[int, ReasonCode] = {}
        inside: paho.Client = client._client  # noqa: SLF001 - aiomqtt keeps the broker's answer to itself
        inside.on_publish = self._on_publish

    async def publish(self, topic: str, payload: bytes, *, retain: bool = False, qos: int = 0) -> None:
        """Publish; with `qos` 1 wait for the broker's acknowledgement.

        Raises:
            ClientError: the connection has ended, or no acknowledgement came.
        """
        try:
            await self._client.publish(topic, payload, qos=qos, retain=retain)
        except aiomqtt.MqttError as error:
            raise _gone(error) from error

    async def send(self, outgoing: Outgoing) -> str | None:
        """Publish as the daemon would, with the quality of service and expiry of its kind. One call at a time.

        Returns:
            What the broker had against it, as a sentence: refused, or nobody listens. None: nothing, or it does not
            say (MQTT 3.1.1).

        Raises:
            ClientError: the connection has ended, or no acknowledgement came.
        """
        qos, retain, properties = delivery(outgoing.kind, v5=self.protocol == "5")
        self._answers.clear()
        try:
            await self._client.publish(outgoing.topic, outgoing.payload, qos=qos, retain=retain, properties=properties)
        except aiomqtt.MqttError as error:
            raise _gone(error) from error
        for code in self._answers.values():
            if code.value >= _FIRST_FAILURE:
                return explain.publish_refused(outgoing.topic, code.getName())
            if code.value == explain.NO_MATCHING_SUBSCRIBERS:
                return explain.nobody_listens(outgoing.topic)
        return None

    async def messages(self) -> AsyncIterator[Heard]:
        """What comes on the topics subscribed to. One reader at a time.

        Raises:
            ClientError: the connection has ended.
        """
        try:
            async for message in self._client.messages:
                payload = message.payload
                if isinstance(payload, bytes | bytearray):
                    yield Heard(str(message.topic), bytes(payload), bool(message.retain))
        except aiomqtt.MqttError as error:
            raise _gone(error) from error

    def _on_publish(
        self,
        client: paho.Client,
        userdata: object,
        mid: int,
        code: ReasonCode,
        properties: Properties,
    ) -> None:
        if self.protocol == "5":
            self._answers[mid] = code
        self._client._on_publish(client, userdata, mid, code, properties)  # noqa: SLF001


@contextlib.asynccontextmanager
async def plain_client(settings: BrokerSettings, topics: Sequence[str] = ()) -> AsyncIterator[PlainClient]:
    """Connect and subscribe at QoS 1; disconnects at the end. No second attempt, but for a broker without MQTT 5.

    Raises:
        ClientError: no connection or subscription came about; the message says what to do.
    """
    client, protocol = await _connected(settings)
    try:
        await _subscribe(client, topics)
        yield PlainClient(client, protocol)
    finally:
        await _leave(client)


async def _connected(settings: BrokerSettings) -> tuple[aiomqtt.Client, Protocol]:
    try:
        return await _connect(settings, settings.protocol), settings.protocol
    except LinkFailedError as failed:
        # A broker that knows no MQTT 5 says so or keeps silent.
        if settings.protocol == "3.1.1" or failed.failure not in {Failure.PROTOCOL, Failure.NO_ANSWER}:
            raise _explained(failed, settings) from failed
    try:
        return await _connect(settings, "3.1.1"), "3.1.1"
    except LinkFailedError as failed:
        raise _explained(failed, settings) from failed


async def _connect(settings: BrokerSettings, protocol: Protocol) -> aiomqtt.Client:
    client = aiomqtt.Client(
        settings.host,
        settings.port,
        identifier=settings.client_id,
        username=settings.username,
        password=settings.password,
        protocol=aiomqtt.ProtocolVersion.V5 if protocol == "5" else aiomqtt.ProtocolVersion.V311,
        timeout=_ANSWER_WITHIN,
        keepalive=settings.keepalive,
        tls_context=tls_context(settings),
        logger=quiet_logger(),
        socket_options=[(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)],
    )
    try:
        await client.__aenter__()
    except aiomqtt.MqttError as error:
        _force_shut(client)
        raise connect_failure(error, None, Patience(answer=_ANSWER_WITHIN)) from error
    return client


async def _subscribe(client: aiomqtt.Client, topics: Sequence[str]) -> None:
    if not topics:
        return
    try:
        codes = await client.subscribe([(topic, 1) for topic in topics])
    except aiomqtt.MqttError as error:
        raise _gone(error) from error
    for topic, code in zip(topics, codes, strict=False):
        if (reason := refusal(code)) is not None:
            text = explain.subscription_refused(topic, reason)
            raise ClientError(text.removesuffix("; trying again every half minute"))


async def _leave(client: aiomqtt.Client) -> None:
    """Disconnect, for a bounded time; a broker that is gone or frozen does not hold anybody up."""
    with contextlib.suppress(aiomqtt.MqttError, TimeoutError):
        async with asyncio.timeout(_LEAVE_WITHIN):
            await client.__aexit__(None, None, None)
    _force_shut(client)


def _force_shut(client: aiomqtt.Client) -> None:
    """Close whatever is still open: aiomqtt leaves socket and task of a failed connection behind."""
    with contextlib.suppress(Exception):
        client._client._sock_close()  # noqa: SLF001 - paho has no public way to close without a DISCONNECT
    if (misc := client._misc_task) is not None:  # noqa: SLF001
        misc.cancel()
    for future in (client._connected, client._disconnected):  # noqa: SLF001
        if future.done() and not future.cancelled():
            future.exception()  # looked at, so that nobody complains that it never was


def _gone(error: aiomqtt.MqttError) -> ClientError:
    return ClientError(f"the broker is gone ({error.__cause__ or error})")


def _explained(failed: LinkFailedError, settings: BrokerSettings) -> ClientError:
    return ClientError(explain.said_once(failed, settings))
