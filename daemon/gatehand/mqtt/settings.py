"""How to reach the broker that a config names, for the daemon and for every command that is a client beside it."""

import os
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Literal, TypeAlias

from msgspec import Struct

from gatehand.small_files import read_secret

if TYPE_CHECKING:
    from gatehand.config import Config

Protocol: TypeAlias = Literal["5", "3.1.1"]


class TlsFiles(Struct, frozen=True):
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
    tls: TlsFiles | None = None


class Presence(Struct, frozen=True):
    """The topic that says whether we are there, retained, and its words. A connection has one, as it has one will."""

    topic: str
    here: bytes = b"1"
    """Said by the session on each connection; whoever uses it may say other words there afterwards."""
    lost: bytes = b"0"
    """The will."""
    left: bytes = b"0"
    """The goodbye."""


def fresh_client_id(base: str, role: str = "") -> str:
    """A client id that nobody else has or can guess: another client with our id would throw us out."""
    return "-".join(filter(None, (base.replace("/", "-"), role, os.urandom(4).hex())))


def broker_settings(
    config: "Config", file: Callable[[Path], Path], *, client_id: str | None = None, login: bool = True
) -> BrokerSettings:
    """How to reach the broker.

    Args:
        config: names it.
        file: makes the config's paths absolute.
        client_id: another than the config's.
        login: read the password from its file.

    Raises:
        NoSecretError: the password cannot be read.
    """
    broker, tls = config.broker, config.broker.tls
    files = None if tls is None else (tls.ca_file, tls.cert_file, tls.key_file)
    return BrokerSettings(
        host=broker.host,
        port=broker.port,
        client_id=client_id or broker.client_id or fresh_client_id(broker.base),
        protocol=broker.protocol,
        keepalive=broker.keepalive,
        username=broker.username,
        password=read_secret(file(broker.password_file)) if broker.password_file is not None and login else None,
        tls=None if files is None else TlsFiles(*(None if each is None else file(each) for each in files)),
    )
