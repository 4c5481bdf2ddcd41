"""Small files of the owner's: the bytes of a config, the broker's password in a file of its own.

A config is a regular file of up to 1 MB and nothing else. Whoever reads on behalf of the control loop does it
elsewhere: a mount that hangs keeps its reader as long as it likes.
"""

import os
import stat
from pathlib import Path
from typing import Final

LARGEST_BYTES: Final = 1_000_000
"""A large shop takes some 30 kB; anything beyond this is another file."""
_TOO_LARGE: Final = f"is larger than {LARGEST_BYTES // 1_000_000} MB: this is surely no config; name another file"
_KINDS: Final = (
    (stat.S_ISDIR, "a folder"),
    (stat.S_ISFIFO, "a pipe"),
    (stat.S_ISSOCK, "a socket"),
)


class UnreadableError(Exception):
    """The file gives no bytes to read; the text says what was found and what is wanted, without the file's name."""

    def __init__(self, text: str, *, missing: bool = False) -> None:
        super().__init__(text)
        self.missing = missing
        """Nothing is there under that name."""


def read_bytes(path: Path) -> bytes:
    """All of a file, which is looked at before it is opened: a pipe or a device is not even touched.

    Raises:
        UnreadableError: it is missing, no regular file, too large, or the system does not let us.
    """
    try:
        _regular(os.stat(path), path)  # noqa: PTH116 - a path with a NUL raises here, where it can be told
        # Whatever took its place since then must not make us wait either.
        handle = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_NOCTTY | os.O_CLOEXEC)
        with open(handle, "rb") as stream:  # noqa: PTH123 - an open handle
            _regular(os.fstat(handle), path)
            content = stream.read(LARGEST_BYTES + 1)
    except FileNotFoundError:
        text = "there is no such file: name one with --config, or copy config.example.toml"
        raise UnreadableError(text, missing=True) from None
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or error
        raise UnreadableError(f"cannot be read ({why}): check its permissions") from None
    if len(content) > LARGEST_BYTES:
        raise UnreadableError(_TOO_LARGE)
    return content


def _regular(found: os.stat_result, path: Path) -> None:
    if not stat.S_ISREG(found.st_mode):
        kind = next((name for is_kind, name in _KINDS if is_kind(found.st_mode)), "a device")
        example = f", such as {path / 'config.toml'}" if kind == "a folder" else ""
        raise UnreadableError(f"is {kind}: wanted a file{example}")
    if found.st_size > LARGEST_BYTES:
        raise UnreadableError(_TOO_LARGE)


LONGEST_SECRET = 65_535


class NoSecretError(Exception):
    """The file has no password to give; the text says why and what is wanted."""


def _found(file: Path) -> Path:
    """Where the service manager hands a credential of that file's name over, that one: only it can read the file."""
    folder = os.environ.get("CREDENTIALS_DIRECTORY")
    handed = Path(folder) / file.name if folder else file
    return handed if handed.is_file() else file


def read_secret(file: Path) -> str:
    """The first line of `file`, without its end of line.

    A credential of the same name that systemd hands over (`LoadCredential=`) is read instead.

    Raises:
        NoSecretError: when the file cannot be read, is empty or is no text.
    """
    file = _found(file)
    try:
        with file.open("rb") as stream:
            line = stream.read(LONGEST_SECRET + 1).split(b"\n", 1)[0].removesuffix(b"\r")
    except OSError as error:
        raise NoSecretError(
            f"{file} cannot be read ({error.strerror or error}): wanted a file with the password"
        ) from None
    if not line:
        raise NoSecretError(f"{file} is empty: wanted the password in its first line")
    if len(line) > LONGEST_SECRET:
        raise NoSecretError(f"{file} has too long a first line: a password has at most 65,535 bytes")
    try:
        return line.decode()
    except UnicodeDecodeError:
        raise NoSecretError(f"{file} is not UTF-8 text: wanted the password in its first line") from None
