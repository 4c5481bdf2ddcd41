"""Friction, fan and filter for whole arrays of flows: the formulas of `friction` and `fan_curve`, with numpy.

Numpy is imported where it is used, so that the package stays importable without it. Flows in m3/s, losses in Pa.
"""

from collections.abc import Callable
from typing import TYPE_CHECKING, TypeAlias

from msgspec import Struct
from msgspec.structs import replace

from gatehand_air.fan_curve import Curve, Filter
from gatehand_air.friction import LAMINAR, LOG_SQUARED, TURBULENT, TWO_LOG10, Law, colebrook_loss, swamee_jain_loss

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

Floats: TypeAlias = "npt.NDArray[np.float64]"
Truths: TypeAlias = "npt.NDArray[np.bool_]"
Places: TypeAlias = "npt.NDArray[np.intp]"


class LawArrays(Struct, frozen=True):
    """The fields of `Resistance`, an array each: (ducts x 1), or (ducts x sets) for `fixed` where shut gates leak."""

    friction: Floats
    fixed: Floats
    rough: Floats
    smooth: Floats
    reynolds: Floats
    turbulent_from: Floats

    def sets(self, kept: Places) -> "LawArrays":
        """The laws of some sets."""
        return self if self.fixed.shape[1] == 1 else replace(self, fixed=self.fixed[:, kept])


ArrayLaw: TypeAlias = Callable[[LawArrays, Floats], tuple[Floats, Floats]]
"""Loss in Pa and slope in Pa/(m3/s) of flows above 0 (ducts x sets)."""


def swamee_jain(laws: LawArrays, flows: Floats) -> tuple[Floats, Floats]:
    """`swamee_jain_loss` for arrays."""
    import numpy as np

    y = np.log(flows)
    y *= -0.9
    np.exp(y, out=y)
    y *= laws.smooth
    whole = laws.rough + y
    log = np.log(whole)
    friction = laws.friction * LOG_SQUARED / (log * log)
    log *= whole
    y /= log
    y *= 1.8 * friction
    return _both(laws, flows, friction, y, _swamee_jain)


def colebrook(laws: LawArrays, flows: Floats) -> tuple[Floats, Floats]:
    """`colebrook_loss` for arrays."""
    import numpy as np

    f, bend = _colebrook(np.maximum(laws.reynolds * flows, TURBULENT), laws.rough)
    return _both(laws, flows, laws.friction * f, laws.friction * bend, _colebrook)


LAWS: dict[Law, ArrayLaw] = {swamee_jain_loss: swamee_jain, colebrook_loss: colebrook}
"""The same law for arrays."""

_Factor: TypeAlias = Callable[[Floats, Floats], tuple[Floats, Floats]]


def _both(laws: LawArrays, flows: Floats, friction: Floats, bend: Floats, factor: _Factor) -> tuple[Floats, Floats]:
    """Loss and slope from what friction costs (changed in place where the air is slow) and the fixed loss."""
    import numpy as np

    slow = flows < laws.turbulent_from
    if slow.any():
        at = np.nonzero(slow)
        reynolds = (laws.reynolds * flows)[at]
        rough = np.broadcast_to(laws.rough, flows.shape)[at]
        own = np.broadcast_to(laws.friction, flows.shape)[at]
        f, f_bend = _slow(reynolds, *factor(np.full_like(reynolds, TURBULENT), rough))
        friction[at] = own * f
        bend[at] = own * f_bend
    friction += laws.fixed
    lost = friction * flows
    bend += friction
    bend += friction
    bend *= flows
    lost *= flows
    return lost, bend


def _swamee_jain(reynolds: Floats, rough: Floats) -> tuple[Floats, Floats]:
    import numpy as np

    y = 5.74 / reynolds**0.9
    log = np.log(rough + y)
    f = LOG_SQUARED / (log * log)
    return f, f * 1.8 * y / (log * (rough + y))


def _colebrook(reynolds: Floats, rough: Floats) -> tuple[Floats, Floats]:
    import numpy as np

    x = _swamee_jain(reynolds, rough)[0] ** -0.5
    per = 2.51 / reynolds
    for _ in range(3):
        whole = rough + per * x
        x -= (x + TWO_LOG10 * np.log(whole)) / (1 + TWO_LOG10 * per / whole)
    share = TWO_LOG10 * per / (rough + per * x)
    return x**-2, -2 * x**-2 * share / (1 + share)


def _slow(reynolds: Floats, edge: Floats, edge_slope: Floats) -> tuple[Floats, Floats]:
    """Below Re 4000, as `friction` has it."""
    import numpy as np

    bend = 2 * edge + edge_slope
    c0 = 7 * edge - bend
    c1 = 0.128 - 17 * edge + 2.5 * bend
    c2 = -0.128 + 13 * edge - 2 * bend
    c3 = 0.032 - 3 * edge + 0.5 * bend
    x = reynolds / LAMINAR
    laminar = reynolds <= LAMINAR
    thin = 64 / reynolds
    f = np.where(laminar, thin, c0 + x * (c1 + x * (c2 + x * c3)))
    return f, np.where(laminar, -thin, x * (c1 + x * (2 * c2 + 3 * x * c3)))


class FanArrays:
    """A fan and its filter, ready for arrays of flows (sets)."""

    def __init__(self, curve: Curve, filter_: Filter) -> None:
        import numpy as np

        self._curve = curve
        self._filter = filter_
        self._pieces = np.array(curve.pieces).T
        self._starts = np.array(curve.starts)

    def given(self, flow: Floats) -> tuple[Floats, Floats]:
        """What the fan gives, Pa, and its slope: `Curve.at`."""
        import numpy as np

        at = np.searchsorted(self._starts, flow, side="right")
        x0, c0, c1, c2, c3 = self._pieces[:, at]
        x = flow - x0
        over = np.maximum(flow - self._curve.last, 0.0)
        inside = np.maximum(x - over, 0.0)
        slope = c1 + inside * (2 * c2 + 3 * inside * c3)
        straight = np.where(x < 0, x, over)
        return c0 + inside * (c1 + inside * (c2 + inside * c3)) + slope * straight, slope

    def lost(self, flow: Floats) -> tuple[Floats, Floats]:
        """What the filter takes, Pa, and its slope: `Filter.at`."""
        lost = self._filter.factor * flow**self._filter.exponent
        return lost, self._filter.exponent * lost / flow

    def net(self, flow: Floats) -> tuple[Floats, Floats]:
        """What the fan gives less what the filter takes, Pa, and its slope."""
        given, slope = self.given(flow)
        lost, lost_slope = self.lost(flow)
        return given - lost, slope - lost_slope
