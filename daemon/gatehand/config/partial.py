"""Reads parsed TOML into `Config` as far as it can be read, so that one bad key does not hide what else is wrong.

What cannot be read is left out and remembered as spoilt: checks ask before they call something missing.
"""

import copy
from collections.abc import Iterable
from typing import Any, Final

from msgspec import Struct
from pydantic import ValidationError
from pydantic_core import ErrorDetails

from gatehand.config import keys, names
from gatehand.config.faults_of_values import FOLLOWS, fault_of, path_of
from gatehand.config.keys import AsMeant
from gatehand.config.model import Config
from gatehand.config.problems import Fault, KeyPath
from gatehand.config.values import OUR_ERROR

_MOST_PASSES: Final = 12
"""Each pass leaves out what the last one found; a value, its table and that table's table take three."""
_STAND_IN: Final = {("circuit", "amps"): 1e6, ("upkeep", "every_hours"): 1.0}
"""Keys without default that are misspelt most often: with a stand-in the rest of their table is still looked at."""


class Partial(Struct, frozen=True):
    """What could be read. `spoilt`: the paths left out of `config`.

    All paths are those that were meant: with misspelt keys and names put right. `meant.written` says where one stands
    in the file.
    """

    config: Config
    meant: AsMeant
    spoilt: frozenset[KeyPath]
    faults: tuple[Fault, ...]

    @property
    def raw(self) -> dict[str, Any]:
        """The whole of what was parsed, as it was meant."""
        return self.meant.tables

    def is_spoilt(self, *path: str | int) -> bool:
        """Whether the path, something in it, or something that it is in, was left out."""
        return any(bad[: len(path)] == path[: len(bad)] for bad in self.spoilt)

    def declared(self, kind: str) -> list[str]:
        """The names of a kind's tables, readable or not."""
        tables = self.raw.get(kind)
        return list(tables) if isinstance(tables, dict) else []

    def home_of(self, gate: str) -> str | None:
        """The collector of a gate, as far as it can be told: the one that it names, else the only one."""
        entry, known = self.config.gate.get(gate), self.declared("collector")
        if entry is None or self.is_spoilt("gate", gate, "collector"):
            return None
        return entry.collector or (known[0] if len(known) == 1 else None)

    def home_of_tool(self, tool: str) -> str | None:
        """The collector of a tool, as far as it can be told."""
        entry, known = self.config.tool.get(tool), list(self.config.collector)
        if entry is None:
            return None
        of_gate = next((self.home_of(gate) for gate in entry.gates if gate in self.config.gate), None)
        home = of_gate or entry.collector or (known[0] if len(known) == 1 else None)
        return home if home in known else None

    def homes_of(self, gates: Iterable[str]) -> dict[str, str]:
        """The collectors of these gates, as far as they can be told."""
        return {gate: home for gate in gates if (home := self.home_of(gate)) is not None}

    def mentioned_gates(self) -> set[str]:
        """Gates that tools mention, so that a tool with another fault still counts as their user."""
        tools = self.raw.get("tool")
        found: set[str] = set()
        for tool in tools.values() if isinstance(tools, dict) else ():
            for key in ("gates", "assist"):
                names = tool.get(key) if isinstance(tool, dict) else None
                if isinstance(names, list):
                    found.update(name for name in names if isinstance(name, str))
        return found


def read(raw: dict[str, Any], unread: Iterable[KeyPath] = ()) -> Partial:
    """Validate, leaving out what is wrong, until the rest is right.

    Args:
        raw: the parsed TOML; it is changed.
        unread: keys and tables that the file has too, and that could not be parsed.
    """
    meant = keys.put_right(raw, Config)
    names.put_right(meant, unread)
    left = copy.deepcopy(meant.tables)
    spoilt = {*meant.spoilt, *unread}
    faults: dict[KeyPath, Fault] = {}
    for _ in range(_MOST_PASSES):
        try:
            config = Config.model_validate(left)
        except ValidationError as error:
            errors = [
                (path_of(one, meant.tables), one)
                for one in error.errors(include_url=False)
                if one["type"] not in FOLLOWS
            ]
        else:
            return Partial(config, meant, frozenset(spoilt), (*meant.faults, *faults.values()))
        for path, one in errors:
            if not _follows(one, path, meant, spoilt):
                faults.setdefault(path, fault_of(one, path, Config))
        for path, one in errors:
            spoilt.add(_leave_out(left, path, missing=one["type"] == "missing"))
    return Partial(Config(), meant, frozenset({()}), (*meant.faults, *faults.values()))


def _follows(error: ErrorDetails, path: KeyPath, meant: AsMeant, spoilt: set[KeyPath]) -> bool:
    """Whether it may be there only for another mistake, which has been told."""
    if error["type"] == "missing":
        return path in spoilt
    if error["type"] == OUR_ERROR and isinstance(error["input"], dict):  # of a whole table
        table = path if error["ctx"]["key"] is None else path[:-1]
        return any(bad[:-1] == table for bad in spoilt)
    return meant.is_renamed(path)  # what was written under another key was perhaps not meant for this one


def _leave_out(left: dict[str, Any], path: KeyPath, *, missing: bool) -> KeyPath:
    """Drop the value at fault, or the list that it is in; for a missing key drop the table that misses it."""
    stand_in = _STAND_IN.get((str(path[0]), str(path[-1]))) if missing else None
    if missing and stand_in is None:
        path = path[:-1]
    whole = path[: next((i for i, part in enumerate(path) if isinstance(part, int)), len(path))]
    table: Any = left
    for part in whole[:-1]:
        table = table.get(part) if isinstance(table, dict) else None
    if isinstance(table, dict) and whole:
        table.pop(whole[-1], None)
        if stand_in is not None:
            table[whole[-1]] = stand_in
    return whole
