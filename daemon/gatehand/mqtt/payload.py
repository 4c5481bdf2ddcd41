"""From a payload's bytes to a number or a word, or to a clear statement that it is neither.

Nothing here raises on what the network sends: a bad payload is a `Rejected` value. The order of the checks is size,
UTF-8, JSON, pointer (RFC 6901), kind, finite, range. Of the shop only the largest readings are known here.
"""

import json
import re
from collections.abc import Mapping, Sequence
from contextlib import suppress
from datetime import datetime
from math import inf, isfinite
from typing import Annotated, Final, TypeVar

from msgspec import Meta, Struct, ValidationError, convert

from gatehand.text import named, printable

MAX_BYTES: Final = 65_536
"""A longer payload is never parsed."""
LARGEST_AMPS: Final = 1000.0
"""No sensor of a shop means more, either way: such a reading is rejected, from the broker and from a file."""
LARGEST_WATTS: Final = 400 * LARGEST_AMPS
"""The same of a meter that says watts: what that current is at 400 V."""
LARGEST_PASCALS: Final = 50_000.0
"""The same of a suction: twice what the strongest shop vacuum draws."""

_SHOWN: Final = 48
# float() alone takes "1_0", "nan", "infinity" and digits of other scripts; \d on bytes is ASCII only.
_NUMBER: Final = re.compile(rb"\s*[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?\s*")

_RFC_3339: Final = Annotated[datetime, Meta(tz=True)]
_LATEST: Final = 1e15
"""No clock in seconds or milliseconds has a larger number before the year 33,000."""

_INDEX: Final = re.compile("0|[1-9][0-9]{0,8}")
"""Of a list (RFC 6901 section 4): no leading zeros, and not "-", the element after the last, which is never there."""

T = TypeVar("T")


class Rejected(Struct, frozen=True):
    """A payload that is no value: `why` says what was found and what is wanted, `shown` is a short safe excerpt."""

    why: str
    shown: str
    old: bool = False
    """It could be read, and is too old to count."""


class Absent(Rejected, frozen=True):
    """There is nothing at the pointer: what the message says is not this."""


class Null(Rejected, frozen=True):
    """JSON's null is there: the device says that it does not know."""


class OtherWord(Rejected, frozen=True):
    """A word, and not one of those that its table has."""


class MeasuredAt(Struct, frozen=True):
    """When something was measured: a number of any clock, or seconds, where a text gave date and time."""

    value: float
    is_text: bool = False


class UnknownWord(Struct, frozen=True):
    """A readable word that is none of those looked for, for instance of a gate half-way."""

    text: str


class Payload:
    """One message's bytes, parsed as JSON at most once, however many readers look into it."""

    __slots__ = ("_document", "raw")

    def __init__(self, raw: bytes) -> None:
        self.raw = raw
        self._document: tuple[object | Rejected] | None = None

    def document(self) -> object | Rejected:
        """The JSON document as `json.loads` gives it, or why there is none."""
        if self._document is None:
            self._document = (_parse(self.raw),)
        return self._document[0]


