"""What each command takes, read from its parser, so that a new option needs no second place. No shell's syntax here."""

import argparse
from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Final

from gatehand.journal.line import OwnEvent
from gatehand_rules.findings import Happened

_NAMES: Final[dict[str, str]] = {
    # an argument's dest: the config's tables whose names it takes
    "tool": "tool",
    "gate": "gate",
    "collector": "collector",
    "open": "gate",
    "names": "gate,tool",
    "subject": "tool,gate,collector",
    "upkeep": "upkeep",
}
_LISTS: Final = frozenset({"open"})
_EVENTS: Final = "event"
"""The dest of an argument that takes an event of the log."""


class Takes(StrEnum):
    """What follows an option, or stands alone."""

    NOTHING = "nothing"
    WORD = "word"
    """One of `choices`."""
    NAME = "name"
    """A name out of the config, from the tables in `choices`."""
    NAMES = "names"
    """Several of them with commas between."""
    FILE = "file"
    FOLDER = "folder"
    ANYTHING = "anything"
    """A number, a time, an address: nothing to offer."""


@dataclass(frozen=True, slots=True)
class Argument:
    """An option, or a word that stands alone (`flags` empty)."""

    flags: tuple[str, ...]
    help: str
    takes: Takes
    choices: tuple[str, ...] = ()
    repeats: bool = False


@dataclass(frozen=True, slots=True)
class Command:
    """One command."""

    name: str
    help: str
    options: tuple[Argument, ...]
    alone: tuple[Argument, ...]


def command(name: str, what: str, parser: argparse.ArgumentParser) -> Command:
    """Read a parser."""
    found = tuple(_arguments(parser))
    return Command(
        name, what, tuple(each for each in found if each.flags), tuple(each for each in found if not each.flags)
    )


def _arguments(parser: argparse.ArgumentParser) -> Iterator[Argument]:
    for action in parser._actions:  # noqa: SLF001 - argparse has no public way to look at its options
        if action.help == argparse.SUPPRESS:
            continue
        takes, choices = _takes(action)
        said = (action.help or "").replace("%%", "%")
        yield Argument(tuple(action.option_strings), said, takes, choices, action.nargs in {"*", "+"})


def _takes(action: argparse.Action) -> tuple[Takes, tuple[str, ...]]:
    metavar = str(action.metavar or "")
    if action.option_strings and action.nargs == 0:
        return Takes.NOTHING, ()
    if action.choices is not None:
        return Takes.WORD, tuple(map(str, action.choices))
    if action.dest in _NAMES:
        return (Takes.NAMES if action.dest in _LISTS else Takes.NAME), tuple(_NAMES[action.dest].split(","))
    if action.dest == _EVENTS:
        return Takes.WORD, tuple(sorted({*Happened, *OwnEvent}))
    if metavar.startswith("FOLDER"):
        return Takes.FOLDER, ()
    return (Takes.FILE if action.type is Path or metavar.startswith("FILE") else Takes.ANYTHING), ()
