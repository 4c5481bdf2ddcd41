"""The whole simulated shop, built from a config: one agenda, one voice, and a model for every device."""

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from random import Random

from gatehand.config import Config
from gatehand.config.signals import Heard
from gatehand.simshop.agenda import Agenda
from gatehand.simshop.collector import CollectorHabits, CollectorModel
from gatehand.simshop.contact import ContactModel
from gatehand.simshop.gate import GateHabits, GateModel
from gatehand.simshop.tool import ToolHabits, ToolModel
from gatehand.simshop.voice import Sent, Voice


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
        self._voice = Voice()
        agenda, voice = self.agenda, self._voice

        def random(kind: str, name: str) -> Random:
            # Its own source for each device: one more device in the config changes nothing for the others.
            return Random(f"{seed}/{kind}/{name}")  # noqa: S311 - a simulation, not a secret

        self.tools = {
            name: ToolModel(tool, habits.tools.get(name, ToolHabits()), agenda, voice, random("tool", name))
            for name, tool in config.tool.items()
        }
        self.gates = {
            name: GateModel(gate, habits.gates.get(name, GateHabits()), agenda, voice)
            for name, gate in config.gate.items()
        }
        self.collectors = {
            name: CollectorModel(
                collector,
                habits.collectors.get(name, CollectorHabits()),
                agenda,
                voice,
                random("collector", name),
            )
            for name, collector in config.collector.items()
        }
        self.stops = {name: ContactModel(stop, voice) for name, stop in config.stop.items()}
        takers: list[GateModel | CollectorModel] = [*self.gates.values(), *self.collectors.values()]
        self._takers: dict[str, Callable[[bytes, float], None]] = {
            topic: device.take for device in takers for topic in device.topics
        }
        self._asked: dict[str, list[tuple[bytes, Callable[[float], None]]]] = {}
        for signal, answer in self._answers(config):
            if signal is not None and signal.poll is not None:
                self._asked.setdefault(signal.poll.topic, []).append((signal.poll.payload.encode(), answer))

    def _answers(self, config: Config) -> Iterator[tuple[Heard | None, Callable[[float], None]]]:
        """Signals that a device says when it is asked."""
        for name, tool in config.tool.items():
            yield tool.current, self.tools[name].answer
        for name, gate in config.gate.items():
            yield gate.state, self.gates[name].answer
        for name, collector in config.collector.items():
            yield collector.state, self.collectors[name].answer
            yield collector.current, self.collectors[name].answer_amps
        for name, stop in config.stop.items():
            yield stop, self.stops[name].answer

    @property
    def topics(self) -> tuple[str, ...]:
        """Topics that the devices listen to: commands, and questions."""
        return tuple(dict.fromkeys((*self._takers, *self._asked)))

    def begin(self, at: float) -> list[Sent]:
        """Every device comes up."""
        self.agenda.advance(at)
        for devices in (self.collectors, self.gates, self.tools, self.stops):
            for device in devices.values():
                device.begin(at)
        # Of a document that devices share, only the whole one.
        return list({sent.topic: sent for sent in self._voice.drain()}.values())

    def deliver(self, topic: str, payload: bytes, at: float) -> None:
        """A message reaches the device that listens to its topic, after what was due before it.

        What the devices say to it comes with the next `advance`, to `at` or later.
        """
        self.agenda.advance(at)
        taker = self._takers.get(topic)
        if taker is not None:
            taker(payload, at)
        for question, answer in self._asked.get(topic, ()):
            if question == payload:
                answer(at)

    def next_at(self) -> float | None:
        """When something next happens by itself, or None."""
        return self.agenda.next_at()

    def advance(self, to: float) -> list[Sent]:
        """Let time pass until `to`; what the devices said since the last call, oldest first."""
        self.agenda.advance(to)
        return self._voice.drain()
