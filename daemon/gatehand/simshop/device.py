"""What all devices have: an agenda of what is to happen when, a way to report, contacts. Knows no kind of device."""

import json
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from heapq import heappop, heappush
from itertools import count
from random import Random
from typing import Any, Final

from gatehand.config.signals import Button, Contact, Meter, Sensor, Suction, TopicSource
from gatehand.mqtt.payload import parse_pointer
from gatehand_rules.shop import CLOSED

_DIGITS: Final = 6
_LONGEST_LIST: Final = 1000


@dataclass(order=True, slots=True)
class Appointment:
    """Something that will happen unless it is called off."""

    at: float = 0.0
    order: int = 0
    action: Callable[[float], object] | None = field(default=None, compare=False)
    """None: called off, or kept already."""

    def call_off(self) -> None:
        """It will not happen; harmless when it has happened."""
        self.action = None


class Agenda:
    """Appointments in seconds of any monotonic clock. What falls on the same instant happens in the order of asking."""

    def __init__(self, now: float = 0.0) -> None:
        self.now = now
        self._appointments: list[Appointment] = []
        self._order = count()

    def at(self, moment: float, action: Callable[[float], object]) -> Appointment:
        """Have `action(moment)` done then; a moment that has passed means as soon as time goes on."""
        appointment = Appointment(max(moment, self.now), next(self._order), action)
        heappush(self._appointments, appointment)
        return appointment

    def next_at(self) -> float | None:
        """When the next thing happens, or None."""
        while self._appointments and self._appointments[0].action is None:
            heappop(self._appointments)
        return self._appointments[0].at if self._appointments else None

    def advance(self, to: float) -> None:
        """Let everything happen that is due until `to`, and let it be `to`. Time that has passed stays passed."""
        while (moment := self.next_at()) is not None and moment <= to:
            appointment = heappop(self._appointments)
            self.now = moment
            action, appointment.action = appointment.action, None
            if action is not None:
                action(moment)
        self.now = max(self.now, to)


@dataclass(frozen=True, slots=True)
class Sent:
    """A message that a device publishes at `at` (seconds of the agenda's clock)."""

    at: float
    topic: str
    payload: bytes
    retain: bool = False


class Reporter:
    """Collects what all devices of a shop say, in the order in which they say it: by the config's words and scales.

    Devices behind one gateway share a topic and differ by pointer; what they say stands in one document that is sent
    as a whole, as gateways do.
    """

    def __init__(self) -> None:
        self._sent: list[Sent] = []
        self._documents: dict[str, Any] = {}

    def drain(self) -> list[Sent]:
        """What was said since the last call."""
        sent, self._sent = self._sent, []
        return sent

    def reading(self, heard: Sensor, value: float, at: float, *, retain: bool = False) -> None:
        """What a sensor reads: a contact's word, or a number. `retain`: the broker keeps a contact's word."""
        if isinstance(heard, Contact):
            self.word(heard, heard.active if value >= CLOSED else heard.clear, at, retain=retain)
        else:
            self._number(heard, value, at)

    def _number(self, heard: Meter, value: float, at: float) -> None:
        """Divided by the config's scale, so that the listener gets ampere or watts again. Never retained.

        Where the config wants to know when it was measured, a board's clock says so in milliseconds.
        """
        if heard.at is not None:
            self._write(heard.topic, heard.at, round(at * 1000))
        said = float(f"{value / heard.scale:.{_DIGITS}g}")
        self._say(heard, said, f"{said:.{_DIGITS}g}", at, retain=False)

    def suction(self, heard: Suction, pascals: float, at: float) -> None:
        """What a pressure sensor says, in its unit. Never retained."""
        self._number(heard, pascals * heard.scale / heard.to_pascals, at)

    def word(self, heard: TopicSource, word: str, at: float, *, retain: bool) -> None:
        """A word of the config, such as a gate's "open"."""
        self._say(heard, _as_json(word), word, at, retain=retain)

    def press(self, button: Button, at: float) -> None:
        """A button: said once, and gone from a shared document afterwards. Never retained."""
        self._say(button, _as_json(button.pressed), button.pressed, at, retain=False)
        if button.pointer:
            self._write(button.topic, button.pointer, None)

    def raw(self, topic: str, payload: bytes, at: float, *, retain: bool = False) -> None:
        """Any bytes: what a broken device says."""
        self._sent.append(Sent(at, topic, payload, retain))

    def _say(self, heard: TopicSource, value: object, text: str, at: float, *, retain: bool) -> None:
        if heard.pointer is None:
            payload = text.encode()
        else:
            self._write(heard.topic, heard.pointer, value)
            payload = json.dumps(self._documents[heard.topic], ensure_ascii=False).encode()
        self.raw(heard.topic, payload, at, retain=retain)

    def _write(self, topic: str, pointer: str, value: object) -> None:
        self._documents[topic] = _put(self._documents.get(topic), parse_pointer(pointer), value)


