"""What `gatehand boards` shows of its work: each board, what was refused, what is to be done next."""

import shlex
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, Final

from msgspec import Struct

from gatehand.boards.folder import Board
from gatehand.boards.owners import programs, to_fill_in, too_slow
from gatehand.text import listed, named, printable

CAUTION: Final = (
    "A board is not a safety device. Mains wiring, and anything that switches a motor, is a licensed electrician's "
    "work: the board's relay only switches the coil of a contactor that is rated for the motor, and a current clamp "
    "goes around one insulated conductor. Switch the power off and lock it out before you wire. Local codes decide."
)
_PASSWORD_FILE: Final = "/etc/mosquitto/gatehand.passwd"  # noqa: S105 - a file's name


class Work(Struct, frozen=True):
    """All that came of it. `only_looked`: nothing was to be written."""

    folder: Path
    boards: Sequence[Board]
    refused: Sequence[str]
    """What is in the way, each with file and line."""
    others: Sequence[str]
    """What no board of ours can be, likewise."""
    left: Sequence[str]
    """Folders of boards that the config no longer has."""
    proposed: Sequence[str]
    """The config's lines for `online`."""
    certificate: str | None
    """The file in the config that goes on each board as ca.pem; empty: the config names none; None: no encryption."""
    client_certificates: bool
    passwords: Path | None
    trouble: str | None
    """Why the list of passwords could not be written."""
    only_looked: bool
    host: str

    @property
    def ok(self) -> bool:
        """Whether every board's file is there and fits, now."""
        unfit = self.only_looked and any(not board.fits for board in self.boards)
        sound = self.trouble is None and all(board.trouble is None for board in self.boards)
        return not unfit and not self.refused and sound


def text(work: Work) -> Iterator[str]:
    """The page."""
    if not work.only_looked and any(board.is_new for board in work.boards):
        yield CAUTION
        yield ""
    for board in work.boards:
        yield from _board(board, work)
    if not work.boards:
        yield "No settings file: the config has no device that a board of ours can be."
    for title, lines in (("Refused:", work.refused), ("Left out:", work.others)):
        if lines:
            yield ""
            yield title
            yield from (f"  {line}" for line in lines)
    if work.left:
        yield ""
        one = len(work.left) == 1
        them, it, its = ("Its folder is", "it is", "its") if one else ("Their folders are", "they are", "their")
        yield (
            f"No longer in the config: {listed(map(printable, work.left), last='and')}. A board with these settings "
            "still uses its old topics: give it new settings, or switch it off. Where only the name is another, copy "
            f"hardware from {its} old settings.json into the new one. {them} left as {it}."
        )
    if work.trouble is not None:
        yield ""
        yield work.trouble
    yield from _next(work)
    if work.only_looked and work.boards:
        unfit = sum(not board.fits for board in work.boards)
        yield ""
        verb = "does" if unfit == 1 else "do"
        said = f"{unfit} of {named(len(work.boards), 'settings file')} {verb} not fit the config."
        yield said if unfit else "Every settings file fits the config."


def _board(board: Board, work: Work) -> Iterator[str]:
    at = printable(str(board.path))
    if board.trouble is not None:
        yield f"{board.login}: {at} {board.trouble}.{'' if board.is_new else ' It is left as it is.'}"
    elif board.is_new:
        yield f"{board.login}: {at} is {'missing' if work.only_looked else 'new'}"
    elif board.changed:
        then = "no longer fits the config" if work.only_looked else "is written again; copy it to the board again"
        yield f"{board.login}: {at} {then}"
        yield from (f"  {printable(change)}" for change in board.changed)
        if board.kept is not None:
            yield f"  the board has another role now; the old file is kept beside it as {printable(board.kept.name)}"
    else:
        yield f"{board.login}: fits"


