"""A judge of Homie devices, written from the convention's text alone; it knows nothing of the code under test.

Source of every check: The Homie Convention, version 5.0.0 of 11 May 2025, homieiot.github.io/specification (published);
the section is named beside each.
"""

import json
import re
from typing import Any

ID = re.compile(r"[a-z0-9-]+")  # "Topic IDs"
STATES = {"init", "ready", "disconnected", "sleeping", "lost"}  # "Device Lifecycle"
DATATYPES = {"integer", "float", "boolean", "string", "enum", "color", "datetime", "duration", "json"}
FLOAT = re.compile(r"-?\d+(\.\d+)?([eE]-?\d+)?")  # "Float": digits, -, e or E, one dot
UNITS = {
    *("°C", "°F", "°", "L", "gal", "V", "W", "kW", "kWh", "A", "Hz", "rpm", "%", "m", "m³", "ft", "m/s", "kn", "Pa"),
    *("psi", "ppm", "s", "min", "h", "lx", "K", "MK⁻¹", "#"),
}  # "Units", recommended
DEVICE_KEYS = {"homie", "version", "nodes", "name", "type", "children", "root", "parent", "extensions"}
NODE_KEYS = {"name", "type", "properties"}
PROPERTY_KEYS = {"name", "datatype", "format", "settable", "retained", "unit"}


def faults(root: str, retained: dict[str, str]) -> list[str]:
    """What the convention has against a device: `root` is its base topic, `retained` all that the broker retains."""
    found = []
    domain, five, device = root.rsplit("/", 2)
    if five != "5" or not domain:
        found.append(f"Base Topic: {root!r} is not <domain>/5/<device>")
    if not ID.fullmatch(device):
        found.append(f"Topic IDs: {device!r}")
    below = {topic.removeprefix(f"{root}/"): value for topic, value in retained.items() if topic.startswith(f"{root}/")}
    if below.get("$state") not in STATES:
        found.append(f"Device Lifecycle: $state is {below.get('$state')!r}")
    try:
        description = json.loads(below["$description"])
    except (KeyError, ValueError) as error:
        return [*found, f"Device Attributes: no $description ({error!r})"]
    return [*found, *_description(description), *_topics(description, below)]


def _description(description: object) -> list[str]:
    section = "Device Attributes"
    if not isinstance(description, dict):
        return [f"{section}: the description is no object"]
    found = [f"{section}: unknown field {key!r}" for key in description.keys() - DEVICE_KEYS]
    if not re.fullmatch(r"5\.\d+", str(description.get("homie"))):
        found.append(f"{section}: homie is {description.get('homie')!r}")
    if type(description.get("version")) is not int:
        found.append(f"{section}: version is {description.get('version')!r}")
    if not isinstance(description.get("name"), str) or not description["name"]:
        found.append(f"{section}: name is {description.get('name')!r}")
    if "root" in description or "parent" in description:
        found.append(f"{section}: a root device has no root and no parent")
    found += [f"Device Attributes: {key} is null" for key, value in description.items() if value is None]
    for node_id, node in description.get("nodes", {}).items():
        found += _node(node_id, node)
    return found


def _node(node_id: str, node: dict[str, Any]) -> list[str]:
    found = [f"Nodes: {node_id}: unknown field {key!r}" for key in node.keys() - NODE_KEYS]
    if not ID.fullmatch(node_id):
        found.append(f"Topic IDs: node {node_id!r}")
    found += [
        f"Node Attributes: {node_id}.{key} is no text" for key in ("name", "type") if not _text(node.get(key, "x"))
    ]
    for name, each in node.get("properties", {}).items():
        where = f"{node_id}/{name}"
        if not ID.fullmatch(name):
            found.append(f"Topic IDs: property {where!r}")
        found += [f"Property Attributes: {where}: unknown field {key!r}" for key in each.keys() - PROPERTY_KEYS]
        if each.get("datatype") not in DATATYPES:
            found.append(f"Property Attributes: {where}: datatype {each.get('datatype')!r}")
        found += [
            f"Property Attributes: {where}.{key} is no text"
            for key in ("name", "format", "unit")
            if not _text(each.get(key, "x"))
        ]
        found += [
            f"Property Attributes: {where}.{key} is no boolean"
            for key in ("settable", "retained")
            if type(each.get(key, True)) is not bool
        ]
        if "unit" in each and each["unit"] not in UNITS:
            found.append(f"Units: {where}: {each['unit']!r}")
        found += [f"Formats: {where}: {each.get('format')!r}" for _ in [0] if not _format_is_right(each)]
    return found


def _format_is_right(each: dict[str, Any]) -> bool:
    given = each.get("format")
    match each.get("datatype"):
        case "enum":
            values = (given or "").split(",")
            return all(values) and len(set(values)) == len(values)
        case "boolean":
            return given is None or (given.count(",") == 1 and all(given.split(",")))
        case "float":
            return given is None or re.fullmatch(r"(-?[\d.]+)?:(-?[\d.]+)?(:[\d.]+)?", given) is not None
        case _:
            return True


def _topics(description: dict[str, Any], below: dict[str, str]) -> list[str]:
    found = []
    properties = {
        f"{node_id}/{name}": each
        for node_id, node in description.get("nodes", {}).items()
        for name, each in node.get("properties", {}).items()
    }
    for topic, payload in below.items():
        parts = topic.split("/")
        if topic in {"$state", "$description"}:
            continue
        if parts[0] == "$alert":
            if len(parts) != 2 or not ID.fullmatch(parts[1]) or not payload:
                found.append(f"Alert topic: {topic!r}: {payload!r}")
        elif parts[0] == "$log":
            found.append(f"Logging: {topic!r} is retained")
        elif parts[-1] == "set":
            found.append(f"QoS and retained messages: {topic!r} is retained")
        elif topic not in properties:
            found.append(f"Device reconfiguration: {topic!r} is in no description")
        elif properties[topic].get("retained") is False:
            found.append(f"QoS and retained messages: {topic!r} is retained, and is described as not")
        elif not payload_is_right(payload, properties[topic]):
            found.append(f"Payloads: {topic!r}: {payload!r}")
    if below.get("$state") == "ready":
        found += [
            f"Device Lifecycle: ready, and {topic} has no value"
            for topic, each in properties.items()
            if each.get("retained", True) and topic not in below
        ]
    return found


def payload_is_right(payload: str, described: dict[str, Any]) -> bool:
    """Section "Payloads", for the datatypes that are met here."""
    match described["datatype"]:
        case "boolean":
            return payload in {"true", "false"}
        case "enum":
            return payload in described["format"].split(",")
        case "float":
            low, high, *_ = described.get("format", ":").split(":")
            if not FLOAT.fullmatch(payload):
                return False
            return (not low or float(payload) >= float(low)) and (not high or float(payload) <= float(high))
        case _:
            return False


def _text(value: object) -> bool:
    return isinstance(value, str) and bool(value)
