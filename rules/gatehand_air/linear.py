"""The tree made straight around one answer: how far small pushes move its flows. SI units."""

from collections.abc import Mapping
from typing import TypeAlias

from msgspec import Struct

Losses: TypeAlias = Mapping[int, float]
"""Pa by a duct's place in an answer."""


class Linear(Struct, frozen=True):
    """The tree made straight around one answer: what small pushes do to it. Made by `Solver.linear`.

    Fields:
        slopes: of each duct's loss, Pa/(m3/s), in the order of the answer's ducts.
        parents: the place of the duct that each runs into; the root's is one past the last.
        ends: whether a hood ends it.
        net: the slope of what the fan gives less what the filter takes, Pa/(m3/s).
    """

    slopes: tuple[float, ...]
    parents: tuple[int, ...]
    ends: tuple[bool, ...]
    net: float

    def response(self, given: float, losses: Losses) -> tuple[list[float], float]:
        """The change of every flow, m3/s, and of the suction at the root, Pa, to first order.

        Args:
            given: what the fan gives more, Pa.
            losses: what ducts lose more at the flow they have, Pa.
        """
        size = len(self.slopes)
        sum_a, sum_b = [0.0] * (size + 1), [0.0] * (size + 1)
        linear = []
        for i, (slope, parent, end) in enumerate(zip(self.slopes, self.parents, self.ends, strict=True)):
            lost = losses.get(i, 0.0)
            if end:
                b = 1 / slope
                a = -lost * b
            else:
                b = sum_b[i] / (1 + sum_b[i] * slope)
                a = b * (sum_a[i] / sum_b[i] - lost)
            sum_a[parent] += a
            sum_b[parent] += b
            linear.append((a, b))
        starts = [0.0] * (size + 1)
        starts[size] = (given + self.net * sum_a[size]) / (1 - self.net * sum_b[size])
        flows = [0.0] * size
        for i in reversed(range(size)):
            a, b = linear[i]
            flows[i] = a + b * starts[self.parents[i]]
            if not self.ends[i]:
                starts[i] = (flows[i] - sum_a[i]) / sum_b[i]
        return flows, starts[size]
