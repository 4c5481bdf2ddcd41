"""Energy of tools and collectors: measured where a meter says watts, estimated where one says ampere, else none.

Watts are summed up from what was recorded, each reading for as long as it held, what is drawn at rest included. Of a
current only samples are read: its mean while running, times the hours, times the voltage of the circuit that names the
tool or collector among its members. That is apparent energy; a current sensor knows no power factor, so the real energy
is given as a range. What was recorded while the sensor measured something else counts for neither.
"""

from bisect import bisect_right
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from pathlib import Path
from typing import Any, Final, TypeAlias

from gatehand.config import Config
from gatehand.config.tables import COLLECTOR_MEMBER, SILENT_AFTER, CollectorTable, ToolTable
from gatehand.past.account import HOUR_MS, Account, Use
from gatehand.past.deadband import at_least
from gatehand.past.recordings import measures_then, offset_ms, opened
from gatehand.recording.recording import Listed, Recording, recordings
from gatehand.times import to_ms
from gatehand_rules.words import Measure

SAMPLES: Final = 24
"""Recorded files read for a mean current, spread over the time: hours, not all of them."""
MOST_FILES: Final = 500
"""The same where watts are summed up: some three months of work, read wholly. What is left out of more is estimated."""
WHOLE: Final = 0.97
"""Energy counts as measured where so much of the hours of work is recorded; the rest are edges of cuts."""
POWER_FACTORS: Final = (0.5, 0.9)
"""Of a small induction motor at work and of a large one: T. R. Kuphaldt, "Lessons in Electric Circuits", volume II,
as an article taken from it has it; where in the book is from memory. One without load is below.
"""
_THOUSAND: Final = 1000
_W_MS: Final = 1000 * 1000 * HOUR_MS
"""Thousandths of a watt times ms in a kWh."""
_FOREVER: Final = 1 << 62

Held: TypeAlias = Callable[[int], int]
"""From a reading's wall ms to how long it holds at most, ms."""


@dataclass(frozen=True, slots=True)
class Energy:
    """Of a tool or collector. `mean` while running, in the unit of `measure`; None: nothing of it is recorded.

    `kwh`: least and most, the same twice where all was measured; None where nothing tells.
    """

    measure: Measure
    mean: float | None = None
    hours: float = 0.0
    """Of running, by the log."""
    recorded: float = 0.0
    """Of these, hours of which readings were summed up; of a current, a sample."""
    volts: float | None = None
    """Of its circuit, for a current."""
    kwh: tuple[float, float] | None = None

    @property
    def measured(self) -> bool:
        """All of it."""
        return self.kwh is not None and self.kwh[0] == self.kwh[1]

    @property
    def kvah(self) -> float | None:
        """Apparent energy, of a current and with a voltage."""
        return None if self.volts is None or self.mean is None else self.mean * self.hours * self.volts / _THOUSAND

    def as_json(self) -> dict[str, Any]:
        """For programs, with no more digits than the figures are worth."""
        found: dict[str, Any] = {"measure": str(self.measure)}
        if self.measure is not Measure.RUNNING:
            found |= {f"mean_{self.measure}": _round(self.mean, 2), "recorded_hours": round(self.recorded, 4)}
        if self.measure is Measure.AMPS:
            found |= {"ampere_hours": _round((self.mean or 0.0) * self.hours, 2), "kvah": _round(self.kvah, 3)}
        least, most = self.kwh or (None, None)
        basis = "none" if self.kwh is None else "measured" if self.measured else "estimated"
        return found | {"kwh": {"basis": basis, "least": _round(least, 3), "most": _round(most, 3)}}


def _round(value: float | None, digits: int) -> float | None:
    return None if value is None else round(value, digits)


def energies(
    config: Config, folder: Path, since: datetime | None, until: datetime | None, account: Account
) -> tuple[dict[str, Energy], int]:
    """Energy of all that the config has, in a time; and from how many recorded files.

    By name as a circuit's members are named: tools as they are, and `collector.NAME`.
    """
    uses = account.tools | {COLLECTOR_MEMBER + name: use for name, use in account.collectors.items()}
    tables: dict[str, ToolTable | CollectorTable] = {
        **config.tool,
        **{COLLECTOR_MEMBER + name: one for name, one in config.collector.items() if one.motor_sensor is not None},
    }
    window = range(0 if since is None else to_ms(since), _FOREVER if until is None else to_ms(until))
    sums = {name: _sum_of(table, window, uses.get(name, Use()), account.until_ms) for name, table in tables.items()}
    files = [one for one in recordings(folder, since, until) if not one.trouble]
    read = set[Path]()
    for measure, most in ((Measure.WATTS, MOST_FILES), (Measure.AMPS, SAMPLES)):
        wanted = {name: sums[name] for name, table in tables.items() if table.measure is measure}
        some = _spread(files, most) if wanted else []
        read |= {one.path for one in some}
        _sum_up(some, wanted, measure)
    volts = {member: one.voltage for one in config.circuit.values() if one.voltage for member in one.members}
    energy = {
        name: _energy(table.measure, sums[name], uses.get(name, Use()).hours(account.until_ms), volts.get(name))
        for name, table in tables.items()
    }
    return energy, len(read)


