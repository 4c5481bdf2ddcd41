"""The seam between the shell and whatever carries its messages: a broker session, or a simulated one in tests.

Plain records and two protocols. Nothing here imports an MQTT library, and no policy is decided here but which kind of
message is which.

Duties of whoever implements `Transport`:

1. `publish` never blocks and never raises; without a connection nothing is kept for later, and the answer is False.
2. Callbacks come in the one event loop, never from inside `publish`, one at a time.
3. `on_connected` comes before the first message of a connection, `on_lost` after its last.
4. After a standstill of the loop, `on_standstill` comes before the next message, and `on_caught_up` once the broker
   has answered to something said after it, or before `on_lost`.
5. A message of kind `ACT` never leaves later than it was asked for: it goes out at once or not at all.
"""

from collections.abc import Mapping
from enum import StrEnum
from typing import Protocol

from msgspec import Struct, field

from gatehand_rules.findings import Fact


class MessageKind(StrEnum):
    """What a message is for; quality of service, expiry and retain follow from it, in one place."""

    ACT = "act"
    """A command that moves or starts something: on, open, shut. Worth nothing when late."""
    OFF = "off"
    """A command that stops a motor. Never held back."""
    STATUS = "status"
    """The daemon's own state: retained, the latest one counts."""
    EVENT = "event"
    """Something that has happened: for whoever listens now, never retained, lost if it gets lost."""


class Outgoing(Struct, frozen=True):
    """One message to publish. An empty payload of kind `STATUS` removes what the broker retains."""

    topic: str
    payload: bytes
    kind: MessageKind


class Subscription(Struct, frozen=True):
    """A topic to listen to. `qos`: 0 for readings (the next one comes soon), 1 for what is said once."""

    topic: str
    qos: int = 1
    sheddable: bool = False
    """True: when the daemon falls behind, older messages of this topic may give way to newer ones."""
    apart: bool = False
    """True: listened to on a connection that carries nothing else, so that no flood delays it."""
    meaning: str = ""
    """How it is read, where a change of that wants what the broker retains read anew: it is another subscription."""
    pointers: tuple[str, ...] = ()
    """The values that its messages say where they are JSON: one gives way only to a message that says all it does."""


class Connected(Struct, frozen=True):
    """What is known of a connection when its subscriptions stand."""

    protocol: str
    """"5" or "3.1.1"."""
    host: str
    port: int


class NoticeKind(StrEnum):
    """Kinds of notices: things a person should know about the connection. The text says what to do."""

    UNREACHABLE = "unreachable"
    LOGIN_REFUSED = "login_refused"
    CONNECTION_REFUSED = "connection_refused"
    OLDER_PROTOCOL = "older_protocol"
    SAME_CLIENT_ID = "same_client_id"
    SAME_BASE = "same_base"
    SUBSCRIPTION_REFUSED = "subscription_refused"
    SUBSCRIPTION_GRANTED = "subscription_granted"
    PUBLISH_REFUSED = "publish_refused"
    NOBODY_LISTENS = "nobody_listens"
    MESSAGE_UNREADABLE = "message_unreadable"
    READINGS_SHED = "readings_shed"
    INTERNAL_ERROR = "internal_error"


class Notice(Struct, frozen=True):
    """A log line: `text` for a person, `facts` the same as data."""

    kind: NoticeKind
    text: str
    facts: Mapping[str, Fact] = field(default_factory=dict)


class Listener(Protocol):
    """What the shell gives the transport to call."""

    def on_message(self, topic: str, payload: bytes, retained: bool, received: float) -> None:
        """A message came at `received` (monotonic seconds). `retained`: of unknown age, sent for a new subscription.

        A payload longer than `gatehand.mqtt.payload.MAX_BYTES` arrives cut to one byte more than that.
        """

    def on_connected(self, info: Connected) -> None:
        """Connected and subscribed; what the broker retains follows."""

    def on_settled(self) -> None:
        """What the broker retains for our topics has been delivered (or a second has passed); what follows is live."""

    def on_lost(self, reason: str, heard_at: float) -> None:
        """The connection is gone. `heard_at`: monotonic seconds; what was given after it may not have arrived.

        It is when the broker was last heard, or just before the oldest command that it has not acknowledged.
        """

    def on_notice(self, notice: Notice) -> None:
        """Something to log."""

    def on_standstill(self, seconds: float) -> None:
        """The event loop stood still for over a second: what comes until `on_caught_up` may be as old as that."""

    def on_caught_up(self) -> None:
        """What waited through the standstill has been delivered, or went with its connection."""


class Transport(Protocol):
    """What the shell calls."""

    def publish(self, outgoing: Outgoing) -> bool:
        """Send now. False: there is no connection, nothing was sent and nothing will be.

        True is no proof of arrival: that is what a device reports back. A command of kind `ACT` may still be dropped
        when the broker turns out to be frozen; `on_lost` then follows, with `heard_at` before this call.
        """

    def subscribe(self, wanted: tuple[Subscription, ...]) -> None:
        """From now on listen to exactly these topics. May be called at any time, connected or not."""
