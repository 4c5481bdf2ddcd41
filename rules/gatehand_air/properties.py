"""The air itself, and the two systems of units that people use. Dry air; SI units inside."""

from typing import Final

from msgspec import Struct

GAS_CONSTANT: Final = 287.055
"""Of dry air, J/(kg K)."""
SEA_LEVEL: Final = 101325.0
"""Pa."""
KELVIN: Final = 273.15


class Air(Struct, frozen=True):
    """Density in kg/m3 and kinematic viscosity in m2/s."""

    density: float
    viscosity: float


STANDARD: Final = Air(1.2041, 1.506e-5)
"""20 degrees C at sea level: the air for which makers draw their fans' curves."""


def air(celsius: float = 20.0, altitude: float = 0.0) -> Air:
    """Air at a temperature (degrees C) and an altitude (m above the sea).

    Pressure by the standard atmosphere, 101325 (1 - 2.25577e-5 h)^5.25588 Pa (ICAO; up to 11 km); viscosity by
    Sutherland's law with 1.716e-5 Pa s at 273.15 K and 110.4 K.
    """
    kelvin = celsius + KELVIN
    pressure = SEA_LEVEL * (1 - 2.25577e-5 * altitude) ** 5.25588
    density = pressure / (GAS_CONSTANT * kelvin)
    dynamic = 1.716e-5 * (kelvin / KELVIN) ** 1.5 * (KELVIN + 110.4) / (kelvin + 110.4)
    return Air(density, dynamic / density)


FOOT: Final = 0.3048
INCH: Final = 0.0254
INCH_WATER: Final = 249.08891
"""Pa in one inch of water at 4 degrees C."""
CFM: Final = FOOT**3 / 60
"""One cubic foot per minute in m3/s."""
FPM: Final = FOOT / 60
"""One foot per minute in m/s."""
M3H: Final = 1 / 3600
"""One cubic metre per hour in m3/s."""


class Units(Struct, frozen=True):
    """SI value = factor * shown value; the words stand behind the numbers."""

    name: str
    diameter: float
    length: float
    roughness: float
    flow: float
    pressure: float
    velocity: float
    diameter_word: str
    flow_word: str
    pressure_word: str
    velocity_word: str

    def celsius(self, shown: float) -> float:
        """A temperature in degrees C."""
        return (shown - 32) / 1.8 if self.name == "us" else shown


US: Final = Units("us", INCH, FOOT, FOOT, CFM, INCH_WATER, FPM, "in", "cfm", "in.w.g.", "ft/min")
METRIC: Final = Units("metric", 1e-3, 1.0, 1e-3, M3H, 1.0, 1.0, "mm", "m3/h", "Pa", "m/s")


def units(name: str) -> Units:
    """By the config's word: "us" or "metric"."""
    return {"us": US, "metric": METRIC}[name]
