"""How to reach the broker that a config names, for the daemon and for every command that is a client beside it."""

from collections.abc import Callable
from pathlib import Path

from gatehand.config import Config
from gatehand.config.secret import read_secret
from gatehand.mqtt.settings import BrokerSettings, Tls


def broker_settings(config: Config, file: Callable[[Path], Path]) -> BrokerSettings:
    """How to reach the broker; `file` makes the config's paths absolute.

    Raises:
        NoSecretError: the password cannot be read.
    """
    broker = config.broker
    return BrokerSettings(
        host=broker.host,
        port=broker.port,
        client_id=broker.client_name,
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
