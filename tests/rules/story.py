"""A run of events as a scenario: its shop's config and its text, both fit to be added under tests/scenarios/."""

from typing import assert_never

from gatehand_rules import Shop
from gatehand_rules import events as ev
from gatehand_rules.shop import Collector, Gate, StopContact, Tool
from gatehand_rules.words import Measure, Position

_WHERE = {Position.OPEN: "open", Position.SHUT: "shut", Position.BETWEEN: "half open"}


def written(shop: Shop, story: list[tuple[float, ev.Event]]) -> str:
    """Both files, each below the name that it wants."""
    return f"# tests/scenarios/shops/found.toml\n{config(shop)}\n# tests/scenarios/found.txt\n{scenario(story)}"


def scenario(story: list[tuple[float, ev.Event]]) -> str:
    """The story's text; `pytest --rewrite-scenarios` writes what follows below its dashes."""
    lines = ["# Found by chance; say here what must hold.", "shop: found", "devices: none"]
    lines += [f"{at:<9.9g} {said}" for at, event in story if (said := _line(at, event)) is not None]
    end = story[-1][0] if story else 0.0
    return "\n".join([*lines, f"{end:<9.9g} end", "----", ""])


def _line(at: float, event: ev.Event) -> str | None:
    """The event in the scenario's words; None for a name that no shop has, which a scenario cannot say."""
    match event:
        case ev.Tick():
            return "tick"
        case ev.Reading(tool=name, value=amps, retained=retained, young=young):
            return f"{name} {'retained' if retained else 'just now' if young else 'once'} {amps:g} A"
        case ev.MessageRejected(name=name):
            return f"{name} says rubbish"
        case ev.GateReport(gate=name, position=where, retained=retained):
            return f"gate {name} retained {_WHERE[where]}" if retained else f"gate {name} {_WHERE[where]} by hand"
        case ev.ButtonPressed(gate=name, retained=retained):
            return f"press {name}{' retained' if retained else ''}"
        case ev.HandAsked(gate=name, on=on):
            return f"hand {'start' if on else 'end'} {name}"
        case ev.StopReport(stop=name, active=active):
            return f"stop {name} {'active' if active else 'clear'}"
        case ev.StopUnclear(stop=name):
            return f"stop {name} says pressed"
        case ev.CollectorReport(collector=name, on=on, retained=retained):
            return f"collector {name} {'retained' if retained else 'reports'} {'on' if on else 'off'}"
        case ev.CollectorReading(collector=name, value=amps, retained=retained):
            return f"collector {name} {'retained' if retained else 'draws'} {amps:g} A"
        case ev.BinReport(collector=name, full=full):
            return f"bin {name} {'full' if full else 'empty'}"
        case ev.DeviceOnline(kind=kind, name=name, online=online):
            return f"{kind} {name} {'online' if online else 'offline'}"
        case ev.ResetAsked(collector=name):
            return f"reset {name}"
        case ev.ResetButton(collector=name, pressed=pressed):
            return f"reset button {name} {'pressed' if pressed else 'released'}"
        case ev.HoldAsked(collector=name):
            return f"hold {name}"
        case ev.OffAsked(collector=name):
            return f"off {name}"
        case ev.HoldRemembered(collector=name):
            return f"collector {name} was held"
        case ev.BrokerConnected():
            return "broker back"
        case ev.BrokerLost(heard_at=heard_at):
            return f"broker lost, unheard for {at - heard_at:g} s"
        case ev.StopsLost():
            return "stop contacts lost"
        case ev.StopsHeard():
            return "stop contacts heard"
        case ev.LoopStood(seconds=seconds):
            return f"daemon stood still for {seconds:g} s"
        case ev.LoopCaughtUp():
            return "daemon has caught up"
        case ev.ShutdownAsked():
            return "daemon stops"
        case _:
            assert_never(event)


