"""Where the readings come from: a logger's file, or the recording beside the event log; by tool, in unbroken pieces."""

from bisect import bisect_left
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path

from gatehand.past.csv_readings import read_csv
from gatehand.past.stretches import Track, stretches
from gatehand.recording.format import EPOCH, RecordingError
from gatehand.recording.recording import Recording, recordings


@dataclass(slots=True)
class Piece:
    """One tool's readings without a break. `wall_ms`: what to add to its ms for the time since 1970; None: no clock."""

    track: Track
    wall_ms: int | None = None


@dataclass(slots=True)
class Readings:
    """Pieces by tool, and what had to be left out."""

    pieces: dict[str, list[Piece]] = field(default_factory=dict)
    troubles: list[str] = field(default_factory=list)

    def tracks(self, tool: str) -> list[Track]:
        """One tool's."""
        return [piece.track for piece in self.pieces.get(tool, ())]


def from_csv(path: Path, tools: Iterable[str], progress: Callable[[int], None]) -> Readings:
    """A logger's file.

    Raises:
        CsvError: It cannot be read.
    """
    stretch = read_csv(path, tools, progress)
    return Readings({tool: [Piece(track)] for tool, track in stretch.tracks.items()})


def from_recording(
    folder: Path,
    tools: Iterable[str],
    since: datetime | None,
    until: datetime | None,
    progress: Callable[[int], None],
) -> Readings:
    """What the recording holds of these tools between two times."""
    wanted, found, count = set(tools), Readings(), 0
    last: dict[str, tuple[str, Piece]] = {}
    for listed in recordings(folder, since, until):
        if listed.trouble:
            found.troubles.append(listed.trouble)
            continue
        try:
            recording = Recording(listed.path)
        except (RecordingError, OSError) as error:
            found.troubles.append(str(error))
            continue
        wall_ms = recording.head.wall_ms - recording.head.mono_ms
        for stretch in stretches(recording):
            count += stretch.readings
            for tool in wanted & stretch.tracks.keys():
                track = _within(stretch.tracks[tool], wall_ms, since, until)
                before = last.get(tool)
                if before is not None and before[0] == recording.head.run and _follows(before[1].track, track):
                    _append(before[1].track, track)
                elif len(track):
                    piece = Piece(track, wall_ms)
                    last[tool] = (recording.head.run, piece)
                    found.pieces.setdefault(tool, []).append(piece)
            progress(count)
        found.troubles += [f"{listed.path}: {damage.length} bytes {damage.why}" for damage in recording.damage]
    return found


def newest(folder: Path) -> datetime | None:
    """When the last file of the recording began."""
    times = [listed.wall_ms for listed in recordings(folder) if not listed.trouble]
    return EPOCH + timedelta(milliseconds=max(times)) if times else None


def _within(track: Track, wall_ms: int, since: datetime | None, until: datetime | None) -> Track:
    """The part of a track between two wall times."""
    low = 0 if since is None else bisect_left(track.ms, _ms(since) - wall_ms)
    high = len(track) if until is None else bisect_left(track.ms, _ms(until) - wall_ms)
    if low == 0 and high == len(track):
        return track
    return Track(track.ms[low:high], track.ma[low:high], track.order[low:high])


def _ms(when: datetime) -> int:
    return round((when - EPOCH).total_seconds() * 1000)


def _follows(before: Track, after: Track) -> bool:
    return not len(before) or not len(after) or before.ms[-1] <= after.ms[0]


def _append(to: Track, more: Track) -> None:
    to.ms.extend(more.ms)
    to.ma.extend(more.ma)
