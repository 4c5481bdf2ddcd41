"""How to reach the broker that a config names, for the daemon and for every command that is a client beside it."""

import os
from collections.abc import Callable
from pathlib import Path

from gatehand.config import Config
from gatehand.mqtt.settings import BrokerSettings, Tls
from gatehand.small_files import read_secret


def fresh_client_id(base: str) -> str:
    """A client id that nobody else has or can guess: another client with our id would throw us out."""
    return f"{base.replace('/', '-')}-{os.urandom(4).hex()}"


def broker_settings(config: Config, file: Callable[[Path], Path]) -> BrokerSettings:
    """How to reach the broker; `file` makes the config's paths absolute.

    Raises:
        NoSecretError: the password cannot be read.
    """
    broker = config.broker
    return BrokerSettings(
        host=broker.host,
        port=broker.port,
        client_id=broker.client_id or fresh_client_id(broker.base),
        protocol=broker.protocol,
        keepalive=broker.keepalive,
        username=broker.username,
        password=None if broker.password_file is None else read_secret(file(broker.password_file)),
        tls=encryption(config, file),
    )


def encryption(config: Config, file: Callable[[Path], Path]) -> Tls | None:
    """The config's files for encryption, absolute; None: the connection is not encrypted."""
    tls = config.broker.tls
    if tls is None:
        return None
    ca, cert, key = (None if path is None else file(path) for path in (tls.ca_file, tls.cert_file, tls.key_file))
    return Tls(ca, cert, key)
