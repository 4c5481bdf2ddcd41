"""Devices across their tables: mentions that lead somewhere, numbers that fit, nothing that could never start."""

from collections.abc import Iterator

from gatehand.config import codes
from gatehand.config.partial import Partial
from gatehand.config.problems import Fault, KeyPath
from gatehand.config.tables import CollectorTable, GateTable, ToolTable
from gatehand.text import listed, named, shown
from gatehand.times import written


def check_names(partial: Partial) -> Iterator[Fault]:
    """Names that are missing or used twice; those that lead nowhere are found before, by `names.py`."""
    config = partial.config
    for name, gate in config.gate.items():
        yield from _collector_of(partial, ("gate", name), gate.collector)
    for name, tool in config.tool.items():
        yield from _twice(("tool", name, "gates"), tool.gates)
        yield from _twice(("tool", name, "assist"), tool.assist)
    for name, stop in config.stop.items():
        path = ("stop", name, "collectors")
        yield from _twice(path, stop.collectors or ())
        if stop.collectors == ():
            text = "the list is empty, so it stops nothing; leave it out to stop all"
            yield Fault(path, codes.EMPTY_LIST, text)
    for name, upkeep in config.upkeep.items():
        yield from _collector_of(partial, ("upkeep", name), upkeep.collector)


def _collector_of(partial: Partial, table: KeyPath, name: str | None) -> Iterator[Fault]:
    """A fault when a table's collector is not said where there are several."""
    path = (*table, "collector")
    known = partial.declared("collector")
    if name is None and len(known) > 1 and not partial.is_spoilt(*path):
        text = f"collector is missing: there are {listed(map(shown, known), last='and')}, so name one"
        yield Fault(path, codes.WHICH_COLLECTOR, text)


def _twice(path: KeyPath, names: tuple[str, ...]) -> Iterator[Fault]:
    for number, name in enumerate(names):
        if name in names[:number]:
            yield Fault((*path, number), codes.NAMED_TWICE, f"{shown(name)} is named twice")


SHORTEST_REFRESH = 1.0
"""A command repeated faster than this only fills the network."""
SHORT_COAST_DOWN = 2.0
"""A wheel needs seconds to stand: its speed falls as 1 / (1 + t/tau), tau 5 to 7 s for a small fan (calculated)."""


def check_collectors(partial: Partial) -> Iterator[Fault]:
    """Every fault of the collectors."""
    if not partial.declared("collector"):
        if not partial.is_spoilt("collector"):
            text = "there is no collector: add a table [collector.main] with its command"
            yield Fault(("collector",), codes.NO_COLLECTOR, text)
        return
    for name, collector in partial.config.collector.items():
        yield from _numbers(name, collector)
    if partial.is_spoilt("tool") or partial.is_spoilt("gate"):
        return
    if not partial.config.tool and not partial.config.gate:
        text = "there is neither a tool nor a gate, so nothing could ever start a collector: add [tool.NAME]"
        yield Fault(("collector",), codes.NOTHING_STARTS, text)
        return
    # Only where every gate is there and says whose it is can they be counted.
    homes, known = map(partial.home_of, partial.config.gate), partial.declared("collector")
    if partial.mentioned_gates() <= set(partial.declared("gate")) and all(home in known for home in homes):
        for name, collector in partial.config.collector.items():
            yield from _gates(partial, name, collector)


