"""What a person asks of the running daemon from the command line (a reset, a hold, a hand start), and its answer.

The request is JSON with an id (`shell/requests.py`); the daemon answers on a topic of that id's own, and nothing else
there counts. Here stands what no answer means, and what is to be done next. Nothing is decided about the shop.
"""

import argparse
import asyncio
import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING, Any, Final, Literal, TypeAlias

from gatehand.commands import (
    INTERRUPTED,
    WRONG_USAGE,
    CommandError,
    answer_in,
    fitted,
    no_such,
    print_json,
    readable,
    where,
    who,
)
from gatehand.mqtt.client import ClientError, PlainClient, plain_client
from gatehand.mqtt.transport import MessageKind, NoticeKind, Outgoing
from gatehand.screen.daemon_status import DaemonStatus, StatusMessage, printable, read
from gatehand.screen.listen import Where, look
from gatehand.small_files import NoSecretError
from gatehand.text import as_sentence, json_bytes, listed
from gatehand.times import local_stamp
from gatehand_rules import Rule

if TYPE_CHECKING:
    from gatehand.mqtt.inbox import Message

_SOON: Final = 1.0
"""Seconds for what is on its way already: a gate's status after the answer, the daemon's word about itself."""
_ID_BYTES: Final = 8
_HANDS: Final = "log in as one who may, such as: --username hands --password-file FILE"

What: TypeAlias = Literal["reset", "hold", "hand"]


class Unanswered(StrEnum):
    """Why there is no answer; stands in the place of the daemon's rule."""

    NO_BROKER = "no_broker"
    NO_DAEMON = "no_daemon"
    NOT_ALLOWED = "not_allowed"
    NO_ANSWER = "no_answer"
    INTERRUPTED = "interrupted"


class UnansweredError(Exception):
    """The daemon has not answered; the text says why, what is known, and what to do."""

    def __init__(self, why: Unanswered, text: str, *, may_be_done: bool = False) -> None:
        super().__init__(text)
        self.why = why
        self.may_be_done = may_be_done
        """The daemon may have been asked, and may do it still."""


@dataclass(frozen=True, slots=True)
class Wish:
    """What is asked for, and of whom."""

    what: What
    name: str
    """Of the collector; of the gate for a hand start."""
    value: str = "1"
    because: str = ""
    by: str = ""

    @property
    def kind(self) -> str:
        """What the name is the name of."""
        return "gate" if self.what == "hand" else "collector"

    def message(self, base: str, ask_id: str) -> Outgoing:
        """The request on its way. A hold asks for caution, so it is never held back; the others are worthless late."""
        body = {"id": ask_id, "value": self.value, "because": self.because, "by": self.by}
        known = {key: text for key, text in body.items() if text}
        kind = MessageKind.OFF if self.what == "hold" else MessageKind.ACT
        return Outgoing(f"{base}/{self.kind}/{self.name}/{self.what}", json_bytes(known), kind)


@dataclass(frozen=True, slots=True)
class Answer:
    """The daemon's answer, and what its status says of the subject beside it."""

    ok: bool
    rule: str
    text: str
    after: StatusMessage | None = None


def run(args: argparse.Namespace, what: What, value: str = "1") -> int:
    """The whole command: finds the name, asks, prints. 1: refused, or no answer.

    Args:
        args: of a parser with `commands.add_request`, and `collector` or `gate` (the first may be None).
        what: is asked for.
        value: of the request.

    Raises:
        CommandError: wrong usage, or no answer.
    """
    command = f"gatehand {what}"
    kind = "gate" if what == "hand" else "collector"
    name = getattr(args, kind)
    try:
        place, known = _place(args, kind, what)
        name = _one_of(known, name, kind, command)
        wish = Wish(what, name, value, args.because or "", args.by or who())
        answer = asyncio.run(ask(place, wish, args.timeout))
    except UnansweredError as error:
        if not args.json:
            code = INTERRUPTED if error.why is Unanswered.INTERRUPTED else 1
            raise CommandError(f"{command}: {error}", code) from error
        print_json({"ok": False, "answered": False, kind: name, "rule": error.why, "text": str(error)})
        return INTERRUPTED if error.why is Unanswered.INTERRUPTED else 1
    until, then = _until(answer), next_step(wish, answer)
    if args.json:
        said = {"rule": answer.rule, "text": answer.text, "next": then, "until": until}
        print_json({"ok": answer.ok, "answered": True, kind: wish.name, **said})
    else:
        print("\n".join(line for said in (as_sentence(answer.text), then) if said for line in fitted(said)))
    return 0 if answer.ok else 1


