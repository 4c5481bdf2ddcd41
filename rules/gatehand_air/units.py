"""The two systems of units that people use, as factors to SI. Numbers are turned once on the way in and once out."""

from dataclasses import dataclass
from typing import Final

FOOT: Final = 0.3048
INCH: Final = 0.0254
INCH_WATER: Final = 249.08891
"""Pa in one inch of water at 4 degrees C."""


@dataclass(frozen=True, slots=True)
class Units:
    """SI value = factor * shown value; the words stand behind the numbers."""

    name: str
    diameter: float
    length: float
    roughness: float
    flow: float
    pressure: float
    velocity: float
    diameter_word: str
    length_word: str
    flow_word: str
    pressure_word: str
    velocity_word: str

    def celsius(self, shown: float) -> float:
        """A temperature in degrees C."""
        return (shown - 32) / 1.8 if self.name == "us" else shown


US: Final = Units("us", INCH, FOOT, FOOT, FOOT**3 / 60, INCH_WATER, FOOT / 60, "in", "ft", "cfm", "in.w.g.", "ft/min")
METRIC: Final = Units("metric", 1e-3, 1.0, 1e-3, 1 / 3600, 1.0, 1.0, "mm", "m", "m3/h", "Pa", "m/s")


def units(name: str) -> Units:
    """By the config's word: "us" or "metric"."""
    return {"us": US, "metric": METRIC}[name]
