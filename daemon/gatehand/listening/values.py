"""One payload as the values that a config can name: itself, or what JSON pointers (RFC 6901) lead to.

Values are what `gatehand.mqtt.payload` would read there; nothing here parses bytes a second way.
"""

from collections.abc import Iterator
from enum import StrEnum
from math import inf, isfinite
from typing import Final, NamedTuple, TypeAlias

from gatehand.mqtt.payload import MAX_BYTES, Payload, Reader, write_pointer

LONGEST_WORD: Final = 48
"""Characters; a longer text is no word of a switch or button, and only its beginning is kept."""
LONGEST_POINTER: Final = 160
"""Characters; what stands below longer names is left out."""
DEEPEST: Final = 8
"""Levels of JSON that are looked into."""
MOST_VALUES: Final = 64
"""Of one payload; the rest is left out."""

_PLAIN: Final = Reader()
_NOT_FINITE: Final = frozenset({"nan", "inf", "infinity"})


class Odd(StrEnum):
    """A payload, or a place in one, without a value that a config could use."""

    EMPTY = "empty"
    """No bytes (as when a retained message is removed), or JSON's null."""
    BINARY = "binary"
    """Bytes that are not UTF-8."""
    HUGE = "huge"
    """More than the daemon ever reads."""
    UNREADABLE = "unreadable"
    """What begins as JSON and is none, JSON nested too deeply, or a number that is not finite."""


Value: TypeAlias = float | str | Odd
"""A number, a word, or neither."""


class Found(NamedTuple):
    """One value. `pointer` None: the payload itself; "": the payload is one JSON text, such as "ON" with its quotes."""

    pointer: str | None
    value: Value


class Values(NamedTuple):
    """All that were looked at. `left_out`: how many more, or more deeply nested, places there are, at least."""

    found: list[Found]
    left_out: int


def values(raw: bytes) -> Values:
    """The values of a payload, in its own order. Never raises; a payload without any gives one `Odd`."""
    if not raw:
        return _only(Odd.EMPTY)
    if len(raw) > MAX_BYTES:
        return _only(Odd.HUGE)
    number = _PLAIN.read_number(raw, inf)
    if isinstance(number, float):
        return _only(number if isfinite(number) else Odd.UNREADABLE)
    payload = Payload(raw)
    try:
        text = raw.decode("utf-8").strip()
    except UnicodeDecodeError:
        return _only(Odd.BINARY)
    if text[:1] in {"{", "[", '"'}:
        document = payload.document()
        if isinstance(document, dict | list):
            return _inside(document)
        if isinstance(document, str):
            return Values([Found("", _word(document))], 0)
        return _only(Odd.UNREADABLE)  # no JSON, for all that it begins so
    if text.lstrip("+-").casefold() in _NOT_FINITE:
        return _only(Odd.UNREADABLE)
    return _only(_word(text))


def as_word(value: float | str) -> str:
    """The value as a config writes the word that means it: 1.0 is "1"."""
    if isinstance(value, str):
        return value
    return str(int(value)) if value == int(value) and abs(value) < 10**15 else repr(value)


def _only(value: Value) -> Values:
    return Values([Found(None, value)], 0)


def _word(text: str) -> Value:
    stripped = text.strip()
    # A lone half of a surrogate pair, as JSON may hold, cannot be written in a config.
    return stripped[:LONGEST_WORD].encode("utf-8", "backslashreplace").decode() if stripped else Odd.EMPTY


def _inside(document: object) -> Values:
    found: list[Found] = []
    left_out = 0
    for tokens, value in _leaves(document, ()):
        pointer = write_pointer(tokens)
        if value is _TOO_DEEP or len(found) >= MOST_VALUES or len(pointer) > LONGEST_POINTER:
            left_out += 1
            if left_out > MOST_VALUES:
                break
        elif (read := _leaf(value)) is not None:
            found.append(Found(pointer.encode("utf-8", "backslashreplace").decode(), read))
    return Values(found or [Found(None, Odd.EMPTY)], left_out)


_TOO_DEEP: Final = object()


def _leaves(value: object, tokens: tuple[str, ...]) -> Iterator[tuple[tuple[str, ...], object]]:
    members: Iterator[tuple[str, object]]
    match value:
        case dict():
            members = iter(value.items())
        case list():
            members = ((str(at), each) for at, each in enumerate(value))
        case _:
            yield tokens, value
            return
    if len(tokens) >= DEEPEST:
        yield tokens, _TOO_DEEP
        return
    for name, member in members:
        yield from _leaves(member, (*tokens, name))


def _leaf(value: object) -> Value | None:
    match value:
        case None:
            return Odd.EMPTY
        case bool():
            return "true" if value else "false"
        case str():
            return _word(value)
        case int() | float():
            try:
                number = float(value)
            except OverflowError:  # an integer of hundreds of digits
                return Odd.UNREADABLE
            return number if isfinite(number) else Odd.UNREADABLE
        case _:
            return None
