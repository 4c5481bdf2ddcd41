"""Shops made from a seed: gates on any tree, tools, buttons, limits, assists, good ones and bad, as configs."""

import random
from collections.abc import Sequence

_HEAD = """
[broker]
host = "127.0.0.1"

[collector.main]
command = {{ topic = "shop/collector/set", on = "1", off = "0" }}
spin_up = 1
coast_down = 2
{limit}
"""

_GATE = """
[gate.{name}]
command = {{ topic = "shop/gate/{name}/set", open = "open", shut = "shut" }}
travel = 1
{button}
"""

_TOOL = """
[tool.{name}]
gates = [{gates}]
current = {{ topic = "shop/{name}/amps" }}
start_amps = 2
silent_after = 0
run_on = {run_on}
{assist}
"""

_AIR = """
[airflow]
units = "us"
min_velocity = {branch}
main_velocity = {main}

[fan.main]
curve = {curve}
filter_loss = {{ clean = {clean}, dirty = {dirty}, at = 800 }}
"""

_DUCT = """
[duct.{name}]
diameter = {diameter}
length = {length}
{more}
"""


def made_shop(seed: int, gates: int | None = None) -> str:
    """The whole config of one shop; with the same seed always the same. `gates`: how many, else 2 to 8."""
    dice = random.Random(seed)
    count = dice.randint(2, 8) if gates is None else gates
    names = [f"g{i}" for i in range(count)]
    limit = dice.choice([None, 1, 2, 2, 3, count])
    tools, stations = _tools(dice, names, limit)
    head = _HEAD.format(limit=f"max_open = {limit}" if limit is not None else "")
    served = {gate for _, own, _ in tools for gate in own}
    parts = [head, *(_gate(dice, name, served) for name in names), *(text for text, _, _ in tools)]
    late = random.Random(f"late {seed}").random() < 0.15  # a humped curve, from its top on
    return "".join([*parts, *_ducts(dice, names, stations, late=late)])


def _gate(dice: random.Random, name: str, served: set[str]) -> str:
    has_button = name not in served or dice.random() < 0.3
    button = f'button = {{ topic = "shop/gate/{name}/button", pressed = "1" }}' if has_button else ""
    return _GATE.format(name=name, button=button)


def _tools(
    dice: random.Random, gates: Sequence[str], limit: int | None
) -> tuple[list[tuple[str, tuple[str, ...], str]], dict[str, list[str]]]:
    """Each tool's table, its own gates, its name; and the tools of the gates behind which each has its own hood."""
    found: list[tuple[str, tuple[str, ...], str]] = []
    stations: dict[str, list[str]] = {}
    for gate in gates:
        for number in range(dice.choice([0, 1, 1, 1, 2])):
            name = f"t{gate[1:]}_{number}"
            both = dice.random() < 0.1 and limit != 1
            own = tuple(dict.fromkeys([gate, dice.choice(gates)] if both else [gate]))
            others = [other for other in gates if other not in own]
            helps = dice.sample(others, min(len(others), dice.choice([0, 0, 0, 1, 2])))
            assist = f"assist = [{', '.join(map(_quoted, helps))}]" if helps else ""
            fields = {"name": name, "gates": ", ".join(map(_quoted, own)), "assist": assist}
            found.append((_TOOL.format(run_on=dice.choice([0, 2, 5, 10]), **fields), own, name))
            stations.setdefault(gate, []).append(name)
    return found, {gate: tools for gate, tools in stations.items() if len(tools) > 1 and dice.random() < 0.5}


def _ducts(dice: random.Random, gates: Sequence[str], stations: dict[str, list[str]], *, late: bool) -> list[str]:
    light = dice.random() < 0.6
    main = dice.choice([5, 6, 7, 8])
    peak, free = dice.uniform(6, 14), dice.uniform(110, 260) * main
    last = dice.choice([1.0, 1.0, 0.6])  # some makers draw only a part of the curve
    points = [(q / 6 * last, peak * (1 - 0.93 * (q / 6 * last) ** 2)) for q in range(7)]
    points = points[2:] if late else points
    clean = dice.uniform(0.2, 1)
    found = [
        _AIR.format(
            branch=2500 if light else 4000,
            main=2200 if light else 3500,
            curve=[[round(free * q, 1), round(p, 3)] for q, p in points],
            clean=round(clean, 2),
            dirty=round(clean * dice.uniform(1, 4), 2),
        )
    ]
    trunks = [("main", main)]
    found.append(_duct("main", main, dice.uniform(3, 25), 'fittings = ["elbow_90"]'))
    for number in range(dice.choice([0, 1, 2, 4]) if len(gates) < 15 else 6):
        into, size = dice.choice(trunks)
        size = dice.choice([size, size, max(4, size - 1)])
        trunks.append((f"row{number}", size))
        found.append(_duct(f"row{number}", size, dice.uniform(2, 15), f'into = "{into}"'))
    drops = [(gate, dice.choice(trunks)[0]) for gate in gates]
    empty = (
        {name for name, _ in trunks}
        - {into for _, into in drops}
        - {part.split('into = "')[-1].split('"')[0] for part in found}
    )
    found += [_end(dice, f"end_{name}", name, None, ()) for name in sorted(empty)]
    for gate, into in drops:
        tools = stations.get(gate, [])
        if tools:
            found.append(
                _duct(f"drop_{gate}", dice.choice([4, 5]), dice.uniform(2, 10), f'into = "{into}"\ngate = "{gate}"')
            )
            found += [_end(dice, f"hood_{tool}", f"drop_{gate}", None, (tool,)) for tool in tools]
        else:
            found.append(_end(dice, f"drop_{gate}", into, gate, ()))
    return found


def _end(dice: random.Random, name: str, into: str, gate: str | None, tools: Sequence[str]) -> str:
    """A duct that ends in a hood; without a gate of its own it is a narrow one."""
    size = dice.choice([2.5, 3, 4, 4, 5, 6] if gate else [2.5, 3, 4])
    flow = dice.choice([None, size * size * dice.uniform(10, 45)])
    fields = [f"entry = {round(dice.uniform(0.1, 1.2), 2)}"]
    fields += [f"flow = {round(flow)}"] if flow is not None else []
    fields += [f"tool = [{', '.join(map(_quoted, tools))}]"] if tools else []
    fields += [f"spin_down = {dice.choice([0, 4, 12])}"]
    material = dice.choice(['material = "flex"', ""])
    gated = f'gate = "{gate}"' if gate else ""
    more = (
        f'into = "{into}"\nfittings = ["wye_45", "blade_gate"]\n{material}\n{gated}\nhood = {{ {", ".join(fields)} }}'
    )
    return _duct(name, size, dice.uniform(2, 15), more)


def _duct(name: str, diameter: float, length: float, more: str) -> str:
    return _DUCT.format(name=name, diameter=diameter, length=round(length, 1), more=more)


def _quoted(name: str) -> str:
    return f'"{name}"'
