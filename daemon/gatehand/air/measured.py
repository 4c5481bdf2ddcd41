"""`airflow --measured FILE`: fits the ducts to what was measured, and gives a config with the fitted fan."""

import math
from collections.abc import Iterable, Iterator, Sequence
from typing import Final

from msgspec import Struct
from msgspec.structs import replace

from gatehand.air.air_words import significant
from gatehand.air.duct_model import DuctSystem, duct_systems, plain_fan
from gatehand.air.readings_file import Accuracy, Measured, MeasuredError, MeasuredReading
from gatehand.config import Config
from gatehand.config.ducts import SMALLEST, Fan, FilterLoss
from gatehand.text import did_you_mean
from gatehand_air.ducting import Ducting
from gatehand_air.fit import Fit, NoFitError, StrangeReadingError, fit
from gatehand_air.readings import Measurement, Quantity
from gatehand_air.spread import PLAIN, Ignorance

DIGITS: Final = 4
"""No reading in a shop knows more."""


class Fitted(Struct, frozen=True):
    """One collector's fit: what was measured, what came of it, the fan for the config.

    Fields:
        numbers: of each measurement, which [[reading]] of the file it is from, from 1.
        described: the fan as the config has it.
        state: how the filter was said to be.
        taken: whether the fan is taken over: not where the fit is not plausible, or the readings do not tell it.
        ignorance: how well all is known now.
        beyond: whether the filter takes more than a dirty one (1), or less than a clean one (-1): a state to be put
            right, so the config's figures stay.
        otherwise: where the readings cannot tell the filter from the fan: the scale, had the filter been in its other
            state.
    """

    system: DuctSystem
    readings: tuple[Measurement, ...]
    numbers: tuple[int, ...]
    described: Fan
    state: str
    fit: Fit
    fan: Fan
    taken: bool
    ignorance: Ignorance
    beyond: int
    otherwise: float | None


def apply(config: Config, measured: Measured) -> tuple[Config, tuple[Fitted, ...]]:
    """The config with each measured collector's fan fitted, and the fits.

    Raises:
        MeasuredError: a name that is not there, or readings that cannot be fitted.
    """
    systems = duct_systems(config)
    homes = [_home(systems, reading, f"reading {n}") for n, reading in enumerate(measured.reading, 1)]
    fans, fits = dict(config.fan), []
    for system in systems:
        pairs = [
            (number, one)
            for number, (home, reading) in enumerate(zip(homes, measured.reading, strict=True), 1)
            if home is system
            for one in _in_si(system, reading, measured.accuracy)
        ]
        if not pairs:
            continue
        fitted = _fit(config, system, measured.filter, pairs)
        if fitted.taken:
            fans[system.collector] = fitted.fan
        fits.append(fitted)
    return config.model_copy(update={"fan": fans}), tuple(fits)


def informed(systems: Iterable[DuctSystem], fits: Iterable[Fitted]) -> Iterator[DuctSystem]:
    """The systems with the spread that the fits leave."""
    known = {fitted.system.collector: fitted.ignorance for fitted in fits}
    for system in systems:
        ignorance = known.get(system.collector, system.ducting.ignorance)
        yield replace(system, ducting=replace(system.ducting, ignorance=ignorance))


def unit_of(system: DuctSystem, kind: Quantity) -> float:
    """SI value of one of the config's units for a reading of that kind."""
    match kind:
        case Quantity.HOOD:
            return system.units.flow
        case Quantity.DUCT | Quantity.CENTRELINE:
            return system.units.velocity
        case Quantity.SUCTION | Quantity.TAP | Quantity.FILTER:
            return system.units.pressure


def shown(system: DuctSystem, kind: Quantity, value: float) -> str:
    """A reading's value, with its unit."""
    match kind:
        case Quantity.HOOD:
            return system.say.flow(value)
        case Quantity.DUCT | Quantity.CENTRELINE:
            return system.say.velocity(value)
        case Quantity.SUCTION | Quantity.TAP | Quantity.FILTER:
            return system.say.pressure(value)