class ContactModel:
    """A contact: an emergency stop, a full bin, a device that is there or gone. It says what it is when that changes.

    `retains`: the broker keeps its last word, as most contacts ask for.
    """

    def __init__(self, heard: Contact, reporter: Reporter, *, active: bool = False, retains: bool = True) -> None:
        self._heard = heard
        self._reporter = reporter
        self._retains = retains
        self.active = active

    def set(self, *, active: bool, at: float) -> None:
        """Close or open it; says so when it changes."""
        if active != self.active:
            self.active = active
            self.report(at)

    def report(self, at: float) -> None:
        """Say what it is: a device has come up, or somebody asks."""
        word = self._heard.active if self.active else self._heard.clear
        self._reporter.word(self._heard, word, at, retain=self._retains)


class Device:
    """One device. Times are seconds of the agenda's clock and never go back. `delay`: from a command to its effect.

    `online`: its own will.
    """

    def __init__(
        self, agenda: Agenda, reporter: Reporter, random: Random, *, delay: float, online: Contact | None
    ) -> None:
        self._agenda = agenda
        self._reporter = reporter
        self._random = random
        self._delay = delay
        self._commands: dict[bytes, Callable[[float], None]] = {}
        self.reports: dict[str, Callable[[float], None]] = {}
        """How it says each of its signals, by the key in its table: when it comes up, and when it is asked."""
        self.online = self._contact("online", online, active=True)

    def begin(self, at: float) -> None:
        """Come up: say how everything stands."""
        for report in self.reports.values():
            report(at)

    def take(self, payload: bytes, at: float) -> None:
        """A command. Anything but its words is ignored, as devices do."""
        if payload in self._commands:
            self._agenda.at(at + self._delay, self._commands[payload])

    def _contact(self, key: str, heard: Contact | None, *, active: bool = False) -> ContactModel | None:
        """A contact beside its other signals, if the config has it."""
        if heard is None:
            return None
        contact = ContactModel(heard, self._reporter, active=active)
        self.reports[key] = contact.report
        return contact

    def _go_on_reporting(self, report: Callable[[float], None], every: float, at: float) -> None:
        """By the clock, seconds between. Devices do not come up together, so the first time comes at random."""

        def again(now: float) -> None:
            report(now)
            self._agenda.at(now + every, again)

        if every > 0:
            self._agenda.at(at + self._random.uniform(0.1, 1.0) * every, again)


def _as_json(word: str) -> object:
    """A word that JSON has as a number or a boolean is sent as one."""
    try:
        value: object = json.loads(word)
    except ValueError:
        return word
    if isinstance(value, bool) or (isinstance(value, int | float) and math.isfinite(value)):
        return value
    return word


def _put(document: Any, tokens: Sequence[str], value: object) -> Any:  # noqa: ANN401 - a JSON document
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
