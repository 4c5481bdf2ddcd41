"""Boards of our own, known by what they say about themselves: retained, `.../about`.

`{"gatehand_board": 1, "role", "name", "topics", "signals", ...}`: `topics` by what a board does there, `signals` the
words and keys of each, where they are not the usual ones. A board of contacts has `inputs` instead, each with all that
belongs to it. From that its tables in the config are made, so that nobody is asked for a topic.
"""

import json
from collections.abc import Iterator, Mapping
from typing import Any, Final

from msgspec import Struct
from pydantic_core import PydanticCustomError

from gatehand.config import values
from gatehand.first_config.questions import SignalAnswer
from gatehand.mqtt.payload import write_pointer
from gatehand.text import printable

LAST: Final = "/about"
LONGEST: Final = 2048
"""Bytes; a board has no room for more."""
COMMENT: Final = "a board that announces itself"
_ROLES: Final = frozenset({"gate", "switch", "sensor", "contact"})
_CONTACT: Final[Mapping[str, str]] = {"active": "1", "clear": "0"}
_PRESS: Final[Mapping[str, str]] = {"pressed": "1", "released": "0"}
_WORDS: Final[Mapping[tuple[str, str], Mapping[str, str]]] = {
    ("gate", "set"): {"open": "open", "shut": "shut"},
    ("gate", "state"): {"open": "open", "shut": "shut"},
    ("gate", "button"): {"pressed": "1"},
    ("switch", "set"): {"on": "1", "off": "0"},
    ("switch", "state"): {"on": "1", "off": "0"},
    ("contact", "state"): _CONTACT,
    ("contact", "button"): _PRESS,
}
"""What boards say and hear where they name no other words, by role and by what they do there."""
_LIKELIEST: Final[Mapping[str, str]] = {"closed": "stop", "open": "tool running", "button": "collector reset"}
"""What an input is in the config, where its board does not say."""
WITH_ONLINE: Final = frozenset({"tool", "stop"})
"""Kinds whose table has the board's `online` where the contact is its only one. A collector's is its switch's."""
_INPUT_WORDS: Final[Mapping[str, Mapping[str, str]]] = {"closed": _CONTACT, "open": _CONTACT, "button": _PRESS}
_LIMIT_OF_REFRESH: Final = 2.5
"""A switch's time limit is so many refreshes."""

Lines = dict[str, "SignalAnswer | float"]
"""Keys of a table of the config, and what they hold."""


class Input(Struct, frozen=True):
    """One contact of a board. `of`: what it is in the config, such as `stop`, `collector bin_full`; empty: not said."""

    kind: str
    name: str
    signal: SignalAnswer
    of: str = ""


class Board(Struct, frozen=True):
    """One board. `topics` and `formats`: by what it does there."""

    role: str
    name: str
    topics: dict[str, str]
    formats: dict[str, dict[str, Any]] = {}
    """What it says of words and keys."""
    inputs: tuple[Input, ...] = ()
    facts: dict[str, float] = {}
    """`travel_ms`, `limit_ms`."""

    def signal(self, last: str) -> SignalAnswer | None:
        """What it says or hears there; None: it has no such topic."""
        topic = self.topics.get(last)
        if topic is None:
            return None
        words = _CONTACT if last == "online" else _WORDS.get((self.role, last), {})
        given = self.formats.get(last)
        if given is None:
            given = {"path": ["amps"], "at": ["at"]} if last == "amps" else {}
        return _answer(topic, given, words)

    @property
    def label(self) -> str:
        """As it is spoken of: `gate band_saw`, `contact main (bin_full)`."""
        keys = dict.fromkeys(one.of.partition(" ")[2] for one in self.inputs)
        more = [key for key in keys if key]
        return printable(f"{self.role} {self.name}" + (f" ({', '.join(more)})" if more else ""))

    @property
    def own(self) -> tuple[str, ...]:
        """The topics that a config may name, but for `online`."""
        return (
            *(topic for last, topic in self.topics.items() if last != "online"),
            *(i.signal.topic for i in self.inputs),
        )

    def seconds(self, fact: str) -> float | None:
        """A figure that it gives in milliseconds; None: it gives none."""
        found = self.facts.get(fact)
        return None if found is None else found / 1000

    @property
    def refresh(self) -> float | None:
        """How often its `on` must be repeated, by its time limit; None: it does not tell its limit."""
        limit = self.seconds("limit_ms")
        return None if limit is None else round(limit / _LIMIT_OF_REFRESH, 3)

    def contact(self, kind: str, name: str, key: str = "") -> SignalAnswer | None:
        """Its input for a device of the config (a stop has no key); None: it has none."""
        wanted = f"{kind} {key}".strip()
        by_kind = {"stop": "closed", "collector bin_full": "closed", "collector reset": "button"}.get(wanted, "open")
        for one in self.inputs:
            if one.name == name and (one.of == wanted or (not one.of and one.kind == by_kind)):
                return one.signal
        return None


