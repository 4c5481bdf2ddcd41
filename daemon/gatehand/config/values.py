"""Numbers, durations, words and names as the config's tables use them, each with its own message and JSON Schema.

TOML accepts `nan`, `inf` and `true` where a number is meant; these types do not. Topics stand in `topics.py`.
"""

import math
import re
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Final

from pydantic import BeforeValidator, Field, PlainValidator, WithJsonSchema
from pydantic_core import PydanticCustomError

from gatehand import times
from gatehand.text import found

NAME: Final = re.compile(r"[A-Za-z0-9_-]{1,64}")
_LARGEST: Final = 10**12
OUR_ERROR: Final = "gatehand"
"""The type of every validation error whose message is already ours."""


def fail(message: str) -> PydanticCustomError:
    """An error whose text goes to the user as it is."""
    return PydanticCustomError(OUR_ERROR, "{message}", {"message": message})


def _number(value: object, wanted: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise fail(f"{found(value)}; wanted {wanted}")
    if abs(value) > _LARGEST or not math.isfinite(value):
        raise fail(f"{found(value)}; wanted {wanted}, finite and of a sensible size")
    return float(value)


def number(value: object) -> float:
    """Any finite number."""
    return _number(value, "a number")


def positive(wanted: str) -> Callable[[object], float]:
    """A validator for finite numbers above 0; `wanted` names the thing, such as "a current in ampere"."""

    def check(value: object) -> float:
        result = _number(value, wanted)
        if result <= 0:
            raise fail(f"{found(value)}; wanted {wanted} above 0")
        return result

    return check


def _scale(value: object) -> float:
    result = _number(value, "a number to multiply readings with, such as 0.001 for milliampere")
    if result == 0:
        raise fail("found 0; with scale = 0 every reading would be 0 A: wanted the factor from the payload to ampere")
    return result


def whole(least: int, most: int) -> Callable[[object], int]:
    """A validator for whole numbers from `least` to `most`."""
    wanted = f"a whole number from {least} to {most}"

    def check(value: object) -> int:
        if isinstance(value, bool) or not isinstance(value, int) or not least <= value <= most:
            raise fail(f"{found(value)}; wanted {wanted}")
        return value

    return check


def _seconds(value: object) -> float:
    try:
        return times.seconds(value)
    except times.NoDurationError as error:
        raise fail(f"{found(value)}; {error}") from None


def _some_seconds(value: object) -> float:
    result = _seconds(value)
    if result == 0:
        raise fail(f"{found(value)}; wanted a duration above 0")
    return result


def _text(value: object) -> str:
    if not isinstance(value, str) or not value.strip():
        raise fail(f"{found(value)}; wanted a text in quotes")
    if "\0" in value:
        raise fail(f"{found(value)}; wanted a text without NUL characters")
    return value


def plain(value: object) -> str:
    """A text without control characters: it goes into lists that are read line by line."""
    text = _text(value)
    if any(char < " " or "\x7f" <= char <= "\x9f" for char in text):
        raise fail(f"{found(value)}; wanted a text without line ends or other control characters")
    return text


def _path(value: object) -> Path:
    return Path(_text(value))


def name(value: object) -> str:
    """A name that is fit for one topic level and for an alarm's id."""
    if not isinstance(value, str) or not NAME.fullmatch(value):
        raise fail(f"{found(value)}; a name has 1 to 64 of A-Z, a-z, 0-9, _ and -, since it becomes part of a topic")
    return value


def _named(value: object) -> object:
    if not isinstance(value, str):
        raise fail(f"{found(value)}; wanted a name in quotes")
    return value


_DURATION = {"anyOf": [{"type": "number", "minimum": 0}, {"type": "string", "pattern": times.PATTERN}]}
_SOME_DURATION = {"anyOf": [{"type": "number", "exclusiveMinimum": 0}, {"type": "string", "pattern": times.PATTERN}]}


def _whole_schema(least: int, most: int) -> WithJsonSchema:
    return WithJsonSchema({"type": "integer", "minimum": least, "maximum": most})


_ABOVE_0 = WithJsonSchema({"type": "number", "exclusiveMinimum": 0})

Number = Annotated[float, PlainValidator(number), WithJsonSchema({"type": "number"})]
Amps = Annotated[float, PlainValidator(positive("a current in ampere")), _ABOVE_0]
Volts = Annotated[float, PlainValidator(positive("a voltage in volt")), _ABOVE_0]
Hours = Annotated[float, PlainValidator(positive("hours as a number")), _ABOVE_0]
Scale = Annotated[float, PlainValidator(_scale), WithJsonSchema({"type": "number", "not": {"const": 0}})]
Seconds = Annotated[float, PlainValidator(_seconds), WithJsonSchema(_DURATION)]
SomeSeconds = Annotated[float, PlainValidator(_some_seconds), WithJsonSchema(_SOME_DURATION)]
"""A duration that cannot be 0."""
Count = Annotated[int, PlainValidator(whole(0, 1000)), _whole_schema(0, 1000)]
SomeCount = Annotated[int, PlainValidator(whole(1, 1000)), _whole_schema(1, 1000)]
Retries = Annotated[int, PlainValidator(whole(0, 20)), _whole_schema(0, 20)]
Port = Annotated[int, PlainValidator(whole(1, 65535)), _whole_schema(1, 65535)]
KeepDays = Annotated[int, PlainValidator(whole(0, 36_500)), _whole_schema(0, 36_500)]
Megabytes = Annotated[int, PlainValidator(whole(0, 1_000_000)), _whole_schema(0, 1_000_000)]
Text = Annotated[str, PlainValidator(_text), WithJsonSchema({"type": "string", "minLength": 1})]
PlainText = Annotated[
    str,
    PlainValidator(plain),
    WithJsonSchema({"type": "string", "minLength": 1, "pattern": "^[^\\u0000-\\u001f\\u007f-\\u009f]+$"}),
]
"""A text that fits into one line, whoever prints it."""
FilePath = Annotated[Path, PlainValidator(_path), WithJsonSchema({"type": "string", "minLength": 1})]
"""A path; a relative one counts from the config file's folder."""
Flag = Annotated[bool, Field(strict=True)]
"""true or false, and no text that looks like one."""
Name = Annotated[str, PlainValidator(name), WithJsonSchema({"type": "string", "pattern": f"^{NAME.pattern}$"})]
"""The name of a table: a tool's, a gate's."""
NameOf = Annotated[str, BeforeValidator(_named)]
"""A mention of another table's name; whether that table is there is checked later."""
