"""What ducts, hoods and fittings cost, and what a hood and a duct want, each with its source. Figures and pure lookups.

Every loss factor stands on the velocity pressure of the duct that carries it. Tags: [pub] read in the source named,
[practice] what makers and shops do, [memory] recalled and not confirmed, shown as such to the user. A user's own figure
always wins. SI units.

Where ducts meet they share one total pressure; what the meeting costs is a constant factor on the velocity pressure of
the *branch* (the way of ACGIH's Industrial Ventilation), the straight run going free. The factors by angle are
[memory]. Crane TP-410's, which depend on how the flow divides, may be negative and stand on the combined flow, are not
used here; for a 4 in branch that brings at least two fifths of a 6 in main's air the constants stay within a third of a
velocity pressure of them.
"""

import math
from itertools import pairwise
from typing import Final

from msgspec import Struct

from gatehand_air.properties import CFM, FOOT, FPM, M3H

ASHRAE_ROUGHNESS: Final = "ASHRAE duct roughness table [pub]"
ASHRAE_2009: Final = "ASHRAE Fundamentals 2009, ch. 21"
HVAC_MANUAL: Final = "an HVAC technical manual, table 6 [pub]"


class Material(Struct, frozen=True):
    """Absolute roughness in metres, and where it is from."""

    roughness: float
    source: str


MATERIALS: Final[dict[str, Material]] = {
    "galvanised": Material(9.0e-5, f"{ASHRAE_ROUGHNESS}: average, 0.0003 ft"),
    "pvc": Material(0.00015 * FOOT, f"{ASHRAE_ROUGHNESS}: upper end, 0.00015 ft"),
    "steel": Material(0.00015 * FOOT, "bare clean steel, 0.00015 ft [memory]"),
    "flex": Material(
        0.003 * FOOT, f"{ASHRAE_ROUGHNESS}: stretched, upper end, 0.003 ft; compressed hose loses far more"
    ),
}

ENTRIES: Final[dict[str, float]] = {
    # ACGIH Industrial Ventilation, 24th ed. [pub]
    "plain": 0.93,
    "flanged": 0.49,
    "bell": 0.04,
    # 29 CFR 1910.94(b)(3)(ii) [pub]
    "grinder_straight": 0.65,
    "grinder_tapered": 0.45,
}


ENTRY_SOURCES: Final[dict[str, str]] = {
    **dict.fromkeys(("plain", "flanged", "bell"), "ACGIH Industrial Ventilation, 24th ed. [pub]"),
    **dict.fromkeys(("grinder_straight", "grinder_tapered"), "29 CFR 1910.94(b)(3)(ii) [pub]"),
}


INCHES: Final = tuple(inches * 0.0254 for inches in (2, 2.5, 3, 4, 5, 6, 7, 8, 9, 10, 12, 14))
MILLIMETRES: Final = tuple(mm / 1000 for mm in (50, 63, 75, 80, 100, 110, 125, 140, 150, 160, 180, 200, 224, 250, 300))
"""Diameters commonly sold, m [practice]."""


class Fitting(Struct, frozen=True):
    """Loss factors by diameter in metres, ascending; one pair for a factor that does not depend on it."""

    factors: tuple[tuple[float, float], ...]
    source: str


FITTINGS: Final[dict[str, Fitting]] = {
    "elbow_90": Fitting(
        ((0.100, 0.21), (0.150, 0.14), (0.200, 0.11)), f"{ASHRAE_2009}, CD3-1 [pub]: die-stamped, radius 1.5 diameters"
    ),
    "elbow_45": Fitting(((0.100, 0.13), (0.150, 0.08), (0.200, 0.07)), f"{ASHRAE_2009}, CD3-3 [pub]"),
    "elbow_90_pleated": Fitting(((0.100, 0.57), (0.150, 0.43), (0.200, 0.34)), f"{ASHRAE_2009}, CD3-5 [pub]"),
    "elbow_90_sharp": Fitting(((0.0, 0.73),), f"{HVAC_MANUAL}: radius half a diameter"),
    "elbow_90_short": Fitting(((0.0, 0.26),), f"{HVAC_MANUAL}: radius one diameter"),
    "elbow_90_long": Fitting(((0.0, 0.15),), f"{HVAC_MANUAL}: radius two diameters"),
    "wye_30": Fitting(((0.0, 0.18),), "branch entry at 30 degrees [memory]"),
    "wye_45": Fitting(((0.0, 0.28),), "branch entry at 45 degrees [memory]"),
    "wye_60": Fitting(((0.0, 0.44),), "branch entry at 60 degrees [memory]"),
    "tee": Fitting(((0.0, 1.00),), "branch entry at 90 degrees [memory]"),
    "blade_gate": Fitting(((0.0, 0.15),), "common gate-valve loss table [pub]: fully open"),
}


