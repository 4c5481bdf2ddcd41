"""The recorded run of the daemon up to a moment, replayed without some of what came in: what would not have followed?

One run has one monotonic clock; its files follow one another, and each begins with the rules' state. Nothing here knows
a line of the log or a verdict.
"""

from array import array
from bisect import bisect_right
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from itertools import islice
from operator import itemgetter
from pathlib import Path
from typing import Final, Self, TypeAlias

from msgspec.structs import replace as changed

from gatehand.past.player import RECORDED, Player
from gatehand.past.recordings import recorded_shop
from gatehand.past.stretches import Stretch, Track, stretches
from gatehand.recording.format import RecordingError
from gatehand.recording.recording import Listed, Recording, recordings
from gatehand_rules import Finding, Outcome, Shop, State, adopt_shop
from gatehand_rules.events import (
    BinReport,
    CollectorReading,
    CollectorReport,
    DeviceOnline,
    Event,
    GateReport,
    Reading,
    StopReport,
)

MOST_FILES: Final = 12
"""Files of one run, an hour each, that are replayed at most."""
_MOST_LOOKED: Final = 4 * MOST_FILES
_WHOLE: Final = frozenset({"full", "config", "clock"})
"""How a file ends after which the next one goes on."""
Said: TypeAlias = tuple[int, Event]
"""When something came in, rule time in ms, and what."""
Found: TypeAlias = tuple[int, Finding]


@dataclass(frozen=True, slots=True)
class Step:
    """A step of the rules that came to something."""

    ms: int
    event: Event
    outcome: Outcome


@dataclass(frozen=True, slots=True)
class _File:
    """One file of the run, up to the moment."""

    shop: Shop
    state: State
    start_ms: int
    """Rule time of its state."""
    pieces: list[Stretch]


@dataclass(slots=True)
class RecordedRun:
    """The files of one run up to a moment, oldest first, none missing between them."""

    until_ms: int
    """Rule time up to which it is replayed."""
    files: list[_File]
    steps: list[Step] = field(default_factory=list)
    """What came to something in the run as it was."""
    _states: dict[int, State] = field(default_factory=dict)
    """Before anything that came at a moment, rule time in ms."""

    @classmethod
    def of(cls, folder: Path, run: str, wall_ms: int, until_ms: int) -> Self | None:
        """What is recorded of a run up to `until_ms` (rule time); None where the moment is not.

        `wall_ms`: about that time by the wall's clock.
        """
        files: list[_File] = []
        for one in islice(_backwards(recordings(folder), wall_ms), _MOST_LOOKED):
            try:
                recording = Recording(one.path)
                header = recording.header
                if not files and (header.run != run or header.mono_ms > until_ms):
                    continue  # by a wall clock that was set, files stand before the moment that were begun after it
                if header.run != run or len(files) == MOST_FILES:
                    break
                file = _read(recording, until_ms)
            except (RecordingError, OSError):
                break
            if files and (recording.damage or recording.ended not in _WHOLE):
                break
            files.insert(0, file)
        if not files:
            return None
        found = cls(until_ms, [])
        before: Player | None = None
        for file in files:
            if before is not None and not _goes_on_as_recorded(before, file):
                # Such as a collector that an edit has renamed: what was before cannot be replayed up to the moment.
                found.files, found.steps = [], []
            found.files.append(file)
            before = Player(file.shop, file.state, found._hear, patience_ms=RECORDED)
            for piece in file.pieces:
                before.play(piece)
        return found

    def _hear(self, ms: int, event: Event, outcome: Outcome) -> None:
        self.steps.append(Step(ms, event, outcome))

    def found(self) -> list[Found]:
        """What the rules found in the run as it was."""
        return [(step.ms, one) for step in self.steps for one in step.outcome.findings]

    def found_without(self, gone: Sequence[Said]) -> list[Found]:
        """What they would have found had these not been said, nor said again."""
        first = min(ms for ms, _ in gone)
        left_out = [_Gone(self._shop_at(ms), ms, self._says_so_until(ms, event), event) for ms, event in gone]
        found = [(ms, one) for ms, one in self.found() if ms < first]

        def hear(ms: int, _event: Event, outcome: Outcome) -> None:
            found.extend((ms, one) for one in outcome.findings)

        before: Player | None = None
        for file in self.files[self._file_at(first) :]:
            state = self._just_before(first) if before is None else _goes_on(before, file)
            pieces = file.pieces if before is not None else [one.part(first - 1, self.until_ms) for one in file.pieces]
            before = Player(file.shop, state, hear, patience_ms=RECORDED)
            for piece in pieces:
                before.play(_less(piece, left_out))
        return found

    def _just_before(self, ms: int) -> State:
        """The state before anything that came at a moment; each is kept, so that a later one is played from there."""
        file = self.files[self._file_at(ms)]
        since = max((one for one in self._states if file.start_ms <= one <= ms), default=None)
        player = Player(file.shop, file.state if since is None else self._states[since], patience_ms=RECORDED)
        for piece in file.pieces:
            player.play(piece.part(None if since is None else since - 1, ms - 1))
        self._states[ms] = player.state
        return player.state

    def _file_at(self, ms: int) -> int:
        return max(0, bisect_right(self.files, ms, key=lambda file: file.start_ms) - 1)

    def _shop_at(self, ms: int) -> Shop:
        return self.files[self._file_at(ms)].shop

    def _says_so_until(self, ms: int, event: Event) -> int:
        """Until when its device says nothing else."""
        whose, shop = _whose(event), self._shop_at(ms)
        if whose is None:
            return ms
        pieces = (piece for file in self.files[self._file_at(ms) :] for piece in file.pieces)
        later = (one for piece in pieces for one in _said(piece, whose) if one[0] > ms)
        other = next((at for at, one in later if not _same_word(shop, event, one)), None)
        return self.until_ms if other is None else other - 1


