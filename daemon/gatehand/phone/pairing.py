"""Which phones are paired: `page.json` in the page's state folder, and the code by which one more comes to it.

Only hashes are on the disk. A phone's token has 256 random bits, so a plain hash of it cannot be searched. A code has
40, since a person types it: its hash is a slow one, for whoever gets to read the file within its ten minutes.

Each change is made under a lock, from what the file says then: `gatehand page --pair` and the running page write the
same file. It is written aside, synced, renamed, the folder synced; what was answered is on the medium. A file that
cannot be read pairs nobody, and is kept under another name when the next one is written.
"""

import errno
import hashlib
import hmac
import os
import secrets
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Final

import msgspec
from msgspec import Struct
from msgspec.structs import replace

from gatehand.journal.disk import ASIDE, Disk
from gatehand.phone.folder_locks import MODE, changing, hand_over
from gatehand.text import named

FILE: Final = "page.json"
VERSION: Final = 1
VALID_FOR: Final = 600
"""Seconds of a code."""
TRIES: Final = 5
"""Wrong ones, after which a code is void."""
PAIRED_FOR: Final = 400 * 86_400
"""Seconds of a pairing: the longest that browsers keep a cookie (RFC 6265bis, section 5.5)."""
MOST_PHONES: Final = 32
ALPHABET: Final = "23456789ABCDEFGHJKMNPQRSTUVWXYZ"
"""What looks alike on a screen is left out: 0 and O, 1, I and L."""
CODE_LENGTH: Final = 8
"""31^8 are 39.6 bits: 5 tries among them find one in 2 x 10^11."""
_TOKEN_BYTES: Final = 32
_TOKEN_LENGTH: Final = 43
"""Characters of 32 bytes in base64 without padding (RFC 4648, section 5)."""
_BACK: Final = 5.0
"""Seconds that a clock may be put back: further, and nobody knows for how long a code has been valid."""
_LARGEST_BYTES: Final = 100_000
_PASSING: Final = frozenset({errno.EMFILE, errno.ENFILE, errno.ENOMEM, errno.EIO, errno.EAGAIN, errno.EINTR})
"""Errors of a moment (no handle left, a disk that does not answer): the file may be whole."""


class _Phone(Struct, frozen=True):
    hash: str
    """SHA-256 of its token, in hex."""
    since: float
    """Wall seconds."""


class _Code(Struct, frozen=True):
    salt: str
    hash: str
    made: float
    """Wall seconds."""
    tries: int = 0
    """Wrong ones so far."""


class _File(Struct, frozen=True):
    version: int = VERSION
    phones: tuple[_Phone, ...] = ()
    code: _Code | None = None


class PairingError(Exception):
    """It could not be kept, and nothing has changed; the text names the file, `why` is the system's own word."""

    def __init__(self, path: Path, why: str) -> None:
        super().__init__(f"{path} cannot be written ({why}); nothing has changed")
        self.why = why


class NotPaired(StrEnum):
    """Why a code pairs nobody, as a sentence."""

    NO_CODE = "There is no code to type now. On the computer that serves this page, gatehand page --pair prints one."
    WRONG = "That is not the code. Read it again, letter by letter."
    VOID = f"After {TRIES} wrong tries the code is void. Print a new one: gatehand page --pair"
    FULL = (
        f"{MOST_PHONES} phones are paired already. Unpair one, or forget them all with gatehand page --forget, then "
        "pair again."
    )


@dataclass(frozen=True, slots=True)
class Paired:
    """A phone is paired: the token that its browser keeps, and that is nowhere else."""

    token: str


