"""Files and folders that the config names: there, readable or writable by this user, and not open to everybody.

The only place of the config package, beside `load.py`, that looks at the disk. Nothing is created or changed.
"""

import os
import stat
from collections.abc import Iterator
from pathlib import Path

from gatehand.config import codes
from gatehand.config.partial import Partial
from gatehand.config.problems import Fault, KeyPath
from gatehand.small_files import NoSecretError, read_secret
from gatehand.text import shown

TLS_PORT, PLAIN_PORT = 8883, 1883


def check_files(partial: Partial, folder: Path) -> Iterator[Fault]:
    """Every fault of the files; relative paths count from `folder`."""
    yield from _password(partial, folder)
    yield from _tls(partial, folder)
    yield from _log(partial, folder)


def _password(partial: Partial, folder: Path) -> Iterator[Fault]:
    broker = partial.config.broker
    path = ("broker", "password_file")
    if broker.password_file is None:
        return
    if broker.username is None and not partial.is_spoilt("broker", "username"):
        yield Fault(path, codes.PASSWORD, "a password needs a username beside it: add username")
    file = folder / broker.password_file
    try:
        read_secret(file)
    except NoSecretError as error:
        yield Fault(path, codes.PASSWORD, f"found {shown(str(broker.password_file))}; {error}")
    else:
        yield from _open_to_all(path, file)


def _tls(partial: Partial, folder: Path) -> Iterator[Fault]:
    broker = partial.config.broker
    if broker.tls is None:
        return
    path = ("broker", "tls")
    given = {key: file for key, file in broker.tls if file is not None}
    for key, file in given.items():
        fault = _unread((*path, key), file, folder / file)
        if fault is not None:
            yield fault
        elif key == "key_file":
            yield from _open_to_all((*path, key), folder / file)
    for key, other in (("cert_file", "key_file"), ("key_file", "cert_file")):
        if key in given and other not in given and not partial.is_spoilt(*path, other):
            yield Fault((*path, other), codes.TLS_FILE, f"{other} is missing: {key} is of no use without it")
    if broker.port == PLAIN_PORT and not partial.is_spoilt("broker", "port"):
        text = f"port is {PLAIN_PORT}, where brokers listen without encryption; with tls it is usually {TLS_PORT}"
        yield Fault(("broker", "port"), codes.TLS_PORT, text)


def _unread(path: KeyPath, written: Path, file: Path) -> Fault | None:
    """A fault when a certificate or key cannot be read or is none."""
    try:
        content = file.read_bytes()
    except OSError as error:
        why = f"{file} cannot be read ({error.strerror or error}): wanted a readable file"
        return Fault(path, codes.TLS_FILE, f"found {shown(str(written))}; {why}")
    if b"-----BEGIN " not in content:
        why = "it holds no PEM text: wanted a file with -----BEGIN ...-----"
        return Fault(path, codes.TLS_FILE, f"found {shown(str(written))}; {why}")
    return None


def _open_to_all(path: KeyPath, file: Path) -> Iterator[Fault]:
    if file.is_file() and file.stat().st_mode & stat.S_IROTH:
        yield Fault(path, codes.OPEN_TO_ALL, f"every user of this computer can read {file}: chmod o= {file}")


def _log(partial: Partial, folder: Path) -> Iterator[Fault]:
    """The folder itself need not be there yet; then the nearest folder above it must let us make it."""
    wanted = partial.config.log.folder
    place = Path(os.path.abspath(folder / wanted))  # noqa: PTH100 -- resolve() would follow links
    path = ("log", "folder")
    while not place.exists() and place != place.parent:
        place = place.parent
    if not place.is_dir():
        yield Fault(path, codes.LOG_FOLDER, f"found {shown(str(wanted))}; {place} is a file: wanted a folder")
    elif not os.access(place, os.W_OK | os.X_OK):
        text = (
            f"found {shown(str(wanted))}; this user may not write to {place}: "
            "choose another folder, correct its owner, or run as the user that the daemon runs as"
        )
        yield Fault(path, codes.LOG_FOLDER, text)
