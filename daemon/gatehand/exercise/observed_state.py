"""Everything heard since the beginning: what each device said last, what the daemon says of itself, who never spoke.

Reads topics and payloads as the daemon does, by the same routes. Judges nothing.
"""

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from gatehand.config import Config
from gatehand.config.signals import Button, Contact, ResetInput, Signal
from gatehand.mqtt.inbox import Message
from gatehand.mqtt.payload import Reader, Rejected, UnknownWord, excerpt
from gatehand.rhythm import RhythmMeter
from gatehand.screen.daemon_status import DaemonStatus
from gatehand.shell.routes import Routes
from gatehand_rules import events as ev

if TYPE_CHECKING:
    from gatehand_rules.words import Position

READINGS_KEPT: Final = 2_000
_MEANS_PRESSED: Final = frozenset({"active", "pressed"})


@dataclass(slots=True)
class ToolHeard:
    """Live readings of one tool: (monotonic seconds, reading in its sensor's unit), oldest first."""

    readings: list[tuple[float, float]] = field(default_factory=list)
    meter: RhythmMeter = field(default_factory=RhythmMeter)
    """How often it speaks."""
    quiet_for: float = 0.0
    """The longest that it said nothing until it spoke again, seconds; listening began with a silence."""

    def hear(self, at: float, amps: float, began: float) -> None:
        """Take a reading in; `began`: when the listening did."""
        last_at, last = self.readings[-1] if self.readings else (began, None)
        self.quiet_for = max(self.quiet_for, at - last_at)
        self.meter.add(at, changed=amps != last)
        self.readings.append((at, amps))
        del self.readings[:-READINGS_KEPT]

    @property
    def value(self) -> float | None:
        """The last reading."""
        return self.readings[-1][1] if self.readings else None

    def since(self, at: float) -> list[tuple[float, float]]:
        """Readings from `at` on."""
        return [one for one in self.readings if one[0] >= at]

    def peak(self, since: float) -> float | None:
        """The highest reading from then on."""
        return max((value for _, value in self.since(since)), default=None)


@dataclass(frozen=True, slots=True)
class PressWord:
    """One live word of a contact or a button, at `at` (monotonic seconds). `is_pressed` None: none of its words."""

    at: float
    word: str
    is_pressed: bool | None


@dataclass(slots=True)
class PressHeard:
    """What a stop contact, a reset button or a hand button said live, oldest first."""

    words: list[PressWord] = field(default_factory=list)
    unreadable: str = ""
    """Why the last payload without a word could not be read."""

    @property
    def last(self) -> str:
        """The last word; empty: there is none."""
        return self.words[-1].word if self.words else ""

    def since(self, at: float) -> list[PressWord]:
        """Words from `at` on."""
        return [one for one in self.words if one.at >= at]

    def first(self, since: float, *, is_pressed: bool) -> float | None:
        """When it first said from then on that it is pressed (or is not)."""
        return next((one.at for one in self.since(since) if one.is_pressed is is_pressed), None)


def press_words(signal: Signal) -> dict[str, str]:
    """The words of something that a person presses, by their keys in the config; empty: it is none."""
    match signal.key, signal.heard:
        case "contact", Contact(active=active, clear=clear):
            return {"active": active, "clear": clear}
        case "reset", ResetInput(pressed=pressed, released=released):
            return {"pressed": pressed, "released": released}
        case "button", Button(pressed=pressed):
            return {"pressed": pressed}
        case _:
            return {}


