"""The shop in the convention's words: ids, what there is to show, how it stands, what a controller may ask. Pure.

A node for each collector, gate and tool, a property for each of its values.
"""

import json
import re
from collections.abc import Iterable, Iterator, Mapping
from typing import Final, Literal, assert_never

from msgspec import Struct, to_builtins

from gatehand.config import Config
from gatehand.config.signals import DeviceKind
from gatehand.mqtt.payload import Rejected, excerpt
from gatehand.shell.alarms import ShownAlarm
from gatehand_rules import CollectorWord, GateWord, Shop, State, ToolWord, collector_word, gate_word, tool_word
from gatehand_rules.events import HandAsked, ResetAsked
from gatehand_rules.shop import Tool
from gatehand_rules.state import GateOpen
from gatehand_rules.words import Measure

VERSION: Final = "5.0"
RESET: Final = "reset"
"""The only value of a collector's reset."""
_ELSE: Final = re.compile(r"[^a-z0-9]+")
_BOOLEANS: Final = {b"true": True, b"false": False}


# Ids: a to z, 0 to 9 and hyphens (section "Topic IDs")


def to_id(name: str) -> str:
    """A name or topic as an id: `band_saw` is `band-saw`. Two names may come to the same; see `ids`."""
    return _ELSE.sub("-", name.lower()).strip("-") or "x"


def ids(names: Iterable[str]) -> dict[str, str]:
    """Each name's id, all different: where two come to the same, the later gets a number."""
    found: dict[str, str] = {}
    taken: set[str] = set()
    for name in names:
        wanted = own = to_id(name)
        number = 2
        while own in taken:
            own = f"{wanted}-{number}"
            number += 1
        found[name] = own
        taken.add(own)
    return found


def root(config: Config) -> str:
    """The device's base topic (sections "Base Topic", "Devices"): its id is made from the daemon's own base."""
    return f"{config.homie.domain}/5/{to_id(config.broker.base)}"


# What there is to show


class Property(Struct, frozen=True, omit_defaults=True):
    """One value, as the description has it (section "Property Attributes"): without what is so by default."""

    name: str
    datatype: Literal["enum", "boolean", "float"]
    format: str | None = None
    unit: str | None = None
    settable: bool = False
    retained: bool = True


class Node(Struct, frozen=True):
    """A collector, a gate or a tool. `subject`: such as ("gate", "band_saw")."""

    id: str
    subject: tuple[DeviceKind, str]
    properties: dict[str, Property]


class Description(Struct, frozen=True):
    """The device."""

    name: str
    nodes: tuple[Node, ...]

    def as_json(self, version: int) -> str:
        """The document. `version`: higher with each change."""
        nodes = {
            node.id: {
                "name": f"{node.subject[0]} {node.subject[1].replace('_', ' ')}".capitalize(),
                "type": f"gatehand.{node.subject[0]}",
                "properties": to_builtins(node.properties),
            }
            for node in self.nodes
        }
        body = {"homie": VERSION, "version": version, "name": self.name, "type": "gatehand", "nodes": nodes}
        return json.dumps(body, ensure_ascii=False)

    def settable(self) -> dict[tuple[str, str], Node]:
        """What may be set, by node and property, with its node."""
        return {(node.id, name): node for node in self.nodes for name, each in node.properties.items() if each.settable}


_COLLECTOR: Final = {
    "state": Property("State", "enum", ",".join(CollectorWord)),
    # A reset is a moment, not a state that could be kept: section "Settable and retained properties".
    "reset": Property("Reset the hold", "enum", RESET, settable=True, retained=False),
}
_COLLECTOR_WITH_BIN: Final = _COLLECTOR | {"bin-full": Property("Bin", "boolean", "not full,full")}
_GATE: Final = {
    "state": Property("State", "enum", ",".join(GateWord)),
    "proven-open": Property("Proven open", "boolean", "no,yes"),
    "hand": Property("Hand start", "boolean", "off,on", settable=True),
}
_READINGS: Final[Mapping[Measure, tuple[str, Property]]] = {
    Measure.AMPS: ("current", Property("Current", "float", "0:", unit="A")),
    Measure.WATTS: ("power", Property("Power", "float", "0:", unit="W")),
    Measure.RUNNING: ("running", Property("Running", "boolean", "stopped,running")),
}
"""By what a tool's sensor measures: the id of its reading, and how it is described."""
_TOOL_STATE: Final = Property("State", "enum", ",".join(ToolWord))


