"""Numbers, durations, names, topics and payloads as the config's tables use them, and the base of every table.

Each has its own message and JSON Schema. TOML accepts `nan`, `inf` and `true` where a number is meant; these types do
not. What MQTT allows is in OASIS 5.0, sections 1.5.4 and 4.7, what a pointer is in RFC 6901. What only shows
across tables stands in the `check_` files.
"""

import ipaddress
import json
import math
import re
import unicodedata
from collections.abc import Collection
from pathlib import Path
from typing import Annotated, Final

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, PlainValidator, WithJsonSchema
from pydantic_core import PydanticCustomError

from gatehand import times
from gatehand.config import codes
from gatehand.config.codes import Code
from gatehand.text import NAME, did_you_mean, found, listed, only_near, shown


class TomlTable(BaseModel):
    """A TOML table. Attributes are named as the keys; durations are seconds, currents ampere, powers watts."""

    model_config = ConfigDict(defer_build=True, frozen=True, extra="forbid")


_LARGEST: Final = 10**12
LONGEST_KEEPALIVE: Final = 300
"""Seconds; beyond this a dead broker would go unnoticed for ten minutes."""
OUR_ERROR: Final = "gatehand"
"""The type of every validation error whose message is already ours."""


def fail(code: Code, message: str, *, key: str | None = None, fix: str | None = None) -> PydanticCustomError:
    """An error whose text goes to the user as it is.

    Args:
        code: what kind of mistake it is.
        message: what was found, what is wanted.
        key: of a whole table, the key at fault.
        fix: the text that was surely meant instead.
    """
    return PydanticCustomError(OUR_ERROR, "{message}", {"message": message, "code": code.name, "key": key, "fix": fix})


def unknown_word(word: str, known: Collection[str], what: str, *, key: str | None = None) -> PydanticCustomError:
    """The error of a word that is none of those known: with what was probably meant, else with all of them."""
    hint = did_you_mean(word, known, f"wanted {listed(known)}", show=shown)
    message = f"there is no {what} {shown(word)}; {hint}"
    return fail(codes.UNKNOWN_WORD, message, key=key, fix=only_near(word, known))


def _number(value: object, wanted: str) -> float:
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise fail(codes.BAD_NUMBER, f"{found(value)}; wanted {wanted}")
    if abs(value) > _LARGEST or not math.isfinite(value):
        raise fail(codes.BAD_NUMBER, f"{found(value)}; wanted {wanted}, finite and of a sensible size")
    return float(value)


def number(value: object) -> float:
    """Any finite number."""
    return _number(value, "a number")


def positive(wanted: str) -> tuple[PlainValidator, WithJsonSchema]:
    """What a finite number above 0 is annotated with; `wanted` names the thing, such as "a current in amps"."""

    def check(value: object) -> float:
        result = _number(value, wanted)
        if result <= 0:
            raise fail(codes.BAD_NUMBER, f"{found(value)}; wanted {wanted} above 0")
        return result

    return PlainValidator(check), WithJsonSchema({"type": "number", "exclusiveMinimum": 0})


def scale(value: object) -> float:
    """A factor on readings, other than 0."""
    result = _number(value, "a number to multiply readings with, such as 0.001 for thousandths")
    if result == 0:
        wanted = "wanted the factor from the payload to amps, watts or a pressure"
        raise fail(codes.BAD_NUMBER, f"found 0; with scale = 0 every reading would be 0: {wanted}")
    return result


def whole(least: int, most: int) -> tuple[PlainValidator, WithJsonSchema]:
    """What a whole number from `least` to `most` is annotated with."""

    def check(value: object) -> int:
        if isinstance(value, bool) or not isinstance(value, int) or not least <= value <= most:
            raise fail(codes.BAD_NUMBER, f"{found(value)}; wanted a whole number from {least} to {most}")
        return value

    return PlainValidator(check), WithJsonSchema({"type": "integer", "minimum": least, "maximum": most})