def config(shop: Shop) -> str:
    """The shop as a config file, every device on a topic of its own."""
    tables = [_collector(one) for one in shop.collectors]
    tables += [_gate(one) for one in shop.gates]
    tables += [_tool(one) for one in shop.tools]
    for stop in shop.stops:
        tables.append(
            f'[stop.{stop.name}]\ntopic = "stop/{stop.name}"\nactive = "1"\nclear = "0"\n'
            f"collectors = {_names(stop.collectors)}\n" + "".join(f"{line}\n" for line in _online("stop", stop))
        )
    for circuit in shop.circuits:
        members = _names((*circuit.tools, *(f"collector.{name}" for name in circuit.collectors)))
        tables.append(f"[circuit.{circuit.name}]\namps = 20\nmembers = {members}\nstart_gap = {circuit.start_gap:g}\n")
    return "\n".join(tables)


def _names(names: tuple[str, ...]) -> str:
    return "[" + ", ".join(f'"{name}"' for name in names) + "]"


def _switch(kind: str, name: str, on: str, off: str) -> str:
    return f'{{ topic = "{kind}/{name}", {on} = "{on}", {off} = "{off}" }}'


def _online(kind: str, one: Collector | Gate | StopContact | Tool) -> list[str]:
    """The device's own word about itself, where there is one."""
    topic = f"online/{kind}/{one.name}"
    return [f'online = {{ topic = "{topic}", active = "1", clear = "0" }}'] if one.tells_online else []


def _sensor(measure: Measure, name: str) -> str:
    topic = f'topic = "{measure}/{name}"'
    if measure is Measure.RUNNING:
        return f'running = {{ {topic}, active = "1", clear = "0" }}'
    return f"{'current' if measure is Measure.AMPS else 'power'} = {{ {topic} }}"


def _threshold(which: str, measure: Measure, value: float) -> list[str]:
    return [] if measure is Measure.RUNNING else [f"{which}_{measure} = {value:g}"]


def _collector(one: Collector) -> str:
    name = one.name
    lines = [f"[collector.{name}]", f"command = {_switch('set', name, 'on', 'off')}"]
    if one.reports:
        lines.append(f"state = {_switch('state', name, 'on', 'off')}")
    if one.senses_motor:
        lines += [_sensor(one.measure, name), *_threshold("running", one.measure, one.turns_at)]
    lines += [f"{key} = {getattr(one, key):g}" for key in ("spin_up", "coast_down", "refresh", "min_open")]
    lines += [f"{key} = {value}" for key in ("max_open", "starts_per_hour") if (value := getattr(one, key)) is not None]
    if one.tells_bin:
        lines.append(f'bin_full = {{ topic = "bin/{name}", active = "1", clear = "0" }}')
    lines += _online("collector", one)
    lines.append(f'on_bin_full = "{one.on_bin_full}"\nrest = "{one.rest}"\n')
    return "\n".join(lines)


def _gate(one: Gate) -> str:
    name = one.name
    lines = [f"[gate.{name}]", f'collector = "{one.collector}"']
    lines += _online("gate", one)
    if one.commanded:
        lines.append(f"command = {_switch('set', name, 'open', 'shut')}")
    if one.reports:
        lines.append(f"state = {_switch('state', name, 'open', 'shut')}")
    lines.append(f'button = {{ topic = "button/{name}", pressed = "1" }}')
    lines += [f"{key} = {getattr(one, key):g}" for key in ("travel", "retries", "hand_limit")]
    lines.append(f'relief = {str(one.relief).lower()}\non_hand_open = "{one.on_hand_open}"\n')
    return "\n".join(lines)


def _tool(one: Tool) -> str:
    lines = [f"[tool.{one.name}]", f'collector = "{one.collector}"', _sensor(one.measure, one.name)]
    lines += _online("tool", one)
    lines += [f"{key} = {_names(value)}" for key in ("gates", "assist") if (value := getattr(one, key))]
    lines += [*_threshold("start", one.measure, one.start_at), *_threshold("stop", one.measure, one.stop_at)]
    keys = ("start_after", "stop_after", "run_on", "silent_after", "run_limit")
    lines += [f"{key} = {getattr(one, key):g}" for key in keys]
    return "\n".join([*lines, ""])
