"""What a failed attempt or an ended connection means: the sentence for a person, the wait, the protocol of the next.

Pure but for the counters of `Retry`; `lived` and all waits are seconds. The same story always gives the same answers.
"""

from collections.abc import Awaitable, Callable
from enum import StrEnum
from typing import Final, TypeVar

from msgspec import Struct

from gatehand.mqtt.settings import BrokerSettings, Protocol
from gatehand.mqtt.transport import MessageKind, Notice, NoticeKind, Outgoing

# Reason codes of MQTT 5.0 section 2.4; paho translates the return codes of 3.1.1 to them.
NO_MATCHING_SUBSCRIBERS: Final = 0x10
FIRST_FAILURE: Final = 0x80
KEEPALIVE_TIMEOUT: Final = 0x8D
SESSION_TAKEN_OVER: Final = 0x8E

_SHORT_LIVES: Final = 3
_SILENCES: Final = 2


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


REFUSALS: Final = {
    0x84: Failure.PROTOCOL,  # unsupported protocol version
    0x86: Failure.LOGIN,  # bad user name or password
    0x87: Failure.LOGIN,  # not authorised
    0x8A: Failure.LOGIN,  # banned
}
"""What a broker's reason code means that refuses to let us in; every other one is `REFUSED`."""


class Disconnect(Struct, frozen=True):
    """Why an established connection ended, in words, and the broker's reason code if it gave one."""

    reason: str
    code: int | None = None
    by_peer: bool = False
    """True: the broker or the network ended it; False: we gave it up."""


class ConnectionFailedError(Exception):
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


def failure_notice(failed: ConnectionFailedError, settings: BrokerSettings, then: str = "") -> Notice:
    """What a person should know of a failed attempt, and `then` what follows."""
    at = f"{settings.host}:{settings.port}"
    match failed.failure:
        case Failure.LOGIN:
            kind = NoticeKind.LOGIN_REFUSED
            who = f"user {settings.username!r}" if settings.username else "a client without a username"
            text = (
                f"the broker at {at} refused the login of {who} ({failed.cause.lower()}); correct username and "
                "password_file in [broker], or add the user to the broker"
            )
        case Failure.REFUSED:
            kind = NoticeKind.CONNECTION_REFUSED
            text = (
                f"the broker at {at} refused the connection ({failed.cause.lower()}); "
                f"look at client_id {settings.client_id!r} in [broker] and at the broker's own log"
            )
        case Failure.CERTIFICATE:
            kind = NoticeKind.CONNECTION_REFUSED
            text = (
                f"no encrypted connection to the broker at {at} ({failed.cause}); "
                "correct tls in [broker]: ca_file, cert_file, key_file, and the name in host"
            )
        case Failure.UNREACHABLE | Failure.NO_ANSWER | Failure.PROTOCOL:
            kind = NoticeKind.UNREACHABLE
            text = (
                f"no connection to the broker at {at} ({failed.cause}); start the broker, or correct host and port in "
                "[broker]"
            )
    return Notice(kind, text + then, {"cause": failed.cause})


def subscription_refused(topic: str, reason: str) -> str:
    """The sentence for a topic that we may not read."""
    return (
        f"the broker refused the subscription to {topic!r} ({reason.lower()}); nothing will be heard there: "
        "let the user read it in the broker's access list"
    )


def objection(outgoing: Outgoing, code: int, name: str) -> Notice | None:
    """What the broker has against a message, by the reason code of its acknowledgement. 3.1.1 has no word for it."""
    topic = outgoing.topic
    if code >= FIRST_FAILURE:
        refused = f"the broker refused a message to {topic!r} ({name.lower()})"
        text = f"{refused}: let the user write it in the broker's access list"
        return Notice(NoticeKind.PUBLISH_REFUSED, text, {"topic": topic})
    if code == NO_MATCHING_SUBSCRIBERS and outgoing.kind is not MessageKind.STATUS:
        text = f"no device listens on {topic!r}: is it switched on, and is this its command topic?"
        return Notice(NoticeKind.NOBODY_LISTENS, text, {"topic": topic})
    return None


