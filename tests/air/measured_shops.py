"""Shops measured by a made-up gauge: what it shows in a shop that is known to be so, give or take its own error."""

import json
import math
import random
from collections.abc import Mapping, Sequence
from pathlib import Path

from air_shops import random_tree, solver
from drawn_shops import drawn
from msgspec.structs import replace

from gatehand.air.duct_model import DuctSystem, duct_systems
from gatehand.air.measured import Fitted, apply
from gatehand.air.readings_file import read as read_file
from gatehand.config import Config
from gatehand_air.ducting import Ducting
from gatehand_air.fan_curve import Filter
from gatehand_air.readings import Guess, Measurement, Quantity, Shop
from gatehand_air.solve import Solver
from gatehand_air.spread import PLAIN
from gatehand_air.tree import Network

KNOWN = replace(PLAIN, fan=0.0)
"""What is drawn at random of a shop; its fan is weakened on purpose."""


def described(seed: int) -> Ducting:
    """A shop as its config has it: two to nine hoods on a tree of any shape, a fan, a filter."""
    rng = random.Random(seed)
    network = random_tree(rng)
    while len(network.ends) < 2:
        network = random_tree(rng)
    shop = solver(network)
    return Ducting(
        network=network,
        fan=shop.fan,
        clean_filter=Filter(1500.0),
        dirty_filter=Filter(4000.0),
        air=shop.air,
        hood_flows={},
        branch_velocity=20.0,
        main_velocity=18.0,
    )


def as_built(
    of: Ducting, seed: int, scale: float = 1.0, filter_: float = 1.0, extra: Mapping[str, float] | None = None
) -> Solver:
    """The real shop: off the description by chance as far as its ignorance goes, and by what was put into it.

    `extra`: loss factors more, by duct.
    """
    real = drawn(of.clean, seed, KNOWN)
    more = extra or {}
    ducts = tuple(replace(duct, factor=duct.factor + more.get(duct.name, 0.0)) for duct in real.network.ducts)
    return replace(
        real, network=Network(ducts), fan=real.fan.scaled(scale), filter=Filter(real.filter.factor * filter_)
    )


def plan(
    of: Ducting, *, accuracy: float = 0.05, taps: bool = True, filter_: bool = False, most: int = 4
) -> list[Measurement]:
    """A flow and the suction with each of up to `most` gates open; taps at both ends of its ducts."""
    found = []
    for end in of.network.ends[:most]:
        gates = frozenset({of.network.gate_of[end.name] or ""})
        found.append(Measurement(gates, Quantity.HOOD, end.name, 1.0, accuracy))
        found.append(Measurement(gates, Quantity.SUCTION, "", 1.0, accuracy))
        if filter_:
            found.append(Measurement(gates, Quantity.FILTER, "", 1.0, accuracy))
        for duct in of.network.path(end.name) if taps else ():
            found.append(Measurement(gates, Quantity.TAP, duct.name, 1.0, accuracy, 0.2))
            if duct.into is not None:
                found.append(Measurement(gates, Quantity.TAP, duct.name, 1.0, accuracy, duct.length))
    return found


def read(real: Solver, what: Sequence[Measurement], seed: int, *, exact: bool = False) -> list[Measurement]:
    """What the gauge shows there; each reading is off by chance as far as its accuracy goes, unless `exact`."""
    rng = random.Random(seed)
    shop = Shop(real, tuple(what))
    sets = shop.solved(Guess(1.0, real.filter.factor))
    assert sets is not None
    off = shop.off(sets)
    assert off is not None
    half = 0.0 if exact else 1.0
    return [
        replace(one, value=math.exp(-ln) * (1 + rng.gauss(0, half * one.accuracy / 2)))
        for one, ln in zip(what, off, strict=True)
    ]


def system(config: Config) -> DuctSystem:
    return duct_systems(config)[0]


def file_of(of: DuctSystem, readings: list[Measurement], head: str = "") -> str:
    """The readings as a file, in the config's units, hoods by their labels."""
    unit = {Quantity.HOOD: of.units.flow, Quantity.DUCT: of.units.velocity, Quantity.CENTRELINE: of.units.velocity}
    lines = [head]
    for gates in dict.fromkeys(one.gates for one in readings):
        own = [one for one in readings if one.gates == gates]
        lines += ["[[reading]]", f"open = {json.dumps(sorted(gates))}"]
        for kind in (Quantity.HOOD, Quantity.DUCT, Quantity.CENTRELINE):
            names = of.labels if kind is Quantity.HOOD else {}
            pairs = [f"{names.get(r.where, r.where)} = {r.value / unit[kind]!r}" for r in own if r.kind is kind]
            lines += [f"{kind} = {{ {', '.join(pairs)} }}"] if pairs else []
        for kind in (Quantity.SUCTION, Quantity.FILTER):
            lines += [f"{kind} = {r.value / of.units.pressure!r}" for r in own if r.kind is kind]
        taps: dict[str, list[list[float]]] = {}
        for r in own:
            if r.kind is Quantity.TAP:
                taps.setdefault(r.where, []).append([r.at / of.units.length, r.value / of.units.pressure])
        lines += [f"taps = {{ {', '.join(f'{name} = {pairs}' for name, pairs in taps.items())} }}"] if taps else []
    return "\n".join([*lines, ""])


def what(of: DuctSystem, accuracy: float = 0.02) -> list[Measurement]:
    """With band saw, router and bench: a flow, the suction, a tap behind the hood, two in the row."""
    found = []
    for gate, hood in (("band_saw", "band_saw_drop"), ("router", "router_drop"), ("bench", "bench_port")):
        gates = frozenset({gate})
        found += [
            Measurement(gates, Quantity.HOOD, hood, 1.0, accuracy),
            Measurement(gates, Quantity.SUCTION, "", 1.0, accuracy),
            Measurement(gates, Quantity.TAP, hood, 1.0, accuracy, 1 * of.units.length),
        ]
        if gate != "band_saw":
            found += [Measurement(gates, Quantity.TAP, "row", 1.0, accuracy, at * of.units.length) for at in (1, 7)]
    return found


def across(of: DuctSystem) -> list[Measurement]:
    """Across the filter, where there is one."""
    there = of.ducting.clean_filter.factor > 0
    return [Measurement(frozenset({"band_saw"}), Quantity.FILTER, "", 1.0, 0.02)] * there


def fitted(config: Config, text: str, tmp_path: Path) -> tuple[Config, tuple[Fitted, ...]]:
    path = tmp_path / "readings.toml"
    path.write_text(text, encoding="utf-8")
    return apply(config, read_file(path))
