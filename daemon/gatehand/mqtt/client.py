"""An ordinary client, as a device or a person's program is one: connects once, subscribes, publishes, hears.

For what is not the daemon, such as the devices of the demo. The daemon itself uses `session`, which survives anything;
this one says what failed and ends.
"""

import contextlib
import socket
from collections.abc import AsyncIterator, Sequence
from dataclasses import dataclass
from typing import Final

import aiomqtt

from gatehand.mqtt.explain import LinkFailedError, failure_text
from gatehand.mqtt.quiet import quiet_logger
from gatehand.mqtt.settings import BrokerSettings, Patience
from gatehand.mqtt.wire import connect_failure

_ANSWER_WITHIN: Final = 5.0


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

    def __init__(self, client: aiomqtt.Client) -> None:
        self._client = client

    async def publish(self, topic: str, payload: bytes, *, retain: bool = False, qos: int = 0) -> None:
        """Publish; with `qos` 1 wait for the broker's acknowledgement.

        Raises:
            ClientError: the connection has ended, or no acknowledgement came.
        """
        try:
            await self._client.publish(topic, payload, qos=qos, retain=retain)
        except aiomqtt.MqttError as error:
            raise ClientError(f"the broker is gone ({error.__cause__ or error})") from error

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
            raise ClientError(f"the broker is gone ({error.__cause__ or error})") from error


@contextlib.asynccontextmanager
async def plain_client(settings: BrokerSettings, topics: Sequence[str] = ()) -> AsyncIterator[PlainClient]:
    """Connect and subscribe at QoS 1; disconnects at the end. No second attempt.

    Raises:
        ClientError: no connection or subscription came about; the message says what to do.
    """
    client = aiomqtt.Client(
        settings.host,
        settings.port,
        identifier=settings.client_id,
        username=settings.username,
        password=settings.password,
        protocol=aiomqtt.ProtocolVersion.V5 if settings.protocol == "5" else aiomqtt.ProtocolVersion.V311,
        timeout=_ANSWER_WITHIN,
        keepalive=settings.keepalive,
        logger=quiet_logger(),
        socket_options=[(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)],
    )
    async with contextlib.AsyncExitStack() as stack:
        try:
            await stack.enter_async_context(client)
            if topics:
                await client.subscribe([(topic, 1) for topic in topics])
        except aiomqtt.MqttError as error:
            cause = connect_failure(error, None, Patience(answer=_ANSWER_WITHIN))
            raise _explained(cause, settings) from error
        yield PlainClient(client)


def _explained(cause: LinkFailedError, settings: BrokerSettings) -> ClientError:
    _, text = failure_text(cause.failure, cause.cause, settings)
    return ClientError(text.removesuffix("; trying again").removesuffix("; trying again slowly"))
