"""The file of `airflow --measured`: what it may say, and reading it with every slip named. In the config's units."""

import tomllib
from pathlib import Path
from typing import Annotated, Final, Literal

from pydantic import BeforeValidator, Field, PlainValidator, ValidationError
from pydantic_core import ErrorDetails

from gatehand.config import codes
from gatehand.config.ducts import Positive
from gatehand.config.faults_of_values import fault_of, path_of
from gatehand.config.problems import dotted
from gatehand.config.values import TomlTable, fail, number
from gatehand.text import did_you_mean, found, named, printable, shown
from gatehand_air.readings import ACCURACY

MOST_READINGS: Final = 80
"""Values; a fit of more takes long and tells no more."""
_FINEST, _COARSEST = 0.005, 0.5
_A_LIST: Final = 'wanted a list of the gates that were open, such as ["band_saw"]'
_PAIRS: Final = "wanted pairs of a distance from the duct's hood end and the static suction there: [[0.5, 5.6], [4, 7]]"
_NO_READING: Final = 'there is no reading: give one [[reading]] with open = ["band_saw"] for each set of gates'


class MeasuredError(ValueError):
    """The file cannot be used; the text says where, what was found and what is wanted."""


def _gates(value: object) -> tuple[str, ...]:
    if not isinstance(value, list) or not all(isinstance(name, str) for name in value):
        raise fail(codes.WRONG_KIND, f"{found(value)}; {_A_LIST}")
    return tuple(value)


def _taps(value: object) -> tuple[tuple[float, float], ...]:
    if not isinstance(value, list) or not value:
        raise fail(codes.WRONG_KIND, f"{found(value)}; {_PAIRS}")
    pairs = []
    for pair in value:
        if not isinstance(pair, list) or len(pair) != 2:  # noqa: PLR2004
            raise fail(codes.WRONG_KIND, f"{found(pair)}; {_PAIRS}")
        at, suction = map(number, pair)
        if at < 0 or suction <= 0:
            what = "a distance of 0 or more and a suction above 0, both without a sign"
            raise fail(codes.BAD_NUMBER, f"found [{at:g}, {suction:g}]; wanted {what}")
        pairs.append((at, suction))
    return tuple(pairs)


def _accuracy(value: object) -> float:
    part = number(value)
    if not _FINEST <= part <= _COARSEST:
        text = f"wanted how far a reading may be off, as a part of it, from {_FINEST:g} to {_COARSEST:g}: 0.05 for 5 %"
        raise fail(codes.BAD_NUMBER, f"{found(value)}; {text}")
    return part


def _accuracies(value: object) -> object:
    """One for all, or a table."""
    return value if isinstance(value, dict) else dict.fromkeys(("flow", "velocity", "pressure"), _accuracy(value))


Part = Annotated[float, PlainValidator(_accuracy)]
Taps = Annotated[tuple[tuple[float, float], ...], PlainValidator(_taps)]


class Accuracy(TomlTable):
    """How far readings may be off in 19 cases of 20, as a part of them: common practice, no published source."""

    flow: Part = ACCURACY
    velocity: Part = ACCURACY
    pressure: Part = ACCURACY


class MeasuredReading(TomlTable):
    """[[reading]]: with these gates open, any of these in the config's units."""

    open: Annotated[tuple[str, ...], PlainValidator(_gates)]
    hood: dict[str, Positive] = Field(default_factory=dict)
    """Flow at a hood, by its gate or, with several behind that, its tool or duct."""
    duct: dict[str, Positive] = Field(default_factory=dict)
    """Mean velocity in a duct."""
    centreline: dict[str, Positive] = Field(default_factory=dict)
    """Velocity in the middle of a duct."""
    suction: Positive | None = None
    """Static suction at the collector's inlet."""
    taps: dict[str, Taps] = Field(default_factory=dict)
    """Static suction by duct: pairs of the distance from its hood end and the suction there."""
    filter_loss: Positive | None = None
    """Pressure lost across the filter: between a tap before it and one after it."""

    @property
    def count(self) -> int:
        """How many values it has."""
        taps = sum(map(len, self.taps.values()))
        single = (self.suction is not None) + (self.filter_loss is not None)
        return len(self.hood) + len(self.duct) + len(self.centreline) + taps + single


class Measured(TomlTable):
    """The file."""

    filter: Literal["clean", "dirty"] = "clean"
    """How the filter was when it was measured."""
    accuracy: Annotated[Accuracy, BeforeValidator(_accuracies)] = Accuracy()
    """Of the readings."""
    reading: Annotated[tuple[MeasuredReading, ...], Field(min_length=1)]


def read(path: Path) -> Measured:
    """Read the file.

    Raises:
        MeasuredError: it cannot be read, is not valid TOML, or says something else than readings.
    """
    raw: object = None
    try:
        raw = tomllib.loads(path.read_text("utf-8"))
        measured = Measured.model_validate(raw)
    except OSError as error:
        raise MeasuredError(f"{path}: cannot be read ({error.strerror}): name a file that is there") from None
    except ValidationError as error:
        lines = dict.fromkeys(f"{path}: {_line(each, raw)}" for each in error.errors())
        raise MeasuredError("\n".join(lines)) from None
    except UnicodeDecodeError:
        raise MeasuredError(f"{path}: is not text in UTF-8: save it as such") from None
    except (ValueError, RecursionError) as error:
        raise MeasuredError(f"{path}: is not valid TOML: {printable(str(error))}") from None
    if (many := sum(reading.count for reading in measured.reading)) > MOST_READINGS:
        raise MeasuredError(f"{path}: has {named(many, 'value')}; wanted {MOST_READINGS} at most: leave some out")
    return measured


def _line(error: ErrorDetails, raw: object) -> str:
    """Where, what was found and what is wanted."""
    loc = error["loc"]
    where, rest = (f"reading {int(loc[1]) + 1}", 2) if loc[0] == "reading" and len(loc) > 1 else ("", 0)
    if error["type"] == "extra_forbidden":
        table = MeasuredReading if rest else Accuracy if loc[0] == "accuracy" else Measured
        return _joined(where, f"there is no key {shown(loc[-1])}; {did_you_mean(str(loc[-1]), table.model_fields)}")
    if error["type"] in {"missing", "too_short"} and loc == ("reading",):
        return _NO_READING
    if error["type"] == "missing" and loc[-1] == "open":
        return _joined(where, f"open is missing; {_A_LIST}")
    path = path_of(error, raw)
    return _joined(_joined(where, dotted(path[rest:]), ", "), fault_of(error, path, Measured).message)


def _joined(one: str, other: str, by: str = ": ") -> str:
    return by.join(filter(None, (one, other)))
