"""`off.json`: what `gatehand off` needs when there is no config that it could read. Never a password, only its file.

Written beside `state.json` at the daemon's start and after each reload, readable by the daemon's user alone.
"""

from pathlib import Path
from typing import Final, Self

import msgspec
from msgspec import Struct

from gatehand.config import Config, Loaded
from gatehand.mqtt.settings import Protocol, Tls, encryption
from gatehand.shell.state_file import RealStateDisk, StateDisk, write_whole

FILE: Final = "off.json"
VERSION: Final = 1
_MODE: Final = 0o600


class OffWord(Struct, frozen=True):
    """One collector's own "off"."""

    topic: str
    off: str


class OffNotes(Struct, frozen=True, kw_only=True):
    """The broker, how to log in, and each collector's word. Paths are absolute."""

    version: int = VERSION
    base: str
    host: str
    port: int
    protocol: Protocol
    keepalive: int
    username: str | None
    password_file: Path | None
    tls: Tls | None
    collectors: dict[str, OffWord]

    @classmethod
    def of(cls, config: Config, loaded: Loaded) -> Self:
        """What this config says; `loaded` makes its paths absolute."""
        broker = config.broker
        password = broker.password_file
        return cls(
            base=broker.base,
            host=broker.host,
            port=broker.port,
            protocol=broker.protocol,
            keepalive=broker.keepalive,
            username=broker.username,
            password_file=None if password is None else loaded.file(password).absolute(),
            tls=encryption(config, lambda path: loaded.file(path).absolute()),
            collectors={name: OffWord(fan.command.topic, fan.command.off) for name, fan in config.collector.items()},
        )


def write_notes(folder: Path, notes: OffNotes, disk: StateDisk | None = None) -> None:
    """Put them beside the state.

    Raises:
        OSError: they could not be written; those of before are still there.
    """
    text = msgspec.json.format(msgspec.json.encode(notes, enc_hook=str)) + b"\n"
    write_whole(disk or RealStateDisk(), folder / FILE, text, _MODE)


class NoNotesError(Exception):
    """There are none that could be used; the text says why."""


def read_notes(folder: Path, disk: StateDisk | None = None) -> OffNotes:
    """What the daemon has written there last.

    Raises:
        NoNotesError: none are there, or they cannot be read.
    """
    path = folder / FILE
    try:
        found = msgspec.json.decode((disk or RealStateDisk()).read(path), type=OffNotes, dec_hook=_path)
    except FileNotFoundError:
        raise NoNotesError(f"{path} is not there: no daemon has run with this state folder") from None
    except OSError as error:
        raise NoNotesError(f"{path} cannot be read ({error.strerror or error})") from None
    except (msgspec.MsgspecError, ValueError, RecursionError) as error:
        raise NoNotesError(f"{path} is damaged ({error})") from None
    if found.version != VERSION or not found.collectors:
        raise NoNotesError(f"{path} is of version {found.version} and names {len(found.collectors)} collectors")
    return found


def _path(kind: type, text: str) -> object:
    return kind(text)
