"""Reads a config file and collects everything that is wrong with it. Never raises for what a file may contain.

Pure but for reading files, so a reload calls the same function.
"""

import re
from collections.abc import Callable, Iterable, Iterator, Mapping
from pathlib import Path
from typing import Final

from msgspec import Struct, field

from gatehand.config import codes
from gatehand.config.build_shop import build
from gatehand.config.check_circuits import check_circuits
from gatehand.config.check_devices import check_collectors, check_gates, check_names, check_tools
from gatehand.config.check_files import check_files
from gatehand.config.check_page import check_page
from gatehand.config.check_plausible import check_plausible
from gatehand.config.check_sensors import check_sensors
from gatehand.config.check_topics import check_ages, check_login, check_topics
from gatehand.config.codes import Code, Severity
from gatehand.config.model import Config
from gatehand.config.partial import Partial, read
from gatehand.config.positions import START, Positions, Span, scan
from gatehand.config.problems import Fault, KeyPath, Problem, dotted
from gatehand.config.toml_stop import Slip
from gatehand.config.toml_text import NotTomlError, parse, read_toml
from gatehand.small_files import UnreadableError, read_bytes
from gatehand_rules.shop import Shop


def _check_ducts(partial: Partial) -> Iterator[Fault]:
    """Of a config that has any; else the daemon would carry in memory what it never uses."""
    if not partial.raw.keys() & {"duct", "fan"}:
        return
    from gatehand.config.check_air import check_air
    from gatehand.config.check_ducts import check_ducts

    yield from check_ducts(partial)
    yield from check_air(partial)


_NAMED: Final = ("tool", "gate", "collector", "stop", "duct")
_ACROSS_TABLES: Final = (
    check_login,
    check_names,
    check_collectors,
    check_gates,
    check_tools,
    check_sensors,
    check_topics,
    check_ages,
    check_circuits,
    check_page,
    _check_ducts,
    check_plausible,
)
"""What only shows between the tables. No file of the owner's is opened there."""


class Loaded(Struct, frozen=True):
    """What a config file gave. `config` and `shop` are None when there is an error among `problems`."""

    path: Path
    problems: tuple[Problem, ...]
    text: str = ""
    names: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    """The tables that are there, wrong or not: `{"tool": ("band_saw", ...), "gate": ...}`."""
    config: Config | None = None
    shop: Shop | None = None

    @property
    def errors(self) -> tuple[Problem, ...]:
        """The problems that keep the config from being used."""
        return tuple(each for each in self.problems if each.level is Severity.ERROR)

    @property
    def ok(self) -> bool:
        """Whether the config can be used."""
        return self.config is not None

    def file(self, path: Path) -> Path:
        """A path of the config, such as `log.folder`: relative ones count from the config file's folder."""
        return self.path.parent / path

    def placed(self, faults: Iterable[Fault]) -> tuple[Problem, ...]:
        """Faults that a later look at the config found, with their line and column."""
        return tuple(_placed(faults, scan(self.text), self.path))


def load(path: Path, *, files: bool = True) -> Loaded:
    """Read and check a config file. Without `files`, what it names on the disk (password, log ...) is let be."""
    try:
        content = read_bytes(path)
    except UnreadableError as error:
        return Loaded(path, (unreadable(path, str(error)),))
    return load_bytes(content, path, files=files)


def load_bytes(content: bytes, path: Path, *, files: bool = True) -> Loaded:
    """Check the bytes of a config file; `path` names it."""
    try:
        return load_text(content.decode("utf-8-sig"), path, files=files)
    except UnicodeDecodeError as error:
        before = content[: error.start].decode(errors="replace")
        text = f"found the byte 0x{content[error.start]:02x}, which is not UTF-8: save the file as UTF-8"
        return Loaded(
            path, (unreadable(path, text, Positions(before).span(len(before), len(before)), codes.NOT_UTF_8),)
        )


def load_text(text: str, path: Path, *, files: bool = True) -> Loaded:
    """Check a config that is in memory already; `path` names it and is where relative paths count from."""
    toml = read_toml(text)
    partial = read(toml.tables, toml.unread)
    faults = [*partial.faults, *(fault for check in _ACROSS_TABLES for fault in check(partial))]
    faults += check_files(partial, path.parent) if files else ()
    found = [
        *_placed(faults, toml.positions, path, partial.meant.written),
        *(_of_toml(slip, path) for slip in toml.slips),
    ]
    problems = tuple(sorted(found, key=lambda each: (each.line, each.column)))
    names = {kind: tuple(partial.declared(kind)) for kind in _NAMED}
    if any(each.level is Severity.ERROR for each in problems):
        return Loaded(path, problems, text, names)
    return Loaded(path, problems, text, names, partial.config, build(partial.config))


def _placed(
    faults: Iterable[Fault], positions: Positions, path: Path, written: Callable[[KeyPath], KeyPath] = lambda path: path
) -> Iterator[Problem]:
    """Faults with their places; of two that say the same of one key, one."""
    found: set[tuple[str, str]] = set()
    for fault in faults:
        at = written(fault.path)
        span, where = positions.of(at, at_key=fault.at_key), dotted(at)
        if (where, fault.message) not in found:
            found.add((where, fault.message))
            fix = None if fault.fix is None else positions.in_place_of(at, fault.fix, at_key=fault.at_key)
            yield _problem(path, span, where, (fault.code, fault.message), fix)


def _of_toml(slip: Slip, path: Path) -> Problem:
    return _problem(path, slip.span, dotted(slip.key), (slip.code, slip.message), slip.fix)


def _problem(path: Path, span: Span, where: str, what: tuple[Code, str], fix: str | None = None) -> Problem:
    """`what`: the code and the message."""
    code, message = what
    return Problem(str(path), span.line, span.column, span.end_column, where, code.level, code.name, message, fix)


def unreadable(path: Path, text: str, span: Span = START, code: Code = codes.UNREADABLE_FILE) -> Problem:
    """What stands in the way of reading a file at all, as a problem with it."""
    return _problem(path, span, "", (code, text))


_HEADER: Final = re.compile(r"\s*\[")


def salvage(text: str) -> Config:
    """The keys that are right; nothing across tables has been checked.

    A table with a mistake in its TOML is left out whole, so that no key of it is taken for one of the table before.
    """
    lines = text.splitlines(keepends=True)
    while any(line.strip() for line in lines):
        try:
            return read(parse("".join(lines))[0]).config
        except NotTomlError as error:
            _blank(lines, error.slip.span.line - 1)
    return Config()


def _blank(lines: list[str], at: int) -> None:
    """Empty the table that line `at` (counted from 0) is in, or the last that is not empty before it."""
    written = [number for number, line in enumerate(lines) if line.strip()]
    at = max((number for number in written if number <= at), default=written[0])
    begin = next((number for number in range(at, -1, -1) if _HEADER.match(lines[number])), 0)
    end = next((number for number in range(at + 1, len(lines)) if _HEADER.match(lines[number])), len(lines))
    lines[begin:end] = ["\n"] * (end - begin)
