"""What one duct costs at a flow: friction (Darcy-Weisbach) and its fittings. SI units, plain floats, no tables.

Two laws for the friction factor from Re 4000 on, to choose from: Swamee and Jain's explicit form (`swamee_jain_loss`,
fast, within about 2 % of its parent) and that parent, Colebrook's equation itself (`colebrook_loss`). Below Re 2000 it
is 64/Re; between them Dunlop's cubic, which meets both with its slope, so that the loss rises smoothly everywhere and
Newton's method never meets a step.
"""

import math
from collections.abc import Callable
from typing import Final, TypeAlias

from msgspec import Struct

from gatehand_air.properties import Air

LAMINAR: Final = 2000.0
TURBULENT: Final = 4000.0
LOG_SQUARED: Final = math.log(10) ** 2 / 4
"""0.25 / log10(y)^2 is this over ln(y)^2."""
TWO_LOG10: Final = 2 / math.log(10)


class Resistance(Struct, frozen=True):
    """A duct's loss law, ready to evaluate: (friction * f(q) + fixed) * q^2, q in m3/s, loss in Pa."""

    friction: float
    fixed: float
    rough: float
    """Relative roughness over 3.7."""
    smooth: float
    """5.74 / Re^0.9 at 1 m3/s."""
    reynolds: float
    """Reynolds number at 1 m3/s."""
    turbulent_from: float
    """Flow at Re 4000, m3/s."""


def resistance(diameter: float, length: float, roughness: float, factor: float, air: Air) -> Resistance:
    """The loss law of a round duct: lengths in m, `factor` on its velocity pressure (fittings, hood entry)."""
    per_square = 8 * air.density / math.pi**2 / diameter**4
    reynolds = 4 / (math.pi * diameter * air.viscosity)
    return Resistance(
        friction=per_square * length / diameter,
        fixed=per_square * factor,
        rough=roughness / diameter / 3.7,
        smooth=5.74 / reynolds**0.9,
        reynolds=reynolds,
        turbulent_from=TURBULENT / reynolds,
    )


Law: TypeAlias = Callable[[Resistance, float], tuple[float, float]]
"""Pressure loss in Pa and its slope in Pa/(m3/s) at a flow above 0 in m3/s."""


def swamee_jain_loss(duct: Resistance, flow: float) -> tuple[float, float]:
    """A `Law`: f = 0.25 / log10(e/3.7D + 5.74/Re^0.9)^2 (Swamee and Jain, 1976)."""
    if flow >= duct.turbulent_from:
        y = duct.smooth * flow**-0.9
        whole = duct.rough + y
        log = math.log(whole)
        friction = duct.friction * LOG_SQUARED / (log * log)
        slope = friction * 1.8 * y / (log * whole)
    else:
        f, bend = _slow(duct.reynolds * flow, *_swamee_jain(TURBULENT, duct.rough))
        friction = duct.friction * f
        slope = duct.friction * bend
    both = friction + duct.fixed
    return both * flow * flow, (2 * both + slope) * flow


def colebrook_loss(duct: Resistance, flow: float) -> tuple[float, float]:
    """A `Law`: 1/sqrt(f) = -2 log10(e/3.7D + 2.51/(Re sqrt(f))) (Colebrook, 1939)."""
    reynolds = duct.reynolds * flow
    if reynolds >= TURBULENT:
        f, bend = _colebrook(reynolds, duct.rough)
    else:
        f, bend = _slow(reynolds, *_colebrook(TURBULENT, duct.rough))
    both = duct.friction * f + duct.fixed
    return both * flow * flow, (2 * both + duct.friction * bend) * flow


LAWS: Final[dict[str, Law]] = {"swamee_jain": swamee_jain_loss, "colebrook": colebrook_loss}
"""By the word that a config uses."""


def _swamee_jain(reynolds: float, rough: float) -> tuple[float, float]:
    """Friction factor, and Re times its slope. `rough` is the relative roughness over 3.7, here and below."""
    y = 5.74 / reynolds**0.9
    log = math.log(rough + y)
    f = LOG_SQUARED / (log * log)
    return f, f * 1.8 * y / (log * (rough + y))


def _colebrook(reynolds: float, rough: float) -> tuple[float, float]:
    """The same by Colebrook: two steps of Newton's from Swamee and Jain leave less than 1e-9."""
    x = _swamee_jain(reynolds, rough)[0] ** -0.5
    per = 2.51 / reynolds
    for _ in range(3):
        whole = rough + per * x
        x -= (x + TWO_LOG10 * math.log(whole)) / (1 + TWO_LOG10 * per / whole)
    share = TWO_LOG10 * per / (rough + per * x)
    return x**-2, -2 * x**-2 * share / (1 + share)


def _slow(reynolds: float, edge: float, edge_slope: float) -> tuple[float, float]:
    """Friction factor below Re 4000, and Re times its slope; `edge` and `edge_slope` are the same at Re 4000.

    Dunlop's cubic between 2000 and 4000 as the EPANET manual prints it [pub].
    """
    if reynolds <= LAMINAR:
        f = 64 / reynolds
        return f, -f
    bend = 2 * edge + edge_slope
    c0 = 7 * edge - bend
    c1 = 0.128 - 17 * edge + 2.5 * bend
    c2 = -0.128 + 13 * edge - 2 * bend
    c3 = 0.032 - 3 * edge + 0.5 * bend
    x = reynolds / LAMINAR
    return c0 + x * (c1 + x * (c2 + x * c3)), x * (c1 + x * (2 * c2 + 3 * x * c3))


def velocity_pressure(velocity: float, air: Air) -> float:
    """Pa, from m/s."""
    return air.density * velocity * velocity / 2


def area(diameter: float) -> float:
    """Of a round duct, m2."""
    return math.pi / 4 * diameter * diameter