def _energy(measure: Measure, found: "_Sum", hours: float, volts: float | None) -> Energy:
    mean = found.ran / found.ran_ms / _THOUSAND if found.ran_ms else None
    recorded = found.ran_ms / HOUR_MS
    if measure is Measure.RUNNING or mean is None:
        return Energy(measure, None, hours)
    if measure is Measure.AMPS:
        apparent = None if volts is None else mean * hours * volts / _THOUSAND
        kwh = None if apparent is None else (POWER_FACTORS[0] * apparent, POWER_FACTORS[1] * apparent)
        return Energy(measure, mean, hours, recorded, volts, kwh)
    least = found.whole / _W_MS
    missing = 0.0 if recorded >= WHOLE * hours else hours - recorded
    return Energy(measure, mean, hours, recorded, None, (least, least + missing * found.busiest / _THOUSAND))


def _spread(files: Sequence[Listed], most: int) -> Sequence[Listed]:
    if len(files) <= most:
        return files
    return [files[at * len(files) // most] for at in range(most)]


def _sum_up(files: Iterable[Listed], sums: dict[str, "_Sum"], measure: Measure) -> None:
    """Add what these files have of each that measured the same then."""
    listed = {one.path: one for one in files}
    for recording in opened(listed.values()):
        one, offset = listed[recording.path], offset_ms(recording)
        end = _last_ms(recording) if one.until_ms is None else one.until_ms - offset
        file = _File(recording.header.run, one.number, end, offset)
        then = measures_then(recording.header.config)
        for name, found in sums.items():
            tool = name.removeprefix(COLLECTOR_MEMBER)
            kind = "tool" if tool == name else "collector"
            if then.get((kind, tool), measure) is measure:
                times, values = recording.readings(tool) if kind == "tool" else recording.motor_readings(tool)
                found.add(file, times, values)
    for found in sums.values():
        found.finish()


def _last_ms(recording: Recording) -> int:
    """Rule ms of the last event of a file that was not finished."""
    return max((columns.now_ms[-1] for columns in recording.blocks()), default=recording.header.mono_ms)


def _sum_of(table: ToolTable | CollectorTable, window: range, use: Use, until_ms: int) -> "_Sum":
    if isinstance(table, ToolTable):
        longest = round((table.silent_after or table.run_limit) * 1000) or _FOREVER
        return _Sum(window, at_least(table.stop_at), longest)
    return _Sum(window, at_least(table.turns_at), round(SILENT_AFTER * 1000), _while_on(use, until_ms))


def _while_on(use: Use, until_ms: int) -> Held:
    """A motor's reading holds while the log has its collector on: so a sensor on change is told from a dead one."""
    spans = use.ended(until_ms)
    starts = [start for start, _ in spans]

    def longest(ms: int) -> int:
        at = bisect_right(starts, ms + _SLACK_MS) - 1
        return spans[at][1] - ms if at >= 0 else 0

    return longest


_SLACK_MS: Final = 2000
"""A motor's word may come a moment before the line that says that it was switched on."""


@dataclass(frozen=True, slots=True)
class _File:
    """A recorded file: its run, its number, the rule ms of its last event, what to add for the wall's."""

    run: str
    number: int
    end: int
    offset: int


class _Sum:
    """What one sensor measured, from file to file: thousandths times ms, within a window of wall ms."""

    def __init__(self, window: range, least: int, holds: int, longer: Held = lambda _ms: 0) -> None:
        """`least`: thousandths from which on it counts as running; `holds`: a reading, ms, or `longer`."""
        self.whole = 0
        self.ran = 0
        self.ran_ms = 0
        self.busiest = 0.0
        """The highest mean of a file while running, in the unit."""
        self._window = window
        self._least = least
        self._holds = holds
        self._longer = longer
        self._last: tuple[_File, int, int] | None = None
        """The last reading: in which file, rule ms, thousandths."""

    def add(self, file: _File, times: list[int], values: list[int]) -> None:
        """A file's readings, rule ms. What was read last holds on into the file that follows."""
        if self._last is not None:
            before, ms, value = self._last
            if (before.run, before.number + 1) == (file.run, file.number) and (not times or ms <= times[0]):
                times, values = [ms, *times], [value, *values]
            else:
                self.finish()
        if times:
            self._take(file, [(*pair, value) for pair, value in zip(pairwise(times), values, strict=False)])
            self._last = file, times[-1], values[-1]

    def finish(self) -> None:
        """What the last file said last held to its end."""
        if self._last is not None:
            file, ms, value = self._last
            self._take(file, [(ms, file.end, value)])
        self._last = None

    def _take(self, file: _File, held: Iterable[tuple[int, int, int]]) -> None:
        """Readings, from and until when, rule ms."""
        low, high = self._window.start - file.offset, self._window.stop - file.offset
        ran = ran_ms = 0
        for start, until, value in held:
            end = until
            if until - start > self._holds:
                end = min(until, start + max(self._holds, self._longer(start + file.offset)))
            lasted = min(end, high) - max(start, low)
            if lasted > 0 and value > 0:
                self.whole += value * lasted
                if value >= self._least:
                    ran += value * lasted
                    ran_ms += lasted
        self.ran += ran
        self.ran_ms += ran_ms
        if ran_ms:
            self.busiest = max(self.busiest, ran / ran_ms / _THOUSAND)
