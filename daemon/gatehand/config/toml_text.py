"""Reads TOML with all of its slips: values by `tomllib`, places by the scanner of `positions.py`.

`tomllib` stops at the first thing that it does not understand. Here that statement is told in the words of `slips.py`,
taken away, and the rest read again, so that one forgotten quote hides no other mistake. Lines keep their numbers.
"""

import re
import tomllib
from typing import Any, Final

from msgspec import Struct

from gatehand.config import codes
from gatehand.config.positions import START, Positions, TooDeepError, scan
from gatehand.config.problems import KeyPath
from gatehand.config.toml_stop import Cut, Slip

_MOST_SLIPS: Final = 25
"""A file with more is no config; what would still be found in it helps nobody."""


class NotTomlError(Exception):
    """The text is not valid TOML, or none that a config could be; `slip` says why and where."""

    def __init__(self, slip: Slip) -> None:
        super().__init__(slip.message)
        self.slip = slip


class TomlText(Struct):
    """What a text says, as far as it can be read."""

    tables: dict[str, Any]
    positions: Positions
    slips: tuple[Slip, ...] = ()
    unread: frozenset[KeyPath] = frozenset()
    """Keys and tables that stand in the text and are not in `tables`; () means that any could be missing."""


def parse(text: str) -> tuple[dict[str, Any], Positions]:
    """What a TOML text says, and where.

    Raises:
        NotTomlError: it is none, or nested too deeply.
    """
    try:
        positions = scan(text)
    except TooDeepError as error:
        where = Positions(text).span(error.offset, error.offset + 1)
        raise NotTomlError(Slip(codes.TOO_DEEP, str(error), where)) from None
    try:
        return tomllib.loads(text), positions
    except RecursionError:
        raise NotTomlError(Slip(codes.TOO_DEEP, "nested too deeply: wanted plain tables", START)) from None
    except ValueError as error:
        from gatehand.config.slips import slip_of  # a daemon whose config is in order carries none of it

        raise NotTomlError(slip_of(str(error), positions)) from error


def read_toml(text: str) -> TomlText:
    """What a text says, with every slip in it. Never raises."""
    found: list[Slip] = []
    unread: set[KeyPath] = set()
    while len(found) < _MOST_SLIPS:
        try:
            tables, positions = parse(text)
        except NotTomlError as error:
            found.append(error.slip)
            if error.slip.cut is None:
                break
            text, lost = _without(text, error.slip.cut)
            unread |= lost
        else:
            return TomlText(tables, positions, tuple(found), frozenset(unread))
    return TomlText({}, Positions(text), tuple(found), frozenset({()}))


_HEAD: Final = re.compile(r"^[ \t]*\[", re.MULTILINE)
_WORD: Final = re.compile(r"[A-Za-z0-9_-]+")


def _without(text: str, cut: Cut) -> tuple[str, set[KeyPath]]:
    """The text without a statement, line by line as it was, and what is not known for that."""
    if not cut.is_head:
        return _blanked(text, cut.start, cut.end), {cut.path} if cut.path else {()}
    if cut.head is not None:
        line_end = text.find("\n", cut.start)
        return text[: cut.start] + cut.head + (text[line_end:] if line_end >= 0 else ""), set()
    # Whose keys follow is not known: they must not be taken for the table's before.
    following = _HEAD.search(text, cut.end)
    end = following.start() if following else len(text)
    first = _WORD.search(text, cut.start, cut.end)
    lost: KeyPath = cut.path or ((first[0],) if first else ())
    return _blanked(text, cut.start, end), {lost}


def _blanked(text: str, start: int, end: int) -> str:
    return text[:start] + "\n" * text.count("\n", start, end) + text[end:]
