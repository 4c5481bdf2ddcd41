"""From a command of the rules to the message that carries it. Topics and payloads from the config, nothing else."""

from gatehand.config import Config
from gatehand.mqtt.transport import Kind, Outgoing
from gatehand_rules.commands import ClearAlarm, CollectorOff, CollectorOn, Command, OpenGate, RaiseAlarm, ShutGate


class Told:
    """The messages for one config's gates and collectors, made once."""

    def __init__(self, config: Config) -> None:
        self.off: dict[str, Outgoing] = {}
        """Each collector's "off", which must be at hand whatever else fails."""
        self._on: dict[str, Outgoing] = {}
        self._open: dict[str, Outgoing] = {}
        self._shut: dict[str, Outgoing] = {}
        for name, fan in config.collector.items():
            self.off[name] = Outgoing(fan.command.topic, fan.command.off.encode(), Kind.OFF)
            self._on[name] = Outgoing(fan.command.topic, fan.command.on.encode(), Kind.ACT)
        for name, gate in config.gate.items():
            if gate.command is not None:
                self._open[name] = Outgoing(gate.command.topic, gate.command.open.encode(), Kind.ACT)
                self._shut[name] = Outgoing(gate.command.topic, gate.command.shut.encode(), Kind.ACT)

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
            case RaiseAlarm() | ClearAlarm():
                return None


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
        case RaiseAlarm() | ClearAlarm():
            return "alarm"
