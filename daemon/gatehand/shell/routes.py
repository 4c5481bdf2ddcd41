"""From a message to what it means: which topics are listened to, and which events a payload on one of them is.

Built from the config once and never changed, but for the count of what was rejected, which values were ever found, and
what is known of each sensor's own time. Nothing is decided here about the shop, nothing is published, no clock is read.

One message may say some of a device's values and leave out others (a state now, a button then). What is left out:

- says nothing once it has been found where the config has it, or where the message says another value of the config:
  what was never found is told by `unheard`, with what is there instead;
- is rejected where nothing of the topic was ever found: the pointer is misspelt. A button's is told once, for it may be
  that nobody has pressed it;
- is rejected for a stop contact, unless it was found once and the message says something else that is understood.

JSON's null of a button is no press; of a sensor or a stop contact it is rejected; of another state it counts as left
out where it was found once and the message says something else.
"""

from collections.abc import Callable, Mapping, Sequence
from functools import partial
from typing import Final, TypeAlias, TypeVar

from msgspec import Struct
from msgspec.structs import replace

from gatehand.config import Config
from gatehand.config import signals as sig
from gatehand.mqtt.payload import (
    LARGEST_AMPS,
    LARGEST_PASCALS,
    LARGEST_WATTS,
    Absent,
    Null,
    OtherWord,
    Payload,
    Reader,
    Rejected,
    UnknownWord,
    excerpt,
)
from gatehand.mqtt.transport import Subscription
from gatehand.shell.freshness import ReadingAge
from gatehand.shell.repeats import Rejections
from gatehand.shell.requests import Requests
from gatehand.shell.suction_watch import SuctionHeard
from gatehand_rules import events as ev
from gatehand_rules.shop import CLOSED
from gatehand_rules.words import Measure, Position

_TELLING_WORD: Final = 2
"""The live word of a button with which it is told that none of them was the one for pressed."""

T = TypeVar("T")
Said: TypeAlias = ev.Event | SuctionHeard
"""What a message can say; a suction is no event of the rules."""
Read: TypeAlias = Callable[[bytes | Payload, bool, float], Said | Rejected | None]
"""One reader of a topic: payload, retained flag and time of receipt to an event; None: it says nothing to us."""


class Handler(Struct, frozen=True):
    """One thing that a topic says, and how it is read."""

    signal: sig.Signal
    read: Read
    place: str
    """The signal's."""
    one_of_several: bool
    """A pointer names it in a message that may say more."""


