"""Collectors: how many gates they need and bear, and whether anything ever starts them."""

from collections.abc import Iterator

from gatehand.config.collector import Collector
from gatehand.config.gate import Gate
from gatehand.config.partial import Partial
from gatehand.config.problems import Fault, Level
from gatehand.text import named
from gatehand.times import written

SHORTEST_REFRESH = 1.0
"""A command repeated faster than this only fills the network."""
SHORT_COAST_DOWN = 2.0
"""A wheel needs seconds to stand: its speed falls as 1 / (1 + t/tau), tau 5 to 7 s for a small fan (calculated)."""


def check(partial: Partial) -> Iterator[Fault]:
    """Every fault of the collectors."""
    if not partial.declared("collector"):
        if not partial.is_spoilt("collector"):
            yield Fault(("collector",), "there is no collector: add a table [collector.main] with its command")
        return
    for name, collector in partial.config.collector.items():
        yield from _numbers(name, collector)
    if partial.is_spoilt("tool") or partial.is_spoilt("gate"):
        return
    if not partial.config.tool and not partial.config.gate:
        text = "there is neither a tool nor a gate, so nothing could ever start a collector: add [tool.NAME]"
        yield Fault(("collector",), text)
    elif _all_told(partial):
        for name, collector in partial.config.collector.items():
            yield from _gates(partial, name, collector)


def _all_told(partial: Partial) -> bool:
    """Whether every gate is there and says whose it is, so that they can be counted."""
    whole = partial.mentioned_gates() <= set(partial.declared("gate"))
    return whole and all(_has_home(partial, gate) for gate in partial.config.gate.values())


def _has_home(partial: Partial, gate: Gate) -> bool:
    known = partial.declared("collector")
    return gate.collector in known if gate.collector is not None else len(known) == 1


def _numbers(name: str, collector: Collector) -> Iterator[Fault]:
    path = ("collector", name)
    if 0 < collector.refresh < SHORTEST_REFRESH:
        yield Fault((*path, "refresh"), f"found {written(collector.refresh)}; wanted at least 1 s, or 0 for never")
    if collector.max_open is not None and collector.max_open < collector.min_open:
        text = f"max_open {collector.max_open} is below min_open {collector.min_open}: it could never start"
        yield Fault((*path, "max_open"), text)
    if collector.coast_down < SHORT_COAST_DOWN and collector.min_open > 0:
        text = (
            f"{written(collector.coast_down)} is short: a fan's wheel turns on for seconds after off, "
            "and its last gate stays open until then; measure it"
        )
        yield Fault((*path, "coast_down"), text, Level.WARNING)
    if collector.on_bin_full != "refuse" and collector.bin_full is None:
        yield Fault((*path, "on_bin_full"), "has no effect: there is no bin_full to listen to", Level.WARNING)


def _gates(partial: Partial, name: str, collector: Collector) -> Iterator[Fault]:
    path = ("collector", name)
    config = partial.config
    otherwise = name if len(partial.declared("collector")) == 1 else None
    gates = [gate for gate, entry in config.gate.items() if (entry.collector or otherwise) == name]
    tools = [
        tool
        for tool, entry in config.tool.items()
        if set(entry.gates) & set(gates) or (not entry.gates and (entry.collector or otherwise) == name)
    ]
    if not gates and not tools:
        yield Fault(path, "has no gate and no tool: nothing ever starts it", Level.WARNING, at_key=True)
    elif len(gates) < collector.min_open and not partial.is_spoilt(*path, "min_open"):
        text = f"min_open is {collector.min_open}, yet {name} has {named(len(gates), 'gate')}: it could never start"
        yield Fault((*path, "min_open"), text)
    elif not tools:
        yield Fault(path, "serves no tool: only hand starts start it", Level.WARNING, at_key=True)
