"""Shops at the edge of sense: ducts that lose next to nothing, curves that are upright, flat or far too big."""

import math
import random

from air_shops import AIR, random_tree, stations
from msgspec.structs import replace

from gatehand_air.fan_curve import Curve, CurvePoint, Filter
from gatehand_air.friction import colebrook_loss, swamee_jain_loss
from gatehand_air.solve import Solver
from gatehand_air.tree import Network


def odd_shop(seed: int) -> Solver:
    """A tree of any shape on a fan of any size."""
    rng = random.Random(seed)
    network = odd_ducts(rng, rng.choice([random_tree, stations])(rng))
    filter_ = Filter(rng.choice([0.0, 100.0, 20_000.0]), rng.choice([1.0, 1.5, 2.0]))
    return Solver(network, odd_curve(rng), filter_, AIR, rng.choice([swamee_jain_loss, colebrook_loss]))


def odd_ducts(rng: random.Random, network: Network) -> Network:
    """Some ducts without length, factors or roughness, some hoods without an entry loss, some choked."""
    ducts = []
    for duct in network.ducts:
        odd = duct
        if rng.random() < 0.2:
            odd = replace(odd, length=0.0)
        if rng.random() < 0.2:
            odd = replace(odd, factor=rng.choice([0.0, 1e-4, 100.0]))
        if rng.random() < 0.1:
            odd = replace(odd, roughness=0.0)
        if odd.entry is not None and rng.random() < 0.4:
            odd = replace(odd, entry=rng.choice([0.0, 1e-4, 0.04]))
        ducts.append(odd)
    return Network(tuple(ducts))


def odd_curve(rng: random.Random) -> Curve:
    """2 to 40 points, 20 Pa to 200 kPa, 3 l/s to 100 m3/s; pieces down to a millionth of the others' width."""
    count = rng.choice([2, 2, 3, 5, 40])
    width = math.exp(rng.uniform(math.log(0.003), math.log(100)))
    first = 0.0 if rng.random() < 0.7 else width * rng.random()
    points: list[CurvePoint] = [(first, math.exp(rng.uniform(math.log(20), math.log(200_000))))]
    for _ in range(count - 1):
        flow, pressure = points[-1]
        drop = rng.choice([0.0, 1e-6, 0.999, rng.random(), rng.random()])
        points.append((flow + width / count * rng.choice([1, 1, 1e-3, 1e-6]), pressure * (1 - drop)))
    end = 0.0 if rng.random() < 0.3 else points[-1][1] * 0.99
    return Curve((*points[:-1], (points[-1][0], end)))
