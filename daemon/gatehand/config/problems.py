"""What is wrong with a config: `Fault` where the keys know it, `Problem` where file, line and column are known too.

And the words for what pydantic finds: what was found, what is wanted, what to do. Messages of our own types pass as
they are; the rest, and unknown and missing keys, are worded here.
"""

from collections.abc import Mapping
from enum import StrEnum
from typing import Final, TypeAlias

from msgspec import Struct
from pydantic import BaseModel
from pydantic_core import ErrorDetails

from gatehand.config.values import OUR_ERROR
from gatehand.text import did_you_mean, found, listed, nearest, shown

KeyPath: TypeAlias = tuple[str | int, ...]
"""Where a value stands in the parsed TOML: names of tables and keys, numbers in lists."""


class Severity(StrEnum):
    """An error keeps the config from being used, a warning does not."""

    ERROR = "error"
    WARNING = "warning"


class Fault(Struct, frozen=True):
    """One thing wrong at one key. `at_key`: the key's name is at fault, not its value."""

    path: KeyPath
    message: str
    level: Severity = Severity.ERROR
    at_key: bool = False


class Problem(Struct, frozen=True):
    """One thing wrong in a file. `line` and `column` count from 1, columns in characters."""

    file: str
    line: int
    column: int
    where: str
    """The key in dotted form, such as `tool.band_saw.start_amps`; empty when the whole file is meant."""
    level: Severity
    message: str

    def __str__(self) -> str:
        where = f"{self.where}: " if self.where else ""
        return f"{self.file}:{self.line}:{self.column}: {self.level}: {where}{self.message}"


def dotted(path: KeyPath) -> str:
    """The path as a person writes it: `tool.band_saw.gates[1]`."""
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f"[{part}]"
        else:
            text += f".{_part(part)}" if text else _part(part)
    return text


def _part(name: str) -> str:
    bare = name.isascii() and name.replace("_", "").replace("-", "").isalnum()
    return name if bare else f'"{name}"'


_KEY_OF_A_TABLE: Final = "[key]"
_WANTED: Final[Mapping[str, str]] = {
    "dict_type": "a table",
    "model_type": "a table",
    "tuple_type": 'a list, such as ["main"]',
    "string_type": "a text in quotes",
    "bool_type": "true or false",
    "float_type": "a number",
}
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
    return tuple(path)


def fault_of(error: ErrorDetails, path: KeyPath, root: type[BaseModel]) -> Fault:
    """The fault that a validation error stands for."""
    match error["type"]:
        case "extra_forbidden":
            text = f"there is no key {shown(path[-1])} here; {did_you_mean(str(path[-1]), _keys_at(root, path[:-1]))}"
            return Fault(path, text, at_key=True)
        case "missing":
            return Fault(path, _missing_key(root, path))
        case _ if error["loc"][-1:] == (_KEY_OF_A_TABLE,):
            return Fault(path, error["msg"], at_key=True)
        case _:
            return Fault(path, _bad_value(error))


def meant_key(path: KeyPath, root: type[BaseModel]) -> KeyPath | None:
    """For an unknown key: the path of the key that was probably meant."""
    near = nearest(str(path[-1]), _keys_at(root, path[:-1]))
    return None if near is None else (*path[:-1], near)


def _missing_key(root: type[BaseModel], path: KeyPath) -> str:
    if isinstance(path[-1], int):
        return f"the list is too short: its value number {path[-1] + 1} is missing"
    model = _model_at(root, path[:-1])
    field = model.model_fields.get(str(path[-1])) if model else None
    text = (field and field.description) or ""
    what = f" ({text[0].lower()}{text[1:].rstrip('.')})" if text else ""
    return f"{path[-1]} is missing{what}: it has no default"


def _bad_value(error: ErrorDetails) -> str:
    kind, value = error["type"], error["input"]
    if kind == OUR_ERROR:
        return error["msg"]
    if kind == "literal_error":
        return _bad_word(value, str(error["ctx"]["expected"]))
    if kind in _WANTED:
        return f"{found(value)}; wanted {_WANTED[kind]}"
    return f"{found(value)}; {error['msg']}"


def _bad_word(value: object, expected: str) -> str:
    words = [word.strip("'") for word in expected.replace(" or ", ", ").split(", ")]
    near = nearest(value, words) if isinstance(value, str) else None
    guess = f"; did you mean {shown(near)}?" if near else ""
    return f"{found(value)}; wanted {listed(shown(word) for word in words)}{guess}"


def _keys_at(root: type[BaseModel], path: KeyPath) -> list[str]:
    model = _model_at(root, path)
    return list(model.model_fields) if model else []


def _model_at(root: type[BaseModel], path: KeyPath) -> type[BaseModel] | None:
    """The model behind a key path: fields lead on, names of tables and numbers in lists are passed over."""
    model: type[BaseModel] | None = root
    inside: object = None
    for part in path:
        if model is not None and str(part) in model.model_fields:
            inside = model.model_fields[str(part)].annotation
            model = _model_in(inside, tables=False)
        elif inside is not None:
            model, inside = _model_in(inside, tables=True), None
        else:
            return None
    return model


def _model_in(annotation: object, *, tables: bool) -> type[BaseModel] | None:
    """The model in `X`, `X | None`; with `tables` also in `dict[str, X]` and `tuple[X, ...]`."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    if not tables and getattr(annotation, "__origin__", None) in {dict, tuple, list}:
        return None
    for inner in getattr(annotation, "__args__", ()):
        if (model := _model_in(inner, tables=tables)) is not None:
            return model
    return None
