"""What was answered: by `--answer`, by `--answers FILE`, and before a break, kept beside the config that is to be.

The unfinished file is JSON, written aside, synced and renamed after each answer, readable by its owner alone. It holds
no password: a password stands in a file of its own, whose name it holds.
"""

import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final

import msgspec
from msgspec import Struct, field

from gatehand.first_config.questions import QUESTIONS, Raw, pattern_of
from gatehand.first_config.trials import Moved
from gatehand.journal.disk import Disk
from gatehand.rhythm import Rhythm
from gatehand.small_files import UnreadableError, read_bytes
from gatehand.text import did_you_mean

VERSION: Final = 1


class AnswersError(Exception):
    """What was given cannot be used; the text says where, what was found and what is wanted."""


class Unfinished(Struct):
    """What is kept over a break. Answers are kept in the order in which they were given."""

    version: int = VERSION
    answers: dict[str, Any] = field(default_factory=dict)
    heard: dict[str, list[Moved]] = field(default_factory=dict)
    """What followed in each trial, by its key."""
    rhythms: dict[str, Rhythm] = field(default_factory=dict)
    """Of each meter, by its topic and pointer."""


class Kept:
    """The unfinished file of one config. `path`: of the config."""

    def __init__(self, path: Path, disk: Disk | None = None) -> None:
        self.path = path.with_name(path.name + ".unfinished")
        self._disk = disk or Disk()
        self.what = Unfinished()

    def read(self) -> bool:
        """Take up what is there; False: nothing is.

        Raises:
            AnswersError: it cannot be read.
        """
        try:
            self.what = msgspec.json.decode(read_bytes(self.path), type=Unfinished)
        except UnreadableError as error:
            if error.missing:
                return False
            raise AnswersError(f"{self.path} {error}") from None
        except msgspec.MsgspecError as error:
            raise AnswersError(f"{self.path}: not written by init ({error}); start over with --afresh") from None
        if self.what.version != VERSION:
            raise AnswersError(f"{self.path}: from another version of Gatehand; start over with --afresh")
        return bool(self.what.answers)

    def write(self) -> None:
        """Keep it; nothing that was kept is lost when this fails.

        Raises:
            AnswersError: it cannot be written.
        """
        data = msgspec.json.format(msgspec.json.encode(self.what), indent=1) + b"\n"
        try:
            self._disk.write_whole(self.path, data, 0o600)
        except OSError as error:
            raise AnswersError(
                f"{self.path}: cannot be written ({error.strerror or error}): name another --output"
            ) from None

    def remove(self) -> None:
        """The config is written."""
        self.path.unlink(missing_ok=True)


def given(pairs: Sequence[str], file: Path | None) -> dict[str, Raw]:
    """The answers of the command line, by key; an `--answer` outranks the file.

    Raises:
        AnswersError: one of them is no answer to any question.
    """
    found: dict[str, Raw] = {}
    if file is not None:
        found |= _from_file(file)
    for pair in pairs:
        key, equals, value = pair.partition("=")
        if not equals:
            raise AnswersError(f"--answer {pair!r}: wanted KEY=VALUE, such as broker.host=127.0.0.1")
        _known(key.strip(), f"--answer {pair!r}")
        found[key.strip()] = value.strip()
    return found


def _from_file(file: Path) -> dict[str, Raw]:
    try:
        return dict(_flat(tomllib.loads(read_bytes(file).decode("utf-8-sig")), "", file))
    except UnreadableError as error:
        raise AnswersError(f"{file} {error}") from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise AnswersError(f"{file}: not valid TOML ({error})") from None


def _flat(table: Mapping[str, Any], above: str, file: Path) -> "list[tuple[str, Raw]]":
    """Keys in dotted form: a table that is a question's own answer stays whole."""
    found: list[tuple[str, Raw]] = []
    for name, value in table.items():
        key = f"{above}{name}"
        if pattern_of(key) is not None:
            found.append((key, value))
        elif isinstance(value, dict):
            found += _flat(value, f"{key}.", file)
        else:
            _known(key, str(file))
    return found


def _known(key: str, where: str) -> None:
    if pattern_of(key) is None:
        raise AnswersError(f"{where}: there is no question {key}; {did_you_mean(key, QUESTIONS, SEE)}")


SEE: Final = "gatehand init --list-questions shows all"
