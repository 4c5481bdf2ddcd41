"""What a paired phone asks of the daemon: a hand start or its end, a hold, a reset; and what it is told.

Nothing is decided about the shop: the request goes where `gatehand hand`, `hold` and `reset` send theirs (`asking`),
and what is said is the daemon's answer, or that there is none. What a phone may ask for at all is `[page] allow`, of
the config in force. The words for what to do next are a phone's own: nobody types a command there.
"""

import re
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from types import MappingProxyType
from typing import Any, Final, get_args

from gatehand.asking import Answer, Unanswered, UnansweredError, What, Wish, ask
from gatehand.config.tables import PAGE_ASKS, PageTable
from gatehand.mqtt.settings import fresh_client_id
from gatehand.phone.guard import TOO_MANY
from gatehand.screen.daemon_status import printable
from gatehand.screen.listen import Where
from gatehand.text import NAME, as_sentence, listed
from gatehand_rules import Rule

ANSWER_WITHIN: Final = 5.0
"""Seconds; the daemon answers within one, and a phone's browser waits longer."""
LONGEST_REASON: Final = 48
"""Bytes, as the daemon keeps them (`shell/requests.py`)."""
BY: Final = "page"
_NAME: Final = re.compile(NAME)
"""Some names come from what the broker retains, where anybody may have put another."""
_WHATS: Final[tuple[What, ...]] = get_args(What)
_FIELDS: Final[Mapping[What, frozenset[str]]] = MappingProxyType(
    {
        "hand": frozenset({"what", "name", "value"}),
        "hold": frozenset({"what", "name", "because"}),
        "reset": frozenset({"what", "name", "seen"}),
    }
)


@dataclass(frozen=True, slots=True)
class Reply:
    """What the phone is told. `status`: of HTTP; `next`: what to do now, empty: nothing."""

    status: int
    ok: bool
    text: str
    next: str = ""


class Hands:
    """Asks, for phones whose right to do so has been looked at.

    Args:
        where: the broker, with the login that the page was given.
        page: gives the `[page]` of the config in force.
        known: gives the names that there are of a kind, gate or collector.
        within: seconds to wait for the daemon's answer.
    """

    def __init__(
        self,
        where: Where,
        page: Callable[[], PageTable],
        known: Callable[[str], Collection[str]],
        within: float = ANSWER_WITHIN,
    ) -> None:
        self._where = where
        self._page = page
        self._known = known
        self._within = within
        self._under_way: set[tuple[What, str, str]] = set()

    def wish(self, body: Mapping[str, Any]) -> Wish | Reply:
        """What a request's body asks for; a reply: it asks for nothing that may be asked for."""
        what = _what(body.get("what"))
        if what is None:
            return _no(400, "Found something that nobody can ask for; wanted hand, hold or reset.")
        allow = self._page().allow
        if what not in allow:
            words = listed((PAGE_ASKS[each] for each in PAGE_ASKS if each in allow), last="and") if allow else "nothing"
            return _no(403, f"A phone may not ask for {PAGE_ASKS[what]} here. The config says what it may: {words}.")
        unknown = body.keys() - _FIELDS[what]
        if unknown:
            return _no(400, "Found more in the request than this page sends. Load the page again.")
        kind, name = "gate" if what == "hand" else "collector", body.get("name")
        if not isinstance(name, str) or not _NAME.fullmatch(name) or name not in self._known(kind):
            return _no(404, f"There is no such {kind} in the shop now. The page shows the ones there are.")
        return _read(what, name, body)

    async def ask(self, wish: Wish) -> Reply:
        """Ask the daemon, and tell what it said. The same asked for while its answer is awaited is not asked twice."""
        key = (wish.what, wish.name, wish.value)
        if key in self._under_way:
            return _no(TOO_MANY, "That has just been asked for, and the answer is still to come. Wait for it.")
        self._under_way.add(key)
        try:
            # A client of its own for each: two with one id throw each other out.
            settings = replace(self._where.settings, client_id=fresh_client_id(self._where.base, "page-asks"))
            answer = await ask(replace(self._where, settings=settings), wish, self._within)
        except UnansweredError as error:
            return Reply(504, False, *unanswered(wish, error))
        finally:
            self._under_way.discard(key)
        return Reply(200, answer.ok, as_sentence(answer.text), next_on_a_phone(wish, answer))


def _no(status: int, text: str) -> Reply:
    return Reply(status, False, text)


def _what(found: object) -> What | None:
    return next((each for each in _WHATS if found == each), None)


def _read(what: What, name: str, body: Mapping[str, Any]) -> Wish | Reply:
    if what == "hand":
        value = body.get("value")
        if value not in ("1", "0"):
            return _no(400, 'Found no value; wanted "1" to begin a hand start, "0" to end it.')
        return Wish(what, name, value, by=BY)
    if what == "hold":
        because = body.get("because")
        reason = short_reason(because) if isinstance(because, str) else ""
        if not reason:
            return _no(400, "A hold needs a reason, for whoever finds the collector off: say it in a few words.")
        return Wish(what, name, because=reason, by=BY)
    if body.get("seen") is not True:
        return _no(400, "Before a reset, go and look: you must see the collector and all its machines. Then say so.")
    return Wish(what, name, by=BY)


def short_reason(text: str) -> str:
    """As much of a reason as the daemon keeps, on one line, no character cut in half."""
    line = printable(text).encode("utf-8", "replace")[:LONGEST_REASON]
    return line.decode("utf-8", "ignore").strip()


