"""Reads parsed TOML into `Config` as far as it can be read, so that one bad key does not hide what else is wrong.

What cannot be read is left out and remembered as spoilt: checks ask before they call something missing.
"""

import copy
from typing import Any, Final

from msgspec import Struct
from pydantic import ValidationError
from pydantic_core import ErrorDetails

from gatehand.config.model import Config
from gatehand.config.problems import FOLLOWS, Fault, KeyPath, fault_of, meant_key, path_of

_MOST_PASSES: Final = 12
"""Each pass leaves out what the last one found; a value, its table and that table's table take three."""
_STAND_IN: Final = {("tool", "start_amps"): 1.0, ("circuit", "amps"): 1e6, ("upkeep", "every_hours"): 1.0}
"""Keys without default that are misspelt most often: with a stand-in the rest of their table is still looked at."""


class Partial(Struct, frozen=True):
    """What could be read. `raw` is the whole of what was parsed, `spoilt` the paths left out of `config`."""

    config: Config
    raw: dict[str, Any]
    spoilt: frozenset[KeyPath]
    faults: tuple[Fault, ...]

    def is_spoilt(self, *path: str | int) -> bool:
        """Whether the path, something in it, or something that it is in, was left out."""
        return any(bad[: len(path)] == path[: len(bad)] for bad in self.spoilt)

    def declared(self, kind: str) -> list[str]:
        """The names of a kind's tables as written, readable or not."""
        tables = self.raw.get(kind)
        return list(tables) if isinstance(tables, dict) else []

    def home_of(self, gate: str) -> str | None:
        """The collector of a gate, as far as it can be told: the one that it names, else the only one."""
        entry, known = self.config.gate.get(gate), self.declared("collector")
        if entry is None or self.is_spoilt("gate", gate, "collector"):
            return None
        return entry.collector or (known[0] if len(known) == 1 else None)

    def mentioned_gates(self) -> set[str]:
        """Gates that tools mention as written, so that a tool with another fault still counts as their user."""
        tools = self.raw.get("tool")
        found: set[str] = set()
        for tool in tools.values() if isinstance(tools, dict) else ():
            for key in ("gates", "assist"):
                names = tool.get(key) if isinstance(tool, dict) else None
                if isinstance(names, list):
                    found.update(name for name in names if isinstance(name, str))
        return found


def read(raw: dict[str, Any]) -> Partial:
    """Validate, leaving out what is wrong, until the rest is right."""
    left = copy.deepcopy(raw)
    spoilt: set[KeyPath] = set()
    faults: dict[KeyPath, Fault] = {}
    for _ in range(_MOST_PASSES):
        try:
            return Partial(Config.model_validate(left), raw, frozenset(spoilt), tuple(faults.values()))
        except ValidationError as error:
            errors = [told for each in error.errors(include_url=False) if (told := _told(each, raw)) is not None]
        spoilt.update(meant for told in errors if (meant := _meant(told)) is not None)
        for told in errors:
            if not (told.kind == "missing" and told.path in spoilt):
                faults.setdefault(told.path, fault_of(told.error, told.path, Config))
        for told in errors:
            _leave_out(left, told, spoilt)
    return Partial(Config(), raw, frozenset({()}), tuple(faults.values()))


class _Told(Struct, frozen=True):
    """One of pydantic's errors with its path in the TOML."""

    kind: str
    path: KeyPath
    error: ErrorDetails


def _told(error: ErrorDetails, raw: dict[str, Any]) -> _Told | None:
    return None if error["type"] in FOLLOWS else _Told(error["type"], path_of(error, raw), error)


def _meant(told: _Told) -> KeyPath | None:
    return meant_key(told.path, Config) if told.kind == "extra_forbidden" else None


def _leave_out(left: dict[str, Any], told: _Told, spoilt: set[KeyPath]) -> None:
    """Drop the value at fault, or the list that it is in; for a missing key drop the table that misses it."""
    missing = told.kind == "missing"
    stand_in = _STAND_IN.get((str(told.path[0]), str(told.path[-1]))) if missing else None
    path = told.path[:-1] if missing and stand_in is None else told.path
    whole = path[: next((i for i, part in enumerate(path) if isinstance(part, int)), len(path))]
    spoilt.add(whole)
    table: Any = left
    for part in whole[:-1]:
        table = table.get(part) if isinstance(table, dict) else None
    if not isinstance(table, dict) or not whole:
        return
    if stand_in is None:
        table.pop(whole[-1], None)
    else:
        table[whole[-1]] = stand_in
