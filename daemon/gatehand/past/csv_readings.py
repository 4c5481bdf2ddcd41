"""A logger's readings from a CSV file (RFC 4180) with the columns t_s, tool, amps, in columns for the player.

`t_s`: seconds from any zero, never falling. Other columns are passed over. What no sensor can mean (NaN, infinite,
beyond 1,000 A) becomes a rejected reading, as in the daemon; what is no number at all is an error of the file.
"""

import csv
from collections.abc import Callable, Iterable
from math import isfinite
from pathlib import Path
from typing import Final, TextIO, TypeAlias

from gatehand.mqtt.payload import LARGEST_AMPS
from gatehand.past.stretches import Stretch, Timed, Track
from gatehand.text import did_you_mean, shown
from gatehand_rules.events import MessageRejected

COLUMNS: Final = ("t_s", "tool", "amps")
FURTHEST_S: Final = 1e11
"""Seconds either way of the file's zero: three thousand years, and exact to the millisecond."""


_EXAMPLE: Final = "lines such as 12.5,band_saw,3.1"
_TELL_EVERY: Final = 50_000
_EARLIEST_MS: Final = 100_000_000

OnProgress: TypeAlias = Callable[[int], None]


class CsvError(Exception):
    """The file cannot be played: where, what was found, what is wanted."""

    def __init__(self, path: Path, line: int | None, message: str) -> None:
        super().__init__(f"{path}:{line}: {message}" if line else f"{path}: {message}")


def read_csv(path: Path, tools: Iterable[str], progress: OnProgress = lambda _readings: None) -> Stretch:
    """The whole file. `progress` is called now and then with the number of readings so far.

    Raises:
        CsvError: It cannot be read or played.
    """
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            return _Reader(path, tuple(tools), file).read(progress)
    except UnicodeDecodeError:
        raise CsvError(path, None, "is not UTF-8 text: wanted a CSV file with the columns t_s,tool,amps") from None
    except OSError as error:
        raise CsvError(path, None, f"cannot be read ({error.strerror or error})") from None


class _Reader:
    """One pass over one file."""

    def __init__(self, path: Path, tools: tuple[str, ...], file: TextIO) -> None:
        self._path = path
        self._tools = tools
        self._rows = csv.reader(file, strict=True)
        self._tracks: dict[str, Track] = {}
        self._others: list[Timed] = []
        self._zero_ms = 0

    def read(self, progress: OnProgress) -> Stretch:
        try:
            when, which, much = self._places(next(self._rows, []))
            self._read_rows(when, which, much, progress)
        except csv.Error as error:
            raise self._error(f"{error}: wanted {_EXAMPLE}") from None
        if not self._tracks:
            raise CsvError(self._path, None, f"holds no reading: wanted {_EXAMPLE} below the header")
        return Stretch(tracks=self._tracks, others=self._others, zero_ms=self._zero_ms)

    def _places(self, header: list[str]) -> tuple[int, int, int]:
        """Where the three columns stand."""
        names = [name.strip() for name in header]
        if all(name in names for name in COLUMNS):
            when, which, much = (names.index(name) for name in COLUMNS)
            return when, which, much
        found = f"found {shown(','.join(names))} as the header" if names else "the first line is empty"
        if ";" in "".join(names):
            found += ", parted by semicolons"
        raise self._error(f"{found}: wanted a first line that names the columns {','.join(COLUMNS)}, parted by commas")

    def _read_rows(self, when: int, which: int, much: int, progress: OnProgress) -> None:
        """The hot loop: plain readings go straight into the columns, anything else is looked at closely."""
        columns: dict[str, tuple[Callable[[int], None], ...]] = {}
        before, order, zero_ms = -FURTHEST_S, 0, 0
        for row in self._rows:
            try:
                t_s, amps = float(row[when]), float(row[much])
                add_ms, add_ma, add_order = columns[row[which]]
            except (ValueError, IndexError, KeyError):
                if not row:
                    continue
                t_s, name, amps = self._checked(row, when, which, much)
                if not self._tracks:
                    # Monotonic time as the rules know it is never negative.
                    zero_ms = self._zero_ms = max(0, _EARLIEST_MS - round(t_s * 1000))
                track = self._tracks.setdefault(name, Track())
                add_ms, add_ma, add_order = track.ms.append, track.ma.append, track.order.append
                columns[row[which]] = (add_ms, add_ma, add_order)
            if not before <= t_s <= FURTHEST_S:
                raise self._error(_bad_time(t_s, before))
            before = t_s
            if -LARGEST_AMPS <= amps <= LARGEST_AMPS:
                add_ms(round(t_s * 1000) + zero_ms)
                add_ma(round(amps * 1000))
                add_order(order)
            else:
                self._others.append(
                    Timed(round(t_s * 1000) + zero_ms, order, _refused(row[which].strip(), row[much], amps))
                )
            order += 1
            if not order % _TELL_EVERY:
                progress(order)

    def _checked(self, row: list[str], when: int, which: int, much: int) -> tuple[float, str, float]:
        """A row that the hot loop stumbled over: its values, or what is wrong with it."""
        widest = max(when, which, much)
        if len(row) <= widest:
            raise self._error(f"found {len(row)} of {widest + 1} columns: wanted {_EXAMPLE}")
        name = row[which].strip()
        if name not in self._tools:
            hint = did_you_mean(name, self._tools)
            raise self._error(f"found the tool {shown(name)}, which the config does not have; {hint}")
        t_s = self._number("t_s", row[when])
        if not isfinite(t_s):
            raise self._error(_bad_time(t_s, t_s))
        return t_s, name, self._number("amps", row[much])

    def _number(self, column: str, text: str) -> float:
        try:
            return float(text)
        except ValueError:
            hint = ", with a point" if "," in text else ""
            raise self._error(f"found {shown(text)} as {column}: wanted a number such as 3.1{hint}") from None

    def _error(self, message: str) -> CsvError:
        return CsvError(self._path, max(self._rows.line_num, 1), message)


def _bad_time(t_s: float, before: float) -> str:
    if not isfinite(t_s) or abs(t_s) > FURTHEST_S:
        return f"found {t_s:g} as t_s: wanted finite seconds from a zero of your own"
    return f"t_s falls from {before:.15g} to {t_s:.15g}: wanted rising seconds; sort the file by t_s"


def _refused(tool: str, text: str, amps: float) -> MessageRejected:
    why = "beyond 1,000 A" if isfinite(amps) else "not a finite number"
    return MessageRejected("tool", tool, why, text[:40])
