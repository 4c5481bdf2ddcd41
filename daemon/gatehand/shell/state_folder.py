"""Where the daemon keeps what outlives it, and the lock by which one machine runs one daemon on it.

`off.json` stands there too: what `gatehand off` needs when there is no config that it could read. Never a password,
only its file. Written at the daemon's start and after each reload, readable by the daemon's user alone.
"""

import fcntl
import os
from contextlib import suppress
from pathlib import Path
from typing import Final, Self

import msgspec
from msgspec import Struct

from gatehand.config import Config, Loaded
from gatehand.journal.disk import Disk
from gatehand.mqtt.settings import Protocol, TlsFiles, broker_settings
from gatehand.shell.ports import Remembered
from gatehand.text import named

LOCK: Final = "daemon.lock"
YIELDED: Final = "yielded"
"""There while the daemon of this folder has ended because another machine's runs the shop."""
VARIABLE: Final = "STATE_DIRECTORY"
"""Set by the service manager."""


def state_folder(given: Path | None, config_file: Path) -> Path:
    """The folder that was given, else the service manager's, else the config's. Relative ones count from here."""
    if given is not None:
        return given.absolute()
    handed = os.environ.get(VARIABLE, "").split(":")[0]
    return Path(handed) if handed else config_file.absolute().parent


class AlreadyRunningError(Exception):
    """Another daemon has the lock; the text names it."""


def take_lock(folder: Path) -> str | None:
    """Be the one daemon of this folder until the process ends, however it ends: nobody closes the handle before.

    Gives why there is no lock, as a clause: a folder that cannot be written keeps no daemon from working.

    Raises:
        AlreadyRunningError: another process is.
    """
    path = folder / LOCK
    try:
        folder.mkdir(parents=True, exist_ok=True)
        handle = _open(path)
    except OSError as error:
        return f"{path} cannot be opened ({error.strerror or error})"
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        pid = _pid(handle)
        os.close(handle)
        raise AlreadyRunningError(f"already running, pid {pid} ({path})") from None
    except OSError as error:
        os.close(handle)
        return f"{path} cannot be locked ({error.strerror or error})"
    with suppress(OSError):  # opened for reading only, or a full disk: the lock counts, not the number in it
        os.ftruncate(handle, 0)
        os.pwrite(handle, f"{os.getpid()}\n".encode(), 0)
    return None


def is_locked(folder: Path) -> bool:
    """Whether a daemon of that folder runs now."""
    try:
        handle = os.open(folder / LOCK, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK)
    except OSError:
        return False
    try:
        fcntl.flock(handle, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    except OSError:
        return False
    finally:
        os.close(handle)
    return False


def mark_yielded(folder: Path, to: str | None) -> None:
    """Leave word for `gatehand off --when-ended` that the shop is another's, on that host; None: it is ours."""
    with suppress(OSError):  # a folder that cannot be written has its alarm
        if to is None:
            (folder / YIELDED).unlink(missing_ok=True)
        else:
            (folder / YIELDED).write_text(to + "\n")


def yielded(folder: Path) -> bool:
    """Whether the daemon of this folder left the shop to another."""
    return (folder / YIELDED).is_file()


def _open(path: Path) -> int:
    try:
        return os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC | os.O_NONBLOCK, 0o644)
    except OSError:
        return os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK)


def _pid(handle: int) -> str:
    try:
        return os.pread(handle, 20, 0).decode(errors="replace").strip() or "unknown"
    except OSError:
        return "unknown"


def gone(remembered: Remembered, config: Config) -> tuple[str, ...]:
    """What keeps the daemon from starting: held collectors that the config no longer has, each as a sentence."""
    topics = {fan.command.topic for fan in config.collector.values()}
    first = {(hold.collector, hold.command_topic): hold for hold in reversed(remembered.holds)}
    return tuple(
        f"the collector {hold.collector} (commanded on {hold.command_topic!r}) is on hold since {hold.since} "
        f"({hold.why}), and the config no longer has it: put its table back, reset, then remove it"
        for hold in reversed(first.values())
        if hold.command_topic not in topics and hold.collector not in config.collector
    )


OFF_FILE: Final = "off.json"
OFF_VERSION: Final = 1
_MODE: Final = 0o600
_LARGEST_BYTES: Final = 4_000_000


class OffWord(Struct, frozen=True):
    """One collector's own "off"."""

    topic: str
    off: str


class OffNotes(Struct, frozen=True, kw_only=True):
    """The broker, how to log in, and each collector's word. Paths are absolute."""

    version: int = OFF_VERSION
    base: str
    host: str
    port: int
    protocol: Protocol
    keepalive: int
    username: str | None
    password_file: Path | None
    tls: TlsFiles | None
    collectors: dict[str, OffWord]

    @classmethod
    def of(cls, config: Config, loaded: Loaded) -> Self:
        """What this config says; `loaded` makes its paths absolute."""
        settings = broker_settings(config, lambda path: loaded.file(path).absolute(), login=False)
        password = config.broker.password_file
        return cls(
            base=config.broker.base,
            password_file=None if password is None else loaded.file(password).absolute(),
            collectors={name: OffWord(fan.command.topic, fan.command.off) for name, fan in config.collector.items()},
            **{key: getattr(settings, key) for key in ("host", "port", "protocol", "keepalive", "username", "tls")},
        )


def write_notes(folder: Path, notes: OffNotes) -> None:
    """Put them beside the state.

    Raises:
        OSError: they could not be written; those of before are still there.
    """
    text = msgspec.json.format(msgspec.json.encode(notes, enc_hook=str)) + b"\n"
    Disk().write_whole(folder / OFF_FILE, text, _MODE)


class NoNotesError(Exception):
    """There are none that could be used; the text says why."""


def read_notes(folder: Path) -> OffNotes:
    """What the daemon has written there last.

    Raises:
        NoNotesError: none are there, or they cannot be read.
    """
    path = folder / OFF_FILE
    try:
        found = msgspec.json.decode(Disk().read(path, _LARGEST_BYTES), type=OffNotes, dec_hook=_path)
    except FileNotFoundError:
        raise NoNotesError(f"{path} is not there: no daemon has run with this state folder") from None
    except OSError as error:
        raise NoNotesError(f"{path} cannot be read ({error.strerror or error})") from None
    except (msgspec.MsgspecError, ValueError, RecursionError) as error:
        raise NoNotesError(f"{path} is damaged ({error})") from None
    if found.version != OFF_VERSION or not found.collectors:
        raise NoNotesError(
            f"{path} is of version {found.version} and names {named(len(found.collectors), 'collector')}"
        )
    return found


def _path(kind: type, text: str) -> object:
    return kind(text)
