"""What there is to show: the device's description, from the config alone. Pure.

A node for each collector, gate and tool, a property for each of its values.
"""

import json
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Final

from gatehand.config import Config
from gatehand.homie.ids import ids
from gatehand_rules.words import CollectorWord, GateWord, ToolWord

VERSION: Final = "5.0"
RESET: Final = "reset"
"""The only value of a collector's reset."""


class Datatype(StrEnum):
    """Those of the convention (section "Property Attributes") that are used here."""

    ENUM = "enum"
    BOOLEAN = "boolean"
    FLOAT = "float"


@dataclass(frozen=True, slots=True)
class Property:
    """One value."""

    name: str
    datatype: Datatype
    format: str | None = None
    unit: str | None = None
    settable: bool = False
    retained: bool = True

    def as_json(self) -> dict[str, Any]:
        """The property's object in the description, without what is as the convention has it by default."""
        shown: dict[str, Any] = {"name": self.name, "datatype": str(self.datatype)}
        shown |= {key: value for key, value in (("format", self.format), ("unit", self.unit)) if value is not None}
        shown |= {"settable": True} if self.settable else {}
        return shown | ({} if self.retained else {"retained": False})


@dataclass(frozen=True, slots=True)
class Node:
    """A collector, a gate or a tool. `subject`: such as ("gate", "band_saw")."""

    id: str
    subject: tuple[str, str]
    properties: dict[str, Property]


@dataclass(frozen=True, slots=True)
class Description:
    """The device."""

    name: str
    nodes: tuple[Node, ...]

    def as_json(self, version: int) -> str:
        """The document. `version`: higher with each change."""
        nodes = {
            node.id: {
                "name": f"{node.subject[0]} {node.subject[1].replace('_', ' ')}".capitalize(),
                "type": f"gatehand.{node.subject[0]}",
                "properties": {name: each.as_json() for name, each in node.properties.items()},
            }
            for node in self.nodes
        }
        body = {"homie": VERSION, "version": version, "name": self.name, "type": "gatehand", "nodes": nodes}
        return json.dumps(body, ensure_ascii=False)

    def topics(self) -> Iterator[tuple[Node, str, Property]]:
        """Every property with its node and id."""
        for node in self.nodes:
            for name, each in node.properties.items():
                yield node, name, each


def describe(config: Config) -> Description:
    """The shop's description; the order is the config's."""
    base = config.broker.base
    name = "Gatehand" if base == "gatehand" else f"Gatehand {base}"
    collectors = (_node("collector", id_, name, _of_collector(config, name)) for name, id_ in _named(config.collector))
    gates = (_node("gate", id_, name, _of_gate()) for name, id_ in _named(config.gate))
    tools = (_node("tool", id_, name, _of_tool()) for name, id_ in _named(config.tool))
    return Description(name, (*collectors, *gates, *tools))


def _named(names: Iterable[str]) -> Iterable[tuple[str, str]]:
    return ids(names).items()


def _node(kind: str, id_: str, name: str, properties: dict[str, Property]) -> Node:
    return Node(f"{kind}-{id_}", (kind, name), properties)


def _words(words: type[StrEnum]) -> str:
    return ",".join(words)


def _of_collector(config: Config, name: str) -> dict[str, Property]:
    found = {
        "state": Property("State", Datatype.ENUM, _words(CollectorWord)),
        # A reset is a moment, not a state that could be kept: section "Settable and retained properties".
        "reset": Property("Reset the hold", Datatype.ENUM, RESET, settable=True, retained=False),
    }
    if config.collector[name].bin_full is not None:
        found["bin-full"] = Property("Bin", Datatype.BOOLEAN, "not full,full")
    return found


def _of_gate() -> dict[str, Property]:
    return {
        "state": Property("State", Datatype.ENUM, _words(GateWord)),
        "proven-open": Property("Proven open", Datatype.BOOLEAN, "no,yes"),
        "hand": Property("Hand start", Datatype.BOOLEAN, "off,on", settable=True),
    }


def _of_tool() -> dict[str, Property]:
    return {
        "state": Property("State", Datatype.ENUM, _words(ToolWord)),
        "current": Property("Current", Datatype.FLOAT, "0:", unit="A"),
    }
