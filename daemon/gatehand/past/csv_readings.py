"""A logger's readings from a CSV file (RFC 4180) in columns for the player.

The file has the columns t_s and tool, and any of amps, watts, running; a row fills one of these, that of its tool's
sensor. `t_s`: seconds from any zero, never falling. Other columns are passed over. What no sensor can mean (NaN,
infinite, beyond 1,000 A or 400,000 W) becomes a rejected reading, as in the daemon; what is no number at all, or no
word for running, is an error of the file.
"""

import csv
from collections.abc import Callable, Mapping
from math import isfinite
from pathlib import Path
from typing import Final, NoReturn, TextIO, TypeAlias

from gatehand.config.signals import KEY_OF
from gatehand.measures import UNITS
from gatehand.mqtt.payload import LARGEST_AMPS, LARGEST_WATTS
from gatehand.past.stretches import Stretch, Timed, Track
from gatehand.text import did_you_mean, listed, named, shown
from gatehand_rules.events import MessageRejected
from gatehand_rules.shop import CLOSED
from gatehand_rules.words import Measure

COLUMNS: Final = f"t_s,tool and any of {','.join(Measure)}"
"""In words."""
RUNNING: Final = {"1": CLOSED, "1.0": CLOSED, "true": CLOSED, "0": 0.0, "0.0": 0.0, "false": 0.0}
"""What stands under running, in small letters."""
FURTHEST_S: Final = 1e11
"""Seconds either way of the file's zero: three thousand years, and exact to the millisecond."""


_LARGEST: Final = {Measure.AMPS: LARGEST_AMPS, Measure.WATTS: LARGEST_WATTS}
_EXAMPLE: Final = "lines such as 12.5,band_saw,3.1"
_TELL_EVERY: Final = 50_000
_EARLIEST_MS: Final = 100_000_000

OnProgress: TypeAlias = Callable[[int], None]
_Into: TypeAlias = tuple[
    Callable[[int], None], Callable[[int], None], Callable[[int], None], int, tuple[int, ...], float
]
"""Of a tool: where its ms, thousandths and order go; its column, those that must be empty, its largest reading."""


class CsvError(Exception):
    """The file cannot be played: where, what was found, what is wanted."""

    def __init__(self, path: Path, line: int | None, message: str) -> None:
        super().__init__(f"{path}:{line}: {message}" if line else f"{path}: {message}")


def read_csv(path: Path, tools: Mapping[str, Measure], progress: OnProgress = lambda _readings: None) -> Stretch:
    """The whole file. `progress` is called now and then with the number of readings so far.

    `tools`: those that the config has, and what the sensor of each measures.

    Raises:
        CsvError: It cannot be read or played.
    """
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            return _Reader(path, tools, file).read(progress)
    except UnicodeDecodeError:
        raise CsvError(path, None, f"is not UTF-8 text: wanted a CSV file with the columns {COLUMNS}") from None
    except OSError as error:
        raise CsvError(path, None, f"cannot be read ({error.strerror or error})") from None