class Reader:
    """Reads one value out of payloads: the number or word that the payload is, or that a JSON Pointer names in it.

    Args:
        pointer: RFC 6901 text; None: the payload itself is the value; "": the payload is JSON as a whole.
        scale: factor on numbers.

    Raises:
        ValueError: `pointer` is no JSON Pointer, or `scale` is not finite; the message says which and what to do.
    """

    __slots__ = ("_scale", "_tokens", "pointer")

    def __init__(self, pointer: str | None = None, scale: float = 1.0) -> None:
        if not isfinite(scale):
            raise ValueError(f"scale must be a finite number, found {scale!r}")
        self.pointer = pointer
        self._tokens = None if pointer is None else parse_pointer(pointer)
        self._scale = scale

    def read_number(self, payload: bytes | Payload, limit: float = LARGEST_AMPS) -> float | Rejected:
        """The number times `scale`, finite and within `limit` either way, sign kept; or why it is none."""
        if self._tokens is not None:
            return self._number_inside(payload if isinstance(payload, Payload) else Payload(payload), limit)
        raw = payload.raw if isinstance(payload, Payload) else payload
        if len(raw) <= MAX_BYTES and _NUMBER.fullmatch(raw):
            value = float(raw) * self._scale
            # Written so that NaN (an infinite number times a scale of 0) fails it too.
            return value if -limit <= value <= limit else _out_of_range(value, limit, raw)
        return _no_plain_number(raw)

    def read_word(self, payload: bytes | Payload, words: Mapping[str, T]) -> T | UnknownWord | Rejected:
        """What `words` holds for the payload's text; JSON numbers and booleans match their text, so 1.0 matches "1"."""
        raw = payload.raw if isinstance(payload, Payload) else payload
        if self._tokens is None:
            text = _text(raw)
            if isinstance(text, Rejected):
                return text
            if not text and text not in words:  # what a broker sends when a retained message is removed
                return Rejected("found an empty payload, want a word", "")
            return _look_up(text, words, fold_numbers=_NUMBER.fullmatch(raw) is not None)
        found = self._find(payload if isinstance(payload, Payload) else Payload(payload))
        match found:
            case Rejected():
                return found
            case bool():
                return _look_up("true" if found else "false", words, fold_numbers=False)
            case str():
                return _look_up(found, words, fold_numbers=False)
            case int() | float() if isfinite(_as_float(found)):
                return _look_up(repr(found), words, fold_numbers=True)
            case None:
                return self._null("a word", raw)
            case _:
                return Rejected(f"found {_kind(found)}{self._where()} where a word is wanted", excerpt(raw))

    def read_moment(self, payload: bytes | Payload) -> MeasuredAt | Rejected:
        """When it was measured: a finite number, or a text as RFC 3339 has it, with its offset."""
        parsed = payload if isinstance(payload, Payload) else Payload(payload)
        found = self._find(parsed)
        if not isinstance(found, str):
            value = found if isinstance(found, Rejected) else self._number_inside(parsed, _LATEST)
            return value if isinstance(value, Rejected) else MeasuredAt(value)
        with suppress(ValidationError, UnicodeEncodeError):  # no such text, or one with half of a surrogate pair
            return MeasuredAt(convert(found, _RFC_3339).timestamp(), is_text=True)
        wanted = 'a number of seconds or milliseconds, or text such as "2026-05-04T09:30:00Z"'
        return Rejected(f"found {_kind(found)}{self._where()}, want {wanted}", excerpt(parsed.raw))

    def _number_inside(self, payload: Payload, limit: float) -> float | Rejected:
        found = self._find(payload)
        if isinstance(found, Rejected):
            return found
        if found is None:
            return self._null("a number", payload.raw)
        if isinstance(found, bool) or not isinstance(found, int | float):
            return Rejected(f"found {_kind(found)}{self._where()} where a number is wanted", excerpt(payload.raw))
        value = _as_float(found) * self._scale
        return value if -limit <= value <= limit else _out_of_range(value, limit, payload.raw)

    def _find(self, payload: Payload) -> object | Rejected:
        document = payload.document()
        if isinstance(document, Rejected):
            return document
        found = resolve(document, self._tokens or ())
        if isinstance(found, Missing):
            return Absent(f"nothing at {found.at}: {found.why}", excerpt(payload.raw))
        return found

    def _null(self, wanted: str, raw: bytes) -> Null:
        return Null(f"found null{self._where()} where {wanted} is wanted (its device does not know it)", excerpt(raw))

    def _where(self) -> str:
        return f" at {self.pointer}" if self.pointer else ""


def excerpt(raw: bytes) -> str:
    """The beginning of a payload as printable text that any log can hold; its length when it was cut."""
    safe = printable(raw[:_SHOWN].decode("utf-8", "backslashreplace"))
    if len(raw) <= _SHOWN:
        return safe
    return f"{safe}... ({'over ' if len(raw) > MAX_BYTES else ''}{min(len(raw), MAX_BYTES):,} bytes)"


def _parse(raw: bytes) -> object | Rejected:
    text = _text(raw)
    if isinstance(text, Rejected):
        return text
    try:
        document: object = json.loads(text)
    except RecursionError:
        return Rejected("found JSON nested too deeply, want a plain object or value", excerpt(raw))
    except json.JSONDecodeError as error:
        return Rejected(f"found no JSON ({error.msg.lower()} at character {error.pos}), want JSON", excerpt(raw))
    except ValueError:  # an integer of more digits than Python converts
        return Rejected("found a number of thousands of digits, want JSON with ordinary numbers", excerpt(raw))
    return document