class Routes:
    """Topics to handlers, for one config. `live` is listened to always, `first` until what is retained has come."""

    def __init__(self, config: Config) -> None:
        self.base = config.broker.base
        self._handlers: dict[str, tuple[Handler, ...]] = {}
        self.commands: dict[str, tuple[sig.DeviceKind, str]] = {}
        """By topic: who is told there."""
        self.found: set[str] = set()
        """Where values of the config were ever found, by their `place`."""
        self._found_first: list[str] = []
        self._suctions: list[SuctionHeard] = []
        self.ages: dict[tuple[str, str, str, str, str | None], ReadingAge] = {}
        """Of readings with a time of their own, or whose sensor can be asked: by kind, name, key, topic and `at`."""
        for signal in config.signals():
            if signal.heard is None:
                self.commands[signal.topic] = (signal.kind, signal.name)
            else:
                read = self._reads(signal.kind, signal.name, signal.key, signal.heard)
                pointed = bool(signal.heard.pointer) and not signal.is_press
                handler = Handler(signal, read, signal.place, pointed)
                self._handlers[signal.topic] = (*self._handlers.get(signal.topic, ()), handler)
        # A stop contact that stands active must not be overlooked because its words were mended meanwhile.
        self._stop_words: dict[str, str] = {}
        for one in config.stop.values():
            words = f"{one.pointer} {one.active!r} {one.clear!r}"
            self._stop_words[one.topic] = f"{self._stop_words.get(one.topic, '')} {words}".strip()
        self.rejections = Rejections()
        self.requests = Requests(config, self.rejections)
        """What people and screens may ask for."""
        sensed = (name for name, fan in config.collector.items() if fan.suction is not None)
        baselines = (f"{self.base}/collector/{name}/baseline" for name in sensed)
        asks = (f"{self.base}/reload", f"{self.base}/alarm/+/ack", *self.requests.topics, *baselines)
        asked = tuple(Subscription(topic) for topic in (*asks, f"{self.base}/daemon"))
        self.live = (*(self._subscription(topic) for topic in self._handlers), *asked)
        # A broker's queue for one client is short, and it drops what is beyond: holds come first of all.
        held = tuple(Subscription(f"{self.base}/collector/{name}") for name in config.collector)
        left = tuple(Subscription(f"{self.base}/{kind}/+") for kind in ("collector", "gate", "tool", "alarm"))
        self.first = (*held, *self.live, *(Subscription(topic) for topic in self.commands), *left)

    def events(self, topic: str, payload: bytes, *, retained: bool, now: float) -> tuple[ev.Event, ...] | None:
        """What a message says, in the config's order; None when no device of the shop speaks there."""
        handlers = self._handlers.get(topic)
        if handlers is None:
            return None
        if len(handlers) == 1:
            alone = self._read(handlers[0], payload, retained, now)
            event = self._answer(handlers[0], alone, (alone,), retained, now)
            if isinstance(event, SuctionHeard):
                self._suctions.append(event)
                return ()
            return () if event is None else (event,)
        parsed = Payload(payload)
        found = [self._read(handler, parsed, retained, now) for handler in handlers]
        each = zip(handlers, found, strict=True)
        answers = [self._answer(handler, one, found, retained, now) for handler, one in each]
        return self._for_the_rules(tuple(event for event in answers if event is not None))

    def take_suctions(self) -> list[SuctionHeard]:
        """The suctions that messages have said since the last call, whatever they said to the rules."""
        found = self._suctions
        if found:
            self._suctions = []
        return found

    def _for_the_rules(self, said: tuple[Said, ...]) -> tuple[ev.Event, ...]:
        """Without the suctions, which are kept aside."""
        self._suctions += [one for one in said if isinstance(one, SuctionHeard)]
        return tuple(one for one in said if not isinstance(one, SuctionHeard))

    def take_found_first(self) -> list[str]:
        """The places of the values that were found for the first time since the last call."""
        first = self._found_first
        if first:
            self._found_first = []
        return first

    def asked(self, kind: str, name: str, key: str, now: float) -> None:
        """A device was asked for one of its signals just now: what it says next is new."""
        for whose, age in self.ages.items():
            if whose[:3] == (kind, name, key):
                age.asked_at = now

    def take_over(self, before: "Routes") -> None:
        """Go on with what was learnt of the sensors that are the same under another config."""
        self.found |= before.found
        for whose, age in self.ages.items():
            if (was := before.ages.get(whose)) is not None:
                age.take_over(was)

    def is_needed(self, topic: str) -> bool:
        """Whether a device of the shop speaks there."""
        return topic in self._handlers or topic in self.requests.topics

    def _read(self, handler: Handler, payload: bytes | Payload, retained: bool, now: float) -> Said | Rejected | None:
        """What a reader makes of a message, having noted where a value was found."""
        found = handler.read(payload, retained, now)
        if isinstance(found, Rejected) and not found.old and not (isinstance(found, Null) and handler.signal.is_press):
            return found
        if handler.place not in self.found:
            self.found.add(handler.place)
            self._found_first.append(handler.place)
            self.rejections.found(*handler.signal.whose)
        elif self.rejections.left_out:
            self.rejections.found(*handler.signal.whose)
        if handler.one_of_several:
            self.rejections.is_there(handler.signal.whose)
        return found

    def _answer(
        self,
        handler: Handler,
        found: Said | Rejected | None,
        whole: Sequence[Said | Rejected | None],
        retained: bool,
        now: float,
    ) -> Said | None:
        """What follows from what a reader has made of its value; `whole`: what all readers of the topic have made."""
        if not isinstance(found, Rejected):
            if found is not None and (self.rejections.odd or self.rejections.wrong_words):
                self.rejections.understood(*handler.signal.whose, _meaning(found))
            return found
        if self._is_left_out(handler, found, whole, retained=retained):
            self.rejections.leave_out(*handler.signal.whose, found, now)
            return None
        return self.rejections.say(*handler.signal.whose, found, now)

    def _is_left_out(
        self, handler: Handler, bad: Rejected, whole: Sequence[Said | Rejected | None], *, retained: bool
    ) -> bool:
        """Whether the message leaves a value out, which says nothing: see the top of this file."""
        if not isinstance(bad, Absent | Null):
            return False
        signal, found = handler.signal, handler.place in self.found
        beside = any(not isinstance(one, Absent | Null) for one in whole)
        if isinstance(bad, Null):
            if signal.is_stop or signal.key in sig.SENSORS or signal.key == "suction":
                return False
            return signal.is_press or (found and beside)
        if signal.is_stop:
            return found and beside
        if signal.is_press and (retained or signal.whose in self.rejections.odd):
            return True
        known = any(one.place in self.found for one in self._handlers[signal.topic])
        return known or any(not isinstance(one, Absent) for one in whole)

    def _subscription(self, topic: str) -> Subscription:
        # A contact's word never gives way to a newer one: a cut that came and went between the two was one.
        readings = all(isinstance(handler.signal.table, sig.Meter) for handler in self._handlers[topic])
        apart = topic in self._stop_words
        shed = readings and not apart
        heard = [handler.signal.heard for handler in self._handlers[topic]]
        pointers = {one.pointer for one in heard if shed and one is not None and one.pointer is not None}
        meaning = self._stop_words.get(topic, "")
        return Subscription(topic, 0 if readings else 1, shed, apart, meaning, tuple(sorted(pointers)))

    def _reads(self, kind: sig.DeviceKind, name: str, key: str, heard: sig.TopicSource) -> Read:
        reader = Reader(heard.pointer)
        make: Callable[[bool, bool], ev.Event]
        other: Callable[[str, bool], ev.Event] | None = None
        match heard:
            case sig.Suction():
                return self._of_known_age(_suction(name, heard), (kind, name, key), heard)
            case sig.Current() | sig.Power():
                return self._of_known_age(_number(kind, name, heard), (kind, name, key), heard)
            case sig.Button():
                return _button(name, reader, heard.pressed)
            case sig.GatePosition():
                positions = {heard.open: Position.OPEN, heard.shut: Position.SHUT}
                # Such as "moving", "stopped", "37": whatever it is, it is neither open nor shut.
                return _words(
                    reader,
                    positions,
                    partial(ev.GateReport, name),
                    lambda says, retained: ev.GateReport(name, Position.BETWEEN, retained, says),
                )
            case sig.SwitchState(on=yes, off=no):
                make = partial(ev.CollectorReport, name)
            case sig.ResetInput(pressed=yes, released=no):
                make = partial(ev.ResetButton, name)
            case sig.Contact(active=yes, clear=no):
                if key == "contact":
                    make, other = partial(ev.StopReport, name), lambda says, _retained: ev.StopUnclear(name, says)
                elif sig.SENSORS.get(key) is Measure.RUNNING:
                    read = _words(reader, {yes: CLOSED, no: 0.0}, partial(_reading(kind), name))
                    return self._of_known_age(read, (kind, name, key), heard)
                else:
                    make = partial(ev.BinReport, name) if key == "bin_full" else partial(ev.DeviceOnline, kind, name)
            case _:
                raise TypeError(f"{kind}.{name}.{key}: nothing reads a {type(heard).__name__}")
        return _words(reader, {yes: True, no: False}, make, other)

    def _of_known_age(self, read: Read, whose: tuple[str, str, str], heard: sig.Sensor | sig.Suction) -> Read:
        """The same, where something can be known of a reading's age."""
        at, oldest = (heard.at, heard.oldest) if isinstance(heard, sig.Meter) else (None, sig.MAX_AGE)
        if at is None and heard.poll is None:
            return read
        age = self.ages[(*whose, heard.topic, at)] = ReadingAge(at, oldest)
        return _aged(read, age)


