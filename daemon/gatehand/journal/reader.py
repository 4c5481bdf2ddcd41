"""Finds event lines again: between two times, the last ones, or as they come. Never fails on what is in the files.

A line that is torn or no event is skipped and kept in `skipped` with its place. Files are chosen by name and by their
own first and last line, so that a year opens as fast as a day.
"""

import contextlib
import re
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from gatehand.journal.files import DAILY
from gatehand.journal.line import LineError, LogLine, decode
from gatehand.times import stamp

_OPENING = b'{"ts":"'
_TS = slice(len(_OPENING), len(_OPENING) + 24)
_CHUNK = 1 << 16
_EDGE = 4096
_NEVER = "\U0010ffff" * 2
"""After every time that a line can tell, also one that is none."""
_POLL = 0.25
_ENDS = 3
"""Files at whose end the last lines are looked for."""


@dataclass(frozen=True, slots=True)
class Skipped:
    """A line that is no event. `place`: its line number, or from the end (negative) when read backwards."""

    path: Path
    place: int
    why: str

    def __str__(self) -> str:
        where = f"line {self.place}" if self.place > 0 else f"line {-self.place} from the end"
        return f"{self.path}, {where}: skipped, {self.why}"


class EventReader:
    """The event lines of one folder. A missing or empty folder reads as no lines.

    `now`: today, for telling files of days that have not come yet; by default the machine's clock.
    """

    def __init__(self, folder: Path, now: datetime | None = None) -> None:
        self.folder = folder
        self.skipped: list[Skipped] = []
        self.passed_ts = ""
        self._tomorrow = ((now or datetime.now(UTC)) + timedelta(days=1)).date().isoformat()

    def lines(
        self, since: datetime | None = None, until: datetime | None = None, *, without: Iterable[tuple[str, str]] = ()
    ) -> Iterator[LogLine]:
        """Lines with `since` <= ts < `until`, oldest first, in the order in which they were written.

        `without`: (key, text) pairs such as ("rule", "refresh"): lines with any of them are passed over undecoded,
        which is what makes a year's log quick to count; the time of the last one is in `passed_ts`.
        """
        low, high = _stamp_or(since, ""), _stamp_or(until, _NEVER)
        passed = _naming(without)
        for path in self._files(low, high):
            ts = ""
            for number, raw in enumerate(_raw_forwards(path), 1):
                ts = _ts_of(raw) or ts
                if not low <= ts < high:
                    continue
                if passed is not None and passed.search(raw):
                    self.passed_ts = ts
                else:
                    yield from _decoded(raw, path, number, self.skipped)

    def backwards(self, until: datetime | None = None) -> Iterator[LogLine]:
        """Lines with ts < `until`, newest first; reads no more than is taken."""
        high = _stamp_or(until, _NEVER)
        return self._back(self._files("", high), high)

    def stretches(self) -> Iterator[Iterator[LogLine]]:
        """Backwards from each place at which the last lines may stand, newest first within each.

        Files are told by their day. What a clock that was behind, or ahead, has written last stands elsewhere: at the
        end of yesterday's file, of the oldest one, or of those of days that have not come yet.
        """
        files = self._files("", _NEVER)
        early = [path for path in files if path.name[7:17] > self._tomorrow]
        ordinary = files[len(early) :]
        for some in (ordinary, early):
            for upto in range(len(some), max(0, len(some) - _ENDS), -1):
                yield self._back(some[:upto])
        if len(ordinary) > _ENDS:
            yield self._back(ordinary[:1])

    def _back(self, files: list[Path], high: str = _NEVER) -> Iterator[LogLine]:
        for path in reversed(files):
            ts = ""
            for number, raw in enumerate(_raw_backwards(path), 1):
                ts = _ts_of(raw) or ts
                if ts < high:
                    yield from _decoded(raw, path, -number, self.skipped)

    def _files(self, low: str, high: str) -> list[Path]:
        """Files that may hold lines of the window, in order.

        A file takes lines of its own date and, after a clock stepped back over midnight, of the day before. Files of a
        day that has not come yet were written under a wrong clock and stand first.
        """
        chosen = []
        for name in event_names(self.folder):
            path = self.folder / name
            day = name[7:17]
            if (_day_before(day) < high and low <= day + "T~") or _content_overlaps(path, low, high):
                chosen.append(path)
        return sorted(chosen, key=lambda path: (path.name[7:17] <= self._tomorrow, path.name))


