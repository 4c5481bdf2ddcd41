"""A config file's bytes: of a regular file of up to 1 MB, and of nothing else. No TOML in here.

Whoever reads on behalf of the control loop does it elsewhere: a mount that hangs keeps its reader as long as it likes.
"""

import os
import stat
from pathlib import Path
from typing import Final

LARGEST_BYTES: Final = 1_000_000
"""A large shop takes some 30 kB; anything beyond this is another file."""

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
        raise _too_large()
    return content


def _regular(found: os.stat_result, path: Path) -> None:
    if not stat.S_ISREG(found.st_mode):
        kind = next((name for is_kind, name in _KINDS if is_kind(found.st_mode)), "a device")
        example = f", such as {path / 'config.toml'}" if kind == "a folder" else ""
        raise UnreadableError(f"is {kind}: wanted a file{example}")
    if found.st_size > LARGEST_BYTES:
        raise _too_large()


def _too_large() -> UnreadableError:
    return UnreadableError(
        f"is larger than {LARGEST_BYTES // 1_000_000} MB: this is surely no config; name another file"
    )
