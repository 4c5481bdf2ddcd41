"""Between our words and paho's: a client's options, quality of service, properties, encryption, what an error means.

Functions only. How each kind of message travels is decided here, once.
"""

import logging
import socket
import ssl
import struct
from collections.abc import Sequence
from contextlib import suppress
from functools import cache
from typing import Any, Final

import paho.mqtt.client as paho
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode
from paho.mqtt.subscribeoptions import SubscribeOptions

from gatehand.mqtt.failures import KEEPALIVE_TIMEOUT, REFUSALS, ConnectionFailedError, Disconnect, Failure
from gatehand.mqtt.outbox import ANSWER_WITHIN
from gatehand.mqtt.settings import BrokerSettings, Protocol
from gatehand.mqtt.transport import MessageKind, Outgoing, Subscription

LARGEST_PACKET: Final = 32 * 1024 * 1024
"""What MQTT 5 lets us ask the broker not to exceed: far above an honest payload, below what fills a small board."""
LONGEST_TOPIC: Final = 65_535
"""In bytes of UTF-8 (MQTT 5.0 section 4.7.3)."""
_RESET_ON_CLOSE: Final = struct.pack("ii", 1, 0)
_QUICK_ACK: Final[int | None] = getattr(socket, "TCP_QUICKACK", None)
_LINGER_AS_USUAL: Final = struct.pack("ii", 0, 0)


def share_tables() -> None:
    """MQTT 5 properties at a price that a reading can pay: one copy of their tables for all of this process.

    paho builds a table of all 27 properties anew in each `Properties` and looks through all their names to empty or to
    pack it; MQTT 5 makes one of every message that comes, which is a third of what it takes to read one. This changes
    no byte on the wire; a test holds it beside paho's own.
    """
    tables = vars(Properties(PacketTypes.PUBLISH))  # type: ignore[no-untyped-call]

    def begin(self: Properties, packet_type: int) -> None:
        vars(self).update(tables, packetType=packet_type)

    def clear(self: Properties) -> None:
        own = vars(self)
        for name in own.keys() - tables.keys():
            del own[name]

    Properties.__init__ = begin  # type: ignore[method-assign]
    Properties.clear = clear  # type: ignore[method-assign]


def prepared(properties: Properties) -> Properties:
    """The same, packed once for all messages that carry it; it must not be changed any more."""
    packed = properties.pack()  # type: ignore[no-untyped-call]
    vars(properties)["pack"] = lambda: packed
    return properties


share_tables()


def paho_client(
    settings: BrokerSettings, protocol: Protocol, logger: logging.Logger, will: Outgoing | None
) -> paho.Client:
    """A client for one connection that begins with nothing kept from an earlier one."""
    client = paho.Client(
        CallbackAPIVersion.VERSION2,
        settings.client_id,
        clean_session=None if protocol == "5" else True,
        protocol=paho.MQTTv5 if protocol == "5" else paho.MQTTv311,
        reconnect_on_failure=False,
    )
    client.enable_logger(logger)
    if settings.username is not None:
        client.username_pw_set(settings.username, settings.password)
    if will is not None:
        client.will_set(will.topic, will.payload, qos=1, retain=True)
    return client


def connect(client: paho.Client, settings: BrokerSettings, protocol: Protocol) -> None:
    """Open the connection and say who we are. Blocks: for a thread.

    Raises:
        ConnectionFailedError: the files for encryption cannot be used.
        OSError: nobody there, or the encryption failed; `connect_failure` says what it means.
    """
    if (context := tls_context(settings)) is not None:
        client.tls_set_context(context)
    properties = None
    if protocol == "5":
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.MaximumPacketSize = LARGEST_PACKET
    client.connect(settings.host, settings.port, settings.keepalive, properties=properties)


def reset_on_close(sock: object) -> None:
    """From now on a close is a reset, and what is written leaves at once (else an answer waits for delayed ACKs)."""
    if isinstance(sock, socket.socket):
        sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, _RESET_ON_CLOSE)


def let_linger(sock: object) -> None:
    """For a clean goodbye: what has been written is still to arrive after the close."""
    if isinstance(sock, socket.socket):
        sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, _LINGER_AS_USUAL)


def acknowledge_now(sock: object) -> None:
    """Tell the peer's system at once what has arrived.

    A broker that leaves Nagle's algorithm on (Mosquitto does unless told otherwise) holds the next message back until
    its last packet is acknowledged, which the system otherwise delays by 40 ms when there is nothing to answer: each
    acknowledged command would slow down the reading after it. Linux forgets the option, so it is set after each read.
    """
    if _QUICK_ACK is not None and isinstance(sock, socket.socket):
        with suppress(OSError):
            sock.setsockopt(socket.IPPROTO_TCP, _QUICK_ACK, 1)


