"""How far the flows may be off, because fan, factors, hoods, roughness and filter are known only roughly.

Every figure of ignorance is a half-width that holds in 19 cases of 20, about two standard deviations, as a part of the
value; the spreads that follow are the same kind. They are linearised: each input is pushed by its own half-width, the
tree's answer follows to first order (the same linear pass that Newton's method makes), and what independent inputs do
adds up by squares (the law of propagation, JCGM 100:2008, 5.1.2 [pub]). The tests hold it against shops whose inputs
are drawn at random.

What is one thing is pushed as one: the fan, the filter, the roughness of the material. What differs from place to
place is pushed by itself: each duct's fittings, each hood's entry, each machine. The half-widths are common practice,
no published source.
"""

import math
from collections.abc import Collection, Iterator, Mapping
from typing import Final

from msgspec import Struct

from gatehand_air.friction import area
from gatehand_air.linear import Losses
from gatehand_air.solve import Solution, Solver
from gatehand_air.tree import Duct


class Ignorance(Struct, frozen=True):
    """Half-widths, as a part of the value; of the roughness as a factor to either side, less 1."""

    fan: float = 0.07
    """Pressure of the curve."""
    factors: float = 0.30
    """Loss factors of fittings, a duct's as a sum."""
    entries: float = 0.50
    """A hood's entry factor."""
    roughness: float = 0.50
    """Of the material."""
    filter: float = 0.30
    """What the filter loses."""
    machine: float = 0.30
    """What a machine loses, where it was given."""


PLAIN: Final = Ignorance()
"""What a shop knows that has measured nothing."""
CERTAIN: Final = Ignorance(0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
"""As if every figure were exact."""


class Spread(Struct, frozen=True):
    """Half-widths of one answer.

    Fields:
        flows: by duct, m3/s.
        suction: of the static suction at the collector's inlet, Pa.
    """

    flows: Mapping[str, float]
    suction: float

    @property
    def widest(self) -> float:
        """Of all flows, m3/s."""
        return max(self.flows.values())


def spread(solver: Solver, open_gates: Collection[str], answer: Solution, known: Ignorance = PLAIN) -> Spread:
    """Linearised half-widths of an answer that `solver` gave for these gates."""
    linear = solver.linear(open_gates, answer)
    squares = [0.0] * len(answer.ducts)
    suction = 0.0
    root = solver.network.root
    per_flow = solver.air.density * answer.flow / area(root.diameter) ** 2
    for fan, losses in _pushes(solver, answer, known):
        flows, behind = linear.response(fan, losses)
        squares = [square + flow * flow for square, flow in zip(squares, flows, strict=True)]
        suction += (behind + per_flow * flows[-1]) ** 2
    return Spread(dict(zip(answer.ducts, map(math.sqrt, squares), strict=True)), math.sqrt(suction))


def _pushes(solver: Solver, answer: Solution, known: Ignorance) -> Iterator[tuple[float, Losses]]:
    """What each independent input does: to the pressure at the root and, by their place, to the loss of ducts, Pa."""
    yield known.fan * answer.pressure, {}
    yield -known.filter * answer.filter_loss, {}
    rough: dict[int, float] = {}
    for at, (name, flow) in enumerate(zip(answer.ducts, answer.through, strict=True)):
        duct = solver.network.duct(name)
        if own := own_push(solver, duct, known):
            yield 0.0, {at: own * flow * flow}
        rough[at] = solver.rough_push(name, flow, 1 + known.roughness)
    yield 0.0, rough


def own_push(solver: Solver, duct: Duct, known: Ignorance) -> float:
    """What a duct's own fittings, hood and machine may lose more, Pa/(m3/s)^2."""
    dynamic = 8 * solver.air.density / math.pi**2 / duct.diameter**4
    return math.hypot(
        known.factors * duct.factor * dynamic,
        known.entries * (duct.entry or 0.0) * dynamic,
        known.machine * (duct.machine or 0.0),
    )
