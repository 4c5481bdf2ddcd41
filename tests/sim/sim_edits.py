"""Edits of the config while the shop works: what somebody changes, and takes back later.

Each edit that stands is a change of the drawn config; the file is what all that stand make of it together. Names are
the drawn ones, whatever a table is called now: renames come last.
"""

import tomllib
from collections.abc import Callable, Sequence
from copy import deepcopy
from typing import Any

from sim_draw import CONFIG
from sim_happening import Happening

from gatehand.config import Loaded, load_text

Tables = dict[str, Any]

KINDS = ("tool", "gate", "collector", "stop")
SUFFIX = "_2"


class Edited:
    """The config file of a shop. `begin` and `end` an edit; `text` is what the file says now."""

    def __init__(self, text: str) -> None:
        self._drawn: Tables = tomllib.loads(text)
        self._text = text
        self._standing: list[Happening] = []
        self._tables = self._drawn

    def begin(self, edit: Happening) -> None:
        """Somebody changes it."""
        self._standing.append(edit)
        self._apply()

    def end(self, edit: Happening) -> None:
        """And back."""
        if edit in self._standing:
            self._standing.remove(edit)
        self._apply()

    def undo(self) -> None:
        """As it was drawn."""
        self._standing.clear()
        self._apply()

    def _apply(self) -> None:
        self._tables = deepcopy(self._drawn)
        for edit in sorted(self._standing, key=lambda each: (each.kind == "edit_rename", each.at)):
            _EDITS[edit.kind](self._tables, edit)

    @property
    def text(self) -> str:
        """What the file says."""
        return dump(self._tables) if self._standing else self._text

    def load(self) -> Loaded:
        """The file as the daemon reads it; it may be one that is refused."""
        return load_text(self.text, CONFIG, files=False)

    def name_now(self, kind: str, name: str) -> str | None:
        """What this device is called in the file; None: it is not in it."""
        return next((each for each in (name, name + SUFFIX) if each in self._tables.get(kind, {})), None)


def _kind_of(tables: Tables, name: str) -> str:
    return next((kind for kind in KINDS if name in tables.get(kind, {})), "")


def _thresholds(tables: Tables, edit: Happening) -> None:
    tool = tables["tool"].get(edit.name)
    if tool is not None:
        for key in {"start_amps", "start_watts"} & tool.keys():
            tool[key] = round(tool[key] * (0.6 + 1.2 * edit.value), 2)


def _travel(tables: Tables, edit: Happening) -> None:
    gate = tables["gate"].get(edit.name)
    if gate is not None:
        gate["travel"] = round(gate["travel"] * (1.0 + 2.0 * edit.value), 2)


def _list(tables: Tables, edit: Happening) -> None:
    """A stop's list: all collectors, or one of them."""
    stop = tables.get("stop", {}).get(edit.name)
    if stop is None:
        return
    if "collectors" in stop and edit.value < 0.7:
        del stop["collectors"]
    else:
        fans = list(tables["collector"])
        stop["collectors"] = [fans[int(edit.value * 97) % len(fans)]]


def _limits(tables: Tables, edit: Happening) -> None:
    """`min_open` is raised only: what is without air by the drawn one is without air by this one too."""
    fan = tables["collector"].get(edit.name)
    if fan is None:
        return
    if edit.value < 0.3:
        fan["min_open"] += 1
        if "max_open" in fan:
            fan["max_open"] = max(fan["max_open"], fan["min_open"])
    elif edit.value < 0.6:
        fan["max_open"] = max(1, fan["min_open"], int(edit.value * 10) - 2)
    else:
        fan.pop("max_open", None)


def _remove(tables: Tables, edit: Happening) -> None:
    """The table, and what cannot be without it."""
    kind = _kind_of(tables, edit.name)
    if not kind:
        return
    del tables[kind][edit.name]
    if kind == "collector":
        for gate in [name for name, gate in tables["gate"].items() if gate["collector"] == edit.name]:
            _remove(tables, Happening(edit.at, edit.kind, gate))
        _forget(tables.get("stop", {}), "collectors", edit.name)
    if kind == "gate":
        _forget(tables["tool"], "gates", edit.name)
        _forget(tables["tool"], "assist", edit.name)
    tables.pop("circuit", None)


def _forget(tables: Tables, key: str, name: str) -> None:
    """Out of the lists; a table whose list is empty then goes too, unless the list was a mere extra."""
    for each, table in list(tables.items()):
        if name in table.get(key, ()):
            table[key] = [other for other in table[key] if other != name]
            if not table[key]:
                del table[key]
                if key != "assist":
                    del tables[each]


def _rename(tables: Tables, edit: Happening) -> None:
    kind = _kind_of(tables, edit.name)
    if not kind:
        return
    new = edit.name + SUFFIX
    tables[kind] = {new if name == edit.name else name: table for name, table in tables[kind].items()}
    for others, key in (("tool", "gates"), ("tool", "assist"), ("stop", "collectors")):
        if (key == "collectors") != (kind == "collector"):
            continue
        for table in tables.get(others, {}).values():
            if key in table:
                table[key] = [
                    new if each == edit.name and kind in {"gate", "collector"} else each for each in table[key]
                ]
    if kind == "collector":
        for gate in tables["gate"].values():
            gate["collector"] = new if gate["collector"] == edit.name else gate["collector"]
    for circuit in tables.get("circuit", {}).values():
        here = {edit.name, f"{kind}.{edit.name}"}
        circuit["members"] = [each.replace(edit.name, new) if each in here else each for each in circuit["members"]]


_EDITS: dict[str, Callable[[Tables, Happening], None]] = {
    "edit_thresholds": _thresholds,
    "edit_travel": _travel,
    "edit_list": _list,
    "edit_limits": _limits,
    "edit_remove": _remove,
    "edit_rename": _rename,
}


def dump(tables: Tables) -> str:
    """The tables as TOML: a table of tables, each of plain values, lists and inline tables."""
    parts = []
    for kind, table in tables.items():
        if all(isinstance(each, dict) for each in table.values()):
            parts += [_table(f"{kind}.{name}", each) for name, each in table.items()]
        else:
            parts.append(_table(kind, table))
    return "\n".join(parts)


def _table(name: str, table: Tables) -> str:
    return f"[{name}]\n" + "".join(f"{key} = {_value(value)}\n" for key, value in table.items())


def _value(value: object) -> str:
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{key} = {_value(each)}" for key, each in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(map(_value, value)) + "]"
    if isinstance(value, bool):
        return "true" if value else "false"
    return f'"{value}"' if isinstance(value, str) else repr(value)


def names_for(kind: str, names: dict[str, Sequence[str]]) -> Sequence[str]:
    """Which devices an edit of this kind may concern."""
    match kind:
        case "edit_thresholds":
            return names["tool"]
        case "edit_travel":
            return names["gate"]
        case "edit_list":
            return names["stop"]
        case "edit_limits":
            return names["collector"]
        case _:
            return [each for kind in KINDS for each in names[kind]]
