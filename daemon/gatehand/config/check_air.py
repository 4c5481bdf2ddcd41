"""Numbers of the ducts that can be written and that no small shop has: another unit, a slip of the decimal point.

All are warnings, but for a curve that no gauge can have read. What is usual is common practice, no published source,
unless another is named. Where most numbers fit the other units, that alone is told; else each number by itself.
"""

from collections.abc import Iterator
from itertools import pairwise
from typing import Final

from gatehand.config import codes
from gatehand.config.ducts import DuctTable, Fan
from gatehand.config.model import Config
from gatehand.config.partial import Partial
from gatehand.config.problems import Fault, KeyPath
from gatehand.text import shown
from gatehand_air.fittings import DUSTS, ENTRIES
from gatehand_air.friction import area, velocity_pressure
from gatehand_air.properties import STANDARD, Units, units

Odd = Iterator[tuple[KeyPath, str]]

NARROWEST: Final = 0.0254
WIDEST: Final = 1.0
"""Diameters of ducts, m."""
WEAKEST: Final = 50.0
STRONGEST: Final = 10_000.0
"""Static pressure of a fan at its most, and any other pressure at most, Pa."""
LONGEST: Final = 60.0
"""A duct's length, m."""
ROUGHEST: Final = 0.05
"""Of the diameter: here the laws of friction end, and the usual chart of them (Moody, 1944) [pub]."""
SMOOTHEST: Final = 1.0e-6
"""m; drawn tubing has 0.0015 mm (Moody, 1944) [pub]."""
GREATEST_FACTOR: Final = 17.0
"""A blade gate three quarters shut; above it there is no fitting in our tables (common gate-valve loss table) [pub]."""
GREATEST_ENTRY: Final = 1.78 + ENTRIES["plain"]
"""A slot or sharp orifice and a plain end behind it (ACGIH Industrial Ventilation, 24th ed.) [pub]."""
FASTEST: Final = 50.0
"""m/s; its velocity pressure alone is the 1500 Pa that a machine may ask for at most (DGUV 209-044) [pub]."""
SLOWEST: Final = DUSTS["fine"].settles / 2
"""m/s; half of what carries even wood flour (ACGIH) [pub]."""
HOTTEST: Final = 50.0
"""C, of a shop's air; 122 F."""
LEAST_FLOW: Final = 0.01
MOST_FLOW: Final = 10.0
"""At the end of a fan's curve, m3/s."""
MOST_POWER: Final = 30_000.0
"""Flow times pressure at a point of it, W."""
LEAP: Final = 10.0
"""The last flow of a curve as a part of the one before it."""
SPEEDS: Final = (0.25, 2.0)
"""A fan's speed as a part of that of its curve."""

_MEANT: Final = {
    "us": ("inches and inches of water", "metric", "millimetres and pascals"),
    "metric": ("millimetres and pascals", "us", "inches and inches of water"),
}


def check_air(partial: Partial) -> Iterator[Fault]:
    """Every doubt about the numbers of the ducts and their fans."""
    config = partial.config
    if partial.is_spoilt("airflow", "units") or not (config.duct or config.fan):
        return
    of = units(config.airflow.units)
    odd = [*_odd_sizes(config, of)]
    own, other, others = _MEANT[of.name]
    fitting = len(odd) - sum(1 for _ in _odd_sizes(config, units(other))) if odd else 0
    if odd and fitting > 0 and 2 * len(odd) >= len(config.duct) + len(config.fan):
        given = "units" in partial.raw.get("airflow", {})
        path, (_, what) = ("airflow", "units") if given else odd[0][0], odd[0]
        text = (
            f"with units = {shown(of.name)}{'' if given else ', the default,'} numbers are {own}, yet {what}: "
            f"these look like {others}; wanted units = {shown(other)} in [airflow]"
        )
        yield Fault(path, codes.UNITS_DOUBTFUL, text)
        return
    for path, what in odd:
        word = of.pressure_word if path[-1] == "curve" else of.diameter_word
        units_said = f"numbers are {own} (units = {shown(of.name)})"
        text = f"{units_said}, yet {what}: give it in {word}, or look at units in [airflow]"
        yield Fault(path, codes.UNITS_DOUBTFUL, text)
    if odd:
        return  # what rests on these sizes would only say the same again
    for path, what in _odd(config, of):
        yield Fault(path, codes.AIR_DOUBTFUL, what)
    for name, fan in config.fan.items():
        if (impossible := _below_velocity_pressure(fan, of)) is not None:
            yield Fault(("fan", name, "measured", "inlet_pipe"), codes.BAD_CURVE, impossible)


