"""The config's JSON Schema, made from the same models that read it. Imported by `gatehand schema` only."""

import ast
import inspect
from typing import Any

from gatehand.config import ducts
from gatehand.config.model import Config
from gatehand_air.fittings import ENTRIES, FITTINGS, MATERIALS

DIALECT = "https://json-schema.org/draft/2020-12/schema"


def json_schema() -> dict[str, Any]:
    """The schema as plain data: a description for every key, no unknown keys, durations as number or text."""
    made = Config.model_json_schema()
    for name, texts in _docstrings().items():
        for key, text in texts.items():
            made["$defs"][name]["properties"][key].setdefault("description", text)
    _complete_ducts(made["$defs"])
    for table in (made, *made["$defs"].values()):
        _tidy(table)
    made["properties"]["collector"]["minProperties"] = 1
    return {
        "$schema": DIALECT,
        "title": "Gatehand's config",
        **{key: value for key, value in made.items() if key != "title"},
        "required": ["collector"],
    }


def _complete_ducts(tables: dict[str, Any]) -> None:
    """Words that the duct tables' validators know, so that an editor knows them too."""
    duct, hood = tables["DuctTable"]["properties"], tables["Hood"]["properties"]
    duct["material"]["enum"] = list(MATERIALS)
    duct["fittings"]["items"] = {"anyOf": [{"enum": list(FITTINGS)}, duct["fittings"]["items"]]}
    hood["entry"]["anyOf"] = [{"enum": list(ENTRIES)}, {"type": "number", "minimum": 0}]


def _docstrings() -> dict[str, dict[str, str]]:
    """Descriptions that stand as docstrings below attributes, by class and key: read only here, for it takes time."""
    found: dict[str, dict[str, str]] = {}
    for node in ast.parse(inspect.getsource(ducts)).body:
        if not isinstance(node, ast.ClassDef):
            continue
        texts = found.setdefault(node.name, {})
        for line, below in zip(node.body, node.body[1:], strict=False):
            match line, below:
                case ast.AnnAssign(target=ast.Name(id=key)), ast.Expr(value=ast.Constant(value=str(text))):
                    texts[key] = " ".join(text.split())
    return {name: texts for name, texts in found.items() if texts}


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