def _words(
    reader: Reader,
    words: Mapping[str, T],
    make: Callable[[T, bool], ev.Event],
    other: Callable[[str, bool], ev.Event] | None = None,
) -> Read:
    """A reader of some words; any other word is what `other` makes of it, else rejected."""
    wanted = " or ".join(repr(word) for word in words)

    def read(payload: bytes | Payload, retained: bool, _now: float) -> ev.Event | Rejected:
        match reader.read_word(payload, words):
            case Rejected() as bad:
                return bad
            case UnknownWord(text=text):
                shown = excerpt(text.encode())
                return other(shown, retained) if other else OtherWord(f"found another word, want {wanted}", shown)
            case meaning:
                return make(meaning, retained)

    return read


def _meaning(event: Said) -> tuple[object, ...]:
    """What it says, whatever its age."""
    return tuple(getattr(event, name) for name in event.__struct_fields__ if name not in {"retained", "young"})


def _reading(kind: sig.DeviceKind) -> type[ev.Reading | ev.CollectorReading]:
    return ev.Reading if kind == "tool" else ev.CollectorReading


def _number(kind: sig.DeviceKind, name: str, meter: sig.Current | sig.Power) -> Read:
    read_number, make = Reader(meter.pointer, meter.scale).read_number, _reading(kind)
    most = LARGEST_WATTS if isinstance(meter, sig.Power) else LARGEST_AMPS

    def read(payload: bytes | Payload, retained: bool, _now: float) -> ev.Event | Rejected:
        value = read_number(payload, most)
        return value if isinstance(value, Rejected) else make(name, _whole(value), retained)

    return read


