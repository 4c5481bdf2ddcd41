"""Tools: thresholds that fit, gates of one collector and no more than it bears, a collector for one without gates."""

from collections.abc import Iterator

from gatehand.config.partial import Partial
from gatehand.config.problems import Fault, Level
from gatehand.config.tool import Tool
from gatehand.text import listed, named, shown
from gatehand.times import written


def check(partial: Partial) -> Iterator[Fault]:
    """Every fault of the tools."""
    for name, tool in partial.config.tool.items():
        yield from _thresholds(partial, name, tool)
        if not partial.is_spoilt("tool", name, "gates"):
            yield from _without_gates(partial, name, tool) if not tool.gates else _with_gates(partial, name, tool)
            yield from _assist(partial, name, tool)


def _thresholds(partial: Partial, name: str, tool: Tool) -> Iterator[Fault]:
    path = ("tool", name)
    if tool.stop_amps > tool.start_amps and not partial.is_spoilt(*path, "start_amps"):
        text = (
            f"stop_amps {tool.stop_amps:g} is above start_amps {tool.start_amps:g}: it would start and stop in one; "
            f"wanted at most {tool.start_amps:g}, usually about {0.7 * tool.start_amps:.3g}"
        )
        yield Fault((*path, "stop_amps"), text)
    if 0 < tool.run_limit <= tool.start_after:
        least = written(tool.start_after)
        text = f"run_limit {written(tool.run_limit)} is not above start_after {least}: it would be muted at once"
        yield Fault((*path, "run_limit"), text)


def _without_gates(partial: Partial, name: str, tool: Tool) -> Iterator[Fault]:
    path = ("tool", name)
    if tool.collector is None:
        if not partial.is_spoilt(*path, "collector"):
            yield Fault(path, "has neither gates nor a collector: name its gates, or its collector", at_key=True)
        return
    home = partial.config.collector.get(tool.collector)
    if home is not None and home.min_open > 0 and not partial.is_spoilt("collector", tool.collector, "min_open"):
        text = (
            f"has no gates, yet collector {shown(tool.collector)} waits for min_open = {home.min_open}: "
            "other gates are opened for it, relief gates first; name its gates, or set min_open = 0 for a hose "
            "without gate"
        )
        yield Fault(path, text, Level.WARNING, at_key=True)


def _with_gates(partial: Partial, name: str, tool: Tool) -> Iterator[Fault]:
    path = ("tool", name)
    homes = {gate: home for gate in tool.gates if (home := _home(partial, gate)) is not None}
    if len(set(homes.values())) > 1:
        each = listed((f"{gate} to {home}" for gate, home in homes.items()), last="and")
        yield Fault(
            (*path, "gates"), f"its gates belong to different collectors ({each}); wanted gates of one collector"
        )
        return
    home = next(iter(homes.values()), None)
    if tool.collector is not None and home is not None and tool.collector != home:
        text = f"found {shown(tool.collector)}, yet its gates belong to {shown(home)}; leave collector out"
        yield Fault((*path, "collector"), text)
    collector = partial.config.collector.get(home or "")
    if collector is None or home is None:
        return
    most = collector.max_open
    if most is not None and len(tool.gates) > most >= collector.min_open:
        text = (
            f"needs {named(len(tool.gates), 'gate')} at once, yet collector {shown(home)} "
            f"has max_open = {most}: it could never start; raise max_open or name fewer gates"
        )
        yield Fault((*path, "gates"), text)
    if len(tool.gates) < collector.min_open and not partial.is_spoilt("collector", home, "min_open"):
        text = (
            f"has {named(len(tool.gates), 'gate')}, yet collector {shown(home)} has min_open = {collector.min_open}: "
            "others are opened with it, relief gates first; name those that should be"
        )
        yield Fault((*path, "gates"), text, Level.WARNING)


def _assist(partial: Partial, name: str, tool: Tool) -> Iterator[Fault]:
    path = ("tool", name, "assist")
    own = next((home for gate in tool.gates if (home := _home(partial, gate)) is not None), None)
    for number, gate in enumerate(tool.assist):
        home, entry = _home(partial, gate), partial.config.gate.get(gate)
        if gate in tool.gates:
            yield Fault((*path, number), f"{shown(gate)} is among its gates already; leave it out here")
        elif own is not None and home is not None and home != own:
            yield Fault(
                (*path, number), f"gate {shown(gate)} belongs to collector {shown(home)}, its gates to {shown(own)}"
            )
        elif entry is not None and entry.command is None and not partial.is_spoilt("gate", gate, "command"):
            text = f"gate {shown(gate)} has no command, so it cannot be opened to assist"
            yield Fault((*path, number), text, Level.WARNING)
    if tool.assist and not tool.gates:
        yield Fault(path, "a tool without gates has nothing to assist; name the gate under gates")


def _home(partial: Partial, gate: str) -> str | None:
    """The collector of a gate, as far as it can be told."""
    entry, known = partial.config.gate.get(gate), partial.declared("collector")
    if entry is None or partial.is_spoilt("gate", gate, "collector"):
        return None
    return entry.collector or (known[0] if len(known) == 1 else None)