def _seconds(value: object) -> float:
    try:
        return times.seconds(value)
    except times.NoDurationError as error:
        raise fail(codes.BAD_DURATION, f"{found(value)}; {error}") from None


def _some_seconds(value: object) -> float:
    result = _seconds(value)
    if result == 0:
        raise fail(codes.BAD_DURATION, f"{found(value)}; wanted a duration above 0")
    return result


def _keepalive(value: object) -> int:
    length = _seconds(value)
    if length != int(length) or not 1 <= length <= LONGEST_KEEPALIVE:
        raise fail(codes.BAD_DURATION, f"{found(value)}; wanted whole seconds from 1 to {LONGEST_KEEPALIVE}")
    return int(length)


def _text(value: object) -> str:
    if not isinstance(value, str) or not value.strip():
        raise fail(codes.BAD_TEXT, f"{found(value)}; wanted text in quotes")
    if "\0" in value:
        raise fail(codes.BAD_TEXT, f"{found(value)}; wanted text without NUL characters")
    return value


def plain(value: object) -> str:
    """A text without control characters: it goes into lists that are read line by line."""
    text = _text(value)
    if any(char < " " or "\x7f" <= char <= "\x9f" for char in text):
        raise fail(codes.BAD_TEXT, f"{found(value)}; wanted text without line ends or other control characters")
    return text


_HOST_AND_PORT = re.compile(r"(?P<host>[^:\[\]]+|\[[^\[\]]+\]):(?P<port>[0-9]+)")


def _host(value: object) -> str:
    if not isinstance(value, str) or not value or any(char.isspace() for char in value):
        raise fail(codes.BAD_HOST, f'{found(value)}; wanted a host name or address in quotes, such as "127.0.0.1"')
    scheme, slashes, _ = value.partition("://")
    if slashes:
        raise fail(
            codes.BAD_HOST, f'{found(value)}; wanted only the host, without "{scheme}://"; the port has its own key'
        )
    if (both := _HOST_AND_PORT.fullmatch(value)) is not None:
        host = json.dumps(both["host"].strip("[]"))
        text = f"wanted only the host, for the port has its own key: host = {host} and port = {both['port']}"
        raise fail(codes.BAD_HOST, f"{found(value)}; {text}")
    if value.startswith("[") and value.endswith("]"):
        raise fail(codes.BAD_HOST, f"{found(value)}; wanted an address without brackets: {json.dumps(value[1:-1])}")
    return plain(value)


def _path(value: object) -> Path:
    return Path(_text(value))


def name(value: object) -> str:
    """A name that is fit for one topic level and for an alarm's id."""
    if not isinstance(value, str) or not re.fullmatch(NAME, value):
        raise fail(
            codes.BAD_NAME,
            f"{found(value)}; a name has 1 to 64 of A-Z, a-z, 0-9, _ and -, since it becomes part of a topic",
        )
    return value


def _named(value: object) -> object:
    if not isinstance(value, str):
        raise fail(codes.WRONG_KIND, f"{found(value)}; wanted a name in quotes")
    return value


def _or_text(number: dict[str, object]) -> WithJsonSchema:
    """The schema of a duration: this number, or text."""
    return WithJsonSchema({"anyOf": [number, {"type": "string", "pattern": times.PATTERN}]})


def _text_like(pattern: str, **more: object) -> WithJsonSchema:
    return WithJsonSchema({"type": "string", **more, "pattern": pattern})