class Follower:
    """New lines as they are written, from the moment it is made. Half a line waits for its end."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.skipped: list[Skipped] = []
        self._at: dict[str, int] = {name: _size(folder / name) for name in event_names(folder)}

    def poll(self) -> list[LogLine]:
        """Lines written since the last call. A file that became shorter is read from its start."""
        found: list[LogLine] = []
        for name in event_names(self.folder):
            path = self.folder / name
            at, size = self._at.get(name, 0), _size(path)
            if size < at:
                at = 0
            if size > at:
                with path.open("rb") as file:
                    file.seek(at)
                    data = file.read()
                whole = data[: data.rfind(b"\n") + 1]
                for raw in whole.split(b"\n"):
                    found += _decoded(raw, path, -1, self.skipped)
                at += len(whole)
            self._at[name] = at
        return found

    def follow(self, sleep: Callable[[float], None] = time.sleep) -> Iterator[LogLine]:
        """Lines without end."""
        while True:
            yield from self.poll()
            sleep(_POLL)


def _decoded(raw: bytes, path: Path, place: int, skipped: list[Skipped]) -> tuple[LogLine, ...]:
    """The line; none where there is nothing, or what is noted as skipped."""
    try:
        return (decode(raw),)
    except LineError as error:
        if raw.strip():
            skipped.append(Skipped(path, place, str(error)))
        return ()


def _naming(pairs: Iterable[tuple[str, str]]) -> re.Pattern[bytes] | None:
    """What finds lines with any of these keys and texts, as they are encoded."""
    found = b"|".join(re.escape(f'"{key}":"{text}"'.encode()) for key, text in pairs)
    return re.compile(found) if found else None


def event_names(folder: Path) -> list[str]:
    """Names of the event files in the folder, by date; none where there is no folder."""
    try:
        return sorted(path.name for path in folder.iterdir() if DAILY.fullmatch(path.name))
    except (FileNotFoundError, NotADirectoryError):
        return []


def _stamp_or(when: datetime | None, default: str) -> str:
    return default if when is None else stamp(when.timestamp())


def _ts_of(raw: bytes) -> str:
    """The line's time without decoding it; its whole decoding for a line that somebody has laid out otherwise.

    Empty for a line that tells no time: it counts as of the time of the line read before it.
    """
    if raw.startswith(_OPENING) and raw[31:32] == b'"':
        return raw[_TS].decode("latin-1")
    try:
        return str(decode(raw)["ts"])
    except LineError:
        return ""


def _content_overlaps(path: Path, low: str, high: str) -> bool:
    """Whether the file's own first and last lines say that it may hold lines of the window."""
    try:
        with path.open("rb") as file:
            head = file.read(_EDGE).splitlines()
            file.seek(max(0, _size(path) - _EDGE))
            tail = file.read(_EDGE).splitlines()
    except OSError:
        return False
    stamps = [ts for ts in (_ts_of(raw) for raw in (*head[:1], *tail[-1:])) if ts]
    return bool(stamps) and min(stamps) < high and low <= max(stamps)


def _raw_forwards(path: Path) -> Iterator[bytes]:
    """A file's lines; none when the file has just been removed for its age."""
    with contextlib.suppress(FileNotFoundError), path.open("rb") as file:
        yield from file


def _raw_backwards(path: Path) -> Iterator[bytes]:
    """A file's lines from the last to the first, without their newlines."""
    with contextlib.suppress(FileNotFoundError), path.open("rb") as file:
        at = file.seek(0, 2)
        rest = b""
        if at:
            file.seek(at - 1)
            at -= file.read(1) == b"\n"
        while at > 0:
            step = min(_CHUNK, at)
            at -= step
            file.seek(at)
            pieces = (file.read(step) + rest).split(b"\n")
            rest = pieces[0]
            yield from reversed(pieces[1:])
        if rest:
            yield rest


def _size(path: Path) -> int:
    try:
        return path.stat().st_size
    except OSError:
        return 0


def _day_before(day: str) -> str:
    try:
        return (datetime.fromisoformat(day) - timedelta(days=1)).date().isoformat()
    except (ValueError, OverflowError):
        return day
