"""The config's JSON Schema, made from the same models that read it. Imported by `gatehand schema` only."""

import ast
import inspect
from itertools import pairwise
from typing import Any

from gatehand.config import ducts, signals, tables
from gatehand.config.check_sensors import THRESHOLDS
from gatehand.config.model import Config
from gatehand_air.fittings import DUSTS, ENTRIES, FITTINGS, MATERIALS

DIALECT = "https://json-schema.org/draft/2020-12/schema"


def json_schema() -> dict[str, Any]:
    """The schema as plain data: a description for every key, no unknown keys, durations as number or text."""
    made = Config.model_json_schema()
    docstrings = _docstrings()
    for name, table in made["$defs"].items():
        for key, text in docstrings[name].items():
            table["properties"][key].setdefault("description", text)
    _complete_ducts(made["$defs"])
    for kind, table in (("tool", "ToolTable"), ("collector", "CollectorTable")):
        made["$defs"][table]["oneOf"] = _one_sensor(kind)
    for table in (made, *made["$defs"].values()):
        _tidy(table)
    made["properties"]["collector"]["minProperties"] = 1
    return {
        "$schema": DIALECT,
        "title": "Gatehand's config",
        **{key: value for key, value in made.items() if key != "title"},
        "required": ["collector"],
    }


def _one_sensor(kind: str) -> list[dict[str, Any]]:
    """What may stand together: a sensor and its own thresholds; in a collector's table, none of them too."""
    every = {*signals.SENSORS, *(key for keys in THRESHOLDS[kind].values() for key in keys)}

    def only(sensor: str, needed: list[str], *, others: set[str]) -> dict[str, Any]:
        return {"required": needed, "properties": dict.fromkeys(sorted(others - {sensor}), False)}

    choices = []
    for sensor in signals.SENSORS:
        own = THRESHOLDS[kind].get(sensor, ())
        needed = [sensor, own[0]] if kind == "tool" and own else [sensor]
        choices.append(only(sensor, needed, others=every - {*own}))
    return choices if kind == "tool" else [*choices, only("", [], others={*signals.SENSORS})]


def _complete_ducts(tables: dict[str, Any]) -> None:
    """Words that the duct tables' validators know, so that an editor knows them too."""
    duct, hood, fan = (tables[name]["properties"] for name in ("DuctTable", "Hood", "Fan"))
    duct["material"]["enum"] = list(MATERIALS)
    duct["fittings"]["items"] = {"anyOf": [{"enum": list(FITTINGS)}, duct["fittings"]["items"]]}
    hood["entry"]["anyOf"] = [{"enum": list(ENTRIES)}, {"type": "number", "minimum": 0}]
    hood["dust"]["anyOf"] = [{"enum": list(DUSTS)}]
    hood["machine_loss"]["anyOf"].append({"const": 0})
    fan["measured"]["anyOf"].append({"enum": [ducts.FAN_STATIC]})
    fan["measured"]["default"] = ducts.FAN_STATIC


def _docstrings() -> dict[str, dict[str, str]]:
    """Descriptions that stand as docstrings below attributes, by class and key: read only here, for it takes time."""
    found: dict[str, dict[str, str]] = {}
    for node in (node for module in (signals, ducts, tables) for node in ast.parse(inspect.getsource(module)).body):
        if not isinstance(node, ast.ClassDef):
            continue
        bases = (ast.unparse(base).rpartition(".")[2] for base in node.bases)
        texts = found[node.name] = {key: text for base in bases for key, text in found.get(base, {}).items()}
        for line, below in pairwise(node.body):
            match line, below:
                case ast.AnnAssign(target=ast.Name(id=key)), ast.Expr(value=ast.Constant(value=str(text))):
                    texts[key] = " ".join(text.split())
    return found


def _tidy(table: dict[str, Any]) -> None:
    """No titles that only repeat the key, and no null: TOML has none."""
    table.pop("title", None)
    for entry in table.get("properties", {}).values():
        entry.pop("title", None)
        if "patternProperties" in entry:
            entry["additionalProperties"] = False
        if entry.get("default", "") is None:
            del entry["default"]
        if "anyOf" in entry:
            kinds = [kind for kind in entry["anyOf"] if kind != {"type": "null"}]
            if len(kinds) == 1:
                del entry["anyOf"]
                entry.update({**kinds[0], **entry})
            else:
                entry["anyOf"] = kinds