def _odd_sizes(config: Config, of: Units) -> Odd:
    """Diameters and pressures that no shop has in these units."""
    for name, fan in config.fan.items():
        most = max(pressure for _, pressure in fan.curve)
        if not WEAKEST <= most * of.pressure <= STRONGEST:
            yield ("fan", name, "curve"), f"the curve of fan {shown(name)} begins at {most:g}"
    for name, duct in config.duct.items():
        if not is_diameter(duct.diameter, of):
            yield ("duct", name, "diameter"), f"duct {shown(name)} is {duct.diameter:g} wide"


def is_diameter(shown_diameter: float, of: Units) -> bool:
    """Whether a shop's duct may be so wide."""
    return NARROWEST * (1 - _HAIR) <= shown_diameter * of.diameter <= WIDEST * (1 + _HAIR)


_HAIR: Final = 0.02
"""40 in are 1.016 m, 25 mm less than an inch: bounds are round numbers in either unit."""


def _odd(config: Config, of: Units) -> Odd:
    if (warm := config.airflow.temperature) is not None and of.name == "metric" and warm > HOTTEST:
        yield ("airflow", "temperature"), f'{warm:g} C is hotter than any shop: with units = "metric" it is in C, not F'
    yield from _odd_wants(config, of)
    for name, fan in config.fan.items():
        for path, what in _odd_fan(fan, of):
            yield ("fan", name, *path), what
    for name, duct in config.duct.items():
        for path, what in (*_odd_duct(duct, of), *_odd_hood(duct, of)):
            yield ("duct", name, *path), what


def _odd_wants(config: Config, of: Units) -> Odd:
    """Transport velocities at which nothing is carried, or that no shop's fan reaches."""
    for key in ("min_velocity", "main_velocity"):
        speed = getattr(config.airflow, key)
        if speed is not None and not SLOWEST <= speed * of.velocity <= FASTEST:
            usual = "2,500 to 4,500" if of.name == "us" else "13 to 23"
            text = f"{speed:g} {of.velocity_word} is not a transport velocity of wood dust: {usual} {of.velocity_word}"
            yield ("airflow", key), f"{text} is usual"


def _odd_fan(fan: Fan, of: Units) -> Odd:
    """A curve with a flow, or a power, that no shop's fan has; a point in another unit; a speed far off."""
    before, last = fan.curve[-2][0], fan.curve[-1][0]
    powers = [(flow * of.flow * pressure * of.pressure, flow, pressure) for flow, pressure in fan.curve]
    most, flow, pressure = max(powers)
    if not LEAST_FLOW <= last * of.flow <= MOST_FLOW:
        usual = f"{_rounded(LEAST_FLOW / of.flow, 1)} to {_rounded(MOST_FLOW / of.flow, 1)} {of.flow_word}"
        yield ("curve",), f"the curve ends at {last:g} {of.flow_word}: a shop's fan moves {usual}; look at the unit"
    elif before > 0 and last > LEAP * before:
        text = f"flow leaps from {before:g} to {last:g} {of.flow_word} between the last two points: one of them"
        yield ("curve",), f"{text} seems to be in another unit, or its decimal point has slipped"
    elif most > MOST_POWER:
        text = f"{flow:g} {of.flow_word} at {pressure:g} {of.pressure_word} is {most / 1000:,.0f} kW in the air alone"
        yield ("curve",), f"{text}: no small shop has such a fan; look at the units of flow and pressure"
    for (q0, p0), (q1, p1) in pairwise(fan.curve):
        if p1 > 0 and p0 > LEAP * p1 and q1 != last:
            text = f"pressure falls from {p0:g} to {p1:g} {of.pressure_word} between flow {q0:g} and {q1:g}"
            yield ("curve",), f"{text}: one of the points seems to be in another unit"
    if fan.measured is not None and fan.measured.inlet_pipe * of.diameter > WIDEST * (1 + _HAIR):
        text = f"{fan.measured.inlet_pipe:g} {of.diameter_word} is not the diameter of a fan's inlet pipe"
        yield ("measured", "inlet_pipe"), f"{text}; look at the unit"
    if fan.speed is not None and not SPEEDS[0] <= fan.speed.run / fan.speed.curve <= SPEEDS[1]:
        text = (
            f"it runs at {fan.speed.run:g}, and its curve is for {fan.speed.curve:g}: give both in revolutions a minute"
        )
        yield ("speed", "run"), f"{text}; so far apart the fan laws do not hold"
    for key in ("clean", "dirty"):
        lost = getattr(fan.filter_loss, key) if fan.filter_loss is not None else 0.0
        if lost > fan.curve[0][1]:
            text = f"the filter would lose {lost:g} {of.pressure_word}, more than the fan gives at its most"
            yield ("filter_loss", key), f"{text} ({fan.curve[0][1]:g}); look at the unit"
            break


