"""`airflow --measured FILE`: reads what was measured, fits the fan to it, and gives a config with the fitted fan."""

import tomllib
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Annotated, Any, Literal

from msgspec import Struct
from msgspec.structs import replace
from pydantic import Field, ValidationError

from gatehand.air.air_words import significant
from gatehand.air.duct_model import DuctSystem, duct_systems, plain_fan
from gatehand.config import Config
from gatehand.config.ducts import Fan, FilterLoss, Positive
from gatehand.config.values import TomlTable
from gatehand.terminal import columns
from gatehand.text import did_you_mean, named
from gatehand_air.fit import Fit, Measurement, NoFitError, Quantity, fit

WORTH_A_REMARK = 0.05
"""Typical error that remains after the fit."""


class MeasuredReading(TomlTable):
    """[[reading]]: with these gates open, any of these in the config's units."""

    open: Annotated[tuple[str, ...], Field(min_length=1)]
    hood: dict[str, Positive] = Field(default_factory=dict)
    """Flow at a hood, by its gate or, with several behind that, its duct."""
    duct: dict[str, Positive] = Field(default_factory=dict)
    """Velocity in a duct."""
    suction: Positive | None = None
    """Static suction at the collector's inlet."""


class Measured(TomlTable):
    """The file."""

    filter: Literal["clean", "dirty"] = "clean"
    """How the filter was when it was measured."""
    reading: Annotated[tuple[MeasuredReading, ...], Field(min_length=1)]


class MeasuredError(ValueError):
    """The file cannot be used; the text says where, what was found and what is wanted."""


def read(path: Path) -> Measured:
    """Read the file.

    Raises:
        MeasuredError: it cannot be read, is not valid TOML, or says something else than readings.
    """
    try:
        return Measured.model_validate(tomllib.loads(path.read_text("utf-8")))
    except OSError as error:
        raise MeasuredError(f"{path}: cannot be read ({error.strerror})") from None
    except ValidationError as error:
        lines = [f"{path}: {'.'.join(map(str, each['loc']))}: {each['msg']}" for each in error.errors()]
        raise MeasuredError("\n".join(lines)) from None
    except ValueError as error:
        raise MeasuredError(f"{path}: is not valid TOML: {error}") from None


class Fitted(Struct, frozen=True):
    """One collector's fit: what was measured, what came of it, the fan for the config."""

    system: DuctSystem
    readings: tuple[Measurement, ...]
    fit: Fit
    fan: Fan


def apply(config: Config, measured: Measured) -> tuple[Config, tuple[Fitted, ...]]:
    """The config with each measured collector's fan fitted, and the fits.

    Raises:
        MeasuredError: a name that is not there, or readings that cannot be fitted.
    """
    systems = duct_systems(config)
    for number, reading in enumerate(measured.reading, 1):
        _check(systems, reading, f"reading {number}")
    fans, fits = dict(config.fan), []
    for system in systems:
        readings = [
            one for reading in measured.reading if set(reading.open) <= system.gates for one in _in_si(system, reading)
        ]
        if not readings:
            continue
        ducting = system.ducting
        if measured.filter == "dirty":
            ducting = replace(ducting, clean_filter=ducting.dirty_filter)
        try:
            found = fit(ducting, readings)
        except NoFitError as error:
            raise MeasuredError(f"collector {system.collector}: {error}") from None
        fan = plain_fan(config.fan[system.collector], system.units)
        fans[system.collector] = _fitted(fan, found, measured.filter, system)
        fits.append(Fitted(system, tuple(readings), found, fans[system.collector]))
    return config.model_copy(update={"fan": fans}), tuple(fits)


def _check(systems: Sequence[DuctSystem], reading: MeasuredReading, where: str) -> None:
    """Every name of a reading is there, and its gates are one collector's."""
    gates = {gate for system in systems for gate in system.gates}
    _known(reading.open, gates, f"{where}, open: no gate")
    homes = [system for system in systems if system.gates & set(reading.open)]
    if len(homes) != 1:
        raise MeasuredError(f"{where}: its gates belong to several collectors; give each collector its own reading")
    live = homes[0].hoods_by_label(reading.open)
    _known(reading.hood, live, f"{where}, hood: no open hood")
    _known(reading.duct, homes[0].ducting.areas, f"{where}, duct: no duct")
    if not reading.hood and not reading.duct and reading.suction is None:
        raise MeasuredError(f"{where}: nothing was measured; give hood, duct or suction")


def _known(names: Iterable[str], known: Iterable[str], what: str) -> None:
    there = sorted(known)
    for name in names:
        if name not in there:
            raise MeasuredError(f"{what} {name!r}; {did_you_mean(name, there)}")


