"""Small files of the owner's: the bytes of a config, read and replaced, the broker's password in a file of its own.

A config is a regular file of up to 1 MB and nothing else. Whoever reads on behalf of the control loop does it
elsewhere: a mount that hangs keeps its reader as long as it likes.
"""

import os
import stat
import tempfile
from contextlib import suppress
from itertools import count
from pathlib import Path
from typing import Final

LARGEST_BYTES: Final = 1_000_000
"""A large shop takes some 30 kB; anything beyond this is another file."""
_TOO_LARGE: Final = f"is larger than {LARGEST_BYTES // 1_000_000} MB: this cannot be a config; name another file"
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
        text = "there is no such file: gatehand init writes one; or name yours with --config"
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


class UnwritableError(Exception):
    """The file cannot be written and is as it was; the text names it and says what to do."""


def replace_bytes(path: Path, content: bytes, *, was: bytes | None = None) -> None:
    """Replace a file that is there in one go, on the medium when this returns, with the owner and the rights it had.

    Args:
        path: the file; of a link, what it leads to.
        content: what it holds from then on.
        was: what it must hold until then, for somebody may have saved it meanwhile.

    Raises:
        UnwritableError: it cannot be written, or holds something else.
    """
    path = path.resolve()
    try:
        found = path.stat()
        handle, aside = tempfile.mkstemp(dir=path.parent, prefix=path.name, suffix=".new")
    except OSError as error:
        raise _unwritable(path, error) from None
    try:
        _write_and_close(handle, content, found)
        if was is not None and path.read_bytes() != was:
            raise UnwritableError(
                f"{path}: was saved by somebody else meanwhile, so it is left as it is: look at it again"
            )
        Path(aside).replace(path)
        _sync_folder(path.parent)
    except OSError as error:
        raise _unwritable(path, error) from None
    finally:
        with suppress(OSError):  # gone, where all went well
            Path(aside).unlink()


def keep_copy(path: Path, content: bytes) -> Path:
    """Write what a file holds to FILE.bak beside it, or, where that is taken, to FILE.bak.2 and so on; which it was.

    Raises:
        UnwritableError: it cannot be written.
    """
    path = path.resolve()
    for number in count(1):
        copy = path.with_name(f"{path.name}.bak" if number == 1 else f"{path.name}.bak.{number}")
        try:
            handle = os.open(copy, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o600)
        except FileExistsError:
            continue
        except OSError as error:
            raise _unwritable(copy, error) from None
        try:
            _write_and_close(handle, content, path.stat())
            _sync_folder(copy.parent)
        except OSError as error:
            copy.unlink(missing_ok=True)
            raise _unwritable(copy, error) from None
        return copy
    raise AssertionError("counted to the end")


def _write_and_close(handle: int, content: bytes, like: os.stat_result) -> None:
    """All of it, on the medium, with another file's owner and rights: who could read that one can read this one."""
    with open(handle, "wb", buffering=0) as file:
        own = os.fstat(handle)
        if (own.st_uid, own.st_gid) != (like.st_uid, like.st_gid):
            os.fchown(handle, like.st_uid, like.st_gid)
        os.fchmod(handle, stat.S_IMODE(like.st_mode))
        left = memoryview(content)
        while left:
            left = left[file.write(left) :]
        os.fsync(handle)


def _sync_folder(folder: Path) -> None:
    handle = os.open(folder, os.O_RDONLY | os.O_CLOEXEC)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _unwritable(path: Path, error: OSError) -> UnwritableError:
    why = error.strerror or str(error)
    if isinstance(error, PermissionError):
        why += "; its owner may, or a user that may write to its folder"
    return UnwritableError(f"{path}: cannot be written ({why}); the config is as it was")


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
        raise NoSecretError(f"{file} has too long a first line: a password is 65,535 bytes at most")
    try:
        return line.decode()
    except UnicodeDecodeError:
        raise NoSecretError(f"{file} is not UTF-8 text: wanted the password in its first line") from None