# What is said


_LOOK: Final = "The page shows the alarms and what to do next."
_NOT_UNDERSTOOD: Final = (
    "Gatehand did not understand the page: load the page again. If that does not help, update both."
)
_GONE: Final = "The shop's config has changed. Load the page again."
_FROZEN: Final = "Wait until the page is up to date again, then ask once more."
_OWN_SWITCH: Final = "Nothing is on hold. Switch the collector off at its own switch."
_OPEN_A_GATE: Final = "Go to the gate and see whether it is open. The page shows the alarm and what to do next."

NEXT: Final[Mapping[What, Mapping[str, str]]] = MappingProxyType(
    {
        # what was asked for; the rule of a refusal, "" of any other, "ok" of what was done
        "reset": {
            "ok": "Nothing starts by itself. A tool that is already running must be switched off and on again.",
            Rule.STOP_CONTACT: "Fix the cause and release that stop contact. Wait 2 seconds, then reset once more.",
            Rule.HOLD: "There is nothing to reset.",
            Rule.STOPS_UNHEARD: "Nothing starts until the stop contacts are heard again: see the alarm. Then reset.",
            Rule.STOP_UNREAD: "A stop contact is still being read. Wait a few seconds, then reset once.",
            Rule.RESET_REPEATED: "Wait 2 seconds, then reset once.",
            Rule.STANDSTILL: _FROZEN,
            Rule.BAD_VALUE: _NOT_UNDERSTOOD,
            Rule.UNKNOWN_NAME: _GONE,
            Rule.RETAINED: _NOT_UNDERSTOOD,
            "": "Wait 2 seconds, then reset once. It stays on hold until a reset counts.",
        },
        "hold": {
            "ok": "A hold is not a lockout: lock the machine out before you reach into it. A reset ends the hold.",
            Rule.BAD_VALUE: f"{_OWN_SWITCH} {_NOT_UNDERSTOOD}",
            Rule.UNKNOWN_NAME: f"{_OWN_SWITCH} {_GONE}",
            Rule.RETAINED: f"{_OWN_SWITCH} {_NOT_UNDERSTOOD}",
            "": _OWN_SWITCH,
        },
        "hand": {
            "ok": "",
            Rule.HOLD: "Find out why it is on hold, and see that nobody is at a machine. Only a reset ends the hold.",
            Rule.BIN_FULL: "Lock the collector out and empty the bin. Then ask again.",
            Rule.MAX_OPEN: "Wait until another station is done, or switch its tool off. Then ask again.",
            Rule.MIN_OPEN: "More gates must be open for this fan. The page shows the alarm and what to do next.",
            Rule.NO_GATE_PROVEN: _OPEN_A_GATE,
            Rule.GATE_BY_HAND_IS_SHUT: "Open that gate by hand.",
            Rule.NOT_HEARD_LIVE: "Shut and open that gate once by hand, so that it says where it is.",
            Rule.BROKER: "Ask once more.",
            Rule.STANDSTILL: _FROZEN,
            Rule.BAD_VALUE: _NOT_UNDERSTOOD,
            Rule.UNKNOWN_NAME: _GONE,
            Rule.RETAINED: _NOT_UNDERSTOOD,
            "": _LOOK,
        },
    }
)


def next_on_a_phone(wish: Wish, answer: Answer) -> str:
    """What to do now, in a sentence or two; empty: nothing."""
    words = NEXT[wish.what]
    if not answer.ok:
        return words.get(answer.rule, words[""])
    if wish.what != "hand" or wish.value != "1":
        return words["ok"]
    until = "" if answer.after is None else _clock(answer.after.text("hand_ends"))
    ends = f"It ends at {until} at the latest" if until else "It ends by itself"
    return (
        "Keep hands out of the gate and the fan. The fan starts once the gate is proven open, unless it is already on. "
        f"{ends}, or when you end it here."
    )


def _clock(text: str) -> str:
    """An RFC 3339 time as the shop's own clock shows it; empty: it is not a time."""
    try:
        return f"{datetime.fromisoformat(text).astimezone():%H:%M}"
    except (ValueError, OverflowError):
        return ""


WHY_NOT: Final[Mapping[Unanswered, str]] = MappingProxyType(
    {
        Unanswered.NO_BROKER: "The computer that serves this page cannot reach the broker.",
        Unanswered.NO_DAEMON: "Gatehand itself is not running, or has just stopped.",
        Unanswered.NOT_ALLOWED: (
            "The page's own login at the broker may not ask for that: the owner must give it that right."
        ),
        Unanswered.NO_ANSWER: "Gatehand did not answer.",
        Unanswered.INTERRUPTED: "The page was stopped on its computer before the answer came.",
    }
)
_MAY: Final = "It may have been done, or may still be done: look at the shop itself before you ask again."
_NOT: Final = "Nothing was done."


def unanswered(wish: Wish, error: UnansweredError) -> tuple[str, str]:
    """What is said where no answer came, and what to do: never that it was done, never more than is known."""
    text = f"{WHY_NOT[error.why]} {_MAY if error.may_be_done else _NOT}"
    if wish.what == "hold":
        return text, "Switch the collector off at its own switch, and lock it out before you reach into a machine."
    return text, "Check that Gatehand and its broker are running, then ask again."
