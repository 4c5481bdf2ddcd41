"""Boards of our own, known by what they say about themselves: retained, `shop/ROLE/NAME/about`.

Its role and topics make its tables in the config, so that nobody is asked for a topic.
"""

import json
from collections.abc import Mapping
from typing import Final

from msgspec import Struct

from gatehand.first_config.questions import SignalAnswer

LAST: Final = "/about"
_ROLES: Final = frozenset({"gate", "switch", "sensor", "contact"})
_WORDS: Final[Mapping[tuple[str, str], Mapping[str, str]]] = {
    ("gate", "set"): {"open": "open", "shut": "shut"},
    ("gate", "state"): {"open": "open", "shut": "shut"},
    ("switch", "set"): {"on": "1", "off": "0"},
    ("switch", "state"): {"on": "1", "off": "0"},
    ("contact", "state"): {"active": "1", "clear": "0"},
    ("contact", "button"): {"pressed": "1", "released": "0"},
    ("gate", "button"): {"pressed": "1"},
}
"""What boards say and hear, by role and the topic's last level."""
_ONLINE: Final[Mapping[str, str]] = {"active": "1", "clear": "0"}


class Board(Struct, frozen=True):
    """One board. `topics`: by their last level."""

    role: str
    name: str
    topics: dict[str, str]

    def signal(self, last: str) -> SignalAnswer | None:
        """What it says or hears there; None: it has no such topic."""
        topic = self.topics.get(last)
        if topic is None:
            return None
        if last == "online":
            return SignalAnswer(topic, words=dict(_ONLINE))
        if last == "amps":
            return SignalAnswer(topic, "/amps", at="/at")
        return SignalAnswer(topic, words=dict(_WORDS.get((self.role, last), {})))


def board(topic: str, payload: bytes) -> Board | None:
    """The board that says this about itself; None: it is none of ours, or of a kind that is not known yet."""
    if not topic.endswith(LAST):
        return None
    try:
        body = json.loads(payload)
    except (ValueError, RecursionError):
        return None
    if not isinstance(body, dict) or body.get("gatehand_board") != 1 or body.get("role") not in _ROLES:
        return None
    name, said = body.get("name"), body.get("topics")
    if not isinstance(name, str) or not isinstance(said, list | dict):
        return None
    home = topic.removesuffix(LAST)
    listed = list(said.values() if isinstance(said, dict) else said)
    # A level alone, or the whole topic.
    whole = [one if "/" in one else f"{home}/{one}" for one in listed if isinstance(one, str)]
    return Board(body["role"], name, {one.rpartition("/")[2]: one for one in whole})
