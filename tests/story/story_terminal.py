"""A terminal in which a command is typed: 80 columns, UTC, a clock that stands where the story is.

The command runs in this process through `cli.main`, so that what it prints is what the program says today.
"""

import contextlib
import io
import os
import time
from collections.abc import Iterator
from datetime import UTC, datetime, tzinfo
from pathlib import Path
from shlex import split
from typing import Final
from unittest.mock import patch

from gatehand.cli import main
from gatehand.person import Person

COLUMNS: Final = 80
ENVIRONMENT: Final = {"COLUMNS": str(COLUMNS), "LINES": "24", "TZ": "UTC", "LOGNAME": "owner"}


class Paper(io.StringIO):
    """What stands on the terminal."""

    def isatty(self) -> bool:
        return True

    def writing(self, text: str) -> None:
        """A person types this, and Enter; nothing is seen of an empty line."""
        self.write(text)


def person_before(paper: Paper) -> Person[None]:
    """Who lays out what is said and asked as the real terminal does; the answers are the caller's."""
    with _environment(Path.cwd()):
        return Person(paper)


def shown(command: str, folder: Path, now: float, *, code: int = 0, paper: Paper | None = None) -> str:
    """The command as it is typed, and all that comes of it on the terminal.

    Args:
        command: with its `gatehand`.
        folder: where it is typed.
        now: seconds since 1970.
        code: the exit code that must come.
        paper: where a person of the caller's writes too.
    """
    paper = Paper() if paper is None else paper
    paper.write(f"$ {command}\n")
    _, *words = split(command)
    with (
        _environment(folder),
        patch("time.time", lambda: now),
        patch("gatehand.commands.datetime", _stopped_at(now)),
        contextlib.redirect_stdout(paper),
        contextlib.redirect_stderr(paper),
    ):
        found = main(words)
    assert found == code, f"{command} ended with {found}, not {code}:\n{paper.getvalue()}"
    return paper.getvalue().rstrip("\n") + "\n"


def _stopped_at(now: float) -> type[datetime]:
    class Stopped(datetime):
        @classmethod
        def now(cls, tz: tzinfo | None = None) -> "Stopped":
            return cls.fromtimestamp(now, tz)

    return Stopped


@contextlib.contextmanager
def _environment(folder: Path) -> Iterator[None]:
    """The terminal's width, no config but the folder's own, and UTC for whoever shows a time."""
    with contextlib.ExitStack() as after:
        after.callback(time.tzset)  # once TZ is what it was
        after.enter_context(
            patch.dict(os.environ, {"COLUMNS": str(COLUMNS), "LINES": "24", "TZ": "UTC", "LOGNAME": "owner"})
        )
        after.enter_context(contextlib.chdir(folder))
        for name in ("GATEHAND_CONFIG", "STATE_DIRECTORY", "NO_COLOR"):
            os.environ.pop(name, None)
        time.tzset()
        yield


def moment(text: str) -> float:
    """Seconds since 1970 of an RFC 3339 time without a zone, in UTC."""
    return datetime.fromisoformat(text).replace(tzinfo=UTC).timestamp()
