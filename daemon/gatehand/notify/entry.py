"""One alarm as the owner's program is told of it: read from a message with tolerance, written as JSON. Pure.

Whatever a message holds came over the network: a text is cut short and freed of control characters here, and only an id
of the alarms' own grammar may ever become an argument of a program.
"""

import json
import re
from collections.abc import Iterable
from enum import StrEnum
from typing import Final

from msgspec import Struct
from msgspec.structs import replace

from gatehand.journal.sentences import spoken_alarm
from gatehand.screen.daemon_status import printable, read
from gatehand.text import NAME

GONE: Final = "daemon.main.gone"
"""The daemon has ended without a word. No topic of that name: `heard` finds it."""
LOST: Final = "broker.main.lost"
"""There is no connection to the broker; found by `heard` as well."""
OWN: Final = frozenset({GONE, LOST})
TRIAL: Final = "daemon.main.trial"
"""What `--try` tells."""
_WORD: Final = "[a-z][a-z0-9_]{0,31}"
_ID: Final = re.compile(rf"{_WORD}\.{NAME}\.{_WORD}", re.ASCII)
_LONGEST_ID: Final = 200


class State(StrEnum):
    """Whether an alarm is active."""

    RAISED = "raised"
    OVER = "over"


class Entry(Struct, frozen=True, kw_only=True, omit_defaults=False):
    """An alarm from when it is raised until it is over. All texts are printable."""

    id: str
    """`kind.name.what`; where the topic has no such id, its last level."""
    kind: str
    name: str
    what: str
    title: str
    """The id as a person says it."""
    state: State = State.RAISED
    since: str = ""
    """RFC 3339, as the daemon says it."""
    until: str | None = None
    """RFC 3339: when it was heard that it is over; None: it is active."""
    because: str = ""
    next: str = ""
    count: int = 1
    """How often it has come, when it comes and goes."""
    seen: bool = False
    """Somebody has acknowledged it."""

    def over(self, until: str) -> "Entry":
        """The same, over since then."""
        return replace(self, state=State.OVER, until=until)

    def shown(self) -> dict[str, object]:
        """As the program gets it."""
        keys = ("id", "kind", "name", "what", "title", "state", "since", "until", "because", "next", "count")
        return {key: getattr(self, key) for key in keys}


def is_id(text: str) -> bool:
    """Whether it is an alarm's id, fit for an argument: letters, digits, `_`, `-` and two dots, a letter first."""
    return _ID.fullmatch(text) is not None


def entry_of(level: str, payload: bytes) -> Entry | None:
    """The alarm that a retained message tells of. None: it tells of none.

    Args:
        level: the last level of its topic, which is the alarm's id.
        payload: JSON.
    """
    message = read(payload)
    if message is None:
        return None
    id_ = entry_id(level)
    parts = id_.split(".") if is_id(level) else [message.text(key) for key in ("kind", "name", "what")]
    kind, name, what = parts
    count = message.number("count")
    return Entry(
        id=id_,
        kind=kind,
        name=name,
        what=what,
        title=title(id_),
        since=message.text("since"),
        because=message.text("because"),
        next=message.text("next"),
        count=1 if count is None or not 1 <= count <= 10**9 else int(count),
        seen=bool(message.text("acked") or message.text("acked_by")),
    )


def entry_id(level: str) -> str:
    """A topic's level as an id that can be shown; what is not an id is never made one by cutting it short."""
    shown = printable(level[:_LONGEST_ID])
    return shown if shown == level or not is_id(shown) else f"?{shown}"


def title(id_: str) -> str:
    """An id as a person says it."""
    return printable(spoken_alarm(id_))


def own_entry(id_: str, since: str, because: str, then: str) -> Entry:
    """An alarm that `notify` has found itself."""
    kind, name, what = id_.split(".")
    return Entry(
        id=id_, kind=kind, name=name, what=what, title=f"{kind} {what}", since=since, because=because, next=then
    )


def arguments(entries: Iterable[Entry]) -> list[str]:
    """The ids of these, each once; anything that is not an id is left out."""
    return list(dict.fromkeys(entry.id for entry in entries if is_id(entry.id)))


def as_input(told: Iterable[dict[str, object]]) -> bytes:
    """The program's standard input: one JSON list in ASCII, on one line."""
    return json.dumps(list(told), ensure_ascii=True, allow_nan=False).encode() + b"\n"
