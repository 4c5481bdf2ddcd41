"""Everything heard since the beginning: what each device said last, what the daemon says of itself, who never spoke.

Reads topics and payloads as the daemon does, by the same routes. Judges nothing.
"""

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from gatehand.config import Config
from gatehand.config.signals import Signal
from gatehand.mqtt.inbox import Message
from gatehand.screen.daemon_status import DaemonStatus
from gatehand.shell.routes import Routes
from gatehand_rules import events as ev

if TYPE_CHECKING:
    from gatehand_rules.words import Position

READINGS_KEPT: Final = 2_000


@dataclass(slots=True)
class ToolHeard:
    """Live readings of one tool: (monotonic seconds, reading in its sensor's unit), oldest first."""

    readings: list[tuple[float, float]] = field(default_factory=list)

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


class ObservedState:
    """What was heard of one config's shop."""

    def __init__(self, config: Config) -> None:
        self._config = config
        self._signals = tuple(one for one in config.signals() if one.heard is not None)
        self._routes = Routes(config)
        self.daemon = DaemonStatus(config.broker.base)
        """What a daemon says of itself, of collectors and of gates."""
        self.gates: dict[str, Position] = {}
        """The last report of each gate, of whatever age."""
        self.tools = {name: ToolHeard() for name in config.tool}
        self.fan_reports: dict[str, bool] = {}
        """Each fan's state as its switch reports it."""
        self.fan_readings: dict[str, float] = {}
        self.stops: dict[str, bool] = {}
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
        if found is not None and message.payload:
            self._note_buttons(message.topic)
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
                    readings = self.tools[name].readings
                    readings.append((at, max(0.0, value)))
                    del readings[:-READINGS_KEPT]
                    self._spoke("tool", name, self._config.tool[name].sensor_key)
            case ev.CollectorReport(collector=name, on=on):
                self.fan_reports[name] = on
                self._spoke("collector", name, "state")
            case ev.CollectorReading(collector=name, value=value):
                self.fan_readings[name] = value
                self._spoke("collector", name, self._config.collector[name].sensor_key)
            case ev.BinReport(collector=name):
                self._spoke("collector", name, "bin_full")
            case ev.ResetButton(collector=name):
                self._spoke("collector", name, "reset")
            case ev.StopReport(stop=name, active=active):
                self.stops[name] = active
                self._spoke("stop", name, "contact")
            case ev.StopUnclear(stop=name, says=says):
                self.unreadable["stop", name] = f"it says {says!r}, neither its active nor its clear"
            case ev.DeviceOnline(kind=kind, name=name):
                self._spoke(kind, name, "online")
            case ev.MessageRejected(kind=kind, name=name, why=why):
                key, _, rest = why.partition(": ")
                self.unreadable[kind, name] = rest if key in {one.key for one in self._signals} else why
            case _:
                pass

    def _note_buttons(self, topic: str) -> None:
        """A button that says anything, also "released", is there."""
        for name, gate in self._config.gate.items():
            if gate.button is not None and gate.button.topic == topic:
                self._spoke("gate", name, "button")

    def _spoke(self, kind: str, name: str, key: str | None) -> None:
        self._spoken.add((kind, name, key))
        self.unreadable.pop((kind, name), None)
