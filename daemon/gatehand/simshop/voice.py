"""How a device puts a value into a payload: by the config's words, pointers and scales. Knows no device.

Devices behind one gateway share a topic and differ by pointer; what they say stands in one document that is sent as a
whole, as gateways do.
"""

import json
import math
from dataclasses import dataclass
from typing import Any, Final

from gatehand.config.signals import Button, Current, Heard

_DIGITS: Final = 6
_LONGEST_LIST: Final = 1000


@dataclass(frozen=True, slots=True)
class Sent:
    """A message that a device publishes at `at` (seconds of the agenda's clock)."""

    at: float
    topic: str
    payload: bytes
    retain: bool = False


class Voice:
    """Collects what all devices of a shop say, in the order in which they say it."""

    def __init__(self) -> None:
        self._sent: list[Sent] = []
        self._documents: dict[str, Any] = {}

    def drain(self) -> list[Sent]:
        """What was said since the last call."""
        sent, self._sent = self._sent, []
        return sent

    def amps(self, heard: Current, amps: float, at: float) -> None:
        """A current, divided by the config's scale so that the listener gets ampere again. Never retained.

        Where the config wants to know when it was measured, a board's clock says so in milliseconds.
        """
        if heard.at is not None:
            document = _put(self._documents.get(heard.topic), _tokens(heard.at), round(at * 1000))
            self._documents[heard.topic] = document
        value = float(f"{amps / heard.scale:.{_DIGITS}g}")
        self._say(heard, value, f"{value:.{_DIGITS}g}", at, retain=False)

    def word(self, heard: Heard, word: str, at: float, *, retain: bool) -> None:
        """A word of the config, such as a gate's "open"."""
        self._say(heard, _as_json(word), word, at, retain=retain)

    def press(self, button: Button, at: float) -> None:
        """A button: said once, and gone from a shared document afterwards. Never retained."""
        self._say(button, _as_json(button.pressed), button.pressed, at, retain=False)
        if button.pointer:
            document = self._documents[button.topic]
            self._documents[button.topic] = _put(document, _tokens(button.pointer), None)

    def raw(self, topic: str, payload: bytes, at: float, *, retain: bool = False) -> None:
        """Any bytes: what a broken device says."""
        self._sent.append(Sent(at, topic, payload, retain))

    def _say(self, heard: Heard, value: object, text: str, at: float, *, retain: bool) -> None:
        if heard.pointer is None:
            payload = text.encode()
        else:
            document = _put(self._documents.get(heard.topic), _tokens(heard.pointer), value)
            self._documents[heard.topic] = document
            payload = json.dumps(document, ensure_ascii=False).encode()
        self._sent.append(Sent(at, heard.topic, payload, retain))


def _as_json(word: str) -> object:
    """A word that JSON has as a number or a boolean is sent as one."""
    try:
        value: object = json.loads(word)
    except ValueError:
        return word
    if isinstance(value, bool) or (isinstance(value, int | float) and math.isfinite(value)):
        return value
    return word


def _tokens(pointer: str) -> list[str]:
    # RFC 6901 section 4: first ~1, then ~0.
    return [token.replace("~1", "/").replace("~0", "~") for token in pointer.split("/")[1:]]


def _put(document: Any, tokens: list[str], value: object) -> Any:  # noqa: ANN401 - a JSON document
    """The document with `value` at `tokens`; what is missing on the way is made. A whole number makes a list."""
    if not tokens:
        return value
    first, rest = tokens[0], tokens[1:]
    is_index = first.isascii() and first.isdigit() and str(int(first)) == first and int(first) < _LONGEST_LIST
    if isinstance(document, list) or (document is None and is_index):
        items = list(document or [])
        at = int(first)
        items.extend([None] * (at + 1 - len(items)))
        items[at] = _put(items[at], rest, value)
        return items
    members = dict(document) if isinstance(document, dict) else {}
    members[first] = _put(members.get(first), rest, value)
    return members
