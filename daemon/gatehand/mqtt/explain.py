"""Sentences about a connection: what happened, what it means, what to do. Values in, text out."""

from enum import StrEnum
from typing import Final

from msgspec import Struct

from gatehand.mqtt.settings import BrokerSettings
from gatehand.mqtt.transport import Said

# Reason codes of MQTT 5.0 section 2.4; paho translates the return codes of 3.1.1 to them.
NO_MATCHING_SUBSCRIBERS: Final = 0x10
UNSUPPORTED_PROTOCOL: Final = 0x84
BAD_LOGIN: Final = 0x86
NOT_AUTHORISED: Final = 0x87
BANNED: Final = 0x8A
KEEPALIVE_TIMEOUT: Final = 0x8D
SESSION_TAKEN_OVER: Final = 0x8E


class Failure(StrEnum):
    """Ways in which an attempt to connect fails."""

    UNREACHABLE = "unreachable"
    """Nobody there."""
    NO_ANSWER = "no_answer"
    """Somebody there who hung up or kept silent: frozen, no broker, or one that does not know this protocol."""
    PROTOCOL = "protocol"
    """The broker says that it does not know this protocol."""
    LOGIN = "login"
    REFUSED = "refused"
    CERTIFICATE = "certificate"


class Ending(Struct, frozen=True):
    """Why an established connection ended, in words, and the broker's reason code if it gave one."""

    reason: str
    code: int | None = None
    by_peer: bool = False
    """True: the broker or the network ended it; False: we gave it up."""


class LinkFailedError(Exception):
    """An attempt to connect failed; `cause` is what the broker or the system said."""

    def __init__(self, failure: Failure, cause: str) -> None:
        super().__init__(cause)
        self.failure = failure
        self.cause = cause

    @property
    def perhaps_older(self) -> bool:
        """Whether the broker may know no MQTT 5: then it says so, or keeps silent."""
        return self.failure in {Failure.PROTOCOL, Failure.NO_ANSWER}

    @property
    def lasting(self) -> bool:
        """Whether only a person can help."""
        return self.failure in {Failure.LOGIN, Failure.REFUSED, Failure.CERTIFICATE}


def failure_of(reason_code: int) -> Failure:
    """What a refusing reason code of a CONNACK means for the next attempt."""
    if reason_code == UNSUPPORTED_PROTOCOL:
        return Failure.PROTOCOL
    if reason_code in {BAD_LOGIN, NOT_AUTHORISED, BANNED}:
        return Failure.LOGIN
    return Failure.REFUSED


def failure_kind(failure: Failure) -> Said:
    """The kind of notice for a failed attempt."""
    match failure:
        case Failure.LOGIN:
            return Said.LOGIN_REFUSED
        case Failure.REFUSED | Failure.CERTIFICATE:
            return Said.CONNECTION_REFUSED
        case Failure.UNREACHABLE | Failure.NO_ANSWER | Failure.PROTOCOL:
            return Said.UNREACHABLE


def failure_text(failed: LinkFailedError, settings: BrokerSettings) -> str:
    """The sentence for a failed attempt; whether another follows is for the caller to add."""
    at = f"{settings.host}:{settings.port}"
    match failed.failure:
        case Failure.LOGIN:
            who = f"user {settings.username!r}" if settings.username else "a client without user name"
            return (
                f"the broker at {at} refused the login of {who} ({failed.cause.lower()}); mend username and "
                "password_file in [broker], or add the user to the broker"
            )
        case Failure.REFUSED:
            return (
                f"the broker at {at} refused the connection ({failed.cause.lower()}); "
                f"look at client_id {settings.client_id!r} in [broker] and at the broker's own log"
            )
        case Failure.CERTIFICATE:
            return (
                f"no encrypted connection to the broker at {at} ({failed.cause}); "
                "mend tls in [broker]: ca_file, cert_file, key_file, and the name in host"
            )
        case Failure.UNREACHABLE | Failure.NO_ANSWER | Failure.PROTOCOL:
            return (
                f"no connection to the broker at {at} ({failed.cause}); start the broker, or mend host and port in "
                "[broker]"
            )


def same_client_id(settings: BrokerSettings, lives: int, *, certain: bool) -> str:
    """The sentence for a broker that keeps throwing us out."""
    if certain:
        found = f"another client uses the same client_id {settings.client_id!r} (the broker says so)"
    else:
        found = (
            f"{lives} connections ended within seconds: probably another client uses the same client_id "
            f"{settings.client_id!r}, unless the broker keeps restarting"
        )
    return f"{found}; stop the other one or change client_id in [broker]; trying again slowly"


def older_protocol(settings: BrokerSettings) -> str:
    """The sentence for a fall back to 3.1.1."""
    return (
        f"the broker at {settings.host}:{settings.port} does not speak MQTT 5; using 3.1.1, where a command cannot "
        'expire: on, open and shut go out at QoS 0. Set protocol = "3.1.1" in [broker] to skip the first attempt'
    )


def subscription_refused(topic: str, reason: str) -> str:
    """The sentence for a topic that we may not read."""
    return (
        f"the broker refused the subscription to {topic!r} ({reason.lower()}); nothing will be heard there: "
        "let the user read it in the broker's access list"
    )


def publish_refused(topic: str, reason: str) -> str:
    """The sentence for a topic that we may not write."""
    return (
        f"the broker refused a message to {topic!r} ({reason.lower()}): "
        "let the user write it in the broker's access list"
    )


def nobody_listens(topic: str) -> str:
    """The sentence for a command without any subscriber."""
    return f"no device listens on {topic!r}: is it switched on, and is this its command topic?"
