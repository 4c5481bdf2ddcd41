"""Topics, pointers and payload words: what MQTT (OASIS 5.0, sections 1.5.4 and 4.7) and RFC 6901 allow.

What only shows across tables, such as one topic used twice, stands in `checks/topics.py`.
"""

import json
import re
import unicodedata
from typing import Annotated, Final

from pydantic import PlainValidator, WithJsonSchema

from gatehand.config.values import fail
from gatehand.text import found

LONGEST_BYTES: Final = 65535
MOST_LEVELS: Final = 200
"""Brokers refuse topics with more levels, so a longer one could never be used."""

_LARGEST: Final = 10**15
"""Larger numbers do not survive every JSON reader."""
_BAD_TILDE = re.compile(r"~(?![01])")


def topic(value: object) -> str:
    """A topic name: no wildcard, not empty, no control characters, at most 65,535 bytes of UTF-8."""
    if not isinstance(value, str):
        raise fail(f"{found(value)}; wanted a topic in quotes")
    if not value:
        raise fail('found an empty text; wanted a topic such as "shop/band_saw/amps"')
    if wildcard := next((mark for mark in "+#" if mark in value), None):
        raise fail(f"{found(value)}; a topic here names one device, so it has no wildcard: {wildcard} is one")
    if any(unicodedata.category(char) in {"Cc", "Cs"} for char in value):
        raise fail(f"{found(value)}; a topic has no NUL or other control characters")
    if len(value.encode()) > LONGEST_BYTES:
        raise fail(f"found a topic of {len(value.encode()):,} bytes; wanted at most 65,535 (MQTT 5.0, section 1.5.4)")
    if value.count("/") >= MOST_LEVELS:
        raise fail(f"found a topic of {value.count('/') + 1} levels; wanted at most {MOST_LEVELS}: brokers refuse more")
    return value


def _base(value: object) -> str:
    text = topic(value)
    if text.startswith("$"):
        raise fail(f'{found(value)}; topics that begin with $ belong to the broker: wanted one such as "gatehand"')
    if text.startswith("/") or text.endswith("/"):
        raise fail(f"{found(value)}; wanted no / at either end: {json.dumps(text.strip('/') or 'gatehand')}")
    return text


def _level(value: object) -> str:
    text = topic(value)
    if "/" in text or text.startswith("$"):
        raise fail(f'{found(value)}; wanted one topic level, such as "homie"')
    return text


def _pointer(value: object) -> str:
    if not isinstance(value, str):
        raise fail(f'{found(value)}; wanted a JSON pointer in quotes, such as "/amps"')
    if value and not value.startswith("/"):
        meant = json.dumps("/" + value.replace(".", "/"), ensure_ascii=False)
        raise fail(f"{found(value)}; a JSON pointer begins with /: wanted {meant} (RFC 6901)")
    if _BAD_TILDE.search(value):
        raise fail(f"{found(value)}; in a JSON pointer ~ is written ~0 and / inside a name ~1 (RFC 6901)")
    return value


def payload(value: object) -> str:
    """A payload word as the text that travels: numbers and booleans become what JSON writes for them."""
    match value:
        case str() if value.strip() and "\0" not in value:
            return value
        case bool():
            return "true" if value else "false"
        case int() if abs(value) < _LARGEST:
            return str(value)
        case float() if abs(value) < _LARGEST:
            return json.dumps(value)
        case _:
            raise fail(f"{found(value)}; wanted the payload: a text in quotes, a number, true or false")


_TOPIC_SCHEMA = {"type": "string", "pattern": "^[^+#\\u0000]+$", "maxLength": LONGEST_BYTES}

Topic = Annotated[str, PlainValidator(topic), WithJsonSchema(_TOPIC_SCHEMA)]
Base = Annotated[
    str,
    PlainValidator(_base),
    WithJsonSchema({"type": "string", "pattern": "^[^+#$/\\u0000]([^+#\\u0000]*[^+#/\\u0000])?$"}),
]
Level = Annotated[
    str, PlainValidator(_level), WithJsonSchema({"type": "string", "pattern": "^[^+#$/\\u0000][^+#/\\u0000]*$"})
]
Pointer = Annotated[str, PlainValidator(_pointer), WithJsonSchema({"type": "string", "pattern": "^(/([^~]|~[01])*)?$"})]
Payload = Annotated[
    str, PlainValidator(payload), WithJsonSchema({"type": ["string", "number", "boolean"], "minLength": 1})
]
