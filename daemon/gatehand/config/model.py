"""The whole config as one frozen tree: `Config`. The kinds of tables stand in their own files.

What is left out in the file and follows from the rest (a gate's collector where there is one) is answered by methods
here, so that no caller works it out a second time. They expect a config that `load` found no error in.
"""

from collections.abc import Iterator

from pydantic import Field

from gatehand.config import tables
from gatehand.config.ducts import Airflow, DuctTable, Fan
from gatehand.config.signals import DeviceKind, GateCommand, Signal, SwitchCommand, TopicSource
from gatehand.config.values import Name, TomlTable


class Config(TomlTable):
    """The configuration of a shop."""

    broker: tables.BrokerTable = Field(default_factory=tables.BrokerTable, description="The MQTT broker.")
    log: tables.LogTable = Field(default_factory=tables.LogTable, description="The event log.")
    collector: dict[Name, tables.CollectorTable] = Field(
        default_factory=dict, description="Dust collectors by name; at least one."
    )
    gate: dict[Name, tables.GateTable] = Field(default_factory=dict, description="Blast gates by name.")
    tool: dict[Name, tables.ToolTable] = Field(default_factory=dict, description="Tools by name.")
    stop: dict[Name, tables.StopTable] = Field(default_factory=dict, description="Stop contacts by name.")
    upkeep: dict[Name, tables.UpkeepTable] = Field(default_factory=dict, description="Upkeep by name.")
    circuit: dict[Name, tables.CircuitTable] = Field(default_factory=dict, description="Electrical circuits by name.")
    homie: tables.HomieTable = Field(default_factory=tables.HomieTable, description="The Homie 5 convention.")
    page: tables.PageTable | None = Field(default=None, description="The shop on a phone; read by `gatehand page`.")
    airflow: Airflow = Field(default_factory=Airflow, description="Units and air wanted; read by airflow and check.")
    fan: dict[Name, Fan] = Field(default_factory=dict, description="Fan curves, named after their collectors.")
    duct: dict[Name, DuctTable] = Field(default_factory=dict, description="Ducts by name: a tree for each collector.")

    def signals(self) -> Iterator[Signal]:
        """Everything that a device says or is told: the one list of it. Stops first, as they act first."""
        for name, stop in self.stop.items():
            yield Signal("stop", name, "contact", stop)
            if stop.online is not None:
                yield Signal("stop", name, "online", stop.online)
        kinds: tuple[DeviceKind, ...] = ("gate", "collector", "tool")
        for kind in kinds:
            for name, device in getattr(self, kind).items():
                for key in type(device).model_fields:
                    table = getattr(device, key)
                    if isinstance(table, TopicSource | SwitchCommand | GateCommand):
                        yield Signal(kind, name, key, table)

    def gate_collector(self, gate: str) -> str:
        """The collector of a gate: the one it names, else the only one."""
        return self.gate[gate].collector or self._only_collector()

    def tool_collector(self, tool: str) -> str:
        """The collector of a tool: that of its gates, else the one it names, else the only one."""
        entry = self.tool[tool]
        return self.gate_collector(entry.gates[0]) if entry.gates else entry.collector or self._only_collector()

    def stop_collectors(self, stop: str) -> tuple[str, ...]:
        """The collectors that a stop contact stops: those it names, else all."""
        named = self.stop[stop].collectors
        return tuple(self.collector) if named is None else named

    def upkeep_collector(self, upkeep: str) -> str:
        """The collector whose hours count for a kind of upkeep."""
        return self.upkeep[upkeep].collector or self._only_collector()

    def gates_of_tools(self) -> frozenset[str]:
        """Gates that some tool opens, for itself or to assist."""
        return frozenset(gate for tool in self.tool.values() for gate in (*tool.gates, *tool.assist))

    def told_how(self, kind: str, name: str, to: str, reported_on: object = None) -> str | None:
        """Where it is said how a collector or gate is told, and with which word; None: it is never told that.

        Args:
            kind: "collector" or "gate"; any other is told nothing.
            name: of the device.
            to: "on", "off", "open" or "shut".
            reported_on: what a collector's switch says; None too where it says what it was told, so that it heard it.
        """
        if isinstance(reported_on, bool) and to == ("on" if reported_on else "off"):
            return None
        device = self.collector.get(name) if kind == "collector" else self.gate.get(name) if kind == "gate" else None
        command = None if device is None else device.command
        word = getattr(command, to, None)
        if command is None or not isinstance(word, str):
            return None
        return f"command in [{kind}.{name}]: it is told {word!r} on {command.topic}"

    def starts_when_opened(self, gate: str) -> bool:
        """Whether the gate, opened without our command, is a hand start."""
        entry = self.gate[gate]
        if entry.on_hand_open is None:
            return entry.command is None and gate not in self.gates_of_tools()
        return entry.on_hand_open == "start"

    def _only_collector(self) -> str:
        (only,) = self.collector
        return only
