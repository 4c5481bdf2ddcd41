"""Energy where currents are known: mean current while running, from samples of the recording, times the hours.

Apparent energy, volt times ampere times hours: a current sensor knows no power factor. The voltage is that of the
circuit which names the tool or collector among its members.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Final

from gatehand.config import Config
from gatehand.config.tables import COLLECTOR_MEMBER
from gatehand.past.account import Tally, Use
from gatehand.past.deadband import at_least
from gatehand.past.recordings import opened
from gatehand.past.stretches import Track, stretches
from gatehand.recording.recording import Listed, recordings

MOST_FILES: Final = 24
"""Recorded files read, spread over the time: hours, not all of them."""


@dataclass(frozen=True, slots=True)
class Energy:
    """Of a tool or collector. `kvah` None: no circuit says its voltage."""

    mean_amps: float
    ampere_hours: float
    kvah: float | None


@dataclass(slots=True)
class Sample:
    """Milliampere-milliseconds and milliseconds while running."""

    charge: int = 0
    ms: int = 0

    @property
    def mean_amps(self) -> float:
        """Mean current while running."""
        return self.charge / self.ms / 1000 if self.ms else 0.0


@dataclass(slots=True)
class Energies:
    """By name, and from how many recorded files."""

    tools: dict[str, Energy] = field(default_factory=dict)
    collectors: dict[str, Energy] = field(default_factory=dict)
    files: int = 0


def energies(
    config: Config,
    folder: Path,
    window: tuple[datetime | None, datetime | None],
    tally: Tally,
    *,
    until: int,
) -> Energies:
    """Energy of what ran in a time, as far as the recording reaches. What still runs counts to `until`, wall ms."""
    found = Energies()
    drawn: dict[str, Sample] = {}
    fans: dict[str, Sample] = {}
    for recording in opened(_spread([one for one in recordings(folder, *window) if not one.trouble])):
        found.files += 1
        for stretch in stretches(recording):
            for name, track in stretch.tracks.items():
                if name in config.tool:
                    _add(drawn.setdefault(name, Sample()), track, at_least(config.tool[name].stop_amps))
            for name, track in stretch.currents.items():
                if name in config.collector:
                    _add(fans.setdefault(name, Sample()), track, at_least(config.collector[name].running_amps))
    volts = _volts(config)
    found.tools = {
        name: _energy(sample, tally.tools.get(name, Use()).total_ms(until), volts.get(name))
        for name, sample in drawn.items()
    }
    found.collectors = {
        name: _energy(sample, tally.collectors.get(name, Use()).total_ms(until), volts.get(COLLECTOR_MEMBER + name))
        for name, sample in fans.items()
    }
    return found


def _spread(files: list[Listed]) -> Iterable[Listed]:
    if len(files) <= MOST_FILES:
        return files
    return [files[at * len(files) // MOST_FILES] for at in range(MOST_FILES)]


def _add(sample: Sample, track: Track, least: int) -> None:
    """Each reading at or above `least` holds until the next one, ten seconds at most."""
    following = iter(track.ms)
    next(following, None)
    for ma, ms, after in zip(track.ma, track.ms, following, strict=False):
        if ma >= least:
            span = min(after - ms, 10_000)
            sample.charge += ma * span
            sample.ms += span


def _energy(sample: Sample, ran_ms: int, volts: float | None) -> Energy:
    hours = sample.mean_amps * ran_ms / 3_600_000
    return Energy(sample.mean_amps, hours, None if volts is None else hours * volts / 1000)


def _volts(config: Config) -> dict[str, float]:
    return {
        member: circuit.voltage
        for circuit in config.circuit.values()
        if circuit.voltage is not None
        for member in circuit.members
    }
