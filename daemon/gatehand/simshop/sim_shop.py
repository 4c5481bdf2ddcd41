"""The whole simulated shop, built from a config: one agenda, one reporter, and a model for every device."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from random import Random

from gatehand.config import Config
from gatehand.simshop.airway import Airway
from gatehand.simshop.collector import CollectorHabits, CollectorModel
from gatehand.simshop.device import Agenda, Device, Reporter, Sent
from gatehand.simshop.gate import GateHabits, GateModel
from gatehand.simshop.stop import StopModel
from gatehand.simshop.tool import ToolHabits, ToolModel


@dataclass(frozen=True, slots=True)
class Habits:
    """Habits of devices by name; those not named have the usual ones."""

    tools: Mapping[str, ToolHabits] = field(default_factory=dict)
    gates: Mapping[str, GateHabits] = field(default_factory=dict)
    collectors: Mapping[str, CollectorHabits] = field(default_factory=dict)


class SimShop:
    """All devices of a shop under one time, seconds of any monotonic clock.

    The caller delivers what is published to `topics`, advances time (never back), and publishes what `advance` gives.
    The same config, seed, calls and times always give the same messages.
    """

    def __init__(self, config: Config, *, seed: int = 0, now: float = 0.0, habits: Habits | None = None) -> None:
        habits = habits or Habits()
        self.agenda = Agenda(now)
        self._reporter = Reporter()
        shared = self.agenda, self._reporter

        def random(kind: str, name: str) -> Random:
            # Its own source for each device: one more device in the config changes nothing for the others.
            return Random(f"{seed}/{kind}/{name}")  # noqa: S311 - a simulation, not a secret

        self.tools = {
            name: ToolModel(tool, habits.tools.get(name, ToolHabits()), *shared, random("tool", name))
            for name, tool in config.tool.items()
        }
        self.gates = {
            name: GateModel(gate, habits.gates.get(name, GateHabits()), *shared, random("gate", name))
            for name, gate in config.gate.items()
        }
        self.collectors = {
            name: CollectorModel(
                collector, habits.collectors.get(name, CollectorHabits()), *shared, random("collector", name)
            )
            for name, collector in config.collector.items()
        }
        for name, collector in self.collectors.items():
            if config.collector[name].suction is not None:
                own = {gate: model for gate, model in self.gates.items() if config.gate_collector(gate) == name}
                collector.airway = Airway(config, name, own, random("suction", name))
        self.stops = {name: StopModel(stop, self._reporter) for name, stop in config.stop.items()}
        devices: dict[str, Mapping[str, Device]] = {
            "tool": self.tools,
            "gate": self.gates,
            "collector": self.collectors,
        }
        reports: dict[tuple[str, ...], Callable[[float], None]] = {
            ("stop", name): stop.report for name, stop in self.stops.items()
        }
        for kind, named in devices.items():
            reports |= {(kind, name, key): report for name, one in named.items() for key, report in one.reports.items()}
        self.commands: dict[str, Callable[[bytes, float], None]] = {}
        """Who takes a command, by its topic."""
        self._questions: dict[str, list[tuple[bytes, Callable[[float], None]]]] = {}
        for signal in config.signals():
            if signal.heard is None:
                self.commands[signal.topic] = devices[signal.kind][signal.name].take
            elif signal.poll is not None and signal.path in reports:  # a button has nothing to answer
                question = signal.poll.payload.encode(), reports[signal.path]
                self._questions.setdefault(signal.poll.topic, []).append(question)

    @property
    def topics(self) -> tuple[str, ...]:
        """Topics that the devices listen to: commands, and questions."""
        return tuple(dict.fromkeys((*self.commands, *self._questions)))

    def begin(self, at: float) -> list[Sent]:
        """Every device comes up."""
        self.agenda.advance(at)
        for devices in (self.collectors, self.gates, self.tools):
            for device in devices.values():
                device.begin(at)
        for stop in self.stops.values():
            stop.come_back(at)
        # Of a document that devices share, only the whole one.
        return list({sent.topic: sent for sent in self._reporter.drain()}.values())

    def deliver(self, topic: str, payload: bytes, at: float) -> None:
        """A message reaches the device that listens to its topic, after what was due before it.

        What the devices say to it comes with the next `advance`, to `at` or later.
        """
        self.agenda.advance(at)
        if topic in self.commands:
            self.commands[topic](payload, at)
        for question, answer in self._questions.get(topic, ()):
            if question == payload:
                answer(at)

    def next_at(self) -> float | None:
        """When something next happens by itself, or None."""
        return self.agenda.next_at()

    def advance(self, to: float) -> list[Sent]:
        """Let time pass until `to`; what the devices said since the last call, oldest first."""
        self.agenda.advance(to)
        return self._reporter.drain()
