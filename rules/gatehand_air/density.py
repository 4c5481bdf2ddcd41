"""The air itself: density and viscosity from temperature and altitude. Dry air; SI units."""

from dataclasses import dataclass
from typing import Final

GAS_CONSTANT: Final = 287.055
"""Of dry air, J/(kg K)."""
SEA_LEVEL: Final = 101325.0
"""Pa."""
KELVIN: Final = 273.15


@dataclass(frozen=True, slots=True)
class Air:
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
