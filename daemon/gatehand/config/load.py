"""Reads a config file and collects everything that is wrong with it. Never raises for what a file may contain.

Pure but for reading files, so a reload calls the same function.
"""

import re
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Final

from msgspec import Struct, field

from gatehand.config.build_shop import build
from gatehand.config.check_circuits import check_circuits
from gatehand.config.check_devices import check_collectors, check_gates, check_names, check_tools
from gatehand.config.check_ducts import cross_check
from gatehand.config.check_files import check_files
from gatehand.config.check_topics import check_ages, check_login, check_topics
from gatehand.config.model import Config
from gatehand.config.partial import Partial, read
from gatehand.config.positions import Positions, TooDeepError, not_toml, scan
from gatehand.config.problems import Fault, Level, Problem, dotted
from gatehand.small_files import UnreadableError, read_bytes
from gatehand_rules.shop import Shop

_NAMED: Final = ("tool", "gate", "collector", "stop", "duct")


class Loaded(Struct, frozen=True):
    """What a config file gave. `config` and `shop` are None when there is an error among `problems`."""

    config: Config | None
    shop: Shop | None
    problems: tuple[Problem, ...]
    text: str
    path: Path
    names: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    """The tables as written, wrong or not: `{"tool": ("band_saw", ...), "gate": ...}`."""

    @property
    def errors(self) -> tuple[Problem, ...]:
        """The problems that keep the config from being used."""
        return tuple(each for each in self.problems if each.level is Level.ERROR)

    @property
    def ok(self) -> bool:
        """Whether the config can be used."""
        return self.config is not None

    def file(self, path: Path) -> Path:
        """A path of the config, such as `log.folder`: relative ones count from the config file's folder."""
        return self.path.parent / path

    def placed(self, faults: Iterable[Fault]) -> tuple[Problem, ...]:
        """Faults that a later look at the config found, with their line and column."""
        return _placed(faults, scan(self.text), self.path)


def load(path: Path, *, files: bool = True) -> Loaded:
    """Read and check a config file. Without `files`, what it names on the disk (password, log ...) is let be."""
    try:
        content = read_bytes(path)
    except UnreadableError as error:
        return Loaded(None, None, (unreadable(path, str(error)),), "", path)
    return load_bytes(content, path, files=files)


def load_bytes(content: bytes, path: Path, *, files: bool = True) -> Loaded:
    """Check the bytes of a config file; `path` names it."""
    try:
        return load_text(content.decode("utf-8-sig"), path, files=files)
    except UnicodeDecodeError as error:
        before = content[: error.start]
        line, column = before.count(b"\n") + 1, len(before.rpartition(b"\n")[2].decode(errors="replace")) + 1
        text = f"found the byte 0x{content[error.start]:02x}, which is no UTF-8: save the file as UTF-8"
        return Loaded(None, None, (Problem(str(path), line, column, "", Level.ERROR, text),), "", path)


def load_text(text: str, path: Path, *, files: bool = True) -> Loaded:
    """Check a config that is in memory already; `path` names it and is where relative paths count from."""
    try:
        positions = scan(text)
        raw = tomllib.loads(text)
    except TooDeepError as error:
        problem = Problem(
            str(path), error.spot.line, error.spot.column, "", Level.ERROR, f"{error}: wanted a flat table"
        )
        return Loaded(None, None, (problem,), text, path)
    except (ValueError, RecursionError) as error:
        return Loaded(None, None, (not_toml(error, text, path),), text, path)
    partial = read(raw)
    faults = [*partial.faults, *_across_tables(partial), *(check_files(partial, path.parent) if files else ())]
    problems = _placed(faults, positions, path)
    names = {kind: tuple(partial.declared(kind)) for kind in _NAMED}
    if any(each.level is Level.ERROR for each in problems):
        return Loaded(None, None, problems, text, path, names)
    return Loaded(partial.config, build(partial.config), problems, text, path, names)


def _across_tables(partial: Partial) -> Iterator[Fault]:
    """What only shows between the tables. No file of the owner's is opened here."""
    yield from check_login(partial)
    yield from check_names(partial)
    yield from check_collectors(partial)
    yield from check_gates(partial)
    yield from check_tools(partial)
    yield from check_topics(partial)
    yield from check_ages(partial)
    yield from check_circuits(partial)
    # The ducts' check wants the tables that it reads whole.
    read_by_it = ("collector", "gate", "tool", "fan", "duct")
    if not any(bad[:1] == (kind,) and len(bad) <= 2 for bad in partial.spoilt for kind in read_by_it):  # noqa: PLR2004
        yield from (Fault(where, message) for where, message in cross_check(partial.config))


def _placed(faults: Iterable[Fault], positions: Positions, path: Path) -> tuple[Problem, ...]:
    found: dict[tuple[str, str], Problem] = {}
    for fault in faults:
        spot = positions.of(fault.path, at_key=fault.at_key)
        where = dotted(fault.path)
        problem = Problem(str(path), spot.line, spot.column, where, fault.level, fault.message)
        found.setdefault((where, fault.message), problem)
    return tuple(sorted(found.values(), key=lambda each: (each.line, each.column)))


def unreadable(path: Path, text: str) -> Problem:
    """What stands in the way of reading a file at all, as a problem with it."""
    return Problem(str(path), 1, 1, "", Level.ERROR, text)


_HEADER: Final = re.compile(r"\s*\[")


def salvage(text: str) -> Config:
    """The keys that are right; nothing across tables has been checked.

    A table with a mistake in its TOML is left out whole, so that no key of it is taken for one of the table before.
    """
    lines = text.splitlines(keepends=True)
    while any(line.strip() for line in lines):
        try:
            return read(tomllib.loads("".join(lines))).config
        except (ValueError, RecursionError) as error:
            _blank(lines, _line_of(error, "".join(lines)))
    return Config()


def _line_of(error: Exception, text: str) -> int:
    """Counted from 0."""
    try:
        scan(text)
    except TooDeepError as deep:
        return deep.spot.line - 1
    return not_toml(error, text, Path()).line - 1


def _blank(lines: list[str], at: int) -> None:
    """Empty the table that line `at` is in, or the last that is not empty before it."""
    at = min(at, len(lines) - 1)
    while not lines[at].strip() and at > 0:
        at -= 1
    if not lines[at].strip():
        at = next(number for number, line in enumerate(lines) if line.strip())
    begin = next((number for number in range(at, -1, -1) if _HEADER.match(lines[number])), 0)
    end = next((number for number in range(at + 1, len(lines)) if _HEADER.match(lines[number])), len(lines))
    lines[begin:end] = ["\n"] * (end - begin)