class Patience(Struct, frozen=True):
    """All waits of a session in seconds. The same failures always lead to the same waits."""

    retry: tuple[float, ...] = (0.2, 0.4, 0.8, 1.6, 3.2, 5.0)
    """Before the first, second, ... attempt after a loss; the last one repeats."""
    refused: float = 15.0
    """Before the next attempt when only a person can help: a refused login, a bad certificate."""
    contended: float = 10.0
    """Before the next attempt while another client has our id."""
    connect: float = 3.0
    """For each address, and again for the encryption's handshake."""
    answer: float = 4.0
    """For the broker's answer to a connect or a subscribe."""
    short_life: float = 5.0
    """A connection that ends sooner counts as short; three in a row mean that another client has the same id."""
    goodbye: float = 1.0
    """For the acknowledgements that are still due at a clean stop."""
    settle: float = 1.0
    """At most, for what the broker retains."""
    refused_topics: float = 30.0
    """Between attempts at subscriptions that the broker refused."""

    def before_attempt(self, failures: int) -> float:
        """The wait after that many failures in a row, the first being 1."""
        return self.retry[min(failures, len(self.retry)) - 1]


class Next(Struct, frozen=True):
    """Seconds to wait before the next attempt, and what a person should know."""

    wait: float
    notice: Notice | None = None


T = TypeVar("T")


async def with_fall_back(settings: BrokerSettings, connect: Callable[[Protocol], Awaitable[T]]) -> T:
    """What `connect` gives: one attempt, and one by 3.1.1 where the broker may know no MQTT 5.

    Raises:
        ConnectionFailedError: neither led to a connection.
    """
    try:
        return await connect(settings.protocol)
    except ConnectionFailedError as failed:
        if settings.protocol == "3.1.1" or not failed.perhaps_older:
            raise
    return await connect("3.1.1")


class Retry:
    """Remembers what went wrong in a row. `protocol()` is what the next attempt should speak."""

    def __init__(self, settings: BrokerSettings, patience: Patience) -> None:
        self._settings = settings
        self._patience = patience
        self._failures = 0
        self._short_lives = 0
        self._silences = 0
        self._knows_only_older = False

    def protocol(self) -> Protocol:
        """The configured one; 3.1.1 where the broker said, or by twice keeping silent, that it knows no other."""
        if self._settings.protocol == "3.1.1" or self._knows_only_older:
            return "3.1.1"
        # A broker in trouble is silent too, so every other attempt is made with each.
        guess_older = self._silences >= _SILENCES and self._silences % 2 == 0
        return "3.1.1" if guess_older else "5"

    def after_failure(self, error: ConnectionFailedError) -> Next:
        """An attempt did not lead to a connection."""
        if error.failure is Failure.PROTOCOL and self.protocol() == "5":
            self._knows_only_older = True
            return Next(0.0)
        self._failures += 1
        self._short_lives = 0  # somebody with our id would not have kept us from connecting
        self._silences = self._silences + 1 if error.failure is Failure.NO_ANSWER else 0
        if error.lasting:
            return Next(self._patience.refused, failure_notice(error, self._settings, "; trying again slowly"))
        wait = self._patience.before_attempt(self._failures)
        return Next(wait, failure_notice(error, self._settings, "; trying again"))

    def connected(self, protocol: Protocol) -> Notice | None:
        """A connection stands."""
        self._failures = 0
        if protocol == self._settings.protocol:
            self._silences = 0
            return None
        # The next time one silence is enough.
        self._silences = _SILENCES - 1
        at = f"{self._settings.host}:{self._settings.port}"
        text = (
            f"the broker at {at} does not speak MQTT 5; using 3.1.1, where a command cannot expire: on, open and shut "
            'go out at QoS 0. Set protocol = "3.1.1" in [broker] to skip the first attempt'
        )
        return Notice(NoticeKind.OLDER_PROTOCOL, text, {"protocol": protocol})

    def after_life(self, ending: Disconnect, lived: float) -> Next:
        """A connection ended after `lived` seconds."""
        short = ending.by_peer and lived < self._patience.short_life
        self._short_lives = self._short_lives + 1 if short else 0
        contended = self._short_lives >= _SHORT_LIVES
        wait = self._patience.contended if contended else self._patience.before_attempt(1)
        ours = self._settings.client_id
        if ending.code == SESSION_TAKEN_OVER:
            found = f"another client uses the same client_id {ours!r} (the broker says so)"
        elif contended:
            probably = f"probably another client uses the same client_id {ours!r}, unless the broker keeps restarting"
            found = f"{self._short_lives} connections ended within seconds: {probably}"
        else:
            return Next(wait)
        text = f"{found}; stop the other one or change client_id in [broker]; trying again slowly"
        return Next(wait, Notice(NoticeKind.SAME_CLIENT_ID, text, {"client_id": ours}))
