"""`[broker]`: how to reach the MQTT broker. Connecting belongs to `gatehand.mqtt`."""

from typing import Annotated, Final, Literal

from pydantic import Field, PlainValidator, WithJsonSchema

from gatehand import times
from gatehand.config.base import Table
from gatehand.config.topics import Base
from gatehand.config.values import FilePath, PlainText, Port, fail, plain
from gatehand.text import found

LONGEST_KEEPALIVE: Final = 300
"""Beyond this a dead broker would go unnoticed for ten minutes."""


def _host(value: object) -> str:
    if not isinstance(value, str) or not value or any(char.isspace() for char in value):
        raise fail(f'{found(value)}; wanted a host name or address in quotes, such as "127.0.0.1"')
    if "://" in value:
        raise fail(
            f'{found(value)}; wanted the host alone, without "{value.partition("://")[0]}://"; the port has its own key'
        )
    return plain(value)


Host = Annotated[str, PlainValidator(_host), WithJsonSchema({"type": "string", "minLength": 1, "pattern": r"^\S+$"})]


def _keepalive(value: object) -> int:
    try:
        length = times.seconds(value)
    except times.NoDurationError as error:
        raise fail(f"{found(value)}; {error}") from None
    if length != int(length) or not 1 <= length <= LONGEST_KEEPALIVE:
        raise fail(f"{found(value)}; wanted whole seconds from 1 to {LONGEST_KEEPALIVE}")
    return int(length)


Keepalive = Annotated[
    int,
    PlainValidator(_keepalive),
    WithJsonSchema(
        {
            "anyOf": [
                {"type": "integer", "minimum": 1, "maximum": LONGEST_KEEPALIVE},
                {"type": "string", "pattern": times.PATTERN},
            ]
        }
    ),
]


class Tls(Table):
    """Encryption to the broker. An empty table means: verify with the system's certificates."""

    ca_file: FilePath | None = Field(
        None, description="Certificate that the broker's must be signed by; default: the system's."
    )
    cert_file: FilePath | None = Field(None, description="Own certificate, where the broker asks for one.")
    key_file: FilePath | None = Field(None, description="Private key of cert_file.")


class Broker(Table):
    """The broker and the daemon's place on it."""

    host: Host = Field("127.0.0.1", description="Host name or address of the broker.")
    port: Port = Field(1883, description="TCP port; brokers with TLS usually listen on 8883.")
    protocol: Literal["5", "3.1.1"] = Field(
        "5", description="MQTT version; falls back to 3.1.1 when the broker knows no 5."
    )
    client_id: PlainText | None = Field(
        None,
        description="MQTT client id, unique on the broker; default: base and 8 random hex digits, new at each start.",
    )
    keepalive: Keepalive = Field(6, description="Whole seconds; a dead connection is noticed after about twice this.")
    username: PlainText | None = Field(None, description="Login name, where the broker asks for one.")
    password_file: FilePath | None = Field(
        None, description="File whose first line is the password; readable by the daemon only."
    )
    tls: Tls | None = Field(None, description="Encryption; tls = {} verifies with the system's certificates.")
    base: Base = Field("gatehand", description="Topic under which the daemon publishes its own state.")
