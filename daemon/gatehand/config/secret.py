"""The broker's password: the first line of a file of its own, so that the config can be shown to anybody."""

import os
from pathlib import Path

LONGEST_BYTES = 65_535


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
            line = stream.read(LONGEST_BYTES + 1).split(b"\n", 1)[0].removesuffix(b"\r")
    except OSError as error:
        raise NoSecretError(
            f"{file} cannot be read ({error.strerror or error}): wanted a file with the password"
        ) from None
    if not line:
        raise NoSecretError(f"{file} is empty: wanted the password in its first line")
    if len(line) > LONGEST_BYTES:
        raise NoSecretError(f"{file} has too long a first line: a password has at most 65,535 bytes")
    try:
        return line.decode()
    except UnicodeDecodeError:
        raise NoSecretError(f"{file} is no UTF-8 text: wanted the password in its first line") from None