class _Reader:
    """One pass over one file."""

    def __init__(self, path: Path, tools: Mapping[str, Measure], file: TextIO) -> None:
        self._path = path
        self._tools = tools
        self._rows = csv.reader(file, strict=True)
        self._tracks: dict[str, Track] = {}
        self._others: list[Timed] = []
        self._zero_ms = 0
        self._when = self._which = self._width = 0
        self._places: dict[Measure, int] = {}
        """Where the columns stand, those of readings by what they hold; `_width`: so many a row has at least."""

    def read(self, progress: OnProgress) -> Stretch:
        try:
            self._find_columns(next(self._rows, []))
            self._read_rows(progress)
        except csv.Error as error:
            self._fail(f"{error}: wanted {_EXAMPLE}")
        if not self._tracks:
            raise CsvError(self._path, None, f"holds no reading: wanted {_EXAMPLE} below the header")
        return Stretch(tracks=self._tracks, others=self._others, zero_ms=self._zero_ms)

    def _find_columns(self, header: list[str]) -> None:
        names = [name.strip() for name in header]
        self._places = {measure: names.index(measure) for measure in Measure if measure in names}
        if self._places and "t_s" in names and "tool" in names:
            self._when, self._which = names.index("t_s"), names.index("tool")
            self._width = max(self._when, self._which, *self._places.values()) + 1
            return
        found = f"found {shown(','.join(names))} as the header" if names else "the first line is empty"
        if ";" in "".join(names):
            found += ", separated by semicolons"
        self._fail(f"{found}: wanted a first line that names the columns {COLUMNS}, separated by commas")

    def _read_rows(self, progress: OnProgress) -> None:
        """The hot loop: plain readings go straight into the columns, anything else is looked at closely."""
        columns: dict[str, _Into] = {}
        when, which = self._when, self._which
        before, order = -FURTHEST_S, 0
        for row in self._rows:
            try:
                add_ms, add_value, add_order, at, others, largest = columns[row[which]]
                t_s, value = float(row[when]), float(row[at])
                plain = not others or not any(row[other] for other in others)
            except (ValueError, IndexError, KeyError):
                if not row:
                    continue
                plain = False
            if not plain:
                t_s, name, value = self._checked(row)
                if not self._tracks:
                    # Monotonic time as the rules know it is never negative.
                    self._zero_ms = max(0, _EARLIEST_MS - round(t_s * 1000))
                into = add_ms, add_value, add_order, at, others, largest = self._into(name)
                if self._tools[name] is not Measure.RUNNING:
                    columns[row[which]] = into
            if not before <= t_s <= FURTHEST_S:
                self._fail(_bad_time(t_s, before))
            before = t_s
            if -largest <= value <= largest:
                add_ms(round(t_s * 1000) + self._zero_ms)
                add_value(round(value * 1000))
                add_order(order)
            else:
                refused = self._refused(row[which].strip(), row[at], value)
                self._others.append(Timed(round(t_s * 1000) + self._zero_ms, order, refused))
            order += 1
            if not order % _TELL_EVERY:
                progress(order)

    def _into(self, tool: str) -> _Into:
        track, measure = self._tracks.setdefault(tool, Track()), self._tools[tool]
        others = tuple(at for other, at in self._places.items() if other is not measure)
        largest = _LARGEST.get(measure, CLOSED)
        return track.ms.append, track.ma.append, track.order.append, self._places[measure], others, largest

    def _checked(self, row: list[str]) -> tuple[float, str, float]:
        """A row that the hot loop stumbled over: its values, or what is wrong with it."""
        if len(row) < self._width:
            self._fail(f"found {len(row)} of {named(self._width, 'column')}: wanted {_EXAMPLE}")
        name = row[self._which].strip()
        if name not in self._tools:
            hint = did_you_mean(name, self._tools)
            self._fail(f"found the tool {shown(name)}, which the config does not have; {hint}")
        t_s = self._number("t_s", row[self._when])
        if not isfinite(t_s):
            self._fail(_bad_time(t_s, t_s))
        return t_s, name, self._reading(name, row)

    def _reading(self, tool: str, row: list[str]) -> float:
        """The one reading of a row, which must be of what the tool's sensor measures."""
        measure = self._tools[tool]
        filled = [each for each, at in self._places.items() if row[at].strip()]
        if not filled and measure not in self._places:
            self._fail(f"the file has no column {measure}, and {_says(tool, measure)}: wanted its readings there")
        if not filled:
            self._fail(f"found no reading of {tool}: wanted one under {measure}, or no such line")
        if len(filled) > 1:
            self._fail(
                f"found {listed(filled, last='and')} in one line: wanted one reading a line, that of {tool} under "
                f"{measure}; leave the others empty"
            )
        text = row[self._places[filled[0]]].strip()
        if filled[0] is not measure:
            self._fail(
                f"found {shown(text)} under {filled[0]}, but {_says(tool, measure)}: wanted a reading under {measure}, "
                f"or {KEY_OF[filled[0]]} in the config"
            )
        if measure is not Measure.RUNNING:
            return self._number(measure, text)
        if (value := RUNNING.get(text.lower())) is None:
            self._fail(f"found {shown(text)} as running: wanted 1 or true while {tool} runs, else 0 or false")
        return value

    def _number(self, column: str, text: str) -> float:
        try:
            return float(text)
        except ValueError:
            hint = ", with a point" if "," in text else ""
            self._fail(f"found {shown(text)} as {column}: wanted a number such as 3.1{hint}")

    def _refused(self, tool: str, text: str, value: float) -> MessageRejected:
        measure = self._tools[tool]
        beyond = f"beyond {_LARGEST[measure]:,.0f} {UNITS[measure]}"
        return MessageRejected("tool", tool, beyond if isfinite(value) else "not a finite number", text[:40])

    def _fail(self, message: str) -> NoReturn:
        raise CsvError(self._path, max(self._rows.line_num, 1), message) from None


def _says(tool: str, measure: Measure) -> str:
    return f"by its {KEY_OF[measure]} in the config {tool} says {measure}"


def _bad_time(t_s: float, before: float) -> str:
    if not isfinite(t_s) or abs(t_s) > FURTHEST_S:
        return f"found {t_s:g} as t_s: wanted finite seconds from a zero of your own"
    return f"t_s falls from {before:.15g} to {t_s:.15g}: wanted rising seconds; sort the file by t_s"
