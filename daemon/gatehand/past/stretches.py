"""Readings in columns, and what else happened among them: the form in which a replay takes its input.

Rule time is whole milliseconds and readings are whole thousandths of their unit, as the daemon gives them to the rules.
`stretches` makes them of a recording that is open; no file is opened here, and no rule is known.
"""

from array import array
from bisect import bisect_left, bisect_right
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import islice, repeat
from operator import sub

from gatehand.recording.recording import Recording
from gatehand.recording.streams import OTHER, TICK, EventColumns
from gatehand_rules.events import CollectorReading, Event, Reading


@dataclass(slots=True)
class Track:
    """One sensor's live readings, in the order in which they came. The three columns are of one length.

    `ma` is the reading in thousandths of the sensor's unit, so milliampere of a current; a contact's are 1000 and 0.
    `order` is the place among everything in the stretch; it rises, and `ms` never falls. `young` holds a 1 for each
    reading that was surely measured just then; it is empty where none was.
    """

    ms: "array[int]" = field(default_factory=lambda: array("q"))
    ma: "array[int]" = field(default_factory=lambda: array("i"))
    order: "array[int]" = field(default_factory=lambda: array("q"))
    young: "array[int]" = field(default_factory=lambda: array("b"))

    def __len__(self) -> int:
        return len(self.ms)

    def held(self, longest_ms: int) -> Iterator[tuple[int, int]]:
        """Each reading and for how long it held, ms: until the next one, and at most so long."""
        spans = map(sub, islice(self.ms, 1, None), self.ms)
        return zip(self.ma, map(min, spans, repeat(longest_ms)), strict=False)

    def part(self, low: int, high: int) -> "Track":
        """From one place to before another."""
        return Track(self.ms[low:high], self.ma[low:high], self.order[low:high], self.young[low:high])

    def between(self, since_ms: int | None, until_ms: int | None) -> "Track":
        """From one moment to before another; None: without end on that side."""
        low = 0 if since_ms is None else bisect_left(self.ms, since_ms)
        high = len(self) if until_ms is None else bisect_left(self.ms, until_ms)
        return self if (low, high) == (0, len(self)) else self.part(low, high)


@dataclass(frozen=True, slots=True)
class Timed:
    """Anything that is no live reading, at its place in the stretch."""

    ms: int
    order: int
    event: Event


@dataclass(slots=True)
class Stretch:
    """A piece of time in one go: readings by tool, of motors by collector, and the other events in their order."""

    tracks: dict[str, Track] = field(default_factory=dict)
    motors: dict[str, Track] = field(default_factory=dict)
    ticks: Track = field(default_factory=Track)
    """When the daemon let the rules look at the time; `ma` is 0."""
    others: list[Timed] = field(default_factory=list)
    zero_ms: int = 0
    """The ms of the zero that its source counts from."""

    @property
    def first_ms(self) -> int | None:
        """When its first item came; None when it is empty."""
        firsts = [track.ms[0] for track in self._columns() if len(track)]
        firsts += [self.others[0].ms] if self.others else []
        return min(firsts, default=None)

    @property
    def last_ms(self) -> int | None:
        """When its last item came; None when it is empty."""
        lasts = [track.ms[-1] for track in self._columns() if len(track)]
        lasts += [self.others[-1].ms] if self.others else []
        return max(lasts, default=None)

    @property
    def readings(self) -> int:
        """How many readings it holds."""
        return sum(len(track) for track in (*self.tracks.values(), *self.motors.values()))

    def part(self, after_ms: int | None, until_ms: int) -> "Stretch":
        """What lies after one moment (None: from the beginning) and up to another, that one counted in."""

        def cut(track: Track) -> Track:
            low = 0 if after_ms is None else bisect_right(track.ms, after_ms)
            return track.part(low, bisect_right(track.ms, until_ms))

        return Stretch(
            tracks={name: cut(track) for name, track in self.tracks.items()},
            motors={name: cut(track) for name, track in self.motors.items()},
            ticks=cut(self.ticks),
            others=[one for one in self.others if (after_ms is None or one.ms > after_ms) and one.ms <= until_ms],
            zero_ms=self.zero_ms,
        )

    def without(self, tools: set[str], motors: set[str]) -> "Stretch":
        """The same without what the sensors of these tools, and of these collectors' motors, said."""
        if not tools and not motors:
            return self
        return Stretch(
            tracks={name: track for name, track in self.tracks.items() if name not in tools},
            motors={name: track for name, track in self.motors.items() if name not in motors},
            ticks=self.ticks,
            others=[one for one in self.others if not _says(one.event, tools, motors)],
            zero_ms=self.zero_ms,
        )

    def _columns(self) -> list[Track]:
        return [*self.tracks.values(), *self.motors.values(), self.ticks]


def _says(event: Event, tools: set[str], motors: set[str]) -> bool:
    match event:
        case Reading(tool=name):
            return name in tools
        case CollectorReading(collector=name):
            return name in motors
        case _:
            return False


def stretches(recording: Recording) -> Iterator[Stretch]:
    """The whole recording, some thousand events at a time."""
    for columns in recording.blocks():
        yield _stretch(columns, recording.streams.tools, recording.streams.collectors)


def _stretch(columns: EventColumns, tools: tuple[str, ...], collectors: tuple[str, ...]) -> Stretch:
    places: dict[int, list[int]] = {stream: [] for stream in set(columns.stream)}
    put = {stream: places[stream].append for stream in places}
    for row, stream in enumerate(columns.stream):
        put[stream](row)
    found = Stretch()
    for stream, at in places.items():
        if stream == OTHER:
            found.others = [Timed(columns.now_ms[row], row, columns.others[row]) for row in at]
        elif stream == TICK:
            found.ticks = _track(columns, at)
        elif len(tools) < stream <= len(tools) + len(collectors):
            found.motors[collectors[stream - 1 - len(tools)]] = _track(columns, at)
    for place, tool in enumerate(tools):
        plain, young = (places.get(stream, []) for stream in (1 + place, 1 + len(tools) + len(collectors) + place))
        if plain or young:
            found.tracks[tool] = _track(columns, sorted(plain + young) if plain and young else plain or young)
            marks = set(young)
            found.tracks[tool].young = array("b", (row in marks for row in found.tracks[tool].order) if young else ())
    return found


def _track(columns: EventColumns, at: list[int]) -> Track:
    return Track(
        array("q", map(columns.now_ms.__getitem__, at)), array("i", map(columns.value.__getitem__, at)), array("q", at)
    )
