"""The folder with the boards' settings files: read, compared with the config, written aside and renamed.

A file that cannot be read is left as it is. Nothing is deleted. What a file's owner has put into it is kept.
"""

import errno
import json
import os
import tempfile
from collections.abc import Collection, Iterator, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Final

from msgspec import Struct, field

from gatehand.boards.devices import Device
from gatehand.boards.owners import changes, merged
from gatehand.boards.settings import Table
from gatehand.small_files import UnreadableError, read_bytes

FILE: Final = "settings.json"
PASSWORDS: Final = "passwords"


class FolderError(Exception):
    """Something cannot be written; the text says what to do."""


class Board(Struct):
    """One board and its file."""

    login: str
    path: Path
    whole: Table = field(default_factory=dict)
    """As the file is to be."""
    is_new: bool = False
    changed: list[str] = field(default_factory=list)
    trouble: str | None = None
    """Why its file is left as it is: it cannot be read (then `whole` is empty), or not be written."""
    kept: Path | None = None
    """Where the file as it was has been kept, for its role is another now."""

    @property
    def fits(self) -> bool:
        """Whether the file is as the config wants it."""
        return self.trouble is None and not self.is_new and not self.changed


class Boards:
    """All the files below one folder.

    Raises:
        FolderError: the folder is there and cannot be read.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._read: dict[str, Table] = {}
        self._troubles: dict[str, str] = {}
        try:
            names = [*self._names(), *self._shut()]
        except PermissionError as error:
            text = f"{folder}: cannot be read ({error.strerror}): run this as its owner, or name another folder"
            raise FolderError(f"{text} with --out") from None
        for name in names:
            try:
                self._read[name] = _table(folder / name / FILE)
            except UnreadableError as error:
                self._troubles[name] = str(error)

    def _names(self) -> list[str]:
        try:
            found = sorted(each.name for each in self.folder.iterdir() if os.path.lexists(each / FILE))
        except (FileNotFoundError, NotADirectoryError):
            found = []
        return found

    def _shut(self) -> list[str]:
        """Folders of somebody else's, which may hold a file."""
        try:
            return sorted(each.name for each in self.folder.iterdir() if each.is_dir() and not os.access(each, os.X_OK))
        except (FileNotFoundError, NotADirectoryError):
            return []

    def left(self, logins: Collection[str]) -> list[str]:
        """Boards that stand here and are none of these."""
        return [name for name in self._names() if name not in logins]

    @property
    def listeners(self) -> list[tuple[str, int, bool]]:
        """The broker's addresses and ports that the boards have, and whether they come in encrypted there."""
        every = (each for one in self._read.values() if (each := _below(one, "broker")))
        found = ((each.get("host"), each.get("port"), each.get("tls") is not None) for each in every)
        return sorted({(host, port, tls) for host, port, tls in found if isinstance(host, str) and type(port) is int})

    @property
    def wifi(self) -> Table | None:
        """The Wi-Fi of all boards that have one, where it is the same; else None."""
        every = [each for one in self._read.values() if (each := _below(one, "wifi")).get("ssid")]
        return every[0] if every and all(one == every[0] for one in every) else None

    def compare(self, device: Device, made: Table, *, has_login: bool) -> Board:
        """A board's file beside what the config wants of it."""
        board = Board(device.login, self.folder / device.login / FILE)
        if (trouble := self._troubles.get(device.login)) is not None:
            board.trouble = trouble
            return board
        old = self._read.get(device.login)
        board.is_new = old is None
        board.whole = merged(made, old, self.wifi, has_login=has_login)
        board.changed = [] if old is None else changes(old, board.whole)
        return board

    def write(self, board: Board) -> None:
        """Write its file, unless it is as it should be. Where that fails, it is as it was, and `trouble` says why.

        Raises:
            FolderError: there is no folder to write to.
        """
        if board.trouble is not None:
            return
        home = board.path.parent
        try:
            self.folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        except OSError as error:
            raise FolderError(f"{self.folder}: {_unwritable(error)}") from None
        try:
            home.mkdir(mode=0o700, exist_ok=True)
            _close(home, 0o700)
            old = self._read.get(board.login)
            if board.fits:
                _close(board.path, 0o600)
                return
            if old is not None and old.get("role") != board.whole["role"]:
                board.kept = _free(home, str(old.get("role")))
                _put(board.kept, board.path.read_bytes())
            _put(board.path, (json.dumps(board.whole, indent=2, ensure_ascii=False) + "\n").encode())
        except OSError as error:
            board.trouble = _unwritable(error)
            return
        self._read[board.login] = board.whole

    def write_passwords(self) -> Path | None:
        """Every board's login and password for the broker's password file; None: no board has one.

        Raises:
            FolderError: it cannot be written.
        """
        lines = [*self._logins()]
        if not lines:
            return None
        path = self.folder / PASSWORDS
        text = "".join(f"{line}\n" for line in lines).encode()
        try:
            if not path.is_file() or path.read_bytes() != text:
                _put(path, text)
            _close(path, 0o600)
        except OSError as error:
            raise FolderError(f"{path}: {_unwritable(error)}. It is left as it is.") from None
        return path

    def _logins(self) -> Iterator[str]:
        for _, one in sorted(self._read.items()):
            broker = _below(one, "broker")
            user, password = broker.get("username"), broker.get("password")
            if isinstance(user, str) and isinstance(password, str) and user and password:
                line = f"{user}:{password}"
                if ":" not in user and line.isprintable():
                    yield line