Number = Annotated[float, PlainValidator(number), WithJsonSchema({"type": "number"})]
Amps = Annotated[float, *positive("a current in amps")]
Watts = Annotated[float, *positive("a power in watts")]
Volts = Annotated[float, *positive("a voltage in volts")]
Hours = Annotated[float, *positive("hours as a number")]
Scale = Annotated[float, PlainValidator(scale), WithJsonSchema({"type": "number", "not": {"const": 0}})]
Seconds = Annotated[float, PlainValidator(_seconds), _or_text({"type": "number", "minimum": 0})]
SomeSeconds = Annotated[float, PlainValidator(_some_seconds), _or_text({"type": "number", "exclusiveMinimum": 0})]
"""A duration that cannot be 0."""
Keepalive = Annotated[
    int, PlainValidator(_keepalive), _or_text({"type": "integer", "minimum": 1, "maximum": LONGEST_KEEPALIVE})
]
Count = Annotated[int, *whole(0, 1000)]
SomeCount = Annotated[int, *whole(1, 1000)]
Retries = Annotated[int, *whole(0, 20)]
_HIGHEST_PORT: Final = 65535
Port = Annotated[int, *whole(1, _HIGHEST_PORT)]
KeepDays = Annotated[int, *whole(0, 36_500)]
Megabytes = Annotated[int, *whole(0, 1_000_000)]
PlainText = Annotated[str, PlainValidator(plain), _text_like("^[^\\u0000-\\u001f\\u007f-\\u009f]+$", minLength=1)]
"""A text that fits into one line, whoever prints it."""
Host = Annotated[str, PlainValidator(_host), _text_like(r"^\S+$", minLength=1)]
FilePath = Annotated[Path, PlainValidator(_path), WithJsonSchema({"type": "string", "minLength": 1})]
"""A path; a relative one counts from the config file's folder."""
Flag = Annotated[bool, Field(strict=True)]
"""true or false, and no text that looks like one."""
Name = Annotated[str, PlainValidator(name), _text_like(f"^{NAME}$")]
"""The name of a table: a tool's, a gate's."""
NameOf = Annotated[str, BeforeValidator(_named)]
"""A mention of another table's name; whether that table is there is checked later."""


LONGEST_BYTES: Final = 65535
MOST_LEVELS: Final = 200
"""Brokers refuse topics with more levels, so a longer one could never be used."""

_LARGEST_WORD: Final = 10**15
"""Larger numbers do not survive every JSON reader."""
_BAD_TILDE = re.compile(r"~(?![01])")


def topic(value: object) -> str:
    """A topic name: no wildcard, not empty, no control characters, at most 65,535 bytes of UTF-8."""
    if not isinstance(value, str):
        raise fail(codes.BAD_TOPIC, f"{found(value)}; wanted a topic in quotes")
    if not value:
        raise fail(codes.BAD_TOPIC, 'found empty text; wanted a topic such as "shop/band_saw/amps"')
    if wildcard := next((mark for mark in "+#" if mark in value), None):
        raise fail(
            codes.BAD_TOPIC, f"{found(value)}; a topic here names one device, so it has no wildcard: {wildcard} is one"
        )
    if any(unicodedata.category(char) in {"Cc", "Cs"} for char in value):
        raise fail(codes.BAD_TOPIC, f"{found(value)}; a topic has no NUL or other control characters")
    if len(value.encode()) > LONGEST_BYTES:
        raise fail(
            codes.BAD_TOPIC,
            f"found a topic of {len(value.encode()):,} bytes; wanted at most 65,535 (MQTT 5.0, section 1.5.4)",
        )
    if value.count("/") >= MOST_LEVELS:
        raise fail(
            codes.BAD_TOPIC,
            f"found a topic of {value.count('/') + 1} levels; wanted at most {MOST_LEVELS}: brokers refuse more",
        )
    return value


def _base(value: object) -> str:
    text = topic(value)
    if text.startswith("$"):
        raise fail(
            codes.BAD_TOPIC,
            f'{found(value)}; topics that begin with $ belong to the broker: wanted one such as "gatehand"',
        )
    if text.startswith("/") or text.endswith("/"):
        raise fail(
            codes.BAD_TOPIC, f"{found(value)}; wanted no / at either end: {json.dumps(text.strip('/') or 'gatehand')}"
        )
    return text


def _level(value: object) -> str:
    text = topic(value)
    if "/" in text or text.startswith("$"):
        raise fail(codes.BAD_TOPIC, f'{found(value)}; wanted one topic level, such as "homie"')
    return text