def _in_si(system: DuctSystem, reading: MeasuredReading) -> list[Measurement]:
    """One reading for each value, in SI."""
    gates, of = frozenset(reading.open), system.units
    hoods = system.hoods_by_label(gates)
    found = [Measurement(gates, Quantity.HOOD, hoods[name], flow * of.flow) for name, flow in reading.hood.items()]
    found += [Measurement(gates, Quantity.DUCT, duct, speed * of.velocity) for duct, speed in reading.duct.items()]
    if reading.suction is not None:
        found.append(Measurement(gates, Quantity.SUCTION, "", reading.suction * of.pressure))
    return found


def _fitted(fan: Fan, found: Fit, state: str, system: DuctSystem) -> Fan:
    """The fan as fitted. The filter's other state keeps its ratio to the one that was measured."""
    curve = tuple((flow, _four(pressure * found.scale)) for flow, pressure in fan.curve)
    if not found.with_filter:
        return fan.model_copy(update={"curve": curve})
    old = fan.filter_loss
    at = old.at if old is not None else fan.curve[-1][0]
    lost = _four(found.filter.factor * (at * system.units.flow) ** found.filter.exponent / system.units.pressure)
    ratio = old.dirty / old.clean if old is not None and old.clean > 0 else 1.0
    clean, dirty = (lost, lost * ratio) if state == "clean" else (lost / ratio, lost)
    loss = FilterLoss(clean=_four(clean), dirty=_four(max(dirty, clean)), at=at, exponent=found.filter.exponent)
    return fan.model_copy(update={"curve": curve, "filter_loss": loss})


def _four(value: float) -> float:
    """No reading in a shop knows more digits."""
    return significant(value, 4)


def fit_as_json(fitted: Fitted) -> dict[str, Any]:
    """The fit for programs; values in the config's units, `off` as a share of what was measured."""
    of, found = fitted.system.units, fitted.fit
    unit = {Quantity.HOOD: of.flow, Quantity.DUCT: of.velocity, Quantity.SUCTION: of.pressure}
    return {
        "collector": fitted.system.collector,
        "scale": _four(found.scale),
        "with_filter": found.with_filter,
        "rms_before": _four(found.rms_before),
        "rms": _four(found.rms),
        "fan": fitted.fan.model_dump(exclude_none=True),
        "readings": [
            {
                "open": sorted(one.gates),
                "kind": one.kind,
                "where": one.where,
                "measured": _four(one.value / unit[one.kind]),
                "fitted": _four(after / unit[one.kind]),
                "off": _four(after / one.value - 1),
            }
            for one, after in zip(fitted.readings, found.after, strict=True)
        ],
    }


def fit_as_text(fitted: Fitted) -> str:
    """The fit and what remains of each reading, then the fan as TOML."""
    system, readings, found, fan = fitted.system, fitted.readings, fitted.fit, fitted.fan
    say = system.say
    put = {Quantity.HOOD: say.flow, Quantity.DUCT: say.velocity, Quantity.SUCTION: say.pressure}
    rows = [["reading", "measured", "before", "fitted", "off by", ""]]
    for reading, before, after in zip(readings, found.before, found.after, strict=True):
        what = f"{', '.join(sorted(reading.gates))}: {reading.kind} {reading.where}".rstrip()
        cells = [put[reading.kind](value) for value in (reading.value, before, after)]
        rows.append([what, *cells, f"{100 * (after / reading.value - 1):+.1f} %", ""])
    if found.with_filter:
        apart = ""
    else:
        apart = "; the filter's loss cannot be told from it by these readings and stays as it was"
    gives = f"the fan gives {100 * found.scale:.1f} % of its curve"
    lines = [
        f"collector {system.collector}, fitted to {named(len(readings), 'reading')}: {gives}{apart}",
        *columns(rows, "  "),
        f"  typical error {100 * found.rms_before:.1f} % before, {100 * found.rms:.1f} % now",
    ]
    if found.rms > WORTH_A_REMARK:
        lines.append("  more than a few percent remain: a reading, a duct's description or a leak wants another look")
    curve = ", ".join(f"[{flow:g}, {pressure:g}]" for flow, pressure in fan.curve)
    lines += [f"  [fan.{system.collector}]", f"  curve = [{curve}]"]
    if (loss := fan.filter_loss) is not None:
        exponent = "" if loss.exponent == 2 else f", exponent = {loss.exponent:g}"  # noqa: PLR2004
        lines.append(
            f"  filter_loss = {{ clean = {loss.clean:g}, dirty = {loss.dirty:g}, at = {loss.at:g}{exponent} }}"
        )
    return "\n".join([*lines, ""])
