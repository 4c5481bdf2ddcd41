"""From a command of the rules to the message that carries it. Topics and payloads from the config, nothing else."""

from collections.abc import Mapping
from typing import Final

from gatehand.config import Config
from gatehand.mqtt.transport import MessageKind, Outgoing
from gatehand_rules import commands
from gatehand_rules.commands import CollectorOff, CollectorOn, Command, OpenGate, ShutGate

WORDS: Final[Mapping[type[Command], str]] = {OpenGate: "open", ShutGate: "shut", CollectorOn: "on", CollectorOff: "off"}
"""A command to a device as the log names it, the interlock's refusals too."""


class CommandEncoder:
    """The messages for one config's gates and collectors, made once."""

    def __init__(self, config: Config) -> None:
        self.off: dict[str, Outgoing] = {}
        """Each collector's "off", which must be at hand whatever else fails."""
        self._messages: dict[tuple[type[Command], str], Outgoing] = {}
        self._asked: dict[tuple[str, str], Outgoing] = {}
        for name, fan in config.collector.items():
            switch = fan.command
            self.off[name] = Outgoing(switch.topic, switch.off.encode(), MessageKind.OFF)
            self._messages[CollectorOff, name] = self.off[name]
            self._messages[CollectorOn, name] = Outgoing(switch.topic, switch.on.encode(), MessageKind.ACT)
        for name, gate in config.gate.items():
            if (moved := gate.command) is not None:
                self._messages[OpenGate, name] = Outgoing(moved.topic, moved.open.encode(), MessageKind.ACT)
                self._messages[ShutGate, name] = Outgoing(moved.topic, moved.shut.encode(), MessageKind.ACT)
        self.questions: dict[Outgoing, list[tuple[str, str, str]]] = {}
        """What can be asked, in the config's order; and for which signals each asks, by kind, name and key."""
        for signal in config.signals():
            if signal.poll is not None:
                # An event: quality of service 0 and never retained, so that no device is asked late.
                question = Outgoing(signal.poll.topic, signal.poll.payload.encode(), MessageKind.EVENT)
                self.questions.setdefault(question, []).append((signal.kind, signal.name, signal.key))
                # What a device is asked first is what it is there for: a gate's position, a tool's reading.
                self._asked.setdefault((signal.kind, signal.name), question)

    def message(self, command: Command) -> Outgoing | None:
        """The message to a device; None for what is none, and for a device that is not there."""
        match command:
            case OpenGate(gate=name) | ShutGate(gate=name) | CollectorOn(collector=name) | CollectorOff(collector=name):
                return self._messages.get((type(command), name))
            case commands.Poll(kind=kind, name=name):
                return self._asked.get((kind, name))
            case commands.RaiseAlarm() | commands.ClearAlarm():
                return None
