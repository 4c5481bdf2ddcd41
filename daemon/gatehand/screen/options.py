"""Which broker to look at: what the command line names, else what the config says. For commands that only listen."""

import argparse
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

from gatehand.mqtt.settings import BrokerSettings, Tls, broker_settings, fresh_client_id

_HIGHEST_PORT: Final = 65_535
_PORT: Final = 1883
_PORT_TLS: Final = 8883


class NoBrokerNamedError(Exception):
    """Neither the command line nor a config says which broker; the text says what to do."""


@dataclass(frozen=True, slots=True)
class Where:
    """The broker, and the topic below which the daemon speaks."""

    settings: BrokerSettings
    base: str

    @property
    def text(self) -> str:
        """As a screen names it."""
        return f"{self.base} at {self.settings.host}:{self.settings.port}"


def add_options(parser: argparse.ArgumentParser) -> None:
    """The options that name a broker."""
    group = parser.add_argument_group("the broker, when it is not the config's")
    group.add_argument("--broker", type=_address, metavar="HOST[:PORT]", help="look at this broker; needs no config")
    group.add_argument("--base", type=_base, metavar="TOPIC", help="the daemon's base topic; default gatehand")
    group.add_argument("--username", metavar="NAME", help="the login, such as viewer")
    group.add_argument("--password-file", type=Path, metavar="FILE", help="its first line is the password")
    group.add_argument("--tls", action="store_true", help="encrypt; verify with the system's certificates")
    group.add_argument("--ca-file", type=Path, metavar="FILE", help="encrypt; verify with this certificate")


def where(args: argparse.Namespace, role: str) -> Where:
    """The broker to look at. `role` names the client at the broker.

    Raises:
        NoBrokerNamedError: none is named, and there is no config that could.
        NoSecretError: a password cannot be read.
    """
    from gatehand.small_files import read_secret

    found = _of_config(args, role) if args.broker is None else _of_options(args, role)
    settings, base = found.settings, args.base or found.base
    username, password = settings.username, settings.password
    if args.username is not None:
        username, password = args.username, None
    if args.password_file is not None:
        password = read_secret(args.password_file)
    return Where(replace(settings, username=username, password=password), base)


def _of_options(args: argparse.Namespace, role: str) -> Where:
    host, port = args.broker
    tls = Tls(args.ca_file) if args.tls or args.ca_file is not None else None
    base = args.base or "gatehand"
    port = port or (_PORT_TLS if tls else _PORT)
    return Where(BrokerSettings(host, port, client_id=fresh_client_id(base, role), tls=tls), base)


def _of_config(args: argparse.Namespace, role: str) -> Where:
    from gatehand.commands._configured import readable

    loaded, config = readable(args.config)
    if config is None:
        raise NoBrokerNamedError("without a config, name the broker: --broker HOST[:PORT] --base TOPIC")
    settings = broker_settings(
        config,
        loaded.file,
        client_id=fresh_client_id(config.broker.base, role),
        login=args.username is None and args.password_file is None,
    )
    return Where(settings, config.broker.base)


def _address(text: str) -> tuple[str, int | None]:
    host, port = text, ""
    if text.startswith("["):
        host, _, port = text[1:].partition("]")
        port = port.removeprefix(":")
    elif text.count(":") == 1:
        host, _, port = text.partition(":")
    wanted = "wanted HOST or HOST:PORT, such as shop.local:1883 or [fe80::1]:1883"
    if not host or any(char.isspace() or char == "/" for char in host):
        raise argparse.ArgumentTypeError(f"found {text!r}; {wanted}")
    if port and not (port.isascii() and port.isdigit() and 0 < int(port) <= _HIGHEST_PORT):
        raise argparse.ArgumentTypeError(f"found the port {port!r}; {wanted}")
    return host, int(port) if port else None


def _base(text: str) -> str:
    if not text or text.strip("/") != text or any(char in "+#\0" for char in text):
        raise argparse.ArgumentTypeError(f"found {text!r}; wanted a topic such as gatehand, without + and #")
    return text