def factor(name: str, diameter: float) -> float:
    """Loss factor of a named fitting in a duct of `diameter` metres.

    Between the table's diameters it is interpolated; outside them the nearest value holds.
    """
    table = FITTINGS[name].factors
    if diameter <= table[0][0]:
        return table[0][1]
    for (d0, k0), (d1, k1) in pairwise(table):
        if diameter <= d1:
            return k0 + (k1 - k0) * (diameter - d0) / (d1 - d0)
    return table[-1][1]


def reducer(own: float, fanward: float, angle: float | None = None) -> float:
    """Loss factor, on the duct's own velocity pressure, where it goes over to another diameter at the fan's side.

    Args:
        own: diameter of the duct that carries the fitting, m.
        fanward: diameter that follows towards the fan, m.
        angle: full cone angle in degrees; None for a sudden step.

    Widening: Borda-Carnot, (1 - b^2)^2, exactly; in a cone of up to 45 degrees times 2.6 sin(angle/2), at most 1
    (Crane TP-410). Narrowing: Rennels' sharp contraction, the dearer of the usual two; in a cone times 1.6
    sin(angle/2) for Crane's cone over Crane's sudden step, at most 1. The published factors of a contraction stand on
    the *smaller* pipe, so they are carried over to this one by the fourth power of the diameters.
    """
    if fanward >= own:
        sudden = (1 - (own / fanward) ** 2) ** 2
        return sudden * (1.0 if angle is None else min(1.0, 2.6 * math.sin(math.radians(angle) / 2)))
    softened = 1.0 if angle is None else min(1.0, 1.6 * math.sin(math.radians(angle) / 2))
    return sharp_contraction(fanward / own) * softened * (own / fanward) ** 4


def carried_over(factor: float, there: float, own: float) -> float:
    """A loss factor on the velocity pressure at diameter `there`, as one on that at diameter `own`; m.

    The same air passes both, so velocity goes with the inverse square of the diameter and its pressure with the fourth
    power: the pressure lost stays the same.
    """
    return factor * (own / there) ** 4


def transition(end: float, following: float, *, alone: bool) -> float:
    """Loss factor, on the velocity pressure at `end`, where a duct runs into the next one and no reducer says how.

    Args:
        end: diameter with which the duct ends, m.
        following: diameter of the next duct at the hood's end, m.
        alone: no other duct runs into that one.

    Into a narrower duct: a sudden contraction, for the duct's own air. Into a wider one: a sudden expansion, but only
    where it is alone; where several meet, the loss stands in the branches' wyes and the straight run goes free.
    """
    return reducer(end, following) if end > following or alone else 0.0


def sharp_contraction(beta: float) -> float:
    """Rennels' sudden contraction on the smaller pipe's velocity pressure; `beta` is the ratio of diameters, below 1.

    Source: Rennels, Pipe Flow, ch. 10: 0.0696 (1 - b^5) j^2 + (j - 1)^2, j = 1 + 0.622 (1 - 0.215 b^2 - 0.785 b^5).
    """
    jet = 1 + 0.622 * (1 - 0.215 * beta**2 - 0.785 * beta**5)
    return 0.0696 * (1 - beta**5) * jet**2 + (jet - 1) ** 2


