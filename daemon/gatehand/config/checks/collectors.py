"""Collectors: how many gates they need and bear, and whether anything ever starts them."""

from collections.abc import Iterator

from gatehand.config.collector import Collector
from gatehand.config.draft import Draft
from gatehand.config.durations import written
from gatehand.config.problems import Fault, Level
from gatehand.config.shown import named

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
        yield from _gates(draft, name, collector)
    if (
        not draft.declared("tool")
        and not draft.declared("gate")
        and not (draft.is_spoilt("tool") or draft.is_spoilt("gate"))
    ):
        yield Fault(
            ("collector",),
            "there is neither a tool nor a gate, so nothing could ever start a collector: add [tool.NAME]",
        )


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
    unsure = any(draft.is_spoilt("gate", gate) for gate in draft.declared("gate")) or draft.is_spoilt("gate")
    only = len(draft.declared("collector")) == 1
    gates = [gate for gate, entry in config.gate.items() if (entry.collector or (name if only else None)) == name]
    tools = [
        tool
        for tool, entry in config.tool.items()
        if set(entry.gates) & set(gates) or (entry.collector or (name if only else None)) == name
    ]
    if unsure or draft.is_spoilt("tool"):
        return
    if not gates and not tools:
        text = "has no gate and no tool: nothing ever starts it"
        yield Fault(path, text, Level.WARNING, at_key=True)
    elif len(gates) < collector.min_open:
        text = f"min_open is {collector.min_open}, yet {name} has {named(len(gates), 'gate')}: it could never start"
        yield Fault((*path, "min_open"), text)
    elif not tools and any(draft.declared("tool")):
        yield Fault(path, "serves no tool: only hand starts start it", Level.WARNING, at_key=True)
    elif not tools:
        yield Fault(path, "serves no tool, for there is none: only hand starts start it", Level.WARNING, at_key=True)