def what_of(system: DuctSystem, one: Measurement) -> str:
    """What was read: "hood bench", "main at 4 ft"."""
    match one.kind:
        case Quantity.HOOD:
            return f"hood {system.say.hood(one.where)}"
        case Quantity.TAP:
            return f"{one.where} at {distance(system, one.at)}"
        case Quantity.FILTER:
            return "filter"
        case Quantity.DUCT | Quantity.CENTRELINE | Quantity.SUCTION:
            return f"{one.kind} {one.where}".rstrip()


def distance(system: DuctSystem, metres: float, *, word: bool = True) -> str:
    """Along a duct."""
    unit = " ft" if system.units.name == "us" else " m"
    return f"{metres / system.units.length:.3g}{unit if word else ''}"


def _fit(config: Config, system: DuctSystem, state: str, pairs: Sequence[tuple[int, Measurement]]) -> Fitted:
    ducting, clean, dirty = system.ducting, system.ducting.clean_filter, system.ducting.dirty_filter
    was, other = (clean, dirty) if state == "clean" else (dirty, clean)
    readings = tuple(one for _, one in pairs)
    try:
        found = fit(replace(ducting, clean_filter=was), readings)
        otherwise = None
        if not found.with_filter and was != other:
            otherwise = fit(replace(ducting, clean_filter=other), readings).scale
    except StrangeReadingError as error:
        number, one = pairs[error.number]
        value, wanted = shown(system, one.kind, one.value), shown(system, one.kind, error.wanted)
        where = f"reading {number}, {', '.join(sorted(one.gates))}: {what_of(system, one)}"
        raise MeasuredError(
            f"{where}: found {value}, where these ducts give {wanted}; look at its unit (the config has units ="
            f' "{system.units.name}")'
        ) from None
    except NoFitError as error:
        raise MeasuredError(f"collector {system.collector}: {error}") from None
    taken = found.told and found.fan_plausible and found.filter_plausible(dirty)
    beyond = _beyond(found, ducting)
    described = config.fan[system.collector]
    fan = _fitted(plain_fan(described, system.units), found, None if beyond else state, system)
    known = PLAIN
    if taken:
        known = replace(PLAIN, fan=found.scale_off, filter=PLAIN.filter if beyond else found.filter_off)
    numbers = tuple(number for number, _ in pairs)
    return Fitted(system, readings, numbers, described, state, found, fan, taken, known, beyond, otherwise)


def _beyond(found: Fit, ducting: Ducting) -> int:
    """Whether the filter's loss is above a dirty one's, or below a clean one's, by more than both spreads."""
    clean, dirty, factor = ducting.clean_filter.factor, ducting.dirty_filter.factor, found.filter.factor
    if not found.with_filter or not dirty:
        return 0
    off = factor * found.filter_off
    above = factor - dirty > math.hypot(off, dirty * PLAIN.filter)
    return above - (clean - factor > math.hypot(off, clean * PLAIN.filter))


def _home(systems: Sequence[DuctSystem], reading: MeasuredReading, where: str) -> DuctSystem:
    """The collector of a reading; every name in it is there, and air goes past it."""
    gates = {gate for system in systems for gate in system.gates}
    _known(reading.open, gates, f"{where}, open: no gate")
    homes = [system for system in systems if system.gates & set(reading.open)]
    if not reading.open:
        homes = [system for system in systems if system.ducting.network.always_open]
        if not homes:
            raise MeasuredError(f"{where}, open: no gate is open, so no air moves; name the gates that were open")
    if len(homes) != 1:
        raise MeasuredError(f"{where}: its gates belong to several collectors; give each collector its own reading")
    (home,) = homes
    _known(reading.hood, home.hoods_by_label(reading.open), f"{where}, hood: no open hood")
    network = home.ducting.network
    live = {d.name for hood in home.hoods_by_label(reading.open).values() for d in network.path(hood)}
    for key, names in (("duct", reading.duct), ("centreline", reading.centreline), ("taps", reading.taps)):
        _known(names, home.ducting.areas, f"{where}, {key}: no duct")
        for name in names:
            if name not in live:
                raise MeasuredError(
                    f"{where}, {key}: no air goes through {name!r} with these gates open; correct open, or leave it out"
                )
    _taps_lie_in_their_ducts(home, reading, where)
    if not reading.count:
        what = "hood, duct, centreline, suction, taps or filter_loss"
        raise MeasuredError(f"{where}: nothing was measured; give {what}")
    return home