def _suction(name: str, meter: sig.Suction) -> Read:
    read_number = Reader(meter.pointer, meter.to_pascals).read_number

    def read(payload: bytes | Payload, retained: bool, _now: float) -> SuctionHeard | Rejected:
        value = read_number(payload, LARGEST_PASCALS)
        return value if isinstance(value, Rejected) else SuctionHeard(name, _whole(abs(value)), retained)

    return read


def _aged(read: Read, age: ReadingAge) -> Read:
    """The same, where a live reading counts by what is known of its age."""

    def judged(payload: bytes | Payload, retained: bool, now: float) -> Said | Rejected | None:
        parsed = payload if isinstance(payload, Payload) else Payload(payload)
        found = read(parsed, retained, now)
        if retained or isinstance(found, Rejected):
            return found
        young = age.judge(parsed, now)
        if isinstance(young, Rejected):
            return young
        return replace(found, young=True) if young and isinstance(found, ev.Reading) else found

    return judged


def _whole(value: float) -> float:
    """Whole thousandths, so that a recording replays to the same decisions; the sum makes zero of a minus zero."""
    return round(value, 3) + 0.0


def _button(name: str, reader: Reader, pressed: str) -> Read:
    """Whatever is not the word for pressed is a release; but where it never comes, it is misspelt: told of once.

    Not at the first other word, which may be the release that a device says when it has just started.
    """
    others, words = 0, {pressed: True}

    def read(payload: bytes | Payload, retained: bool, _now: float) -> ev.Event | Rejected | None:
        nonlocal others
        match reader.read_word(payload, words):
            case Rejected() as bad:
                return bad
            case UnknownWord(text=text):  # released
                others += not retained
                if retained or others != _TELLING_WORD:
                    return None
                return Rejected(f"found another word and never yet the one for pressed, want {pressed!r}", text)
            case _:
                others = _TELLING_WORD
                return ev.ButtonPressed(name, retained)

    return read
