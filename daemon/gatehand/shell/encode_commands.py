"""From a command of the rules to the message that carries it. Topics and payloads from the config, nothing else."""

from collections.abc import Iterator

from msgspec import Struct

from gatehand.config import Config, signals
from gatehand.mqtt.transport import MessageKind, Outgoing
from gatehand_rules.commands import (
    ClearAlarm,
    CollectorOff,
    CollectorOn,
    Command,
    OpenGate,
    Poll,
    RaiseAlarm,
    ShutGate,
)


class Question(Struct, frozen=True):
    """A signal whose device can be asked. `key` is the signal's in its table: "state", "current", "contact"."""

    kind: signals.Kind
    name: str
    key: str
    message: Outgoing


class CommandEncoder:
    """The messages for one config's gates and collectors, made once."""

    def __init__(self, config: Config) -> None:
        self.off: dict[str, Outgoing] = {}
        """Each collector's "off", which must be at hand whatever else fails."""
        self._on: dict[str, Outgoing] = {}
        self._open: dict[str, Outgoing] = {}
        self._shut: dict[str, Outgoing] = {}
        for name, fan in config.collector.items():
            self.off[name] = Outgoing(fan.command.topic, fan.command.off.encode(), MessageKind.OFF)
            self._on[name] = Outgoing(fan.command.topic, fan.command.on.encode(), MessageKind.ACT)
        for name, gate in config.gate.items():
            if gate.command is not None:
                self._open[name] = Outgoing(gate.command.topic, gate.command.open.encode(), MessageKind.ACT)
                self._shut[name] = Outgoing(gate.command.topic, gate.command.shut.encode(), MessageKind.ACT)
        self.questions = tuple(questions(config))
        """Whatever can be asked, in the config's order; one device may be asked for several of its signals."""
        self.asks = tuple(dict.fromkeys(one.message for one in self.questions))
        """The messages that ask for all of it, each once."""
        # What a device is asked first is what it is there for: a gate's position, a tool's current.
        self._asked = {(one.kind, one.name): one.message for one in reversed(self.questions)}

    def message(self, command: Command) -> Outgoing | None:
        """The message to a device; None for what is none, and for a device that is not there."""
        match command:
            case OpenGate(gate=name):
                return self._open.get(name)
            case ShutGate(gate=name):
                return self._shut.get(name)
            case CollectorOn(collector=name):
                return self._on.get(name)
            case CollectorOff(collector=name):
                return self.off.get(name)
            case Poll(kind=kind, name=name):
                return self._asked.get((kind, name))
            case RaiseAlarm() | ClearAlarm():
                return None


def questions(config: Config) -> Iterator[Question]:
    """Whatever can be asked, in the order of `Config.signals`."""
    for signal in config.signals():
        if (poll := signal.poll) is not None:
            # An event: quality of service 0 and never retained, so that no device is asked late.
            message = Outgoing(poll.topic, poll.payload.encode(), MessageKind.EVENT)
            yield Question(signal.kind, signal.name, signal.key, message)


def word(command: Command) -> str:
    """The command as the log names it, the interlock's refusals too."""
    match command:
        case OpenGate():
            return "open"
        case ShutGate():
            return "shut"
        case CollectorOn():
            return "on"
        case CollectorOff():
            return "off"
        case Poll():
            return "poll"
        case RaiseAlarm() | ClearAlarm():
            return "alarm"
