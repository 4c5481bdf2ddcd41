"""Duct trees that several tests solve: the three-branch case of the published check, a big shop, random ones."""

import random

from msgspec.structs import replace

from gatehand_air.fan_curve import Curve, Filter
from gatehand_air.properties import Air
from gatehand_air.solve import Solver
from gatehand_air.tree import Duct, Network

ROUGHNESS = 9e-5
AIR = Air(1.2041, 1.506e-5)
INCH = 0.0254
FAN = (2400.0, 8000.0)
"""The fan: A and B in p = A - B Q^2, Pa and m3/s."""


def square_law(shut_off: float, fall: float, pieces: int = 400) -> Curve:
    """The law p = A - B Q^2 down to nothing, as a curve of many points."""
    last = (shut_off / fall) ** 0.5
    flows = [last * i / pieces for i in range(pieces + 1)]
    return Curve(tuple((q, max(shut_off - fall * q * q, 0.0)) for q in flows))


def branch(name: str, into: str, inches: float, length: float, factor: float, *, entry: float = 0.0) -> Duct:
    return Duct(
        name=name,
        into=into,
        diameter=inches * INCH,
        length=length,
        roughness=ROUGHNESS,
        factor=factor,
        entry=entry,
        gate=name,
    )


def trunk(name: str, into: str | None, inches: float, length: float, factor: float) -> Duct:
    return Duct(name=name, into=into, diameter=inches * INCH, length=length, roughness=ROUGHNESS, factor=factor)


def three_branches() -> Network:
    return Network(
        (
            trunk("t2", None, 6, 4, 0.5),
            branch("b1", "t1", 4, 6, 1.2),
            branch("b2", "t1", 4, 4, 1.2),
            trunk("t1", "t2", 6, 5, 0.4),
            branch("b3", "t2", 4, 3, 2.0),
        )
    )


def twelve_gates() -> Network:
    """A row of six drops on either side of a 6 in main."""
    ducts = [trunk("m0", None, 6, 3, 0.5)]
    ducts += [trunk(f"m{k}", f"m{k - 1}", 6, 2.5, 0.1) for k in range(1, 6)]
    ducts += [branch(f"g{k}", f"m{k // 2}", 4, 3 + k % 4, 0.6, entry=0.93) for k in range(12)]
    return Network(tuple(ducts))


def random_tree(rng: random.Random) -> Network:
    """One to nine hoods on a tree of any shape."""
    trunks = [trunk("t0", None, rng.choice([5, 6, 7, 8]), rng.uniform(1, 10), rng.uniform(0, 1))]
    for k in range(1, rng.randint(1, 5)):
        into = rng.choice(trunks).name
        trunks.append(trunk(f"t{k}", into, rng.choice([5, 6, 7]), rng.uniform(0.5, 8), rng.uniform(0, 1)))
    ducts = list(trunks)
    for k in range(rng.randint(0, 5)):
        into = rng.choice(trunks).name
        ducts.append(
            branch(f"x{k}", into, rng.choice([2.5, 3, 4, 5]), rng.uniform(0.5, 8), rng.uniform(0.1, 2), entry=0.5)
        )
    joints = {duct.into for duct in ducts}
    ducts += [
        branch(f"e_{duct.name}", duct.name, 4, rng.uniform(0.5, 8), rng.uniform(0.1, 2), entry=0.93)
        for duct in trunks
        if duct.name not in joints
    ]
    return Network(tuple(ducts))


def stations(rng: random.Random) -> Network:
    """A random tree, some of whose gates stand on ducts that branch on to hoods without gates of their own.

    Now and then a gate leaks, a hood has no gate on its way, or a machine loses something.
    """
    ducts: list[Duct] = []
    for duct in random_tree(rng).ducts:
        if duct.gate is None:
            ducts.append(duct)
            continue
        kind = rng.random()
        leak = rng.uniform(1e6, 1e7) if rng.random() < 0.2 else None
        if kind < 0.1:
            ducts.append(replace(duct, gate=None))
        elif kind < 0.5:
            ducts.append(replace(duct, entry=None, leak=leak))
            for k in range(rng.randint(1, 3)):
                size = rng.choice([2.5, 3, 4])
                hood = branch(f"{duct.name}_{k}", duct.name, size, rng.uniform(0.2, 3), rng.uniform(0.1, 2), entry=0.93)
                ducts.append(replace(hood, gate=None, machine=rng.choice([None, 0.0, 3000.0])))
        else:
            ducts.append(replace(duct, leak=leak))
    return Network(tuple(ducts))


def solver(network: Network, fan: tuple[float, float] = FAN) -> Solver:
    return Solver(network, square_law(*fan), Filter(), AIR)
