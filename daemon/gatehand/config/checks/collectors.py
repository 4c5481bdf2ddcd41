"""Collectors: how many gates they need and bear, and whether anything ever starts them."""

from collections.abc import Iterator

from gatehand.config.collector import Collector
from gatehand.config.draft import Draft
from gatehand.config.gate import Gate
from gatehand.config.problems import Fault, Level
from gatehand.text import named
from gatehand.times import written

SHORTEST_REFRESH = 1.0
"""A command repeated faster than this only fills the network."""
SHORT_COAST_DOWN = 2.0
"""A wheel needs seconds to stand: its speed falls as 1 / (1 + t/tau), tau 5 to 7 s for a small fan (calculated)."""


def check(draft: Draft) -> Iterator[Fault]:
    """Every fault of the collectors."""
    if not draft.declared("collector"):
        if not draft.is_spoilt("collector"):
            yield Fault(("collector",), "there is no collector: add a table [collector.main] with its command")
        return
    for name, collector in draft.config.collector.items():
        yield from _numbers(name, collector)
    if draft.is_spoilt("tool") or draft.is_spoilt("gate"):
        return
    if not draft.config.tool and not draft.config.gate:
        text = "there is neither a tool nor a gate, so nothing could ever start a collector: add [tool.NAME]"
        yield Fault(("collector",), text)
    elif _all_told(draft):
        for name, collector in draft.config.collector.items():
            yield from _gates(draft, name, collector)


def _all_told(draft: Draft) -> bool:
    """Whether every gate is there and says whose it is, so that they can be counted."""
    whole = draft.mentioned_gates() <= set(draft.declared("gate"))
    return whole and all(_has_home(draft, gate) for gate in draft.config.gate.values())


def _has_home(draft: Draft, gate: Gate) -> bool:
    known = draft.declared("collector")
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


def _gates(draft: Draft, name: str, collector: Collector) -> Iterator[Fault]:
    path = ("collector", name)
    config = draft.config
    otherwise = name if len(draft.declared("collector")) == 1 else None
    gates = [gate for gate, entry in config.gate.items() if (entry.collector or otherwise) == name]
    tools = [
        tool
        for tool, entry in config.tool.items()
        if set(entry.gates) & set(gates) or (not entry.gates and (entry.collector or otherwise) == name)
    ]
    if not gates and not tools:
        yield Fault(path, "has no gate and no tool: nothing ever starts it", Level.WARNING, at_key=True)
    elif len(gates) < collector.min_open and not draft.is_spoilt(*path, "min_open"):
        text = f"min_open is {collector.min_open}, yet {name} has {named(len(gates), 'gate')}: it could never start"
        yield Fault((*path, "min_open"), text)
    elif not tools:
        yield Fault(path, "serves no tool: only hand starts start it", Level.WARNING, at_key=True)
