"""A shop drawn from a seed: the config text first, then how its devices behave when nothing is wrong with them."""

from dataclasses import dataclass
from pathlib import Path
from random import Random

from gatehand.config import Config, Loaded, load_text
from gatehand.simshop.collector import CollectorHabits
from gatehand.simshop.gate import GateHabits
from gatehand.simshop.sim_shop import Habits
from gatehand.simshop.tool import Inrush, ToolHabits

CONFIG = Path("shop/config.toml")


@dataclass(frozen=True, slots=True)
class Drawn:
    """A shop and the manners of its devices."""

    loaded: Loaded
    config: Config
    habits: Habits


def draw(random: Random) -> Drawn:
    """A shop whose config has no errors; draws again until it is one."""
    while True:
        text = _text(random)
        loaded = load_text(text, CONFIG, files=False)
        if loaded.config is not None:
            return Drawn(loaded, loaded.config, _habits(loaded.config, random))


def read(text: str, random: Random) -> Drawn:
    """A given shop with drawn manners."""
    loaded = load_text(text, CONFIG, files=False)
    if loaded.config is None:
        raise ValueError("\n".join(map(str, loaded.problems)))
    return Drawn(loaded, loaded.config, _habits(loaded.config, random))


def _text(random: Random) -> str:
    fans = ["main"] if random.random() < 0.75 else ["main", "second"]
    parts = ['[log]\nfolder = "log"\nreadings_limit_mb = 0\n']
    gates: dict[str, list[str]] = {}
    for fan in fans:
        gates[fan] = [f"{fan}_{i}" for i in range(random.choice((1, 2, 3, 3, 4, 5) if fan == "main" else (1, 2)))]
        parts.append(_collector(fan, len(gates[fan]), random))
        parts += [_gate(gate, fan, random) for gate in gates[fan]]
    names: list[str] = []
    for fan in fans:
        for i in range(random.choice((1, 2, 3, 4)) if fan == "main" else 1):
            names.append(f"{fan}_tool_{i}")
            parts.append(_tool(names[-1], gates[fan], random))
    # A gate needs a tool or a button; those left without get a tool of their own.
    text = "\n".join(parts)
    for fan in fans:
        for gate in gates[fan]:
            if f'"{gate}"' not in text.split("[tool.", 1)[-1] and f"{gate}/button" not in text:
                names.append(f"{gate}_tool")
                text += "\n" + _tool(names[-1], [gate], random)
    for i in range(random.choice((0, 1, 1, 2))):
        which = "" if random.random() < 0.6 else f'collectors = ["{random.choice(fans)}"]\n'
        text += f'\n[stop.stop_{i}]\ntopic = "shop/stop/{i}"\nactive = "1"\nclear = "0"\n{which}'
        if Random(text).random() < 0.5:  # its own source, so that a seed's shop is what it was before but for this
            text += f'online = {{ topic = "shop/stop/{i}/online", active = "1", clear = "0" }}\n'
    if random.random() < 0.15:
        members = ", ".join(f'"{name}"' for name in (f"collector.{fans[0]}", names[0]))
        text += f"\n[circuit.wall]\namps = 63\nmembers = [{members}]\nstart_gap = {random.choice((1, 2))}\n"
    return text


def _collector(name: str, gates: int, random: Random) -> str:
    lines = [
        f"[collector.{name}]",
        f'command = {{ topic = "shop/fan/{name}/set", on = "1", off = "0" }}',
        f"spin_up = {random.choice((0, 1, 3))}",
        f"coast_down = {random.choice((1, 4, 8, 20))}",
        f"refresh = {random.choice((0, 5, 20, 20))}",
        f"full_load_amps = {random.choice((4, 12))}",
    ]
    seen = random.choice(("both", "both", "state", "state", "current", "none"))
    if seen in {"both", "state"}:
        pointer = random.choice(("", "", 'pointer = "/power", '))
        on, off = ("true", "false") if pointer else ("1", "0")
        lines.append(f'state = {{ topic = "shop/fan/{name}/state", {pointer}on = "{on}", off = "{off}" }}')
    if seen in {"both", "current"}:
        lines.append(
            random.choice(
                (
                    f'current = {{ topic = "shop/fan/{name}/amps" }}',
                    f'power = {{ topic = "shop/fan/{name}/watts" }}\nrunning_watts = 300',
                    f'running = {{ topic = "shop/fan/{name}/air", active = "1", clear = "0" }}',
                )
            )
        )
    least = random.choice((0, 1, 1, 1, 2)) if gates > 1 else random.choice((0, 1, 1, 1))
    lines.append(f"min_open = {least}")
    if random.random() < 0.5:
        lines.append(f"max_open = {random.choice((max(1, least), 2, 2, 3))}")
    if random.random() < 0.4:
        lines.append(f"starts_per_hour = {random.choice((2, 4, 8, 12))}")
    if random.random() < 0.4:
        lines.append(f'bin_full = {{ topic = "shop/bin/{name}", active = "1", clear = "0" }}')
        lines.append(f'on_bin_full = "{random.choice(("refuse", "warn"))}"')
    if random.random() < 0.3:
        lines.append(f'reset = {{ topic = "shop/fan/{name}/reset", pressed = "1", released = "0" }}')
    lines.append(f'rest = "{random.choice(("shut", "shut", "leave"))}"')
    return "\n".join(lines) + "\n"