class Pairing:
    """The file of one folder.

    Args:
        folder: the page's state folder.
        clock: wall seconds.
        say: is told what the owner should see: a file that cannot be read, a phone that came or went. Never a secret.
        disk: None: the machine's.
    """

    def __init__(
        self, folder: Path, clock: Callable[[], float], say: Callable[[str], None], disk: Disk | None = None
    ) -> None:
        self.folder = folder
        self._clock = clock
        self._say = say
        self._disk = disk or Disk()
        self._seen: tuple[tuple[int, int, int] | None, _File] = (None, _File())
        self._said = ""

    @property
    def count(self) -> int:
        """How many phones are paired."""
        return len(self._now().phones)

    def knows(self, token: str | None) -> str:
        """The hash under which a token is kept; empty: no phone that is paired has it."""
        if token is None or len(token) != _TOKEN_LENGTH or not token.isascii():
            return ""
        mine, found, now = _hash_of(token), "", self._clock()
        for phone in self._now().phones:  # all of them, so that the time tells nothing
            if hmac.compare_digest(phone.hash.encode(), mine.encode()) and now - phone.since < PAIRED_FOR:
                found = mine
        return found

    def new_code(self) -> str:
        """Make a code, in place of one that there was; give it as a person types it, `K7QM-3XTP`.

        Raises:
            PairingError: it cannot be kept.
        """
        code = "".join(secrets.choice(ALPHABET) for _ in range(CODE_LENGTH))
        salt = os.urandom(16)
        kept = _Code(salt.hex(), _slow_hash(code, salt), self._clock())
        with self._changing() as (found, put):
            put(replace(found, code=kept))
        return f"{code[: CODE_LENGTH // 2]}-{code[CODE_LENGTH // 2 :]}"

    def pair(self, typed: str, was: str = "") -> Paired | NotPaired:
        """Try a code. `was`: the hash of the token that this phone has already, which the new one replaces.

        Raises:
            PairingError: it could not be kept; then nothing says whether the code was right.
        """
        with self._changing() as (found, put):
            code = found.code
            if code is None or not self._is_valid(code):
                return NotPaired.NO_CODE
            phones = tuple(each for each in found.phones if each.hash != was)
            if len(phones) >= MOST_PHONES:
                return NotPaired.FULL
            mine = _slow_hash(_plain(typed), bytes.fromhex(code.salt))
            if not hmac.compare_digest(mine.encode(), code.hash.encode()):
                tries = code.tries + 1
                put(replace(found, code=None if tries >= TRIES else replace(code, tries=tries)))
                return NotPaired.VOID if tries >= TRIES else NotPaired.WRONG
            token = secrets.token_urlsafe(_TOKEN_BYTES)
            phones = (*phones, _Phone(_hash_of(token), self._clock()))
            put(replace(found, phones=phones, code=None))
        self._say(f"a phone was paired; {_paired(len(phones))}")
        return Paired(token)

    def forget(self, kept_as: str) -> None:
        """Forget the phone whose token has this hash.

        Raises:
            PairingError: it could not be kept.
        """
        with self._changing() as (found, put):
            phones = tuple(each for each in found.phones if each.hash != kept_as)
            if len(phones) == len(found.phones):
                return
            put(replace(found, phones=phones))
        self._say(f"a phone was unpaired; {_paired(len(phones))}")

    def forget_all(self) -> int:
        """Forget every phone, and the code; how many there were.

        Raises:
            PairingError: it could not be kept.
        """
        with self._changing() as (found, put):
            put(_File())
        return len(found.phones)

    def _is_valid(self, code: _Code) -> bool:
        return -_BACK <= self._clock() - code.made < VALID_FOR and code.tries < TRIES

    # The file

    def _now(self) -> _File:
        """What the file says, read again when it is another one."""
        path = self.folder / FILE
        try:
            found = path.stat()
            mark = (found.st_ino, found.st_mtime_ns, found.st_size)
        except OSError:
            mark = None
        if mark is None or mark != self._seen[0]:
            file, why, _ = self._read()
            # What could not be read may be read the next time, though the file is the same.
            self._seen = None if why else mark, file
        return self._seen[1]

    def _read(self) -> tuple[_File, str, bool]:
        """What it says; why it cannot be read; whether that may pass by itself, so that the file stays in its place."""
        path, file = self.folder / FILE, _File()
        why, passing = "", False
        try:
            found = _parse(self._disk.read(path, _LARGEST_BYTES + 1))
        except FileNotFoundError:
            pass
        except OSError as error:
            why, passing = error.strerror or str(error), error.errno in _PASSING
        else:
            file, why = (_File(), found) if isinstance(found, str) else (found, "")
        if why != self._said and why:
            self._say(
                f"{path} cannot be read ({why}), so no phone is paired"
                + (
                    ""
                    if passing
                    else ": pair each again with gatehand page --pair; the file is kept under another name"
                )
            )
        self._said = why
        return file, why, passing

    @contextmanager
    def _changing(self) -> Iterator[tuple[_File, Callable[[_File], None]]]:
        """What the file says, and how it is replaced, while nobody else does."""
        try:
            self._disk.make_folder(self.folder)
            with changing(self.folder):
                file, why, passing = self._read()
                if passing:
                    raise PairingError(self.folder / FILE, why)

                def put(new: _File) -> None:
                    self._write(new, set_aside=bool(why))

                yield file, put
        except OSError as error:
            raise PairingError(self.folder / FILE, error.strerror or str(error)) from error

    def _write(self, file: _File, *, set_aside: bool) -> None:
        """At no instant is there neither the old file nor the new one."""
        path, data = self.folder / FILE, msgspec.json.format(msgspec.json.encode(file), indent=1) + b"\n"
        if set_aside and self._disk.exists(path):
            self._disk.write_beside(path, data, MODE, hand_over)
            return
        aside = path.with_name(FILE + ASIDE)
        self._disk.write_file(aside, data, MODE)
        hand_over(aside)
        self._disk.rename(aside, path)
        self._disk.sync_folder(path.parent)


def _parse(data: bytes) -> _File | str:
    """What it says, or, as text, why it cannot be used."""
    if len(data) > _LARGEST_BYTES:
        return f"it is larger than {_LARGEST_BYTES // 1000} kB"
    if not data.strip(b" \0\r\n"):
        return "it is empty"
    try:
        found = msgspec.json.decode(data, type=_File)
        bytes.fromhex("" if found.code is None else found.code.salt)
    except (msgspec.MsgspecError, ValueError, RecursionError) as error:
        return f"it is damaged: {error}"
    if found.version != VERSION:
        return f"it is of version {found.version}, and this Gatehand knows version {VERSION}"
    return found


def _hash_of(token: str) -> str:
    return hashlib.sha256(token.encode()).hexdigest()


def _slow_hash(code: str, salt: bytes) -> str:
    """Scrypt (RFC 7914) in 4 MB and some 10 ms: all 31^8 codes take 270 years of one processor, not ten minutes."""
    return hashlib.scrypt(code.encode("utf-8", "replace"), salt=salt, n=4096, r=8, p=1).hex()


def _plain(typed: str) -> str:
    """As it was made: without what a person puts between, in capitals."""
    return "".join(char for char in typed[:64].upper() if char.isalnum())


def _paired(count: int) -> str:
    return f"{named(count, 'phone is', 'phones are')} paired now"
