"""What people and screens ask of the daemon: a hand start or its end, a hold, a reset, off; and the answer to it.

A payload is a plain word (`1`, a reason), or JSON `{id, value, because, by}`. With `id`, whoever asked is answered on
`<base>/answer/ID`. What asks for caution (off, a hold) is done however it is written; what may let something start is
refused unless it is understood. Nothing is decided here about the shop, nothing is published.
"""

import re
from collections.abc import Mapping
from typing import Final, Literal, TypeAlias

from msgspec import Struct

from gatehand.config import Config
from gatehand.journal.sentences import sentence_of
from gatehand.mqtt.payload import Payload, Reader, Rejected, UnknownWord, excerpt
from gatehand.mqtt.transport import MessageKind, Outgoing
from gatehand.shell.repeats import Rejections
from gatehand.text import json_bytes
from gatehand_rules import Finding, Happened, Outcome, Rule
from gatehand_rules import events as ev

LONGEST_REASON: Final = 48
"""Characters of a `because` or a `by` that are kept."""
_KEYS: Final = ("id", "value", "because", "by")
_WANTED: Final = "want a plain word, or an object of id, value, because, by"
_ID: Final = re.compile(r"[A-Za-z0-9_-]{1,64}")
_YES: Final[Mapping[str, bool]] = {"1": True, "true": True, "0": False, "false": False}
_REFUSALS: Final = (
    Happened.START_REFUSED,
    Happened.RESET_REFUSED,
    Happened.MESSAGE_IGNORED,
    Happened.READING_REJECTED,
)

What: TypeAlias = Literal["hand", "reset", "hold", "off"]


class Request(Struct, frozen=True):
    """One message: what the rules are told, whom to answer, and what was not understood of it."""

    events: tuple[ev.Event, ...]
    id: str = ""
    """Empty: nobody waits for an answer."""
    rejected: ev.MessageRejected | None = None
    """Whether or not the log is told: a device that repeats itself is counted."""


class _Wish(Struct, frozen=True):
    """A payload taken apart."""

    id: str = ""
    value: str | None = None
    because: str = ""
    by: str = ""
    fault: str = ""
    """What is wrong with its shape."""


class Requests:
    """Topics to requests, for one config."""

    def __init__(self, config: Config, rejections: Rejections) -> None:
        base = config.broker.base
        self._rejections = rejections
        self.topics: dict[str, tuple[What, str]] = {}
        """Where something can be asked for, what, and of whom."""
        for name in config.gate:
            self.topics[f"{base}/gate/{name}/hand"] = ("hand", name)
        for name in config.collector:
            self.topics[f"{base}/collector/{name}/reset"] = ("reset", name)
            self.topics[f"{base}/collector/{name}/off"] = ("off", name)
            self.topics[f"{base}/collector/{name}/hold"] = ("hold", name)

    def read(self, topic: str, payload: bytes, *, retained: bool, now: float) -> Request | None:
        """What a message asks for; None: nothing can be asked for there."""
        found = self.topics.get(topic)
        if found is None:
            return None
        what, name = found
        wish = _take_apart(payload)
        event = _event(what, name, wish, payload, retained=retained)
        bad = event if isinstance(event, Rejected) else None
        if wish.fault and bad is None:  # done all the same
            bad = Rejected(f"{wish.fault}, {_WANTED}; it was done all the same", excerpt(payload))
        events: tuple[ev.Event, ...] = () if isinstance(event, Rejected) else (event,)
        # What was retained is old: whoever asked then does not wait any more.
        answer_to = "" if retained else wish.id
        if bad is None:
            return Request(events, answer_to)
        kind: Literal["gate", "collector"] = "gate" if what == "hand" else "collector"
        said = self._rejections.say(kind, name, what, bad, now)
        rejected = ev.MessageRejected(kind, name, f"{what}: {bad.why}", bad.shown)
        return Request(events if said is None else (said, *events), answer_to, rejected)


def asked_as(payload: bytes) -> str:
    """The id under which whoever asked wants to be answered; empty: nobody waits for an answer."""
    return _take_apart(payload).id


def _take_apart(payload: bytes) -> _Wish:
    """Its parts; a plain word has none."""
    if not payload.lstrip().startswith(b"{"):
        return _Wish()
    found = Payload(payload).document()
    if not isinstance(found, dict) or not any(key in found for key in _KEYS):
        return _Wish()
    asked_as, value, because, by = (found.get(key) for key in _KEYS)
    faults = [f"found {_short(key)!r} in the object" for key in found if key not in _KEYS][:1]
    if isinstance(value, dict | list):
        faults.append("found a value that is not a word")
    faults += [
        f"found {key} that is not text"
        for key, text in (("because", because), ("by", by))
        if text is not None and not isinstance(text, str)
    ]
    known = isinstance(asked_as, str) and _ID.fullmatch(asked_as) is not None
    if "id" in found and not known:
        faults.append("found an id that is not 1 to 64 of A to Z, a to z, 0 to 9, _ and -")
    return _Wish(
        str(asked_as) if known else "",
        _as_word(value),
        _short(because) if isinstance(because, str) else "",
        _short(by) if isinstance(by, str) else "",
        "; ".join(faults),
    )


