"""Builds the rules' `Shop` from a config without errors: names, numbers and relations; no topics, no files."""

from typing import TypeVar

from msgspec import Struct

from gatehand.config.model import Config
from gatehand.config.tables import COLLECTOR_MEMBER, CollectorTable, GateTable, StopTable, ToolTable
from gatehand_rules.shop import Circuit, Collector, Gate, Shop, StopContact, Tool

T = TypeVar("T", bound=Struct)


def build(config: Config) -> Shop:
    """The shop as the rules see it. `config` is one that `load` found no error in."""
    return Shop(
        tools=tuple(
            _made(Tool, name, tool, collector=config.tool_collector(name)) for name, tool in config.tool.items()
        ),
        gates=tuple(_gate(config, name) for name in config.gate),
        collectors=tuple(_collector(config, name) for name in config.collector),
        stops=tuple(
            _made(StopContact, name, table, collectors=config.stop_collectors(name))
            for name, table in config.stop.items()
        ),
        circuits=tuple(_circuit(config, name) for name in config.circuit),
    )


def _made(kind: type[T], name: str, table: CollectorTable | GateTable | StopTable | ToolTable, **own: object) -> T:
    """The record of a device: a field as given here, else as its table has it under the same name."""
    own |= {"name": name, "tells_online": table.online is not None}
    return kind(**{field: own[field] if field in own else getattr(table, field) for field in kind.__struct_fields__})


def _circuit(config: Config, name: str) -> Circuit:
    circuit = config.circuit[name]
    collectors = tuple(member for member in circuit.members if member.startswith(COLLECTOR_MEMBER))
    return Circuit(
        name=name,
        tools=tuple(member for member in circuit.members if member not in collectors),
        collectors=tuple(member.removeprefix(COLLECTOR_MEMBER) for member in collectors),
        start_gap=circuit.start_gap,
    )


def _gate(config: Config, name: str) -> Gate:
    gate = config.gate[name]
    return _made(
        Gate,
        name,
        gate,
        collector=config.gate_collector(name),
        commanded=gate.command is not None,
        reports=gate.state is not None,
        polled=gate.state is not None and gate.state.poll is not None,
        on_hand_open="start" if config.starts_when_opened(name) else "ignore",
    )


def _collector(config: Config, name: str) -> Collector:
    collector = config.collector[name]
    return _made(
        Collector,
        name,
        collector,
        reports=collector.state is not None,
        senses_motor=collector.motor_sensor is not None,
        tells_bin=collector.bin_full is not None,
    )
