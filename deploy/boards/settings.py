"""settings.json as the programs read it: each value that is missing or wrong says where it is and what is wanted.

`gatehand boards` writes that file; nothing in here knows what the values are for.
"""

import json

TYPE_CHECKING = False
if TYPE_CHECKING:
    from typing import Any

FILE = "settings.json"


class WrongSettings(Exception):
    """A setting is missing or wrong: where, what was found, what is wanted."""


class Settings:
    """A table of settings.json that says where a value is missing or wrong."""

    def __init__(self, table: "dict[str, Any]", where: str = FILE) -> None:
        self._table = table
        self.where = where

    def get(self, key: str, kind: "type", default: "Any" = None) -> "Any":
        """The value, or the default where it is left out or null."""
        found = self._table.get(key)
        if found is None:
            return default
        if isinstance(found, bool) != (kind is bool) or not isinstance(found, (int, float) if kind is float else kind):
            shown = "of another kind" if key == "password" else repr(found)
            raise WrongSettings("%s: %s is %s; wanted %s" % (self.where, key, shown, _KINDS.get(kind, kind.__name__)))
        return found

    def need(self, key: str, kind: "type") -> "Any":
        """The value, which must be there."""
        found = self.get(key, kind)
        if found is None:
            raise WrongSettings("%s: %s is missing; wanted %s" % (self.where, key, _KINDS.get(kind, kind.__name__)))
        return found

    def table(self, key: str) -> "Settings":
        """The table below, which must be there."""
        return Settings(self.need(key, dict), "%s: %s" % (self.where, key))

    def maybe(self, key: str) -> "Settings | None":
        """The table below; None: there is none."""
        return None if self.get(key, dict) is None else self.table(key)

    def but(self, key: str) -> "dict[str, Any]":
        """All of it but one key."""
        return {name: value for name, value in self._table.items() if name != key}

    def signal(self, key: str) -> "Signal | None":
        """The signal below; None: there is none."""
        found = self.maybe(key)
        return None if found is None else Signal(found)


_KINDS = {dict: "a table", str: "text", int: "a whole number", float: "a number", list: "a list", bool: "true or false"}


class Signal:
    """A topic, its words by their meaning, and where in a JSON payload a value is (`path`; empty: it is all of it)."""

    def __init__(self, settings: Settings) -> None:
        self.topic = settings.need("topic", str)
        self.path = settings.get("path", list, [])
        self.settings = settings
        poll = settings.maybe("poll")
        self.poll_topic = None if poll is None else poll.need("topic", str)
        self.poll_payload = b"" if poll is None else poll.need("payload", str).encode()

    def word(self, meaning: str) -> str:
        """The word for `open`, `on`, `active` and so on."""
        word: str = self.settings.need(meaning, str)
        return word

    def payload(self, value: "Any", more: "dict[str, Any] | None" = None) -> bytes:
        """A word or a number as the config wants it; `more`: further keys of the innermost JSON object."""
        if not self.path:
            return (value if isinstance(value, str) else json.dumps(value)).encode()
        body = dict(more or {})
        body[self.path[-1]] = value
        for key in reversed(self.path[:-1]):
            body = {key: body}
        return json.dumps(body).encode()


def numeric(host: str) -> bool:
    """Whether it is an address such as 192.168.1.10. A name would have to be looked up, which may block for seconds."""
    parts = host.split(".")
    return len(parts) == 4 and all(0 < len(part) <= 3 and part.isdigit() and int(part) < 256 for part in parts)