class ObservedState:
    """What was heard of one config's shop."""

    def __init__(self, config: Config, began: float = 0.0) -> None:
        """`began`: when the listening did, monotonic seconds."""
        self._config = config
        self._began = began
        self._signals = tuple(one for one in config.signals() if one.heard is not None)
        self._routes = Routes(config)
        self._pressed = tuple(one for one in self._signals if press_words(one))
        self.presses = {one.path: PressHeard() for one in self._pressed}
        """By the signal's path in the config."""
        self.daemon = DaemonStatus(config.broker.base)
        """What a daemon says of itself, of collectors and of gates."""
        self.gates: dict[str, Position] = {}
        """The last report of each gate, of whatever age."""
        self.tools = {name: ToolHeard() for name in config.tool}
        self.fan_reports: dict[str, bool] = {}
        """Each fan's state as its switch reports it."""
        self.fan_readings: dict[str, float] = {}
        self.stops: dict[str, bool] = {}
        self.bins: dict[str, bool] = {}
        """Whether each collector's bin is full."""
        self.unreadable: dict[tuple[str, str], str] = {}
        """Kind and name to why a payload could not be read, where none could since."""
        self._spoken: set[tuple[str, str, str | None]] = set()

    @property
    def topics(self) -> tuple[str, ...]:
        """What to listen to."""
        devices = {signal.topic: None for signal in self._signals}
        return (*devices, *(f"{self.daemon.base}/{own}" for own in ("online", "collector/+", "gate/+")))

    def hear(self, message: Message) -> tuple[ev.Event, ...]:
        """Take in a message; gives what it says, as the daemon would read it."""
        if message.topic.startswith(f"{self.daemon.base}/"):
            self.daemon.hear(message, message.received)
            return ()
        found = self._routes.events(message.topic, message.payload, retained=message.retained, now=message.received)
        for event in found or ():
            self._note(event, message.received)
        for heard in self._routes.take_suctions():
            self._spoke("collector", heard.collector, "suction")
        if found is not None:
            self._note_buttons()
        if not message.retained:
            self._note_presses(message)
        return found or ()

    def unheard(self) -> list[Signal]:
        """Who never said anything that could be read, in the config's order."""
        return [one for one in self._signals if (one.kind, one.name, one.key) not in self._spoken]

    def _note(self, event: ev.Event, at: float) -> None:
        match event:
            case ev.GateReport(gate=name, position=position):
                self.gates[name] = position
                self._spoke("gate", name, "state")
            case ev.Reading(tool=name, value=value, retained=retained):
                if not retained:
                    self.tools[name].hear(at, max(0.0, value), self._began)
                    self._spoke("tool", name, self._config.tool[name].sensor_key)
            case ev.CollectorReport(collector=name, on=on):
                self.fan_reports[name] = on
                self._spoke("collector", name, "state")
            case ev.CollectorReading(collector=name, value=value):
                self.fan_readings[name] = value
                self._spoke("collector", name, self._config.collector[name].sensor_key)
            case ev.BinReport(collector=name, full=full):
                self.bins[name] = full
                self._spoke("collector", name, "bin_full")
            case ev.ResetButton(collector=name):
                self._spoke("collector", name, "reset")
            case ev.StopReport(stop=name, active=active):
                self.stops[name] = active
                self._spoke("stop", name, "contact")
            case ev.StopUnclear(stop=name, says=says):
                self.unreadable["stop", name] = f"it says {says!r}, neither its active word nor its clear word"
            case ev.DeviceOnline(kind=kind, name=name):
                self._spoke(kind, name, "online")
            case ev.MessageRejected(kind=kind, name=name, why=why):
                key, _, rest = why.partition(": ")
                self.unreadable[kind, name] = rest if key in {one.key for one in self._signals} else why
            case _:
                pass

    def _note_buttons(self) -> None:
        """A button that says anything, also "released", is there."""
        for one in self._signals:
            if one.key == "button" and one.place in self._routes.found:
                self._spoke(one.kind, one.name, one.key)

    def _note_presses(self, message: Message) -> None:
        for one in self._pressed:
            if one.topic != message.topic or one.heard is None:
                continue
            heard, words = self.presses[one.path], press_words(one)
            match Reader(one.heard.pointer).read_word(message.payload, dict(zip(words.values(), words, strict=True))):
                case Rejected(why=why, shown=shown):
                    heard.unreadable = f"{why} ({shown!r})"
                case UnknownWord(text=text):
                    heard.words.append(PressWord(message.received, excerpt(text.encode()), None))
                case str() as key:
                    heard.words.append(PressWord(message.received, words[key], key in _MEANS_PRESSED))
            del heard.words[:-READINGS_KEPT]

    def _spoke(self, kind: str, name: str, key: str | None) -> None:
        self._spoken.add((kind, name, key))
        self.unreadable.pop((kind, name), None)
