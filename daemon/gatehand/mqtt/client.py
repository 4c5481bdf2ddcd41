"""An ordinary client, as a device or a person's program is one: connects once, subscribes, publishes, hears.

For what is not the daemon, such as the devices of the demo, `watch` and `exercise`. The daemon itself uses `session`,
which survives anything; this one says what failed and ends, and leaves nothing behind.
"""

import asyncio
import contextlib
import socket
import time
from collections.abc import AsyncIterator, Iterator, Sequence
from functools import partial
from typing import Any, Final

import aiomqtt
import paho.mqtt.client as paho
from aiomqtt.exceptions import MqttConnectError
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from gatehand.mqtt import failures
from gatehand.mqtt.inbox import Message
from gatehand.mqtt.notices import quiet_logger
from gatehand.mqtt.paho_client import connect_failure, delivery, refusal, refused_connection, tls_context
from gatehand.mqtt.settings import BrokerSettings, Protocol
from gatehand.mqtt.transport import Notice, Outgoing

_ANSWER_WITHIN: Final = 5.0
_LEAVE_WITHIN: Final = 1.0
NO_ANSWER: Final = "Operation timed out"
"""What aiomqtt says when the broker keeps silent; it has no class of its own for it."""


class ClientError(Exception):
    """The broker could not be reached, or the connection ended; the message says what to do."""

    def __init__(self, text: str, *, refused: bool = False) -> None:
        super().__init__(text)
        self.refused = refused
        """The broker is there, and lets this login not in or not listen."""


class PlainClient:
    """One connection, from `plain_client`."""

    def __init__(self, client: aiomqtt.Client, protocol: Protocol) -> None:
        self._client = client
        self.protocol = protocol
        """What is spoken, perhaps after a fall back."""
        self._answers: list[ReasonCode] = []
        inside = _inside(client)
        pass_on: Any = inside.on_publish  # paho's type names three generations of callbacks

        def on_publish(library: paho.Client, userdata: object, mid: int, code: ReasonCode, facts: Properties) -> None:
            self._answers.append(code)
            pass_on(library, userdata, mid, code, facts)

        inside.on_publish = on_publish

    async def publish(
        self, topic: str, payload: bytes, qos: int = 0, *, retain: bool = False, properties: Properties | None = None
    ) -> None:
        """Publish; with `qos` 1 wait for the broker's acknowledgement.

        Raises:
            ClientError: the connection has ended, or no acknowledgement came.
        """
        with _while_it_lasts(), _heeding_cancellation():
            await self._client.publish(topic, payload, qos=qos, retain=retain, properties=properties)

    async def send(self, outgoing: Outgoing) -> Notice | None:
        """Publish as the daemon would, with the quality of service and expiry of its kind. One call at a time.

        Returns:
            What the broker had against it: refused, or nobody listens. None: nothing, or it does not say (MQTT 3.1.1).

        Raises:
            ClientError: the connection has ended, or no acknowledgement came.
        """
        self._answers.clear()
        qos, retain, properties = delivery(outgoing.kind, v5=self.protocol == "5")
        await self.publish(outgoing.topic, outgoing.payload, qos, retain=retain, properties=properties)
        objections = (failures.objection(outgoing, code.value, code.getName()) for code in self._answers)
        return next(filter(None, objections), None)

    async def messages(self) -> AsyncIterator[Message]:
        """What comes on the topics subscribed to. One reader at a time.

        Raises:
            ClientError: the connection has ended.
        """
        with _while_it_lasts():
            async for message in self._client.messages:
                payload = message.payload
                if isinstance(payload, bytes | bytearray):
                    yield Message(str(message.topic), bytes(payload), bool(message.retain), time.monotonic())


@contextlib.asynccontextmanager
async def plain_client(settings: BrokerSettings, topics: Sequence[str] = ()) -> AsyncIterator[PlainClient]:
    """Connect and subscribe at QoS 1; disconnects at the end. No second attempt, but for a broker without MQTT 5.

    Raises:
        ClientError: no connection or subscription came about; the message says what to do.
    """
    cancelled = _cancellations()
    try:
        client, protocol = await failures.with_fall_back(settings, partial(_connect, settings))
    except failures.ConnectionFailedError as failed:
        refused = failed.failure is failures.Failure.LOGIN
        raise ClientError(failures.failure_notice(failed, settings).text, refused=refused) from failed
    try:
        await _subscribe(client, topics)
        if _cancellations() > cancelled:  # lost while it was connected
            raise asyncio.CancelledError
        yield PlainClient(client, protocol)
    finally:
        with contextlib.suppress(aiomqtt.MqttError, TimeoutError):  # a frozen broker does not hold anybody up
            async with asyncio.timeout(_LEAVE_WITHIN):
                await client.__aexit__(None, None, None)
        await _hang_up(client)


@contextlib.contextmanager
def _heeding_cancellation() -> Iterator[None]:
    """Lose none: aiomqtt waits by wait_for, and Python 3.11's drops one that comes together with what it waits for."""
    cancelled = _cancellations()
    yield
    if _cancellations() > cancelled:
        raise asyncio.CancelledError


def _cancellations() -> int:
    """How often this task was asked to end."""
    task = asyncio.current_task()
    return 0 if task is None else task.cancelling()


async def _connect(settings: BrokerSettings, protocol: Protocol) -> tuple[aiomqtt.Client, Protocol]:
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
        await _hang_up(client)
        if isinstance(error, MqttConnectError) and isinstance(error.rc, ReasonCode):
            raise refused_connection(error.rc) from error
        if str(error) == NO_ANSWER:
            cause = f"connected, but no answer within {_ANSWER_WITHIN:g} s"
            raise failures.ConnectionFailedError(failures.Failure.NO_ANSWER, cause) from error
        raise connect_failure(error) from error
    return client, protocol


async def _subscribe(client: aiomqtt.Client, topics: Sequence[str]) -> None:
    if not topics:
        return
    with _while_it_lasts():
        codes = await client.subscribe([(topic, 1) for topic in topics])
    for topic, code in zip(topics, codes, strict=False):
        if (reason := refusal(code)) is not None:
            raise ClientError(failures.subscription_refused(topic, reason), refused=True)


async def _hang_up(client: aiomqtt.Client) -> None:
    """End what is still open: aiomqtt leaves a failed connection's socket and task to themselves.

    Its own reader finds the end, closes the socket and ends the task, within a turn or two of the loop.
    """
    inside = _inside(client)
    for _ in range(3):
        if not isinstance(sock := inside.socket(), socket.socket):
            return
        with contextlib.suppress(OSError):
            sock.shutdown(socket.SHUT_RDWR)
        await asyncio.sleep(0)


def _inside(client: aiomqtt.Client) -> paho.Client:
    """Its paho client, for the broker's answer to a message and for the socket: aiomqtt hands out neither."""
    inside: paho.Client = client._client  # noqa: SLF001 - see above
    return inside


@contextlib.contextmanager
def _while_it_lasts() -> Iterator[None]:
    try:
        yield
    except aiomqtt.MqttError as error:
        raise ClientError(f"lost the broker ({error.__cause__ or error})") from error
