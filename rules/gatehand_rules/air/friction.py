"""What one duct costs at a flow: friction (Darcy-Weisbach) and its fittings. SI units, plain floats, no tables.

Friction factor: Swamee and Jain's explicit form of Colebrook (within 2 % of it for Re 5e3 to 1e8 and relative roughness
to 0.01) from Re 4000; 64/Re to Re 2000; between them Dunlop's cubic, which meets both with its slope, so that the loss
rises smoothly everywhere and Newton's method never meets a step.
"""

import math
from dataclasses import dataclass
from typing import Final

from gatehand_rules.air.density import Air

LAMINAR: Final = 2000.0
TURBULENT: Final = 4000.0
_LOG: Final = math.log(10) ** 2 / 4
"""0.25 / log10(y)^2 is this over ln(y)^2."""


@dataclass(frozen=True, slots=True)
class Resistance:
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


def loss(duct: Resistance, flow: float) -> tuple[float, float]:
    """Pressure loss in Pa and its slope in Pa/(m3/s) at a flow above 0 in m3/s."""
    if flow >= duct.turbulent_from:
        y = duct.smooth * flow**-0.9
        whole = duct.rough + y
        log = math.log(whole)
        friction = duct.friction * _LOG / (log * log)
        slope = friction * 1.8 * y / (log * whole)
    else:
        f, bend = _slow(duct.reynolds * flow, duct.rough)
        friction = duct.friction * f
        slope = duct.friction * bend
    both = friction + duct.fixed
    return both * flow * flow, (2 * both + slope) * flow


def friction_factor(reynolds: float, relative_roughness: float) -> float:
    """Darcy's friction factor at any Reynolds number above 0."""
    if reynolds >= TURBULENT:
        return swamee_jain(reynolds, relative_roughness)
    return _slow(reynolds, relative_roughness / 3.7)[0]


def swamee_jain(reynolds: float, relative_roughness: float) -> float:
    """0.25 / log10(e/3.7D + 5.74/Re^0.9)^2: Swamee and Jain, 1976."""
    return 0.25 / math.log10(relative_roughness / 3.7 + 5.74 / reynolds**0.9) ** 2


def _slow(reynolds: float, rough: float) -> tuple[float, float]:
    """Friction factor below Re 4000, and Re times its slope. `rough` is the relative roughness over 3.7.

    Dunlop's cubic between 2000 and 4000 as the EPANET manual prints it (appendix on Darcy-Weisbach) [pub].
    """
    if reynolds <= LAMINAR:
        f = 64 / reynolds
        return f, -f
    edge = 5.74 / TURBULENT**0.9
    log = math.log(rough + edge)
    at_edge = _LOG / log**2
    bend = at_edge * (2 + 1.8 * edge / ((rough + edge) * log))
    c0 = 7 * at_edge - bend
    c1 = 0.128 - 17 * at_edge + 2.5 * bend
    c2 = -0.128 + 13 * at_edge - 2 * bend
    c3 = 0.032 - 3 * at_edge + 0.5 * bend
    x = reynolds / LAMINAR
    return c0 + x * (c1 + x * (c2 + x * c3)), x * (c1 + x * (2 * c2 + 3 * x * c3))


def velocity_pressure(velocity: float, air: Air) -> float:
    """Pa, from m/s."""
    return air.density * velocity * velocity / 2


def area(diameter: float) -> float:
    """Of a round duct, m2."""
    return math.pi / 4 * diameter * diameter
