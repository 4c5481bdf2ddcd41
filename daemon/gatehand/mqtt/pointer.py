"""JSON Pointer after RFC 6901: one value out of a JSON document. No evaluation beyond the RFC, no I/O."""

from collections.abc import Mapping, Sequence
from typing import Final

from msgspec import Struct

_INDEX_DIGITS: Final = frozenset("0123456789")
_LONGEST_INDEX: Final = 9  # no document within the size cap has more elements than that


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
                if not _is_index(token):
                    return Missing(write_pointer(tokens[: depth + 1]), f"a list has no {token!r}, only numbers from 0")
                if int(token) >= len(value):
                    return Missing(write_pointer(tokens[: depth + 1]), f"the list has only {len(value)} elements")
                value = value[int(token)]
            case _:
                return Missing(write_pointer(tokens[: depth + 1]), "what stands before it holds no further values")
    return value


def _is_index(token: str) -> bool:
    """Digits without leading zeros (RFC 6901 section 4); "-" names the element after the last, which is never there."""
    digits = 0 < len(token) <= _LONGEST_INDEX and set(token) <= _INDEX_DIGITS
    return digits and (len(token) == 1 or token[0] != "0")


def _offer(members: Mapping[str, object]) -> str:
    if not members:
        return "; the object is empty"
    few = ", ".join(repr(name[:20]) for name in list(members)[:4])
    return f"; there is {few}" + (", ..." if len(members) > 4 else "")  # noqa: PLR2004