def _gate(name: str, fan: str, random: Random) -> str:
    by_hand = random.random() < 0.12
    reports = by_hand or random.random() < 0.7
    lines = [f"[gate.{name}]", f'collector = "{fan}"']
    if not by_hand:
        lines.append(f'command = {{ topic = "shop/gate/{name}/set", open = "open", shut = "shut" }}')
    if reports:
        pointer = random.choice(("", "", 'pointer = "/position", '))
        poll = f', poll = {{ topic = "shop/gate/{name}/get", payload = "?" }}' if random.random() < 0.2 else ""
        lines.append(f'state = {{ topic = "shop/gate/{name}/state", {pointer}open = "open", shut = "shut"{poll} }}')
    lines.append(f"travel = {random.choice((0.5, 1.5, 1.5, 3))}")
    lines.append(f"retries = {random.choice((0, 1, 2, 3))}")
    if random.random() < 0.35:
        lines.append(f'button = {{ topic = "shop/gate/{name}/button", pressed = "1" }}')
        lines.append(f"hand_limit = {random.choice((60, 300, 1800))}")
    if random.random() < 0.2 and not by_hand:
        lines.append("relief = true")
    if reports and random.random() < 0.3:
        lines.append(f'on_hand_open = "{random.choice(("start", "ignore"))}"')
    if random.random() < 0.2:
        lines.append(f'online = {{ topic = "shop/gate/{name}/online", active = "1", clear = "0" }}')
    return "\n".join(lines) + "\n"


def _tool(name: str, gates: list[str], random: Random) -> str:
    own = random.sample(gates, min(len(gates), random.choice((1, 1, 1, 1, 2))))
    spare = [gate for gate in gates if gate not in own]
    start = random.choice((1.5, 2.5, 4))
    lines = [
        f"[tool.{name}]",
        "gates = [" + ", ".join(f'"{gate}"' for gate in own) + "]",
        _sensor(f"shop/tool/{name}", start, random),
        f"start_after = {random.choice((0, 0, 0, 0.5))}",
        f"stop_after = {random.choice((0, 0, 2))}",
        f"run_on = {random.choice((0, 5, 10, 20))}",
        f"silent_after = {random.choice((0, 120, 300))}",
        f"full_load_amps = {start * 3}",
    ]
    if spare and random.random() < 0.15:
        lines.append(f'assist = ["{random.choice(spare)}"]')
    if random.random() < 0.1:
        lines.append('run_limit = "20 min"')
    if random.random() < 0.25:
        lines.append(f'online = {{ topic = "shop/tool/{name}/online", active = "1", clear = "0" }}')
    return "\n".join(lines) + "\n"


def _sensor(place: str, start: float, random: Random) -> str:
    """A current, a power or a contact; some say when they measured, some answer when they are asked."""
    kind = random.choice(("current", "current", "power", "running"))
    if kind == "running":
        pointer = random.choice(("", 'pointer = "/output", '))
        poll = f', poll = {{ topic = "{place}/get", payload = "?" }}' if random.random() < 0.3 else ""
        return f'running = {{ topic = "{place}/running", {pointer}active = "on", clear = "off"{poll} }}'
    unit, at_least = ("amps", start) if kind == "current" else ("watts", start * 120)
    threshold = f"\nstart_{unit} = {at_least:g}"
    if random.random() < 0.7:
        return f'{kind} = {{ topic = "{place}/{unit}" }}{threshold}'
    max_age = random.choice(("", "", ", max_age = 2"))
    return f'{kind} = {{ topic = "{place}/{unit}", pointer = "/{unit}", at = "/at"{max_age} }}{threshold}'


def _habits(config: Config, random: Random) -> Habits:
    def tool(silent_after: float) -> ToolHabits:
        # Few of the regular reports decide anything; what changes is reported at once.
        every = 0.0 if silent_after == 0 else silent_after / random.choice((2.5, 4))
        inrush = None if random.random() < 0.2 else Inrush()
        return ToolHabits(every=every, inrush=inrush, delay=random.choice((0.01, 0.03, 0.3)))

    return Habits(
        tools={name: tool(each.silent_after) for name, each in config.tool.items()},
        gates={
            name: GateHabits(
                travel=gate.travel * random.choice((0.2, 0.6, 0.9)),
                delay=random.choice((0.005, 0.02)),
                answers=random.random() < 0.6,
                says_between=random.random() < 0.4,
                retains=random.random() < 0.7,
                late_by=random.choice((1.0, 5.0, 60.0)),
            )
            for name, gate in config.gate.items()
        },
        collectors={
            name: CollectorHabits(
                limit=0.0 if fan.refresh == 0 or random.random() < 0.5 else fan.refresh * random.choice((2, 3)),
                delay=random.choice((0.01, 0.05)),
                every=random.choice((30.0, 120.0)),
                answers=random.random() < 0.6,
                reports_contact=random.random() < 0.7,
                retains=random.random() < 0.7,
            )
            for name, fan in config.collector.items()
        },
    )