@cache
def delivery(kind: MessageKind, *, v5: bool) -> tuple[int, bool, Properties | None]:
    """Quality of service, retain and properties of a message.

    A command under MQTT 5 expires in the broker, so QoS 1 is safe even to a device with a persistent session. Under
    3.1.1 that device would get an "on" long after it was meant: QoS 0, and the rules repeat it. An "off" may be late.
    """
    match kind:
        case MessageKind.STATUS:
            return 1, True, None
        case MessageKind.OFF | MessageKind.ACT if v5:
            properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
            properties.MessageExpiryInterval = int(ANSWER_WITHIN)
            return 1, False, prepared(properties)
        case MessageKind.OFF:
            return 1, False, None
        case MessageKind.ACT | MessageKind.EVENT:
            return 0, False, None


def filter_problem(topic_filter: str) -> str | None:
    """Why it cannot be subscribed to (MQTT 5.0 section 4.7), as the end of a sentence about it; None when it can."""
    if not topic_filter:
        return "is empty; it needs at least one character"
    if "\0" in topic_filter:
        return "holds a NUL character, which MQTT forbids"
    try:
        size = len(topic_filter.encode())
    except UnicodeEncodeError:
        return "holds half of a surrogate pair, which is not UTF-8"
    if size > LONGEST_TOPIC:
        return f"is {size:,} bytes long; MQTT allows {LONGEST_TOPIC:,}"
    levels = topic_filter.split("/")
    for number, level in enumerate(levels, start=1):
        if "#" in level and (level != "#" or number != len(levels)):
            return f"has '#' in level {number} ({level!r}); it must be alone in the last level"
        if "+" in level and level != "+":
            return f"has '+' in level {number} ({level!r}); it must be alone in its level"
    return None


def subscribe_requests(some: Sequence[Subscription], *, v5: bool) -> Any:  # noqa: ANN401  paho's union of shapes
    """Subscriptions as paho wants them in each protocol."""
    if v5:
        return [(subscription.topic, SubscribeOptions(qos=subscription.qos)) for subscription in some]
    return [(subscription.topic, subscription.qos) for subscription in some]


def refusal(code: object) -> str | None:
    """The broker's reason in a SUBACK for one topic, None when it granted the subscription."""
    return code.getName() if isinstance(code, ReasonCode) and code.is_failure else None


def receive_maximum(properties: object, ours: int) -> int:
    """How many unacknowledged messages the broker takes at a time (MQTT 5.0 section 3.2.2.3.3), at most `ours`."""
    maximum = getattr(properties, "ReceiveMaximum", None)
    return min(ours, maximum) if isinstance(maximum, int) and maximum > 0 else ours


def ending(flags: paho.DisconnectFlags, code: ReasonCode, keepalive: int) -> Disconnect:
    """Why an established connection ended."""
    if flags.is_disconnect_packet_from_server:
        return Disconnect(f"the broker ended it: {code.getName().lower()}", code.value, by_peer=True)
    if code.value == KEEPALIVE_TIMEOUT:
        return Disconnect(f"the broker gave no sign of life within its keepalive of {keepalive} s")
    if code.value == 0:
        return Disconnect("disconnected as asked")
    return Disconnect("the connection broke: closed by the broker or by the network", by_peer=True)


def connect_failure(error: BaseException) -> ConnectionFailedError:
    """What an exception out of a connect means."""
    if isinstance(error, ConnectionFailedError):
        return error
    text = str(error) or type(error).__name__
    if isinstance(error, ssl.SSLError) or "ssl" in text.lower() or "certificate" in text.lower():
        return ConnectionFailedError(Failure.CERTIFICATE, text)
    return ConnectionFailedError(Failure.UNREACHABLE, text)


def refused_connection(code: ReasonCode) -> ConnectionFailedError:
    """What a refusing CONNACK means."""
    return ConnectionFailedError(REFUSALS.get(code.value, Failure.REFUSED), code.getName())


def tls_context(settings: BrokerSettings) -> ssl.SSLContext | None:
    """Made anew for each connection, so that a renewed certificate is used without a restart.

    Raises:
        ConnectionFailedError: the files for encryption cannot be used.
    """
    if settings.tls is None:
        return None
    tls = settings.tls
    what = f"ca_file {tls.ca_file}"
    try:
        context = ssl.create_default_context(cafile=tls.ca_file)
        if tls.cert_file is not None:
            what = f"cert_file {tls.cert_file} with key_file {tls.key_file}"
            context.load_cert_chain(tls.cert_file, tls.key_file)
    except (OSError, ValueError) as error:
        raise ConnectionFailedError(Failure.CERTIFICATE, f"{what} cannot be used: {error}") from error
    return context
