"""Duct tables drawn at random, whole or with a slip: nothing raises, and what passes `check` becomes ducts to solve."""

import random
from pathlib import Path

import pytest
from shop_files import gate_tables, head

from gatehand.air.duct_model import duct_systems
from gatehand.config import load_text

NAMES = ("main", "row", "drop", "left", "right", "far")
GATES = ("saws", "sweep")
TOOL = '[tool.saw]\ngates = ["saws"]\ncurrent = { topic = "t/saw" }\nstart_amps = 2\n'
SIZES = ("2.5", "3", "4", "5", "6")
FITTINGS = (
    '"elbow_90"',
    '"wye_45"',
    '"blade_gate"',
    "{ k = 0.3 }",
    "{ k = 0 }",
    "{ reducer = 4 }",
    "{ reducer = 6, angle = 30 }",
)
HOODS = (
    'hood = { flow = 350, dust = "fine" }',
    'hood = { tool = "saw", dust = "heavy" }',
    'hood = { tool = ["saw", "table_saw"], machine_loss = { loss = 1.8, at = 400 } }',
    "hood = { entry = 0.04, machine_loss = 0 }",
    "hood = {}",
)
FANS = (
    "curve = [[0, 11], [800, 8], [1400, 2]]",
    "curve = [[0, 11], [800, 8], [1400, 3.5]]\nmeasured = { inlet_pipe = 6 }\nspeed = { curve = 3450, run = 2850 }",
    'curve = [[0, 11], [800, 8]]\nmeasured = "fan_static"\nfilter_loss = { clean = 1, dirty = 2, at = 800 }',
)
SLIPS = (
    ("diameter = 4", "diameter = 1e-200"),
    ("diameter = 4", "diameter = 1e-5"),
    ("diameter = 5", "diameter = 150"),
    ("length = 6", "length = 1e300"),
    ("length = 6", "length = 0"),
    ("length = 6", "length = -1"),
    ("entry = 0.04", "entry = 0"),
    ("{ k = 0.3 }", "{ k = 400 }"),
    ("reducer = 4", "reducer = 1e-5"),
    ("reducer = 4", "reducer = 1e-200"),
    ("angle = 30", "angle = 1e-6"),
    ("inlet_pipe = 6", "inlet_pipe = 1e-6"),
    ("inlet_pipe = 6", "inlet_pipe = 0.1"),
    ("curve = 3450, run = 2850", "curve = 1e-6, run = 1e9"),
    ("at = 400", "at = 1e-200"),
    ("at = 800", "at = 1e-6"),
    ("loss = 1.8", "loss = 1e300"),
    ("[1400, 2]", "[1e-300, 1e-300]"),
    ("[1400, 2]", "[1e8, 1e-6]"),
    ('dust = "fine"', 'dust = "wet"'),
    ('"fan_static"', '"total"'),
    ("[fan.main]", "[fan.mian]"),
    ("[fan.main]", "[fan.larger]"),
    ('into = "main"', 'into = "far"'),
    ('into = "row"', 'into = "drop"'),
    ('gate = "saws"', 'gate = "swep"'),
    ("hood = {}", ""),
    ('"wye_45"', '"wye"'),
    ("[fan.main]", '[airflow]\nunits = "metric"\n[fan.main]'),
)


def drawn(rng: random.Random) -> str:
    """A fan and a tree of up to six ducts, of which any two have a gate that are not on one way."""
    names = NAMES[: rng.randint(1, len(NAMES))]
    into = {name: rng.choice(names[:number]) for number, name in enumerate(names) if number}

    def way(name: str) -> list[str]:
        return [name, *(way(into[name]) if name in into else [])]

    first, other = rng.choice(names), rng.choice(names)
    apart = first not in way(other) and other not in way(first)
    gates = {first: "saws", other: "sweep"} if apart else {first: "saws"}
    lines = ["[fan.main]", rng.choice(FANS)]
    for name in names:
        lines += [f"[duct.{name}]", f"diameter = {rng.choice(SIZES)}", f"length = {rng.choice(('0', '6', '6'))}"]
        lines += [f'into = "{into[name]}"'] if name in into else []
        lines.append(f"fittings = [{', '.join(rng.choices(FITTINGS, k=rng.randint(0, 4)))}]")
        lines += [f'gate = "{gates[name]}"'] if name in gates else []
        lines += [rng.choice(HOODS)] if name not in into.values() else []
    return "\n".join(lines)


@pytest.mark.parametrize("slips", [0, 1, 2])
def test_no_duct_tables_raise_and_what_passes_is_worked_out(slips: int) -> None:
    rng = random.Random(slips)
    passed = slipped = 0
    for _ in range(130):
        text = drawn(rng)
        fitting = [(was, now) for was, now in SLIPS if was in text]
        for was, now in rng.sample(fitting, min(slips, len(fitting))):
            text = text.replace(was, now, 1)
        loaded = load_text(f"{head()}{gate_tables(*GATES)}{TOOL}{text}\n", Path("config.toml"))
        slipped += bool(loaded.problems)
        assert loaded.ok is (not loaded.errors), text
        if loaded.config is None:
            continue
        passed += 1
        for of in duct_systems(loaded.config):
            network = of.ducting.network
            assert {duct.name for duct in network.ducts} == loaded.config.duct.keys()
            for gates in ((), ("saws",), network.gates):
                of.ducting.assess(gates)
    assert (passed, slips) == (130, 0) if slips == 0 else passed > 15
    assert slipped > 50
