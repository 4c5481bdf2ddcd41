"""Reads recordings: which files cover a time, and what is in one, as events or as columns. The fast way in for replay.

Never fails on damage within a file: whole frames are read, `damage` says what was not. A file that is no recording, or
of another version, is a `RecordingError`.
"""

import contextlib
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from operator import itemgetter
from pathlib import Path

from gatehand.recording.columns import decode_block, decode_stream
from gatehand.recording.format import (
    FRAME_BYTES,
    SHORT_HEADER_BYTES,
    SPOILT,
    Damage,
    FrameKind,
    RecordingError,
    frames,
    opened,
    short_header,
)
from gatehand.recording.store import numbered
from gatehand.recording.streams import EventColumns, Streams, decode_live
from gatehand.times import to_ms
from gatehand_rules.events import Event

BYTES_PER_READING = 1.5
"""What a packed file takes for a reading of a noisy saw, 1 mA fine, headers shared out; a test measures it."""
_EVER = 1 << 62
"""More milliseconds than any moment has."""


@dataclass(frozen=True, slots=True)
class Listed:
    """A file of a folder, by its own short header."""

    path: Path
    number: int
    wall_ms: int
    """Wall time of its start."""
    until_ms: int | None
    """Wall time of its last event; None in a file that was not finished."""
    size: int
    trouble: str = ""
    """Why it cannot be read; its times are then 0."""


class Recording:
    """One file. `header` is read at once, the rest when asked for."""

    def __init__(self, path: Path) -> None:
        """Open the file.

        Raises:
            RecordingError: No recording, or of another version; names the file.
        """
        self.path = path
        self._data = path.read_bytes()
        try:
            self.header, _ = opened(self._data)
        except RecordingError as error:
            raise RecordingError(f"{path}: {error}") from None
        self.streams = Streams(self.header.tools, self.header.collectors)
        self.damage: list[Damage] = []
        """What was not whole, complete once the file has been read to its end."""
        self.ended: str | None = None
        """Why the file was finished: `full`, `config`, `clock`, `shutdown`; None: it was not."""

    def blocks(self) -> Iterator[EventColumns]:
        """The events in order, some thousands at a time; `streams` says what a stream carries."""
        self.damage = [Damage(0, self.header.damaged, "torn when recorded")] if self.header.damaged else []
        events = EventColumns()
        for item in frames(self._data):
            try:
                match item:
                    case Damage():
                        self.damage.append(item)
                    case (FrameKind.LIVE, payload):
                        events.extend(self.streams.check(decode_live(payload)))
                    case (FrameKind.BLOCK, payload):
                        yield self.streams.check(decode_block(payload))
                    case (FrameKind.END, payload):
                        self.ended = bytes(payload).decode("ascii", "replace").partition(" ")[2]
                    case _:
                        pass
            except SPOILT as error:
                length = len(item[1]) if isinstance(item, tuple) else 0
                self.damage.append(Damage(0, length, f"not understood: {error}"))
        if events.now_ms:
            yield events

    def readings(self, tool: str) -> tuple[list[int], list[int]]:
        """Times (ms) and thousandths of one tool's live readings; of a packed file without unpacking the rest."""
        return self._readings(self.streams.of_tool(tool))

    def motor_readings(self, collector: str) -> tuple[list[int], list[int]]:
        """The same of one collector's motor."""
        return self._readings(self.streams.of_collector(collector))

    def suctions(self, collector: str) -> tuple[list[int], list[int]]:
        """The same of one collector's suction sensor, thousandths of a Pa."""
        return self._readings(self.streams.of_suction(collector))

    def _readings(self, streams: tuple[int, ...]) -> tuple[list[int], list[int]]:
        found: list[tuple[int, int]] = []
        for item in frames(self._data) if streams else ():
            with contextlib.suppress(*SPOILT):  # `blocks` tells of damage
                match item:
                    case (FrameKind.LIVE, payload):
                        events = decode_live(payload)
                        every = zip(events.now_ms, events.value, events.stream, strict=True)
                        found += [(now_ms, value) for now_ms, value, stream in every if stream in streams]
                    case (FrameKind.BLOCK, payload):
                        both = [pair for one in streams for pair in zip(*decode_stream(payload, one), strict=True)]
                        found += sorted(both, key=itemgetter(0))
                    case _:
                        pass
        return [now_ms for now_ms, _ in found], [value for _, value in found]

    def events(self) -> Iterator[tuple[int, Event]]:
        """(now_ms, event) as the rules were given them, in order; equal events may be one object."""
        for events in self.blocks():
            yield from self.streams.events(events)


def recordings(folder: Path, since: datetime | None = None, until: datetime | None = None) -> list[Listed]:
    """The folder's files that may hold something of `since` <= time < `until`, in the order of their recording.

    Unfinished files count as open to now. Files that cannot be read are listed with their trouble.
    """
    low, high = to_ms(since) if since else -_EVER, to_ms(until) if until else _EVER
    try:
        names = [path.name for path in folder.iterdir()]
    except (FileNotFoundError, NotADirectoryError):
        return []
    every = [_listed(folder / name, number) for number, name in numbered(names)]
    return [
        one for one in every if one.trouble or (one.wall_ms < high and (one.until_ms is None or one.until_ms >= low))
    ]


def _listed(path: Path, number: int) -> Listed:
    try:
        with path.open("rb") as file:
            start = file.read(SHORT_HEADER_BYTES)
            size = file.seek(0, 2)
        short = short_header(start[FRAME_BYTES:])
    except (OSError, RecordingError) as error:
        return Listed(path, number, 0, 0, 0, f"{path}: {error}")
    until = None if short.end_ms is None else short.wall_ms + short.end_ms - short.mono_ms
    return Listed(path, number, short.wall_ms, until, size)