TRGS: Final = "TRGS 553 Annex 2 [pub]"
FROM_MEMORY: Final = "[memory]: recalled, not confirmed"

ACGIH: Final = "ACGIH Industrial Ventilation, minimum duct design velocities [pub]"


class Dust(Struct, frozen=True):
    """The published range of transport velocity, m/s, what we ask for, and where it is from.

    Asked for is the upper end: the figures are minima for design, and a duct of a shop is never as well known. Below
    the lower end the dust settles.
    """

    settles: float
    wanted: float
    source: str


DUSTS: Final[dict[str, Dust]] = {
    "fine": Dust(2500 * FPM, 3000 * FPM, f"wood flour 2500 to 3000 ft/min, {ACGIH}"),
    "shavings": Dust(3000 * FPM, 4000 * FPM, f"light shavings 3000 to 4000 ft/min, {ACGIH}"),
    "heavy": Dust(4000 * FPM, 4500 * FPM, f"heavy or wet sawdust, wood blocks 4000 to 4500 ft/min, {ACGIH}"),
}
"""By the word that a config uses: sanding dust; what a planer or a saw makes of dry wood; wet chips, offcuts."""

SETTLES: Final = DUSTS["shavings"].settles
"""Below this sawdust of no kind in particular settles, m/s."""
PORT_VELOCITY: Final = 4500 * FPM
"""Makers' manuals ask for about a port's area times this [practice]."""


class Want(Struct, frozen=True):
    """A flow wanted, m3/s, in words, with its tag."""

    flow: float
    why: str


KINDS: Final[dict[str, Want]] = {
    "table_saw": Want(560 * M3H, f"table saw, blade up to 250 mm, {TRGS}"),
    "cross_cut_saw": Want(820 * M3H, f"cross-cut saw, {TRGS}"),
    "planer": Want(820 * M3H, f"planer under 410 mm, {TRGS}"),
    "jointer": Want(820 * M3H, f"jointer under 410 mm, {TRGS}"),
    "spindle_moulder": Want(1450 * M3H, f"spindle moulder, {TRGS}"),
    "band_saw": Want(700 * CFM, f"band saw {FROM_MEMORY}"),
    "drum_sander": Want(350 * CFM, f"drum sander, 350 to 785 cfm {FROM_MEMORY}"),
    "floor_sweep": Want(800 * CFM, f"floor sweep, 800 to 1400 cfm {FROM_MEMORY}"),
    "cnc_router": Want(500 * CFM, f"CNC router, 500 to 1000 cfm {FROM_MEMORY}"),
    "mitre_saw": Want(350 * CFM, f"mitre saw, 350 to 750 cfm {FROM_MEMORY}"),
}

ALIASES: Final = {
    "router": "cnc_router",
    "cnc": "cnc_router",
    "sweep": "floor_sweep",
    "bandsaw": "band_saw",
    "miter_saw": "mitre_saw",
    "thicknesser": "planer",
    "surface_planer": "jointer",
    "shaper": "spindle_moulder",
    "sander": "drum_sander",
}
"""Words that mean a kind when they are part of a tool's name; the longest match wins."""


def kind_of(tool: str) -> str | None:
    """The kind that a tool's name speaks of ("band_saw_2", "carving_router"), or None."""
    padded = f"_{tool.lower().replace('-', '_')}_"
    words = {kind: kind for kind in KINDS} | ALIASES
    for word in sorted(words, key=len, reverse=True):
        if f"_{word}_" in padded:
            return words[word]
    return None


def by_port(diameter: float) -> Want:
    """What makers' manuals ask for at a port of `diameter` metres."""
    flow = math.pi / 4 * diameter**2 * PORT_VELOCITY
    return Want(flow, "by its port, area times 4500 ft/min [practice]")


def default_flow(tools: tuple[str, ...], diameter: float) -> Want | None:
    """The greatest default of the tools at one hood; by the port for a name that says no kind; None without tools."""
    wants = [KINDS[kind] if (kind := kind_of(tool)) else by_port(diameter) for tool in tools]
    return max(wants, key=lambda want: want.flow, default=None)
