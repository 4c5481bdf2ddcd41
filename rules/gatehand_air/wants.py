"""What a hood and a duct want when nobody said: default flows and transport velocities, each with its tag.

A user's own figure always wins; these are shown with where they are from. SI units: m3/s and m/s. Figures only.
"""

import math
from typing import Final

from msgspec import Struct

CFM: Final = 0.3048**3 / 60
"""One cubic foot per minute in m3/s."""
M3H: Final = 1 / 3600
FPM: Final = 0.3048 / 60
"""One foot per minute in m/s."""

TRGS: Final = "TRGS 553 Annex 2 [pub]"
MEMORY: Final = "[memory]: recalled, not confirmed"

SETTLES: Final = 3000 * FPM
"""Below this sawdust settles, m/s. ACGIH's minimum for light shavings [pub]."""
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
    "band_saw": Want(700 * CFM, f"band saw {MEMORY}"),
    "drum_sander": Want(350 * CFM, f"drum sander, 350 to 785 cfm {MEMORY}"),
    "floor_sweep": Want(800 * CFM, f"floor sweep, 800 to 1400 cfm {MEMORY}"),
    "cnc_router": Want(500 * CFM, f"CNC router, 500 to 1000 cfm {MEMORY}"),
    "mitre_saw": Want(350 * CFM, f"mitre saw, 350 to 750 cfm {MEMORY}"),
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


def is_known_tool(tool: str) -> bool:
    """Whether a default can be told from the name alone."""
    return kind_of(tool) is not None


def by_port(diameter: float) -> Want:
    """What makers' manuals ask for at a port of `diameter` metres."""
    flow = math.pi / 4 * diameter**2 * PORT_VELOCITY
    return Want(flow, "by its port, area times 4500 ft/min [practice]")


def default_flow(tools: tuple[str, ...], diameter: float) -> Want | None:
    """The greatest default of the tools at one hood; by the port for a name that says no kind; None without tools."""
    wants = [KINDS[kind] if (kind := kind_of(tool)) else by_port(diameter) for tool in tools]
    return max(wants, key=lambda want: want.flow, default=None)