def _numbers(name: str, collector: CollectorTable) -> Iterator[Fault]:
    path = ("collector", name)
    if 0 < collector.refresh < SHORTEST_REFRESH:
        text = f"found {written(collector.refresh)}; wanted at least 1 s, or 0 for never"
        yield Fault((*path, "refresh"), codes.REFRESH_SHORT, text)
    if collector.max_open is not None and collector.max_open < collector.min_open:
        text = f"max_open {collector.max_open} is below min_open {collector.min_open}: it could never start"
        yield Fault((*path, "max_open"), codes.NEVER_STARTS, text)
    if collector.coast_down < SHORT_COAST_DOWN and collector.min_open > 0:
        text = (
            f"{written(collector.coast_down)} is short: a fan's wheel keeps turning for seconds after off, "
            "and its last gate stays open until then; measure it"
        )
        yield Fault((*path, "coast_down"), codes.COAST_DOWN_SHORT, text)
    if collector.on_bin_full != "refuse" and collector.bin_full is None:
        yield Fault((*path, "on_bin_full"), codes.NO_EFFECT, "has no effect: there is no bin_full to listen to")


def _gates(partial: Partial, name: str, collector: CollectorTable) -> Iterator[Fault]:
    path = ("collector", name)
    gates = {gate for gate in partial.config.gate if partial.home_of(gate) == name}
    named_or_only = {name, None} if len(partial.declared("collector")) == 1 else {name}
    every_tool = partial.config.tool.values()
    tools = any(gates & {*tool.gates} if tool.gates else tool.collector in named_or_only for tool in every_tool)
    if not gates and not tools:
        yield Fault(path, codes.IDLE_COLLECTOR, "has no gate and no tool: nothing ever starts it", at_key=True)
    elif len(gates) < collector.min_open and not partial.is_spoilt(*path, "min_open"):
        text = f"min_open is {collector.min_open}, yet {name} has {named(len(gates), 'gate')}: it could never start"
        yield Fault((*path, "min_open"), codes.NEVER_STARTS, text)
    elif not tools:
        yield Fault(path, codes.HANDS_ONLY, "serves no tool, so only a hand start starts it", at_key=True)


def check_gates(partial: Partial) -> Iterator[Fault]:
    """Every fault of the gates."""
    used = partial.mentioned_gates()
    for name, gate in partial.config.gate.items():
        yield from _one(partial, name, gate)
        if name not in used and not partial.is_spoilt("tool"):
            yield from _unused(partial, name, gate)


def _one(partial: Partial, name: str, gate: GateTable) -> Iterator[Fault]:
    path = ("gate", name)
    blind = gate.state is None and not partial.is_spoilt(*path, "state")
    by_hand = gate.command is None and not partial.is_spoilt(*path, "command")
    if blind and by_hand:
        text = "has neither command nor state: give it a command to be moved, or a state when it is moved by hand"
        yield Fault(path, codes.GATE_BLIND, text, at_key=True)
    elif blind and gate.on_hand_open == "start":
        text = 'found "start"; a gate without a state cannot be seen to open: add its state'
        yield Fault((*path, "on_hand_open"), codes.GATE_BLIND, text)
    if by_hand and gate.relief:
        text = "a gate without a command cannot be opened in time: wanted a gate with one"
        yield Fault((*path, "relief"), codes.GATE_BLIND, text)


def _unused(partial: Partial, name: str, gate: GateTable) -> Iterator[Fault]:
    path = ("gate", name)
    opened_by_hand = gate.on_hand_open == "start" or (gate.on_hand_open is None and gate.command is None)
    unsure = any(partial.is_spoilt(*path, key) for key in ("button", "on_hand_open", "command", "relief"))
    if gate.button is None and not opened_by_hand and not gate.relief and not unsure:
        text = (
            "nothing ever opens it: no tool names it and it has no button; "
            'add it to a tool\'s gates, give it a button, or set on_hand_open = "start"'
        )
        yield Fault(path, codes.GATE_UNUSED, text, at_key=True)


def check_tools(partial: Partial) -> Iterator[Fault]:
    """Every fault of the tools."""
    for name, tool in partial.config.tool.items():
        yield from _durations(name, tool)
        if not partial.is_spoilt("tool", name, "gates"):
            yield from _without_gates(partial, name, tool) if not tool.gates else _with_gates(partial, name, tool)
            yield from _assist(partial, name, tool)