def _place(args: argparse.Namespace, kind: str, what: What) -> tuple[Where, tuple[str, ...]]:
    """The broker, and the names there are: the config's, where it is in order, else those that the daemon shows."""
    found = None if args.broker is not None else readable(args.config)
    try:
        place = where(args, what, found)
    except NoSecretError as error:
        raise UnansweredError(Unanswered.NOT_ALLOWED, f"{error}; or {_HANDS}") from error
    if found is not None and (config := found[0].config) is not None:
        return place, tuple(config.gate if kind == "gate" else config.collector)
    status = DaemonStatus(place.base)
    asyncio.run(look(place, status, args.timeout))
    if status.lost_because is not None:
        raise UnansweredError(Unanswered.NO_BROKER, status.lost_because)
    known = tuple(status.by_kind[kind])
    if not known:
        raise UnansweredError(Unanswered.NO_DAEMON, f"no daemon shows a {kind} on {place.text}: {_IS_IT_RUNNING}")
    return place, known


def _one_of(known: tuple[str, ...], name: str | None, kind: str, command: str) -> str:
    if name is None and len(known) != 1:
        raise CommandError(f"{command}: there are the {kind}s {listed(known, last='and')}: name one", WRONG_USAGE)
    if name is not None and name not in known:
        raise no_such(f"{command}: there is no {kind}", name, known)
    return name or known[0]


# Asking


_IS_IT_RUNNING: Final = "is it running, and is this its base?"


@dataclass(slots=True)
class _Heard:
    """What has come so far."""

    protocol: str = ""
    """Empty: there is no connection."""
    sent: bool = False
    nobody: bool = False
    """The broker says that nobody listens to the request."""
    online: bool | None = None
    left: bool = False
    """The daemon was there, and went."""
    answer: dict[str, Any] | None = None
    statuses: list[StatusMessage] = field(default_factory=list)


async def ask(place: Where, wish: Wish, within: float) -> Answer:
    """Ask, and wait for the answer. `within`: seconds, for all of it.

    Raises:
        UnansweredError: there is none.
    """
    heard, ask_id = _Heard(), os.urandom(_ID_BYTES).hex()
    outgoing = wish.message(place.base, ask_id)
    answered, online, status = (
        f"{place.base}/{each}" for each in (f"answer/{ask_id}", "online", f"{wish.kind}/{wish.name}")
    )
    try:
        async with asyncio.timeout(within) as bound, plain_client(place.settings, (answered, online, status)) as client:
            heard.protocol = client.protocol
            heard.sent = True  # also where it ends before the broker has acknowledged it
            heard.nobody = not await send(client, place, outgoing)
            if heard.nobody:
                _end_soon(bound)
            async for message in client.messages():
                if message.topic == answered:
                    heard.answer = heard.answer or answer_in(message.payload)
                elif message.topic == online:
                    _hear_online(heard, message)
                elif (found := read(message.payload)) is not None:
                    heard.statuses.append(found)
                if heard.answer is not None and _is_whole(wish, heard):
                    break
                if heard.answer is not None or heard.online is False:
                    _end_soon(bound)
    except TimeoutError:
        pass
    except ClientError as error:
        if heard.answer is None:
            text = _and_then(heard, place, str(error))
            raise UnansweredError(_of_client(error), text, may_be_done=heard.sent) from error
    except asyncio.CancelledError:  # Ctrl-C
        text = _and_then(heard, place, "interrupted")
        raise UnansweredError(Unanswered.INTERRUPTED, text, may_be_done=heard.sent) from None
    if heard.answer is None:
        raise _silence(place, wish, outgoing, heard, within)
    said = heard.answer
    after = heard.statuses[-1] if heard.statuses else None
    return Answer(said["ok"] is True, printable(str(said.get("rule"))), printable(said["text"]), after)


async def send(client: PlainClient, place: Where, outgoing: Outgoing) -> bool:
    """Publish a request; whether anybody listens there, for all that the broker says.

    Raises:
        UnansweredError: the login may not.
        ClientError: the broker is gone.
    """
    objection = await client.send(outgoing)
    if objection is not None and objection.kind is not NoticeKind.NOBODY_LISTENS:
        user = place.settings.username
        login = f"the login {user}" if user else "a client without login"
        text = f"{login} may not ask for that ({outgoing.topic}): {objection.text}; or {_HANDS}"
        raise UnansweredError(Unanswered.NOT_ALLOWED, text)
    return objection is None


def nobody_there(place: Where) -> UnansweredError:
    """Nobody listens to the request."""
    return UnansweredError(Unanswered.NO_DAEMON, f"no daemon listens on {place.text}: {_IS_IT_RUNNING}")


def _end_soon(bound: asyncio.Timeout) -> None:
    soon = asyncio.get_running_loop().time() + _SOON
    bound.reschedule(min(bound.when() or soon, soon))


def _hear_online(heard: _Heard, message: "Message") -> None:
    is_there = message.payload == b"1"
    heard.left = heard.left or (heard.online is True and not is_there)
    heard.online = is_there


def _is_whole(wish: Wish, heard: _Heard) -> bool:
    """A hand start's end stands in the gate's status, which may come a moment after the answer."""
    begun = wish.what == "hand" and wish.value == "1" and heard.answer is not None and heard.answer["ok"] is True
    return not begun or any(each.flag("hand") for each in heard.statuses[-1:])


