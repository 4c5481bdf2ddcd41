"""The commands, one module each: `configure(parser)` adds its options, `run(args)` does it and gives the exit code.

The table of commands stands in `gatehand.cli`. A module here that begins with `_` is no command.
"""

from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final

from gatehand.text import did_you_mean

WRONG_USAGE: Final = 2


class CommandError(Exception):
    """The command ends here: the text goes to standard error, `code` is its exit code."""

    def __init__(self, text: str, code: int = 1) -> None:
        super().__init__(text)
        self.code = code


def no_such(what: str, name: str, known: Iterable[str], otherwise: str = "") -> CommandError:
    """Wrong usage: a name that is not there. `what`: "gatehand tune: there is no tool"; the rest as `did_you_mean`."""
    return CommandError(f"{what} {name!r}; {did_you_mean(name, known, otherwise)}", WRONG_USAGE)


@contextmanager
def ending(*kinds: type[Exception], by: str = "") -> Iterator[None]:
    """Where one of these errors ends the command. `by` stands before its text.

    Raises:
        CommandError: in their stead.
    """
    try:
        yield
    except kinds as error:
        raise CommandError(f"{by}{error}") from error


def write(path: Path, text: str) -> None:
    """Write a file that was asked for.

    Raises:
        CommandError: it cannot be written.
    """
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise CommandError(f"{path}: cannot be written ({error.strerror or error}): name another place") from error