def describe(config: Config) -> Description:
    """The shop's description; the order is the config's."""
    base = config.broker.base
    nodes = [
        Node(f"collector-{own}", ("collector", name), _COLLECTOR if table.bin_full is None else _COLLECTOR_WITH_BIN)
        for (name, table), own in zip(config.collector.items(), ids(config.collector).values(), strict=True)
    ]
    nodes += [Node(f"gate-{own}", ("gate", name), _GATE) for name, own in ids(config.gate).items()]
    nodes += [
        Node(f"tool-{own}", ("tool", name), {"state": _TOOL_STATE, **dict([_READINGS[table.measure]])})
        for (name, table), own in zip(config.tool.items(), ids(config.tool).values(), strict=True)
    ]
    return Description("Gatehand" if base == "gatehand" else f"Gatehand {base}", tuple(nodes))


# How it stands, as payloads (section "Payloads")


def values(description: Description, shop: Shop, state: State) -> dict[str, str]:
    """Topic below the device's (`gate-band-saw/state`) -> payload, for every retained property that has a value.

    A reading that has not been heard yet has none: the convention knows no word for it, and 0 would be another thing.
    """
    return {
        f"{node.id}/{name}": payload
        for node in description.nodes
        for name, payload in _of(node.subject, shop, state)
        if name in node.properties
    }


def alerts(alarms: Iterable[ShownAlarm]) -> dict[str, str]:
    """Topic below the device's (`$alert/log`) -> text (section "Alert topic"): why, and what to do next."""
    found: dict[str, str] = {}
    for alarm in alarms:
        topic, text = f"$alert/{to_id(alarm.id)}", f"{alarm.because} {alarm.next}"
        found[topic] = f"{found[topic]} {text}" if topic in found else text
    return found


def changes(before: Mapping[str, str], after: Mapping[str, str]) -> Iterator[tuple[str, str]]:
    """What to publish; an empty payload removes a topic."""
    yield from ((topic, "") for topic in before if topic not in after)
    yield from ((topic, payload) for topic, payload in after.items() if before.get(topic) != payload)


def _of(subject: tuple[str, str], shop: Shop, state: State) -> Iterator[tuple[str, str]]:
    match subject:
        case ("collector", name) if (fan := shop.collector_at(name)) is not None:
            yield "state", str(collector_word(state.collectors[fan]))
            yield "bin-full", _boolean(state.collectors[fan].bin_full)
        case ("gate", name) if (gate := shop.gate_at(name)) is not None:
            yield "state", str(gate_word(state.gates[gate]))
            yield "proven-open", _boolean(isinstance(state.gates[gate].move, GateOpen))
            yield "hand", _boolean(state.gates[gate].hand is not None)
        case ("tool", name) if (tool := shop.tool_at(name)) is not None:
            yield "state", str(tool_word(state.tools[tool]))
            if (value := state.tools[tool].value) is not None:
                yield _READINGS[shop.tools[tool].measure][0], _reading(shop.tools[tool], value)


def _reading(tool: Tool, value: float) -> str:
    """A sensor that trembles in the decimals beyond these is no news."""
    match tool.measure:
        case Measure.AMPS:
            return f"{value:.1f}"
        case Measure.WATTS:
            return f"{value:.0f}"
        case Measure.RUNNING:
            return _boolean(value >= tool.start_at)
        case _:
            assert_never(tool.measure)


def _boolean(value: bool) -> str:
    return "true" if value else "false"


# What a controller may ask (section "Property command topic")


def asked(node: Node, name: str, payload: bytes, *, retained: bool) -> HandAsked | ResetAsked | Rejected:
    """What a payload on `<node>/<name>/set` asks. Payloads are case sensitive and mean exactly what they say."""
    match node.subject[0], name:
        case "gate", "hand":
            on = _BOOLEANS.get(payload)
            if on is not None:
                return HandAsked(node.subject[1], on, retained)
            return Rejected("found another word, want 'true' or 'false'", excerpt(payload))
        case "collector", "reset":
            if payload == RESET.encode():
                return ResetAsked(node.subject[1], retained)
            return Rejected(f"found another word, want {RESET!r}", excerpt(payload))
        case _:
            return Rejected("is not settable", excerpt(payload))