def _of_client(error: ClientError) -> Unanswered:
    return Unanswered.NOT_ALLOWED if error.refused else Unanswered.NO_BROKER


def _and_then(heard: _Heard, place: Where, text: str) -> str:
    """What is known when it ends before its time."""
    if not heard.sent:
        return f"{text}; nothing was asked of {place.text}"
    return f"{text}; the daemon was asked and may still do it: gatehand status shows it"


def _silence(place: Where, wish: Wish, outgoing: Outgoing, heard: _Heard, within: float) -> UnansweredError:
    """Nobody has answered: what that means."""
    if not heard.protocol:
        at = f"{place.settings.host}:{place.settings.port}"
        return UnansweredError(Unanswered.NO_BROKER, f"no connection to the broker at {at} within {within:g} s")
    if heard.left:
        text = (
            f"the daemon of {place.text} went offline before it answered, so it may or may not have done it: look with "
            "gatehand status when it is back, then ask again"
        )
        return UnansweredError(Unanswered.NO_DAEMON, text, may_be_done=True)
    if heard.online is False:
        instead = " gatehand off switches a collector off without a daemon." if wish.what == "hold" else ""
        text = f"the daemon of {place.text} is offline, so nothing was done: start it, then ask again.{instead}"
        return UnansweredError(Unanswered.NO_DAEMON, text)
    if heard.nobody and heard.online:
        text = (
            f"nobody listens on {outgoing.topic}, though the daemon shows itself online: it was killed a moment ago, "
            f"or its config has no {wish.kind} {wish.name} (gatehand reload makes it read its config again)"
        )
        return UnansweredError(Unanswered.NO_DAEMON, text)
    # Under MQTT 3.1.1 a broker does not say that a login may not.
    user = place.settings.username
    login = f"the login {user}" if user else "a client without login"
    refused = (
        f"; or {login} may not write {outgoing.topic} or read {place.base}/answer/+, and this broker does not "
        f"report it: {_HANDS}"
        if heard.protocol != "5"
        else ""
    )
    if heard.online:
        text = f"the daemon of {place.text} is online and did not answer within {within:g} s; it may still do it"
        return UnansweredError(Unanswered.NO_ANSWER, f"{text}: gatehand status shows it{refused}", may_be_done=True)
    if heard.nobody:
        return nobody_there(place)
    text = f"no daemon answered on {place.text} within {within:g} s: {_IS_IT_RUNNING}{refused}"
    return UnansweredError(Unanswered.NO_DAEMON, text, may_be_done=True)


# What is said of the answer


_NEXT: Final[Mapping[What, Mapping[str, str]]] = {
    # what was asked for; the rule of a refusal, "" of any other, "ok" of what was done; {name}, {collector}
    "reset": {
        "ok": ("Nothing starts by itself. A tool that is already running must be switched off and on again."),
        Rule.STOP_CONTACT: (
            "Fix the cause and release that stop contact; then wait 2 s and reset: gatehand reset {name}"
        ),
        Rule.HOLD: "The collector {name} is not on hold, so there is nothing to reset: see gatehand status.",
        Rule.STOPS_UNHEARD: "gatehand status shows the alarm and what to do; then: gatehand reset {name}",
        "": "Wait 2 s, then: gatehand reset {name}",
    },
    "hold": {
        "ok": (
            "A hold is not a lockout: lock the machine out before you reach into it. It ends with: gatehand reset "
            "{name}"
        ),
        "": "Nothing is on hold. Switch the collector off at its own switch.",
    },
    "hand": {
        "ok": "",
        Rule.HOLD: "Find out why it is on hold; then: gatehand reset {collector}",
        Rule.BIN_FULL: "Lock the collector out and empty the bin; then: gatehand hand {name}",
        "": "gatehand status shows the alarms and what to do next.",
    },
}


def next_step(wish: Wish, answer: Answer) -> str:
    """What to do now, in a sentence or two; empty: nothing."""
    if answer.ok and wish.what == "hand":
        return _of_hand(wish, answer)
    words = _NEXT[wish.what]
    collector = _collector(answer) or "COLLECTOR"
    found = words["ok"] if answer.ok else words.get(answer.rule, words[""])
    return found.format(name=wish.name, collector=collector)


def _of_hand(wish: Wish, answer: Answer) -> str:
    if wish.value != "1":
        return ""
    until = _until(answer)
    ends = f"at {local_stamp(until)[:19]} at the latest, or with" if until is not None else "with"
    return (
        "The fan starts once the gate is proven open, unless it is already on. "
        f"The hand start ends {ends}: gatehand hand {wish.name} --off"
    )


def _collector(answer: Answer) -> str:
    return "" if answer.after is None else answer.after.text("collector")


def _until(answer: Answer) -> str | None:
    """When a hand start ends at the latest, RFC 3339."""
    return (answer.after.text("hand_ends") or None) if answer.after is not None and answer.ok else None
