"""The words for what pydantic finds in a table: what was found, what is wanted, what to do.

Messages of our own types pass as they are; the rest, and missing keys, are worded here. Unknown keys never get so far:
`keys.py` has them.
"""

from collections.abc import Mapping
from typing import Final

from pydantic import BaseModel
from pydantic_core import ErrorDetails

from gatehand.config import codes
from gatehand.config.keys import about, model_at
from gatehand.config.problems import Fault, KeyPath
from gatehand.config.signals import GateCommand, SwitchCommand, TopicSource
from gatehand.config.values import OUR_ERROR
from gatehand.text import found, listed, nearest, only_near, shown

_KEY_OF_A_TABLE: Final = "[key]"
_WANTED: Final[Mapping[str, str]] = {
    "dict_type": "a table",
    "model_type": "a table",
    "tuple_type": 'a list, such as ["main"]',
    "string_type": "text in quotes",
    "bool_type": "true or false",
    "float_type": "a number",
}
_INSIDE: Final = 3
"""Names in the path of a table that is written in braces: kind, name, key."""
FOLLOWS: Final = frozenset({"default_factory_not_called"})
"""Types of errors that only follow from another one at the same table."""


def path_of(error: ErrorDetails, raw: object) -> KeyPath:
    """The error's path in the TOML, without what pydantic adds to name a part of a type."""
    path: list[str | int] = []
    here = raw
    for part in error["loc"]:
        inside = (isinstance(here, dict) and part in here) or (
            isinstance(here, list) and isinstance(part, int) and part < len(here)
        )
        if inside:
            here = here[part]  # type: ignore[index]
        elif error["type"] != "missing" or part != error["loc"][-1]:
            break
        path.append(part)
    if error["type"] == OUR_ERROR and isinstance(here, dict) and error["ctx"]["key"] in here:
        path.append(error["ctx"]["key"])
    return tuple(path)


def fault_of(error: ErrorDetails, path: KeyPath, root: type[BaseModel]) -> Fault:
    """The fault that a validation error stands for."""
    kind, value = error["type"], error["input"]
    if kind == "missing":
        return Fault(path, codes.MISSING_KEY, _missing_key(root, path))
    if kind == OUR_ERROR:
        context = error["ctx"]
        at_key = error["loc"][-1:] == (_KEY_OF_A_TABLE,)
        return Fault(path, codes.CODES[context["code"]], error["msg"], at_key=at_key, fix=context["fix"])
    if kind == "literal_error":
        return _bad_word(path, value, str(error["ctx"]["expected"]))
    if kind == "model_type" and isinstance(value, str) and (text := _as_a_table(root, path, value)):
        return Fault(path, codes.NOT_A_TABLE, f"{found(value)}; wanted a table: {text}")
    if kind == "model_type" and (text := _its_keys(root, path)):
        return Fault(path, codes.WRONG_KIND, f"{found(value)}; wanted a table: {text}")
    wanted = f"wanted {_WANTED[kind]}" if kind in _WANTED else error["msg"]
    return Fault(path, codes.WRONG_KIND, f"{found(value)}; {wanted}")


def _missing_key(root: type[BaseModel], path: KeyPath) -> str:
    if isinstance(path[-1], int):
        return f"the list is too short: value number {path[-1] + 1} is missing"
    key = str(path[-1])
    return f"{key} is missing{about(model_at(root, path[:-1]), key)}: it has no default"


def _bad_word(path: KeyPath, value: object, expected: str) -> Fault:
    words = [word.strip("'") for word in expected.replace(" or ", ", ").split(", ")]
    near = nearest(value, words) if isinstance(value, str) else None
    guess = f"; did you mean {shown(near)}?" if near else ""
    text = f"{found(value)}; wanted {listed(shown(word) for word in words)}{guess}"
    return Fault(path, codes.UNKNOWN_WORD, text, fix=only_near(value, words) if isinstance(value, str) else None)


_PAYLOADS: Final[Mapping[str, str]] = {
    "on": "1",
    "off": "0",
    "active": "1",
    "clear": "0",
    "pressed": "1",
    "released": "0",
}


def _its_keys(root: type[BaseModel], path: KeyPath) -> str | None:
    """A table inside a table as it is written, with the keys that it has to have."""
    model = model_at(root, path)
    if model is None or not isinstance(path[-1], str) or len(path) < _INSIDE:
        return None
    needed = [key for key, field in model.model_fields.items() if field.is_required()]
    return f"{path[-1]} = {{ {', '.join(f'{key} = ...' for key in needed)} }}" if needed else None


def _as_a_table(root: type[BaseModel], path: KeyPath, value: str) -> str | None:
    """How a signal of that topic is written, with payloads as an example."""
    model = model_at(root, path)
    if model is None or not issubclass(model, TopicSource | SwitchCommand | GateCommand):
        return None
    needed = (key for key, field in model.model_fields.items() if field.is_required() and key != "topic")
    pairs = [f"topic = {shown(value)}", *(f"{key} = {shown(_PAYLOADS.get(key, key))}" for key in needed)]
    return f"{path[-1]} = {{ {', '.join(pairs)} }}"
