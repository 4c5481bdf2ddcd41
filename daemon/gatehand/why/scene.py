"""What is known about a moment: the log's lines around it, and the rules' state at it, replayed from the recording."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from itertools import islice
from pathlib import Path
from typing import Final, Literal, TypeAlias

from gatehand.config import Config
from gatehand.journal.line import DAEMON_STARTED, Line
from gatehand.journal.reader import EventReader
from gatehand.past.account import wall_ms
from gatehand.past.player import RECORDED, Player
from gatehand.past.stretches import stretches
from gatehand.recording.format import EPOCH, RecordingError
from gatehand.recording.recording import Recording, recordings
from gatehand.replay.history import Shops
from gatehand_rules import Shop, State

BEFORE: Final = timedelta(minutes=30)
AFTER: Final = timedelta(minutes=15)
MINUTE_MS: Final = 60_000
_FARTHEST: Final = 20_000
Kind: TypeAlias = Literal["tool", "gate", "collector"]


@dataclass(frozen=True, slots=True)
class Stamped:
    """A line of the log with its wall time in ms."""

    ms: int
    line: Line

    def is_(self, *events: str) -> bool:
        """Whether it is one of these events."""
        return self.line["event"] in events

    def text(self, key: str) -> str:
        """A fact that is a text; empty when it is none."""
        value = self.line.get(key)
        return value if isinstance(value, str) else ""

    def number(self, key: str) -> float | None:
        """A fact that is a number."""
        value = self.line.get(key)
        return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None


@dataclass(slots=True)
class Memory:
    """What the recording says of a moment: the state then, and the shop that was in force."""

    recording: Recording
    shop: Shop
    state: State
    wall_ms: int
    """To be added to rule ms for the wall's."""
    last_ms: int
    """Wall time of the recording's last event before the moment."""


@dataclass(slots=True)
class Scene:
    """One question: why this subject, at that moment."""

    config: Config
    shop: Shop
    folder: Path
    kind: Kind
    name: str
    at: datetime
    lines: list[Stamped]
    before: Stamped | None
    """The last line up to the moment, wherever it is."""
    after: Stamped | None
    """The first line after it."""
    memory: Memory | None
    reader: EventReader = field(repr=False)

    @property
    def at_ms(self) -> int:
        """The moment, wall ms."""
        return to_wall_ms(self.at)

    @property
    def collector(self) -> str:
        """The subject's collector."""
        if self.kind == "collector":
            return self.name
        at = self.shop.tool_at(self.name) if self.kind == "tool" else self.shop.gate_at(self.name)
        if at is None:
            return self.shop.collectors[0].name
        return self.shop.tools[at].collector if self.kind == "tool" else self.shop.gates[at].collector

    def gates(self) -> tuple[str, ...]:
        """The subject's gates."""
        if self.kind == "gate":
            return (self.name,)
        at = self.shop.tool_at(self.name)
        return self.shop.tools[at].gates if self.kind == "tool" and at is not None else ()

    def distance(self, start_ms: int, end_ms: int) -> int:
        """How far a span lies from the moment, ms; a moment is often given to the minute, and all of it counts."""
        return max(0, start_ms - (self.at_ms + MINUTE_MS - 1), self.at_ms - end_ms)

    def upto(self, ms: int) -> Iterator[Stamped]:
        """Lines at or before a moment, newest first, far back but not without end."""
        near = [one for one in self.lines if one.ms <= ms]
        yield from reversed(near)
        begin = near[0].ms if near else ms + 1
        for line in islice(self.reader.backwards(EPOCH + timedelta(milliseconds=begin)), _FARTHEST):
            yield Stamped(wall_ms(str(line["ts"])), line)

    def in_this_run(self, ms: int) -> Iterator[Stamped]:
        """The same, no further than the start of the daemon that ran then: what stands is said anew by each."""
        for one in self.upto(ms):
            yield one
            if one.is_(DAEMON_STARTED):
                return

    def between(self, start_ms: int, end_ms: int) -> list[Stamped]:
        """Lines of the scene from `start_ms` to `end_ms`, both counted in."""
        return [one for one in self.lines if start_ms <= one.ms <= end_ms]


def set_scene(config: Config, shop: Shop, folder: Path, subject: tuple[Kind, str], at: datetime) -> Scene:
    """Gather what is known."""
    reader = EventReader(folder)
    lines = [Stamped(wall_ms(str(line["ts"])), line) for line in reader.lines(at - BEFORE, at + AFTER)]
    now = to_wall_ms(at)
    before = next((one for one in reversed(lines) if one.ms <= now), None)
    if before is None:
        line = next(reader.backwards(at), None)
        before = None if line is None else Stamped(wall_ms(str(line["ts"])), line)
    after = next((one for one in lines if one.ms > now), None)
    if after is None:
        line = next(reader.lines(at + timedelta(milliseconds=1)), None)
        after = None if line is None else Stamped(wall_ms(str(line["ts"])), line)
    return Scene(
        config=config,
        shop=shop,
        folder=folder,
        kind=subject[0],
        name=subject[1],
        at=at,
        lines=lines,
        before=before,
        after=after,
        memory=remember(folder, at),
        reader=reader,
    )


def remember(folder: Path, at: datetime) -> Memory | None:
    """The rules' state at a moment, from the last recording that begins before it; None where there is none."""
    listed = [one for one in recordings(folder, None, at + timedelta(milliseconds=1)) if not one.trouble]
    if not listed:
        return None
    try:
        recording = Recording(listed[-1].path)
        shop = Shops().of(recording.head.config, listed[-1].path)
        state = recording.head.state
    except (RecordingError, OSError):
        return None
    offset = recording.head.wall_ms - recording.head.mono_ms
    until = to_wall_ms(at) - offset
    player = Player(shop, state, lambda _ms, _event, _outcome: None, patience_ms=RECORDED)
    last = recording.head.mono_ms
    for stretch in stretches(recording):
        part = stretch.part(None, until)
        player.play(part)
        last = max(last, part.last_ms or last)
        if (stretch.last_ms or 0) > until:
            break
    return Memory(recording, shop, player.state, offset, last + offset)


def to_wall_ms(when: datetime) -> int:
    """Milliseconds since 1970."""
    return round((when - EPOCH) / timedelta(milliseconds=1))
