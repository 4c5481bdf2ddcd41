"""Builds the rules' `Shop` from a config without errors: names, numbers and relations; no topics, no files."""

from gatehand.config.model import Config
from gatehand.config.tables import COLLECTOR_MEMBER
from gatehand_rules.shop import Circuit, Collector, Gate, Shop, StopContact, Tool


def build(config: Config) -> Shop:
    """The shop as the rules see it. `config` is one that `load` found no error in."""
    return Shop(
        tools=tuple(_tool(config, name) for name in config.tool),
        gates=tuple(_gate(config, name) for name in config.gate),
        collectors=tuple(_collector(config, name) for name in config.collector),
        stops=tuple(StopContact(name=name, collectors=config.stop_collectors(name)) for name in config.stop),
        circuits=tuple(_circuit(config, name) for name in config.circuit),
    )


def _circuit(config: Config, name: str) -> Circuit:
    circuit = config.circuit[name]
    return Circuit(
        name=name,
        tools=tuple(member for member in circuit.members if not member.startswith(COLLECTOR_MEMBER)),
        collectors=tuple(
            member.removeprefix(COLLECTOR_MEMBER) for member in circuit.members if member.startswith(COLLECTOR_MEMBER)
        ),
        start_gap=circuit.start_gap,
    )


def _tool(config: Config, name: str) -> Tool:
    tool = config.tool[name]
    return Tool(
        name=name,
        collector=config.tool_collector(name),
        gates=tool.gates,
        assist=tool.assist,
        start_amps=tool.start_amps,
        stop_amps=tool.stop_amps,
        start_after=tool.start_after,
        stop_after=tool.stop_after,
        run_on=tool.run_on,
        silent_after=tool.silent_after,
        run_limit=tool.run_limit,
        tells_online=tool.online is not None,
    )


def _gate(config: Config, name: str) -> Gate:
    gate = config.gate[name]
    return Gate(
        name=name,
        collector=config.gate_collector(name),
        commanded=gate.command is not None,
        reports=gate.state is not None,
        polled=gate.state is not None and gate.state.poll is not None,
        travel=gate.travel,
        retries=gate.retries,
        hand_limit=gate.hand_limit,
        relief=gate.relief,
        on_hand_open="start" if config.starts_when_opened(name) else "ignore",
        tells_online=gate.online is not None,
    )


def _collector(config: Config, name: str) -> Collector:
    collector = config.collector[name]
    return Collector(
        name=name,
        reports=collector.state is not None,
        senses_current=collector.current is not None,
        running_amps=collector.running_amps,
        spin_up=collector.spin_up,
        coast_down=collector.coast_down,
        refresh=collector.refresh,
        min_open=collector.min_open,
        max_open=collector.max_open,
        starts_per_hour=collector.starts_per_hour,
        on_bin_full=collector.on_bin_full,
        rest=collector.rest,
        tells_bin=collector.bin_full is not None,
        tells_online=collector.online is not None,
    )
