"""How to reach the broker, and how patient to be with it. Plain values; reading files and config is done elsewhere."""

from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal, TypeAlias

from msgspec import Struct

Protocol: TypeAlias = Literal["5", "3.1.1"]


class Tls(Struct, frozen=True):
    """Files for an encrypted connection. `ca_file` None: the system's authorities."""

    ca_file: Path | None = None
    cert_file: Path | None = None
    key_file: Path | None = None


@dataclass(frozen=True, slots=True)
class BrokerSettings:
    """The broker and how to log in. `password` is the secret itself, already read from its file."""

    host: str
    port: int = 1883
    client_id: str = "gatehand"
    protocol: Protocol = "5"
    """"5" falls back to "3.1.1" where the broker knows no other."""
    keepalive: int = 6
    """Whole seconds. A peer that has frozen is noticed after about twice as long."""
    username: str | None = None
    password: str | None = field(default=None, repr=False)
    tls: Tls | None = None


class Presence(Struct, frozen=True):
    """The topic that says whether we are there, retained, and its words. A connection has one, as it has one will."""

    topic: str
    here: bytes = b"1"
    """Said by the session on each connection; whoever uses it may say other words there afterwards."""
    lost: bytes = b"0"
    """The will."""
    left: bytes = b"0"
    """The goodbye."""


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