def _taps_lie_in_their_ducts(home: DuctSystem, reading: MeasuredReading, where: str) -> None:
    for name, taps in reading.taps.items():
        length = _length(home, name)
        for at, _ in taps:
            if (metres := at * home.units.length) > length * 1.001:
                raise MeasuredError(
                    f"{where}, taps: found a tap at {distance(home, metres)} in {name!r}, which is"
                    f" {distance(home, length)} long; wanted the distance from that duct's own hood end"
                )


def _known(names: Iterable[str], known: Iterable[str], what: str) -> None:
    there = sorted(known)
    for name in names:
        if name not in there:
            raise MeasuredError(f"{what} {name!r}; {did_you_mean(name, there)}")


def _in_si(system: DuctSystem, reading: MeasuredReading, accuracy: Accuracy) -> Iterator[Measurement]:
    """One measurement for each value, in SI."""
    gates, of = frozenset(reading.open), system.units
    hoods = system.hoods_by_label(gates)
    for name, flow in reading.hood.items():
        yield Measurement(gates, Quantity.HOOD, hoods[name], flow * of.flow, accuracy.flow)
    for kind, speeds in ((Quantity.DUCT, reading.duct), (Quantity.CENTRELINE, reading.centreline)):
        for name, speed in speeds.items():
            yield Measurement(gates, kind, name, speed * of.velocity, accuracy.velocity)
    if reading.suction is not None:
        yield Measurement(gates, Quantity.SUCTION, "", reading.suction * of.pressure, accuracy.pressure)
    for name, taps in reading.taps.items():
        for at, suction in taps:
            yield Measurement(
                gates,
                Quantity.TAP,
                name,
                suction * of.pressure,
                accuracy.pressure,
                min(at * of.length, _length(system, name)),
            )
    if reading.filter_loss is not None:
        yield Measurement(gates, Quantity.FILTER, "", reading.filter_loss * of.pressure, accuracy.pressure)


def _length(system: DuctSystem, duct: str) -> float:
    return system.ducting.network.duct(duct).length


def _fitted(fan: Fan, found: Fit, state: str | None, system: DuctSystem) -> Fan:
    """The fan as fitted. The filter's other state keeps its ratio to the one that was measured; None: both stay."""
    curve = tuple((flow, significant(pressure * found.scale, DIGITS)) for flow, pressure in fan.curve)
    if curve[0][1] <= curve[-1][1]:  # so flat that the digits left out were all of its fall
        curve = tuple((flow, pressure * found.scale) for flow, pressure in fan.curve)
    if not found.with_filter or state is None:
        return fan.model_copy(update={"curve": curve})
    old = fan.filter_loss
    at = old.at if old is not None else fan.curve[-1][0]
    lost = found.filter.factor * (at * system.units.flow) ** found.filter.exponent / system.units.pressure
    ratio = old.dirty / old.clean if old is not None and old.clean > 0 else 1.0
    clean, dirty = (lost, lost * ratio) if state == "clean" else (lost / ratio, lost)
    shown, most = (significant(one, DIGITS) if one >= SMALLEST else 0.0 for one in (clean, dirty))
    loss = FilterLoss(clean=shown, dirty=max(most, shown), at=at, exponent=found.filter.exponent)
    return fan.model_copy(update={"curve": curve, "filter_loss": loss})
