"""The folder of recordings: one file open for what comes, finished ones packed, the oldest dropped at the limit.

Synchronous, used by one thread at a time; queue and thread stand in `recorder`. Files carry rising numbers, so that
their order never depends on a clock. Any method may raise OSError.
"""

import re
from collections.abc import Callable, Iterator
from pathlib import Path

from msgspec.structs import replace

from gatehand.journal.disk import Disk
from gatehand.recording.columns import BLOCK_EVENTS, encode_block
from gatehand.recording.format import (
    SPOILT,
    Damage,
    FrameKind,
    Header,
    RecordingError,
    encode_header,
    frame,
    frames,
    opened,
)
from gatehand.recording.streams import EventColumns, decode_live

NAME = re.compile(r"readings-(\d{6,})\.(live|rec)")
_PART = re.compile(r"readings-\d{6,}\.rec\.part")
RESERVE_BYTES = 32 << 20
"""Left free for the event log: below it nothing is recorded."""
_LIVE_SHARE = 8
_LIVE_MOST = 4 << 20


class Store:
    """Recordings in one folder, at most `limit_bytes` in all."""

    def __init__(self, folder: Path, limit_bytes: int, disk: Disk, pause: Callable[[], None] = lambda: None) -> None:
        self.folder = folder
        self.live_most = min(_LIVE_MOST, limit_bytes // _LIVE_SHARE)
        """Bytes after which the open file should be finished."""
        self._limit = limit_bytes
        self._disk = disk
        self._pause = pause
        self._handle: int | None = None
        self._path = folder

    def open(self, header: Header) -> None:
        """Begin a file with the next number."""
        self.leave()
        self._disk.make_folder(self.folder)
        if self._disk.free_bytes(self.folder) < RESERVE_BYTES:
            raise OSError(f"less than {RESERVE_BYTES >> 20} MB free, which are left to the event log")
        number = max((number for number, _ in self._numbered()), default=0) + 1
        self.drop_oldest()
        self._path = self.folder / f"readings-{number:06}.live"
        self._handle = self._disk.open_append(self._path)
        try:
            self.put(frame(FrameKind.HEADER, encode_header(header)))
        except OSError:
            self.leave()
            self._disk.remove(self._path)  # without its header it is nothing
            raise

    def put(self, data: bytes) -> None:
        """Append whole frames to the open file."""
        if self._handle is None:
            raise OSError("no recording is open")
        if not self._disk.is_at(self._handle, self._path):
            raise OSError(f"{self._path} was removed or moved")
        self._disk.write_all(self._handle, data)

    def leave(self) -> None:
        """Close the open file, finished or not."""
        if self._handle is not None:
            handle, self._handle = self._handle, None
            self._disk.close(handle)

    def pack_finished(self) -> None:
        """Pack every file that is no longer open; what cannot be packed stays as it is, and is read as it is."""
        names = set(self._disk.names(self.folder))
        for name in names:  # left by a crash while packing
            if _PART.fullmatch(name) or (name.endswith(".live") and f"{name[:-5]}.rec" in names):
                self._disk.remove(self.folder / name)
        for _, name in self._numbered():
            path = self.folder / name
            if name.endswith(".live") and not (self._handle is not None and path == self._path):
                data = self._disk.read(path)
                packed = self._packed(data)
                if all(isinstance(item, Damage) for item in frames(data)):
                    self._disk.remove(path)  # a crash came before its header was whole
                elif packed is not None:
                    self._disk.write_whole(path.with_suffix(".rec"), packed)
                    self._disk.remove(path)

    def drop_oldest(self) -> None:
        """Remove the oldest until the rest, with one more open file, keeps the limit."""
        sizes = [(name, self._disk.file_size(self.folder / name)) for _, name in self._numbered()]
        total = sum(size for _, size in sizes) + self.live_most
        for name, size in sizes:
            if total <= self._limit:
                break
            if self._handle is None or self.folder / name != self._path:
                self._disk.remove(self.folder / name)
                total -= size

    def _numbered(self) -> list[tuple[int, str]]:
        return numbered(self._disk.names(self.folder))

    def _packed(self, data: bytes) -> bytes | None:
        """A file's bytes in their final form; None when it has no header, or says what this version does not know."""
        events, ends, damaged = EventColumns(), b"", 0
        try:
            header, rest = opened(data)
            for item in rest:
                match item:
                    case Damage(length=length):
                        damaged += length
                    case (FrameKind.LIVE, payload):
                        events.extend(decode_live(payload))
                        self._pause()
                    case (FrameKind.END, payload):
                        ends = frame(FrameKind.END, bytes(payload))
                    case _:
                        return None
        except (RecordingError, *SPOILT):
            return None
        count = len(events)
        end_ms = events.now_ms[-1] if count else header.mono_ms
        header = replace(header, end_ms=end_ms, events=count, damaged=header.damaged + damaged)
        blocks = b"".join(
            frame(FrameKind.BLOCK, encode_block(block, self._pause)) for block in _blocks(events, BLOCK_EVENTS)
        )
        return frame(FrameKind.HEADER, encode_header(header)) + blocks + ends


def numbered(names: list[str]) -> list[tuple[int, str]]:
    """The recordings among the names, by rising number; where both forms of one are there, the packed one."""
    found: dict[int, str] = {}
    for name in sorted(names):
        match = NAME.fullmatch(name)
        if match is not None:
            found[int(match[1])] = name
    return sorted(found.items())


def _blocks(events: EventColumns, most: int) -> Iterator[EventColumns]:
    """The events in blocks of at most `most`, a new one wherever time runs backwards."""
    start, count = 0, len(events)
    for row in range(1, count + 1):
        if row == count or row - start == most or events.now_ms[row] < events.now_ms[row - 1]:
            yield events.part(start, row)
            start = row
