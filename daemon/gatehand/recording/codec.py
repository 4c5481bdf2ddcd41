"""Frozen records to JSON values and back, exactly: the rules' state and events as the head of a recording keeps them.

Generic over structs, StrEnum, tuples, frozensets, text, numbers (also inf), bool and None. Which classes may come
back is a table made by `known`, so that a file can name nothing else.
"""

import math
from collections.abc import Mapping
from enum import StrEnum
from types import ModuleType
from typing import Any, TypeAlias

from msgspec import Struct
from msgspec.structs import fields

Json: TypeAlias = str | int | float | bool | list["Json"] | dict[str, "Json"] | None

Classes: TypeAlias = Mapping[str, type[Struct] | type[StrEnum]]

_FLOAT, _SET = "float", "set"


class CodecError(ValueError):
    """A value that cannot be written, or a text that names what this version does not know."""


def known(*modules: ModuleType) -> dict[str, type[Struct] | type[StrEnum]]:
    """The structs and enums that these modules define, by class name."""
    return {
        name: value
        for module in modules
        for name, value in vars(module).items()
        if isinstance(value, type) and issubclass(value, Struct | StrEnum)
    }


def to_json(value: object) -> Json:
    """The value as plain JSON values. A record becomes `{"ClassName": {field: value}}`, an enum `{"ClassName": word}`.

    Raises:
        CodecError: A value of a kind that is not carried.
    """
    match value:
        case StrEnum():
            return {type(value).__name__: str(value)}
        case None | bool() | int() | str():
            return value
        case float():
            return value if math.isfinite(value) else {_FLOAT: repr(value)}
        case tuple():
            return [to_json(item) for item in value]
        case frozenset():
            return {_SET: [to_json(item) for item in sorted(value)]}
        case Struct():
            return {type(value).__name__: {name: to_json(getattr(value, name)) for name in value.__struct_fields__}}
        case _:
            raise CodecError(f"a {type(value).__name__} is not carried: {value!r:.80}")


def from_json(found: Json, classes: Classes) -> Any:  # noqa: ANN401 - whatever class the text names
    """The value that `to_json` was given.

    Raises:
        CodecError: A class or field that is not known, or a field missing that has no default.
    """
    match found:
        case list():
            return tuple(from_json(item, classes) for item in found)
        case dict():
            return _tagged(found, classes)
        case _:
            return found


def _tagged(found: dict[str, Json], classes: Classes) -> object:
    if len(found) != 1:
        raise CodecError(f"one class name is wanted, found {sorted(found)[:5]}")
    ((tag, body),) = found.items()
    if tag == _FLOAT and body in {"inf", "-inf", "nan"}:
        return float(str(body))
    if tag == _SET and isinstance(body, list):
        return frozenset(from_json(item, classes) for item in body)
    kind = classes.get(tag)
    if kind is None:
        raise CodecError(f"{tag!r} is not known to this version")
    if issubclass(kind, StrEnum):
        try:
            return kind(str(body))
        except ValueError:
            raise CodecError(f"{tag} has no {body!r}") from None
    if not isinstance(body, dict):
        raise CodecError(f"{tag} wants its fields, found {body!r:.80}")
    return _record(kind, body, classes)


def _record(kind: type[Struct], body: dict[str, Json], classes: Classes) -> object:
    names = set(kind.__struct_fields__)
    unknown = set(body) - names
    if unknown:
        raise CodecError(f"{kind.__name__} has no field {min(unknown)!r} in this version")
    for field in fields(kind):
        if field.required and field.name not in body:
            raise CodecError(f"{kind.__name__} lacks its field {field.name!r}")
    return kind(**{name: from_json(value, classes) for name, value in body.items()})