def board(topic: str, payload: bytes) -> Board | None:
    """The board that says this about itself; None: it is none of ours, or of a kind that is not known yet."""
    if not topic.endswith(LAST) or len(payload) > LONGEST:
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
    topics = {last: _whole(home, one) for last, one in _named(said) if _is_topic(_whole(home, one))}
    formats = {last: each for last, each in _items(body.get("signals")) if isinstance(each, dict)}
    inputs = tuple(_inputs(body.get("inputs")))
    if body["role"] == "contact" and not inputs and "state" in topics:
        inputs = (Input("closed", name, SignalAnswer(topics["state"], words=dict(_CONTACT)), "stop"),)
    facts = {key: float(body[key]) for key in ("travel_ms", "limit_ms") if _is_positive(body.get(key))}
    return Board(body["role"], name, topics, formats, inputs, facts)


def tables(board: Board) -> Iterator[tuple[str, str, Lines]]:
    """Its tables in the config: kind, name, and the keys that it settles."""
    online = board.signal("online")
    if board.role == "gate":
        lines = _lines(board, {"command": "set", "state": "state", "button": "button"})
        if "command" in lines and (travel := board.seconds("travel_ms")) is not None:
            lines["travel"] = travel
        yield "gate", board.name, lines | _maybe("online", online)
    elif board.role == "switch":
        lines = _lines(board, {"command": "set", "state": "state", "current": "amps"})
        yield "collector", board.name, lines | _maybe("refresh", board.refresh) | _maybe("online", online)
    elif board.role == "sensor":
        yield "tool", board.name, _lines(board, {"current": "amps"}) | _maybe("online", online)
    for one in board.inputs:
        kind, _, key = (one.of or _LIKELIEST[one.kind]).partition(" ")
        alone = kind in WITH_ONLINE and len(board.inputs) == 1
        yield kind, one.name, _maybe(key or "contact", one.signal) | (_maybe("online", online) if alone else {})


def _lines(board: Board, keys: Mapping[str, str]) -> Lines:
    return {key: found for key, last in keys.items() if (found := board.signal(last)) is not None}


def _maybe(key: str, value: "SignalAnswer | float | None") -> Lines:
    return {} if value is None else {key: value}


def _named(said: list[Any] | dict[Any, Any]) -> Iterator[tuple[str, str]]:
    """By what a board does there; in a list by each topic's last level."""
    if isinstance(said, dict):
        yield from ((last, one) for last, one in _items(said) if isinstance(one, str))
    else:
        yield from ((one.rpartition("/")[2], one) for one in said if isinstance(one, str))


def _items(found: object) -> Iterator[tuple[str, Any]]:
    if isinstance(found, dict):
        yield from found.items()


def _whole(home: str, one: str) -> str:
    """A level alone, or the whole topic."""
    return one if "/" in one else f"{home}/{one}"


def _is_topic(text: str) -> bool:
    try:
        values.topic(text)
    except PydanticCustomError:
        return False
    return True


def _is_positive(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and 0 < value < 10**9


def _inputs(said: object) -> Iterator[Input]:
    for one in said if isinstance(said, list) else ():
        if not isinstance(one, dict):
            continue
        kind, name, topic, of = (str(one.get(key, "")) for key in ("kind", "name", "topic", "for"))
        if kind in _INPUT_WORDS and name and _is_topic(topic):
            yield Input(kind, name, _answer(topic, one, _INPUT_WORDS[kind]), of if of in _OF else "")


_OF: Final = frozenset({"stop", "tool running", "collector running", "collector bin_full", "collector reset"})


def _answer(topic: str, given: Mapping[str, Any], usual: Mapping[str, str]) -> SignalAnswer:
    """What it says of itself, over what is usual; what makes no sense is left out."""
    words = {key: _word(given.get(key), word) for key, word in usual.items()}
    scale, poll = _scale(given.get("scale")), given.get("poll")
    asks = None
    if isinstance(poll, dict) and isinstance(poll.get("topic"), str) and isinstance(poll.get("payload"), str):
        asks = (poll["topic"], poll["payload"]) if _is_topic(poll["topic"]) and poll["payload"].strip() else None
    return SignalAnswer(
        topic,
        _pointer(given.get("path")),
        words,
        scale,
        _pointer(given.get("at")),
        asks,
    )


def _word(said: object, usual: str) -> str:
    return said if isinstance(said, str) and said.strip() and "\0" not in said else usual


def _scale(value: object) -> float:
    sound = isinstance(value, int | float) and not isinstance(value, bool) and 0 < abs(value) < 10**9
    return float(value) if sound and isinstance(value, int | float) else 1.0


def _pointer(path: object) -> str | None:
    if not isinstance(path, list) or not path or not all(isinstance(key, str) for key in path):
        return None
    return write_pointer(path)