def _below_velocity_pressure(fan: Fan, of: Units) -> str | None:
    """In a pipe that the fan draws on, static suction is above the velocity pressure: the air came from rest.

    What is left of it there is the loss on the way in, and that is never below 0 (Bernoulli).
    """
    if fan.measured is None:
        return None
    across = area(fan.measured.inlet_pipe * of.diameter)
    for flow, pressure in fan.curve:
        moving = velocity_pressure(flow * of.flow / across, STANDARD) / of.pressure
        if pressure <= moving:
            return (
                f"at {flow:g} {of.flow_word} the velocity pressure in a pipe of {fan.measured.inlet_pipe:g} "
                f"{of.diameter_word} is {_rounded(moving, 3)} {of.pressure_word}, and no gauge there reads less "
                f"suction; the curve has {pressure:g}: look at the diameter and at the point; or the curve is of fan "
                "static pressure, then leave measured out"
            )
    return None


def _rounded(value: float, digits: int) -> str:
    """Such a number is a rough one, and looks it."""
    rough = float(f"{value:.{digits}g}")
    return f"{rough:,.0f}" if rough >= 10 ** (digits - 1) else f"{rough:g}"


def _odd_duct(duct: DuctTable, of: Units) -> Odd:
    """Length, roughness, fittings."""
    if duct.length * of.length > LONGEST:
        word = "ft" if of.name == "us" else "m"
        text = f"{duct.length:g} {word} is longer than any duct of a small shop: lengths are in {word}"
        yield ("length",), text
    if duct.roughness is not None and duct.roughness > 0:
        word, usual = ("ft", "0.0003") if of.name == "us" else ("mm", "0.09")
        rough = duct.roughness * of.roughness
        what = "rougher" if rough > ROUGHEST * duct.diameter * of.diameter else "smoother" if rough < SMOOTHEST else ""
        if what:
            given = f"{duct.roughness:.6f}".rstrip("0").rstrip(".")
            also = f" ({float(f'{rough * 1000:.2g}'):g} mm)" if of.name == "us" else ""
            yield (
                ("roughness",),
                f"{given} {word}{also} is {what} than any duct: it is in {word}, {usual} for galvanised duct",
            )
    for number, fitting in enumerate(duct.fittings):
        if fitting.k is not None and fitting.k > GREATEST_FACTOR:
            text = f"{fitting.k:g} is more than any fitting loses: a gate that is three quarters shut loses "
            yield (
                ("fittings", number, "k"),
                f"{text}{GREATEST_FACTOR:g}; wanted the factor on the velocity pressure, such as 0.3",
            )
        if fitting.reducer is not None and not is_diameter(fitting.reducer, of):
            text = f"{fitting.reducer:g} {of.diameter_word} is not a duct's diameter: wanted the one at the fan's side"
            yield ("fittings", number, "reducer"), text


def _odd_hood(duct: DuctTable, of: Units) -> Odd:
    """Entry, flow, what the machine and the leak lose."""
    if duct.leak is not None and duct.leak.at * of.pressure > STRONGEST:
        yield ("leak", "at"), f"{duct.leak.at:g} {of.pressure_word} is more than any shop's fan gives"
    if duct.leak is not None and duct.leak.flow * of.flow > SLOWEST * area(duct.diameter * of.diameter):
        text = f"a shut gate that lets {duct.leak.flow:g} {of.flow_word} through is not shut; wanted what leaks past it"
        yield ("leak", "flow"), text
    hood = duct.hood
    if hood is None:
        return
    if isinstance(hood.entry, float) and hood.entry > GREATEST_ENTRY:
        text = f"{hood.entry:g} is more than any hood loses: a slot with a plain end behind it loses {GREATEST_ENTRY:g}"
        yield ("hood", "entry"), f"{text}; wanted the factor on the velocity pressure, such as 0.9"
    if hood.flow is not None:
        speed = hood.flow * of.flow / area(duct.diameter * of.diameter)
        if not SLOWEST <= speed <= FASTEST:
            usual = 20 * area(duct.diameter * of.diameter) / of.flow
            text = (
                f"{hood.flow:g} {of.flow_word} through {duct.diameter:g} {of.diameter_word} is "
                f"{speed / of.velocity:,.0f} {of.velocity_word}, "
            )
            text += "far more than any duct carries" if speed > FASTEST else "too slow to carry any dust"
            yield (
                ("hood", "flow"),
                f"{text}; a duct of that size usually carries about {_rounded(usual, 2)} {of.flow_word}",
            )
    if (machine := hood.machine_loss) is not None and machine.loss * of.pressure > STRONGEST:
        text = f"{machine.loss:g} {of.pressure_word} is more than any shop's fan gives; look at the unit"
        yield ("hood", "machine_loss", "loss"), text