def pointer(value: object) -> str:
    """A JSON pointer (RFC 6901)."""
    if not isinstance(value, str):
        raise fail(codes.BAD_POINTER, f'{found(value)}; wanted a JSON pointer in quotes, such as "/amps"')
    if value and not value.startswith("/"):
        meant = json.dumps("/" + value.replace(".", "/"), ensure_ascii=False)
        raise fail(codes.BAD_POINTER, f"{found(value)}; a JSON pointer begins with /: wanted {meant} (RFC 6901)")
    if _BAD_TILDE.search(value):
        raise fail(
            codes.BAD_POINTER, f"{found(value)}; in a JSON pointer ~ is written ~0 and / inside a name ~1 (RFC 6901)"
        )
    return value


def payload(value: object) -> str:
    """A payload word as the text that travels: numbers and booleans become what JSON writes for them."""
    match value:
        case str() if value.strip() and "\0" not in value:
            return value
        case bool():
            return "true" if value else "false"
        case int() if abs(value) < _LARGEST_WORD:
            return str(value)
        case float() if abs(value) < _LARGEST_WORD:
            return json.dumps(value)
        case _:
            raise fail(
                codes.BAD_PAYLOAD, f"{found(value)}; wanted the payload: text in quotes, a number, true or false"
            )


_HOST_NAME = re.compile(
    r"[A-Za-z0-9]([A-Za-z0-9-]{0,61}[A-Za-z0-9])?(\.[A-Za-z0-9]([A-Za-z0-9-]{0,61}[A-Za-z0-9])?)*\.?"
)
"""RFC 1123, section 2.1."""
_LISTEN = re.compile(r"(?P<host>[^:\[\]]+|\[[0-9A-Fa-f:.]+\]):(?P<port>[0-9]{1,5})")


def listen(value: object) -> str:
    """An address of this computer and a port: `127.0.0.1:8080`, `[::1]:8080`."""
    wanted = 'wanted an address of this computer and a port, such as "127.0.0.1:8080"'
    taken = _LISTEN.fullmatch(value) if isinstance(value, str) else None
    if taken is None or not 0 < int(taken["port"]) <= _HIGHEST_PORT:
        raise fail(codes.BAD_ADDRESS, f"{found(value)}; {wanted}")
    try:
        ipaddress.ip_address(taken["host"].strip("[]"))
    except ValueError:
        raise fail(codes.BAD_ADDRESS, f"{found(value)}; {wanted}: a name may mean several addresses") from None
    return taken[0]


def host_name(value: object) -> str:
    """The name of a computer, without scheme and port."""
    if not isinstance(value, str) or _HOST_NAME.fullmatch(value) is None:
        raise fail(codes.BAD_ADDRESS, f'{found(value)}; wanted a name without http:// and port, such as "shop.local"')
    return value.lower().rstrip(".")


Listen = Annotated[str, PlainValidator(listen), _text_like("^.+:[0-9]{1,5}$")]
HostName = Annotated[str, PlainValidator(host_name), _text_like("^[A-Za-z0-9.-]+$")]

Topic = Annotated[
    str,
    PlainValidator(topic),
    WithJsonSchema({"type": "string", "pattern": "^[^+#\\u0000]+$", "maxLength": LONGEST_BYTES}),
]
Base = Annotated[str, PlainValidator(_base), _text_like("^[^+#$/\\u0000]([^+#\\u0000]*[^+#/\\u0000])?$")]
TopicLevel = Annotated[str, PlainValidator(_level), _text_like("^[^+#$/\\u0000][^+#/\\u0000]*$")]
Pointer = Annotated[str, PlainValidator(pointer), _text_like("^(/([^~]|~[01])*)?$")]
PayloadText = Annotated[
    str, PlainValidator(payload), WithJsonSchema({"type": ["string", "number", "boolean"], "minLength": 1})
]
