"""Opens what the daemon recorded in a time: file by file, with the shop that was in force, or one tool's readings.

What cannot be read is among the troubles, never an error.
"""

import tomllib
from array import array
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from functools import lru_cache
from pathlib import Path

from gatehand.config import Loaded, load_text
from gatehand.config.signals import SENSORS
from gatehand.past.csv_readings import read_csv
from gatehand.past.stretches import Track, stretches
from gatehand.recording.format import RecordingError
from gatehand.recording.recording import Listed, Recording, recordings
from gatehand.text import named
from gatehand.times import from_ms, to_ms
from gatehand_rules import Shop
from gatehand_rules.words import Measure


def opened(files: Iterable[Listed], troubles: list[str] | None = None) -> Iterator[Recording]:
    """Those that can be read; what is wrong with the others, and with parts of these, joins the troubles."""
    found = [] if troubles is None else troubles
    for listed in files:
        if listed.trouble:
            found.append(listed.trouble)
            continue
        try:
            recording = Recording(listed.path)
        except (RecordingError, OSError) as error:
            found.append(str(error))
            continue
        yield recording
        found += [f"{listed.path}: {named(damage.length, 'byte')} {damage.why}" for damage in recording.damage]


def offset_ms(recording: Recording) -> int:
    """To be added to its rule ms for the wall's."""
    return recording.header.wall_ms - recording.header.mono_ms


def recorded_shop(text: str, path: Path) -> Shop:
    """The shop of a config's text as a recording keeps it.

    Raises:
        RecordingError: This version cannot build it.
    """
    found = _built(text)
    if found is None:
        first = _loaded(text, path).errors[0]
        raise RecordingError(f"{path}: the config that was in force then is refused by this version: {first}")
    return found


@lru_cache(maxsize=8)
def _built(text: str) -> Shop | None:
    """The shop of a config's text, of which each file of a day holds the same; None where it is refused."""
    return _loaded(text, Path("config.toml")).shop


def _loaded(text: str, path: Path) -> Loaded:
    return load_text(text, path, files=False)  # the password of then may be gone, or none of ours


@lru_cache(maxsize=8)
def measures_then(text: str) -> Mapping[tuple[str, str], Measure]:
    """By kind and name ("tool", "band_saw"), what each sensor measured by a config's text as a recording keeps it.

    Also of a config that this version refuses: nothing but the keys of the sensors is looked at.
    """
    try:
        tables = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        return {}
    found: dict[tuple[str, str], Measure] = {}
    for kind in ("tool", "collector"):
        named = tables.get(kind)
        for name, table in named.items() if isinstance(named, dict) else ():
            key = next((key for key in SENSORS if isinstance(table, dict) and key in table), None)
            if key is not None:
                found[kind, name] = SENSORS[key]
    return found


@dataclass(slots=True)
class Piece:
    """One tool's readings without a break. `wall_ms`: what to add to its ms for the time since 1970; None: no clock."""

    track: Track
    wall_ms: int | None = None
    run: str = ""
    """Of the daemon, which recorded it."""


@dataclass(slots=True)
class Readings:
    """Pieces by tool, and what had to be left out."""

    pieces: dict[str, list[Piece]] = field(default_factory=dict)
    troubles: list[str] = field(default_factory=list)

    def add(self, tool: str, run: str, track: Track, wall_ms: int) -> None:
        """Readings of a run of the daemon; they go on from its last ones unless they begin before those end."""
        pieces = self.pieces.setdefault(tool, [])
        if not len(track):
            return
        last = pieces[-1].track if pieces and pieces[-1].run == run else None
        if last is not None and last.ms[-1] <= track.ms[0]:
            last.ms.extend(track.ms)
            last.ma.extend(track.ma)
            last.order.extend(range(last.order[-1] + 1, last.order[-1] + 1 + len(track)))
        else:
            pieces.append(Piece(track, wall_ms, run))


def from_csv(path: Path, tools: Mapping[str, Measure], progress: Callable[[int], None]) -> Readings:
    """A logger's file. `tools`: what the sensor of each measures.

    Raises:
        CsvError: It cannot be read.
    """
    stretch = read_csv(path, tools, progress)
    return Readings({tool: [Piece(track)] for tool, track in stretch.tracks.items()})


def from_recording(
    folder: Path,
    tools: Mapping[str, Measure],
    since: datetime | None,
    until: datetime | None,
    progress: Callable[[int], None],
) -> Readings:
    """What the recording holds of these tools between two times; of each, what was read by what it measures now."""
    found, count = Readings(), 0
    other: dict[str, Measure] = {}
    for recording in opened(recordings(folder, since, until), found.troubles):
        offset = offset_ms(recording)
        then = measures_then(recording.header.config)
        wanted = {tool for tool, measure in tools.items() if then.get(("tool", tool), measure) is measure}
        other.update({tool: then["tool", tool] for tool in tools.keys() - wanted})
        low, high = (None if when is None else to_ms(when) - offset for when in (since, until))
        for stretch in stretches(recording):
            count += stretch.readings
            for tool in wanted & stretch.tracks.keys():
                found.add(tool, recording.header.run, stretch.tracks[tool].between(low, high), offset)
            progress(count)
    found.troubles += [of_another_measure(tool, measure, tools[tool]) for tool, measure in sorted(other.items())]
    return found


def of_another_measure(tool: str, then: Measure, now: Measure) -> str:
    """That a tool's recorded readings tell nothing of it as the config has it now."""
    return f"readings of {tool} recorded as {then}: by this config its sensor says {now}"


def readings_of(
    folder: Path, name: str, measure: Measure, since_ms: int, until_ms: int, *, motor: bool = False
) -> list[Track]:
    """One tool's readings of a time by this measure, unbroken runs of them in wall ms. Reads nothing else of a file.

    `motor`: those of a collector's motor.
    """
    kind = "collector" if motor else "tool"
    found = Readings()
    for recording in opened(recordings(folder, from_ms(since_ms), from_ms(until_ms))):
        if measures_then(recording.header.config).get((kind, name), measure) is not measure:
            continue
        offset = offset_ms(recording)
        times, values = recording.motor_readings(name) if motor else recording.readings(name)
        track = Track(array("q", (ms + offset for ms in times)), array("i", values), array("q", range(len(times))))
        found.add(name, recording.header.run, track.between(since_ms, until_ms), 0)
    return [piece.track for piece in found.pieces.get(name, ())]


def newest(folder: Path) -> datetime | None:
    """When the last file of the recording began."""
    times = [listed.wall_ms for listed in recordings(folder) if not listed.trouble]
    return from_ms(max(times)) if times else None