def _below(whole: Table, key: str) -> Table:
    found = whole.get(key)
    return found if isinstance(found, dict) else {}


def _table(path: Path) -> Table:
    # What the reading of a config says of these two is of no help here.
    if os.path.isdir(path):  # noqa: PTH112 - where the folder is somebody else's, this says no
        raise UnreadableError("is a folder: move it away and run this again")
    if os.path.islink(path) and not os.path.exists(path):  # noqa: PTH110, PTH114 - likewise
        raise UnreadableError("is a link that leads nowhere: remove it and run this again")
    try:
        found = json.loads(read_bytes(path))
    except (ValueError, RecursionError) as error:
        why = str(error) if isinstance(error, json.JSONDecodeError) else "or not in UTF-8, or nested too deeply"
        raise UnreadableError(f"is not JSON ({why}): fix it, or move it away and run this again") from None
    if not isinstance(found, dict):
        raise UnreadableError("is not a JSON object: fix it, or move it away and run this again")
    return found


def _free(home: Path, role: str) -> Path:
    """A name for the file as it was."""
    safe = role if role.isidentifier() else "old"
    names: Sequence[str] = [f"settings.{safe}.json", *(f"settings.{safe}.{n}.json" for n in range(2, 1000))]
    return next(home / name for name in names if not os.path.lexists(home / name))


def _put(path: Path, content: bytes) -> None:
    """Write aside, on the medium, and rename; readable by its owner alone."""
    handle, aside = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.", suffix=".new")
    try:
        with open(handle, "wb") as file:  # noqa: PTH123 - an open handle
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        Path(aside).replace(path)
    finally:
        with suppress(OSError):  # gone, where all went well
            Path(aside).unlink()
    folder = os.open(path.parent, os.O_RDONLY | os.O_CLOEXEC)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)


def _close(path: Path, mode: int) -> None:
    """Readable by its owner alone, where the medium knows such a thing: a memory stick may not."""
    with suppress(PermissionError):
        path.chmod(mode)


def _unwritable(error: OSError) -> str:
    why = error.strerror or str(error)
    if error.errno in {errno.ENOSPC, errno.EDQUOT}:
        advice = "make room there and run this again"
    elif isinstance(error, PermissionError) or error.errno == errno.EROFS:
        advice = "name a folder of your own with --out, or run this as its owner"
    else:
        advice = "fix that and run this again, or name another folder with --out"
    return f"cannot be written ({why}): {advice}"
