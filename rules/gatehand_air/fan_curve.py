"""A fan: its curve between its points, monotone and smooth, and its filter. Nothing is claimed beyond the curve's ends.

Interpolation: Fritsch and Carlson's piecewise cubic with Fritsch and Butland's slopes (weighted harmonic means), the
usual shape-preserving curve: it never swings above or below the points it joins.
"""

from bisect import bisect_right
from functools import cached_property
from itertools import pairwise
from typing import TypeAlias

from msgspec import Struct

from gatehand_air.friction import area, velocity_pressure
from gatehand_air.properties import Air

CurvePoint: TypeAlias = tuple[float, float]


class Curve(Struct, frozen=True, dict=True):
    """Pressure in Pa over flow in m3/s. `points` ascend in flow.

    Raises:
        ValueError: fewer than two points, or flows that do not ascend.
    """

    points: tuple[CurvePoint, ...]

    def __post_init__(self) -> None:
        if len(self.points) < 2:  # noqa: PLR2004
            raise ValueError("a curve wants at least two points")
        if any(b[0] <= a[0] for a, b in pairwise(self.points)):
            raise ValueError("a curve's points must ascend in flow")

    @cached_property
    def pieces(self) -> tuple[tuple[float, float, float, float, float], ...]:
        """(flow at its start, then the cubic's coefficients from the constant up)."""
        slopes = _slopes(self.points)
        pieces = []
        for ((x0, y0), (x1, y1)), (m0, m1) in zip(pairwise(self.points), pairwise(slopes), strict=True):
            step = x1 - x0
            rise = (y1 - y0) / step
            pieces.append((x0, y0, m0, (3 * rise - 2 * m0 - m1) / step, (m0 + m1 - 2 * rise) / step**2))
        return tuple(pieces)

    @cached_property
    def starts(self) -> tuple[float, ...]:
        """The flows at which a further piece begins."""
        return tuple(x for x, _ in self.points[1:-1])

    @property
    def first(self) -> float:
        """The least flow of which anything is claimed."""
        return self.points[0][0]

    @property
    def last(self) -> float:
        """The greatest flow of which anything is claimed."""
        return self.points[-1][0]

    def at(self, flow: float) -> CurvePoint:
        """Pressure and its slope at a flow.

        Beyond the ends the curve goes on straight. That serves a root search on its way only: whoever reports a flow
        checks first that it lies between `first` and `last`.
        """
        x0, c0, c1, c2, c3 = self.pieces[bisect_right(self.starts, flow)]
        x = flow - x0
        if flow < x0:
            return c0 + c1 * x, c1
        over = flow - self.last
        if over > 0:
            x -= over
            slope = c1 + x * (2 * c2 + 3 * x * c3)
            return c0 + x * (c1 + x * (c2 + x * c3)) + slope * over, slope
        return c0 + x * (c1 + x * (c2 + x * c3)), c1 + x * (2 * c2 + 3 * x * c3)

    def scaled(self, factor: float) -> "Curve":
        """The same curve with every pressure times `factor`."""
        return Curve(tuple((x, y * factor) for x, y in self.points))

    def from_inlet_pipe(self, diameter: float, air: Air) -> "Curve":
        """Fan static pressure, where `self` is the static suction that a gauge read in an inlet pipe, m wide.

        Fan static pressure is fan total pressure less the velocity pressure at the outlet (AMCA 201; ACGIH [pub]):
        (s2 + v2) - (s1 + v1) - v2 = s2 - s1 - v1, with s static, v velocity pressure, 1 the inlet and 2 the outlet. The
        fan blows into the room, so s2 is 0; the gauge read -s1: what is left is the suction less v1. That is also all
        that the air has lost on its way from the room to that pipe, which is what the ducts' losses are held against.
        """
        across = area(diameter)
        return Curve(tuple((x, y - velocity_pressure(x / across, air)) for x, y in self.points))

    def at_speed(self, ratio: float) -> "Curve":
        """The same fan at `ratio` times its speed: flow goes with speed, pressure with its square.

        The fan laws (ASHRAE Handbook, HVAC Systems and Equipment, ch. Fans; AMCA 201 [pub]).
        """
        return Curve(tuple((x * ratio, y * ratio**2) for x, y in self.points))


def _slopes(points: tuple[CurvePoint, ...]) -> list[float]:
    """A slope at each point that keeps the curve within its points."""
    steps = [b[0] - a[0] for a, b in pairwise(points)]
    rises = [(b[1] - a[1]) / (b[0] - a[0]) for a, b in pairwise(points)]
    if len(rises) == 1:
        return [rises[0], rises[0]]
    inner = []
    for (h0, h1), (d0, d1) in zip(pairwise(steps), pairwise(rises), strict=True):
        if d0 * d1 <= 0:
            inner.append(0.0)
            continue
        w0, w1 = 2 * h1 + h0, h1 + 2 * h0
        inner.append((w0 + w1) / (w0 / d0 + w1 / d1))
    return [
        _end(steps[0], steps[1], rises[0], rises[1]),
        *inner,
        _end(steps[-1], steps[-2], rises[-1], rises[-2]),
    ]


def _end(h0: float, h1: float, d0: float, d1: float) -> float:
    """Three-point slope at an end, held back where it would leave the points' shape."""
    slope = ((2 * h0 + h1) * d0 - h0 * d1) / (h0 + h1)
    if slope * d0 <= 0:
        return 0.0
    if d0 * d1 <= 0 and abs(slope) > 3 * abs(d0):
        return 3 * d0
    return slope


class Filter(Struct, frozen=True):
    """Loss = factor * flow^exponent, Pa and m3/s."""

    factor: float = 0.0
    exponent: float = 2.0

    def at(self, flow: float) -> tuple[float, float]:
        """Loss and slope."""
        if flow <= 0:
            return 0.0, 0.0
        lost = self.factor * flow**self.exponent
        return lost, self.exponent * lost / flow
