"""What a sensor reads as people say it: with its unit, or what its contact says."""

from collections.abc import Iterable
from typing import Final

from gatehand_rules.shop import Tool
from gatehand_rules.words import Measure

UNITS: Final = {Measure.AMPS: "A", Measure.WATTS: "W"}
"""A contact has none."""
DECIMALS: Final = {Measure.AMPS: 2, Measure.WATTS: 0}
"""Of a reading in a column."""
NOUNS: Final = {Measure.AMPS: "current", Measure.WATTS: "power"}
"""What the number is."""
WEIGHED_AS: Final = {Measure.AMPS: 1.0, Measure.WATTS: 100.0}
"""What a motor of 1 A shows, roughly and on any mains: where loads are compared, so much weighs as 1 A."""
_WHOLE: Final = 1000.0


def threshold_key(which: str, measure: Measure) -> str:
    """`start_watts`: in the config, the log and a status. `which`: start, stop."""
    return f"{which}_{measure}"


def measured(measure: Measure, value: float) -> str:
    """`6.4 A`, `118 W`; of a contact, what it says of its machine."""
    if measure is Measure.RUNNING:
        return "running" if value else "stopped"
    return f"{value:.4g} {UNITS[measure]}" if abs(value) < _WHOLE else f"{value:.0f} {UNITS[measure]}"


def steady(measure: Measure, value: float) -> str:
    """The same with as many digits whatever the reading, for columns and for what changes: `6.40 A`, `118 W`."""
    if measure is Measure.RUNNING:
        return measured(measure, value)
    return f"{value:,.{DECIMALS[measure]}f} {UNITS[measure]}"


def says(measure: Measure, value: float) -> str:
    """After a machine's name: `draws 6.4 A`, or `runs, according to its contact`."""
    if measure is Measure.RUNNING:
        return f"{'runs' if value else 'has stopped'}, according to its contact"
    return f"draws {measured(measure, value)}"


def measures_of(tools: Iterable[Tool]) -> dict[str, Measure]:
    """What each tool's sensor measures, by its name."""
    return {tool.name: tool.measure for tool in tools}
