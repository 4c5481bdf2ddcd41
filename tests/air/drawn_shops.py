"""Shops drawn at random around one, as little as its inputs are known: what linearised spreads are held against."""

import math
import random

from msgspec.structs import replace

from gatehand_air.fan_curve import Filter
from gatehand_air.solve import Solver
from gatehand_air.spread import PLAIN, Ignorance
from gatehand_air.tree import Duct, Network

SIGMAS = 2.0
"""Standard deviations in a half-width."""


def drawn(solver: Solver, seed: int, known: Ignorance = PLAIN) -> Solver:
    """The same shop with its uncertain inputs drawn at random: normal, never negative; the roughness log-normal."""
    dice = random.Random(seed)

    def normal(half: float) -> float:
        return max(0.0, 1 + dice.gauss(0, half / SIGMAS))

    rough = math.exp(dice.gauss(0, math.log(1 + known.roughness) / SIGMAS))
    fan = solver.fan.scaled(normal(known.fan))
    filter_ = Filter(solver.filter.factor * normal(known.filter), solver.filter.exponent)

    def one(duct: Duct) -> Duct:
        return replace(
            duct,
            roughness=duct.roughness * rough,
            factor=duct.factor * normal(known.factors),
            entry=None if duct.entry is None else duct.entry * normal(known.entries),
            machine=None if duct.machine is None else duct.machine * normal(known.machine),
        )

    return replace(solver, network=Network(tuple(map(one, solver.network.ducts))), fan=fan, filter=filter_)