def _next(work: Work) -> Iterator[str]:
    """What its owner has to do."""
    good = [board for board in work.boards if board.trouble is None and not (work.only_looked and board.is_new)]
    missing = {board.login: to_fill_in(board.whole) for board in good}
    slow = {board.login: too_slow(board.whole) for board in good}
    if any(missing.values()) or any(slow.values()):
        yield ""
        yield "Fill in, in each settings.json:"
        for login, keys in missing.items():
            if keys:
                yield f"  {login}: {', '.join(map(printable, keys))}"
            if (why := slow[login]) is not None:
                yield f"  {login}: {why}"
    if work.only_looked:
        return
    if good:
        yield ""
        yield "Each board has these programs of deploy/boards beside its settings.json; copy main.py last:"
        by_files: dict[tuple[str, ...], list[str]] = {}
        for board in good:
            by_files.setdefault((*programs(board.whole),), []).append(board.login)
        for files, logins in by_files.items():
            yield f"  {' '.join(files)}: {', '.join(logins)}"
    yield from _encryption(work)
    if work.proposed:
        yield ""
        yield "With these lines in the config the daemon notices at once when a board is gone:"
        yield from (f"  {line}" for line in work.proposed)
    if work.passwords is not None:
        yield ""
        yield from _logins(work.passwords)


def _encryption(work: Work) -> Iterator[str]:
    if work.certificate is None:
        return
    yield ""
    if work.certificate:
        yield f"Copy {printable(work.certificate)} to each board too, as ca.pem: with it the board checks the broker."
    else:
        yield "Copy the certificate that signed the broker's to each board too, as ca.pem: a board has no others."
    if work.client_certificates:
        yield "The daemon shows the broker a certificate of its own. A board has none: give the boards a listener that"
        yield "asks for a login instead."


def _logins(passwords: Path) -> Iterator[str]:
    """How the broker gets to know the boards. The list has all of them, so what the broker had of them goes first.

    Hashed in a copy: `-U` takes every line for plain text. Whatever fails, the daemon's own login stays.
    """
    at, file = shlex.quote(str(passwords)), _PASSWORD_FILE
    yield f"{printable(str(passwords))} has each board's login and password; only you can read it. Add them to the"
    yield f"broker's password file ({file}, or the one that your listener names):"
    yield f"  sudo install -m 0600 {at} {file}.new"
    yield f"  sudo mosquitto_passwd -U {file}.new"
    yield f"  cut -d: -f1 {at} | xargs -n 1 sudo mosquitto_passwd -D {file}"
    yield f"  sudo cat {file}.new | sudo tee -a {file} >/dev/null"
    yield f"  sudo rm {file}.new"
    yield "The third line takes away what the broker had for these boards; it warns where there was nothing."
    yield "Then write the broker's access list again with gatehand access, so that each login may do what its board"
    yield "needs and nothing else, and reload the broker: sudo systemctl reload mosquitto"


def facts(work: Work) -> dict[str, Any]:
    """The same for programs. No password is in it."""
    return {
        "ok": work.ok,
        "folder": str(work.folder),
        "broker": work.host,
        "boards": [_facts(board, only_looked=work.only_looked) for board in work.boards],
        "refused": list(work.refused),
        "left_out": list(work.others),
        "left": list(work.left),
        "proposed": list(work.proposed),
        "passwords": None if work.passwords is None else str(work.passwords),
        "trouble": work.trouble,
    }


def _facts(board: Board, *, only_looked: bool) -> dict[str, Any]:
    if board.trouble is not None:
        state = "unwritable" if board.whole else "unreadable"
        return {"name": board.login, "file": str(board.path), "state": state, "why": board.trouble}
    state = "fits" if board.fits else "changed"
    if board.is_new:
        state = "missing" if only_looked else "new"
    return {
        "name": board.login,
        "file": str(board.path),
        "role": board.whole["role"],
        "state": state,
        "changes": board.changed,
        "kept": None if board.kept is None else str(board.kept),
        "to_fill_in": to_fill_in(board.whole),
        "too_slow": too_slow(board.whole),
        "programs": programs(board.whole),
    }