def _backwards(every: list[Listed], wall_ms: int) -> Iterator[Listed]:
    """The files from the last that began before a moment (by the wall's clock) backwards, none left out between."""
    began = [at for at, one in enumerate(every) if not one.trouble and one.wall_ms <= wall_ms]
    for one in reversed(every[: began[-1] + 1] if began else []):
        if one.trouble:
            return
        yield one


def _read(recording: Recording, until_ms: int) -> _File:
    """A file up to a moment, that one counted in.

    Raises:
        RecordingError: This version cannot build its shop.
    """
    header = recording.header
    shop = recorded_shop(header.config, recording.path)
    parts = [one.part(None, until_ms) for one in stretches(recording)]
    return _File(shop, header.state, header.mono_ms, [one for one in parts if one.last_ms is not None])


def _goes_on(before: Player, file: _File) -> State:
    """The state with which the next file begins, in a run that was not quite the recorded one."""
    if before.shop == file.shop:
        return before.state
    return adopt_shop(before.shop, file.shop, before.state, file.start_ms / 1000).state


def _goes_on_as_recorded(before: Player, file: _File) -> bool:
    """Whether the next file begins with what the last one ended with; a deadline looked for early is no matter."""
    return changed(_goes_on(before, file), wake_at=None) == changed(file.state, wake_at=None)


def _whose(event: Event) -> tuple[str, str] | None:
    """Of what tells how things are: which of a device's words it is. None for the rest: a press is another press."""
    match event:
        case Reading(tool=name):
            return "reading", name
        case CollectorReading(collector=name):
            return "motor", name
        case GateReport(gate=name):
            return "gate", name
        case StopReport(stop=name):
            return "stop", name
        case CollectorReport(collector=name):
            return "switch", name
        case BinReport(collector=name):
            return "bin", name
        case DeviceOnline(kind=kind, name=name):
            return f"will of a {kind}", name
        case _:
            return None


def _same_word(shop: Shop, one: Event, other: Event) -> bool:
    """Whether two words of one device say the same; of readings, that they are on the same side of the threshold."""
    match one, other:
        case Reading(), Reading():
            at = shop.tool_at(one.tool)
            return at is not None and (one.value >= (stop := shop.tools[at].stop_at)) is (other.value >= stop)
        case CollectorReading(), CollectorReading():
            fan = shop.collector_at(one.collector)
            return fan is not None and (one.value >= (on := shop.collectors[fan].turns_at)) is (other.value >= on)
        case GateReport(), GateReport():
            return (one.position, one.says) == (other.position, other.says)
        case StopReport(), StopReport():
            return one.active is other.active
        case CollectorReport(), CollectorReport():
            return one.on is other.on
        case BinReport(), BinReport():
            return one.full is other.full
        case DeviceOnline(), DeviceOnline():
            return one.online is other.online
        case _:
            return False


def _said(piece: Stretch, whose: tuple[str, str]) -> Iterator[Said]:
    """What one device said in a piece, in its order."""
    kind, name = whose
    found: list[tuple[int, int, Event]] = [
        (one.order, one.ms, one.event) for one in piece.others if _whose(one.event) == whose
    ]
    if kind in {"reading", "motor"}:
        track = (piece.tracks if kind == "reading" else piece.motors).get(name, Track())
        make = Reading if kind == "reading" else CollectorReading
        found += [
            (order, ms, make(name, ma / 1000)) for order, ms, ma in zip(track.order, track.ms, track.ma, strict=True)
        ]
    return ((ms, event) for _, ms, event in sorted(found, key=itemgetter(0)))


@dataclass(frozen=True, slots=True)
class _Gone:
    """What is left out: a word, and the same again and again until its device says something else."""

    shop: Shop
    ms: int
    until_ms: int
    event: Event

    def takes(self, ms: int, event: Event) -> bool:
        """Whether this is left out."""
        if not self.ms <= ms <= self.until_ms:
            return False
        if _whose(self.event) is None:
            return event == self.event
        return _whose(event) == _whose(self.event) and _same_word(self.shop, self.event, event)


def _less(piece: Stretch, gone: Sequence[_Gone]) -> Stretch:
    """The piece without what is left out."""
    return replace(
        piece,
        tracks={name: _thinned(track, Reading(name, 0.0), gone) for name, track in piece.tracks.items()},
        motors={name: _thinned(track, CollectorReading(name, 0.0), gone) for name, track in piece.motors.items()},
        others=[one for one in piece.others if not any(each.takes(one.ms, one.event) for each in gone)],
    )


def _thinned(track: Track, like: Reading | CollectorReading, gone: Sequence[_Gone]) -> Track:
    whose = _whose(like)
    mine = [one for one in gone if _whose(one.event) == whose]
    if not mine:
        return track
    stays = [
        at
        for at, (ms, ma) in enumerate(zip(track.ms, track.ma, strict=True))
        if not any(one.takes(ms, _reads(like, ma / 1000)) for one in mine)
    ]
    return Track(_of(stays, track.ms), _of(stays, track.ma), _of(stays, track.order), _of(stays, track.young))


def _of(places: Sequence[int], column: "array[int]") -> "array[int]":
    """What a column holds in these places; one that holds nothing stays empty."""
    return array(column.typecode, map(column.__getitem__, places)) if column else column


def _reads(like: Reading | CollectorReading, value: float) -> Event:
    return Reading(like.tool, value) if isinstance(like, Reading) else CollectorReading(like.collector, value)