def _durations(name: str, tool: ToolTable) -> Iterator[Fault]:
    if 0 < tool.run_limit <= tool.start_after:
        least = written(tool.start_after)
        text = f"run_limit {written(tool.run_limit)} is not above start_after {least}: it would be muted at once"
        yield Fault(("tool", name, "run_limit"), codes.MUTED_AT_ONCE, text)


def _without_gates(partial: Partial, name: str, tool: ToolTable) -> Iterator[Fault]:
    path, own = ("tool", name), tool.collector or ""
    if not own and not partial.is_spoilt(*path, "collector"):
        text = "has neither gates nor a collector: name its gates, or its collector"
        yield Fault(path, codes.NO_GATES, text, at_key=True)
    home = partial.config.collector.get(own)
    if home is not None and home.min_open > 0 and not partial.is_spoilt("collector", own, "min_open"):
        text = (
            f"has no gates, yet collector {shown(own)} waits for min_open = {home.min_open}: "
            "other gates are opened for it, relief gates first; name its gates, or set min_open = 0 for a hose "
            "without gate"
        )
        yield Fault(path, codes.GATES_OF_OTHERS, text, at_key=True)


def _with_gates(partial: Partial, name: str, tool: ToolTable) -> Iterator[Fault]:
    path = ("tool", name)
    homes = partial.homes_of(tool.gates)
    if len(set(homes.values())) > 1:
        each = listed((f"{gate} to {home}" for gate, home in homes.items()), last="and")
        text = f"its gates belong to different collectors ({each}); wanted gates of one collector"
        yield Fault((*path, "gates"), codes.TWO_COLLECTORS, text)
        return
    home = next(iter(homes.values()), None)
    if tool.collector is not None and home is not None and tool.collector != home:
        text = f"found {shown(tool.collector)}, yet its gates belong to {shown(home)}; leave collector out"
        yield Fault((*path, "collector"), codes.TWO_COLLECTORS, text)
    collector = partial.config.collector.get(home or "")
    if collector is None or home is None:
        return
    most = collector.max_open
    if most is not None and len(tool.gates) > most >= collector.min_open:
        text = (
            f"needs {named(len(tool.gates), 'gate')} at once, yet collector {shown(home)} "
            f"has max_open = {most}: it could never start; raise max_open or name fewer gates"
        )
        yield Fault((*path, "gates"), codes.NEVER_STARTS, text)
    if len(tool.gates) < collector.min_open and not partial.is_spoilt("collector", home, "min_open"):
        text = (
            f"has {named(len(tool.gates), 'gate')}, yet collector {shown(home)} has min_open = {collector.min_open}: "
            "others are opened with it, relief gates first; name those that should be"
        )
        yield Fault((*path, "gates"), codes.FEWER_GATES, text)


def _assist(partial: Partial, name: str, tool: ToolTable) -> Iterator[Fault]:
    path = ("tool", name, "assist")
    own = next(iter(partial.homes_of(tool.gates).values()), None)
    for number, gate in enumerate(tool.assist):
        home, entry = partial.home_of(gate), partial.config.gate.get(gate)
        if gate in tool.gates:
            yield Fault((*path, number), codes.ASSIST, f"{shown(gate)} is among its gates already; leave it out here")
        elif own is not None and home is not None and home != own:
            text = f"gate {shown(gate)} belongs to collector {shown(home)}, its gates to {shown(own)}"
            yield Fault((*path, number), codes.TWO_COLLECTORS, text)
        elif entry is not None and entry.command is None and not partial.is_spoilt("gate", gate, "command"):
            text = f"gate {shown(gate)} has no command, so it cannot be opened to assist"
            yield Fault((*path, number), codes.ASSIST_BY_HAND, text)
    if tool.assist and not tool.gates:
        text = "a tool without gates has nothing to assist; name the gate under gates"
        yield Fault(path, codes.ASSIST, text)