def _as_word(value: object) -> str | None:
    match value:
        case None | dict() | list():
            return None
        case bool():
            return "1" if value else "0"
        case _:
            return str(value)


def _bytes(text: str) -> bytes:
    """JSON can hold half a character, UTF-8 cannot."""
    return text.encode("utf-8", "backslashreplace")


def _short(text: str) -> str:
    return excerpt(_bytes(text)[:LONGEST_REASON]).strip()


def _event(what: What, name: str, wish: _Wish, payload: bytes, *, retained: bool) -> ev.Event | Rejected:
    if what == "off":
        return ev.OffAsked(name, retained, wish.because, wish.by)
    if what == "hold":
        return _hold(name, wish, payload, retained=retained)
    if wish.fault:
        return Rejected(f"{wish.fault}, {_WANTED}", excerpt(payload))
    if what == "reset":
        if wish.value is not None and _means(wish.value) is False:
            return Rejected("found value 0, want 1 or none: a hold begins with a message to hold", excerpt(payload))
        return ev.ResetAsked(name, retained, wish.because, wish.by)
    return _hand(name, wish, payload, retained=retained)


def _hand(name: str, wish: _Wish, payload: bytes, *, retained: bool) -> ev.Event | Rejected:
    asked = Reader().read_word(payload if wish == _Wish() else _bytes(wish.value or ""), {"1": True, "0": False})
    if isinstance(asked, bool):
        return ev.HandAsked(name, asked, retained, wish.because, wish.by)
    if isinstance(asked, UnknownWord):
        return Rejected("found another word, want '1' or '0'", excerpt(asked.text.encode()))
    return asked if wish == _Wish() else Rejected("found no value, want value '1' or '0'", excerpt(payload))


def _hold(name: str, wish: _Wish, payload: bytes, *, retained: bool) -> ev.Event | Rejected:
    """The reason is `because`, else a `value` that is one, else the plain payload."""
    if wish == _Wish():
        return ev.HoldAsked(name, excerpt(payload[:LONGEST_REASON]), retained)
    means = None if wish.value is None else _means(wish.value)
    if means is False:
        return Rejected("found value 0, want 1 or a reason: a hold ends by a reset", excerpt(payload))
    reason = wish.because or ("" if means is True or wish.value is None else _short(wish.value))
    return ev.HoldAsked(name, reason, retained, wish.by)


def _means(word: str) -> bool | None:
    """Yes or no; None: a text of its own."""
    found = Reader().read_word(_bytes(word), _YES)
    return found if isinstance(found, bool) else None


def answer(base: str, request: Request, outcomes: tuple[Outcome | None, ...]) -> Outgoing:
    """What whoever asked is told: the sentence of the finding that decided. An outcome of None: the rules failed."""
    finding = _deciding(request, outcomes)
    body = {
        "ok": finding is not None and finding.event not in _REFUSALS,
        "rule": "internal_error" if finding is None else str(finding.rule),
        "text": "the daemon failed inside; its log says how" if finding is None else sentence_of(finding),
    }
    return Outgoing(f"{base}/answer/{request.id}", json_bytes(body), MessageKind.EVENT)


def _deciding(request: Request, outcomes: tuple[Outcome | None, ...]) -> Finding | None:
    wishes = [
        (event, outcome)
        for event, outcome in zip(request.events, outcomes, strict=True)
        if not isinstance(event, ev.MessageRejected)
    ]
    if not wishes:
        return None if request.rejected is None else _rejection(request.rejected)
    event, outcome = wishes[-1]
    if outcome is None:
        return None
    # What the sequence makes of a hand start in the same instant counts for more than that it began.
    refused = [
        finding
        for finding in outcome.findings
        if isinstance(event, ev.HandAsked) and finding.event is Happened.START_REFUSED and finding.gate == event.gate
    ]
    return refused[-1] if refused else outcome.decided


def _rejection(bad: ev.MessageRejected) -> Finding:
    return Finding(
        event=Happened.READING_REJECTED,
        rule=Rule.BAD_VALUE,
        gate=bad.name if bad.kind == "gate" else None,
        collector=bad.name if bad.kind == "collector" else None,
        facts=(("why", bad.why), ("shown", bad.shown)),
    )