def _text(raw: bytes) -> str | Rejected:
    if len(raw) > MAX_BYTES:
        return Rejected(f"found more than {MAX_BYTES:,} bytes, want a short payload; it was not read", excerpt(raw))
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError as error:
        return Rejected(f"found bytes that are not UTF-8 (from byte {error.start}), want UTF-8 text", excerpt(raw))


def _no_plain_number(raw: bytes) -> Rejected:
    text = _text(raw)
    if isinstance(text, Rejected):
        return text
    begin = text.lstrip()[:1]
    if not begin:
        return Rejected("found an empty payload, want a number", excerpt(raw))
    if begin in "{[":
        return Rejected("found JSON, want a number; say with `pointer` where in it the number is", excerpt(raw))
    return Rejected("found text that is not a number, want a number such as 4.2", excerpt(raw))


def _look_up(text: str, words: Mapping[str, T], *, fold_numbers: bool) -> T | UnknownWord:
    for form in (text, text.strip()):
        if form in words:
            return words[form]
    if fold_numbers:
        for word, meaning in words.items():
            if _NUMBER.fullmatch(word.encode("utf-8", "replace")) and float(word) == float(text):
                return meaning
    return UnknownWord(text.strip()[:_SHOWN].encode("utf-8", "backslashreplace").decode())


def _out_of_range(value: float, limit: float, raw: bytes) -> Rejected:
    found = f"found {value:g}" if isfinite(value) else "found a number that is not finite"
    return Rejected(f"{found}, want a number within {limit:,g} either way", excerpt(raw))


def _as_float(number: float) -> float:
    try:
        return float(number)
    except OverflowError:  # an integer of hundreds of digits
        return inf


def _kind(value: object) -> str:
    match value:
        case bool():
            return "true" if value else "false"
        case str():
            return f"the text {value[:20].encode('utf-8', 'backslashreplace').decode()!r}"
        case dict():
            return "an object"
        case list():
            return "a list"
        case _:
            return "a number that is not finite"


class Missing(Struct, frozen=True):
    """The document has no value there. `at` is the part of the pointer up to the first step that fails."""

    at: str
    why: str


def parse_pointer(text: str) -> tuple[str, ...]:
    """The reference tokens of a pointer, unescaped (RFC 6901 sections 3 and 4).

    Raises:
        ValueError: the text is no JSON Pointer; the message says what is wrong and how it should look.
    """
    if not text:
        return ()
    if text[0] != "/":
        raise ValueError(f"a JSON Pointer begins with '/', found {text!r}; write {'/' + text!r}")
    tokens = []
    for raw in text[1:].split("/"):
        rest = raw.replace("~0", "").replace("~1", "")
        if "~" in rest:
            raise ValueError(f"'~' in {text!r} must be written '~0' (and a '/' within a name '~1')")
        # First ~1, then ~0: the other order would turn "~01" into "/" (RFC 6901 section 4).
        tokens.append(raw.replace("~1", "/").replace("~0", "~"))
    return tuple(tokens)


def write_pointer(tokens: Sequence[str]) -> str:
    """The pointer's text; the inverse of `parse_pointer`."""
    return "".join("/" + token.replace("~", "~0").replace("/", "~1") for token in tokens)


def resolve(document: object, tokens: Sequence[str]) -> object | Missing:
    """The value at `tokens` in a document as `json.loads` gives it, or `Missing`."""
    value = document
    for depth, token in enumerate(tokens):
        match value:
            case dict():
                if token not in value:
                    return Missing(write_pointer(tokens[: depth + 1]), f"there is no {token!r}{_offer(value)}")
                value = value[token]
            case list():
                if not _INDEX.fullmatch(token):
                    return Missing(write_pointer(tokens[: depth + 1]), f"a list has no {token!r}, only numbers from 0")
                if int(token) >= len(value):
                    text = f"the list has only {named(len(value), 'element')}"
                    return Missing(write_pointer(tokens[: depth + 1]), text)
                value = value[int(token)]
            case _:
                return Missing(write_pointer(tokens[: depth + 1]), "what comes before it holds no further values")
    return value


def _offer(members: Mapping[str, object]) -> str:
    if not members:
        return "; the object is empty"
    few = ", ".join(repr(name[:20]) for name in list(members)[:4])
    return f"; there is {few}" + (", ..." if len(members) > 4 else "")  # noqa: PLR2004
