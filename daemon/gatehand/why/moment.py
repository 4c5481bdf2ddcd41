"""What is known about a question: the lines around the moment, the state then, the start that it is about, the verdict.

The state is replayed from the recording. A `StartAttempt` is one thing that a tool did: a rise that was no start, or a
start and its outcome. A `Verdict` is one sentence that says what the case was, the lines it rests on, and what
would have changed it.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from itertools import islice
from pathlib import Path
from typing import Final, Literal, Self, TypeAlias

from gatehand.config import Config
from gatehand.journal.line import Line, OwnEvent
from gatehand.journal.reader import EventReader
from gatehand.past.player import RECORDED, Player
from gatehand.past.recordings import offset_ms, recorded_shop
from gatehand.past.stretches import stretches
from gatehand.recording.format import RecordingError
from gatehand.recording.recording import Recording, recordings
from gatehand.times import from_ms, stamp_ms, to_ms
from gatehand_rules import Shop, State
from gatehand_rules.findings import Happened, Rule

Kind: TypeAlias = Literal["tool", "gate", "collector"]
Setting: TypeAlias = float | str

BEFORE: Final = timedelta(minutes=30)
AFTER: Final = timedelta(minutes=15)
MINUTE_MS: Final = 60_000
_FARTHEST: Final = 20_000
NEAR_MS: Final = 5 * MINUTE_MS
"""An attempt further off than this is not the one asked about."""
_OUTLIVES_MS: Final = 3000
_STOPS: Final = (Happened.TOOL_STOPPED, Happened.TOOL_MUTED, Happened.TOOL_SILENT)
_PRIORITY: Final = (
    Happened.START_REFUSED,
    Happened.START_MISSED,
    Happened.TOOL_STARTED,
    Happened.TOOL_MUTED,
    Happened.READING_REJECTED,
)

NOTHING: Final = "nothing_in_the_log"


@dataclass(slots=True)
class Verdict:
    """`case`: its id; `sentence`: what happened and by which rule; `next_step`: what to do about it."""

    case: str
    sentence: str
    findings: list[Line] = field(default_factory=list)
    would_have_started: dict[str, Setting] = field(default_factory=dict)
    """Settings, each of which alone would have started it, as a replay has shown."""
    trials: list[str] = field(default_factory=list)
    """The same in sentences, with what it would have cost elsewhere."""
    extra_starts: dict[str, int] = field(default_factory=dict)
    """By setting: starts that the change would have added elsewhere in what was looked at."""
    next_step: str = ""

    @property
    def is_no(self) -> bool:
        """Something that was wanted did not happen."""
        return self.case not in {"started", "already_on", NOTHING}


def amps(value: float) -> str:
    """A current as it is said."""
    return f"{value:.4g} A"


@dataclass(frozen=True, slots=True)
class TimedLine:
    """A line of the log with its wall time in ms."""

    ms: int
    line: Line

    @classmethod
    def of(cls, line: Line) -> Self:
        """The line with its own time."""
        return cls(stamp_ms(str(line["ts"])), line)

    @property
    def is_refresh(self) -> bool:
        """A repeated command, which begins nothing."""
        return self.text("rule") == Rule.REFRESH

    def is_(self, *events: str) -> bool:
        """Whether it is one of these events."""
        return self.line["event"] in events

    def has(self, fact: tuple[str, str]) -> bool:
        """Whether a key has this text."""
        return self.line.get(fact[0]) == fact[1]

    def text(self, key: str) -> str:
        """A fact that is a text; empty when it is none."""
        value = self.line.get(key)
        return value if isinstance(value, str) else ""

    def number(self, key: str) -> float | None:
        """A fact that is a number."""
        value = self.line.get(key)
        return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None

    def amount(self, key: str) -> float:
        """The same; 0 when it is none."""
        return self.number(key) or 0.0


def first(lines: Iterable[TimedLine], *events: str, **facts: str) -> TimedLine | None:
    """The first of the lines that is one of these events and has these texts."""
    return next((one for one in lines if one.is_(*events) and all(map(one.has, facts.items()))), None)


def lines_of(*found: TimedLine | None) -> list[Line]:
    """What a verdict rests on: those of them that there are."""
    return [one.line for one in found if one is not None]


def retries(fault: TimedLine) -> str:
    """How often it was commanded again."""
    count = round(fault.amount("retries"))
    return "1 retry" if count == 1 else f"{count} retries"


@dataclass(slots=True)
class StateThen:
    """What the recording says of a moment: the state then, and the shop that was in force."""

    recording: Recording
    shop: Shop
    state: State
    wall_ms: int
    """To be added to rule ms for the wall's."""
    last_ms: int
    """Wall time of the recording's last event before the moment."""


@dataclass(slots=True)
class Context:
    """One question: why this subject, at that moment."""

    config: Config
    shop: Shop
    folder: Path
    kind: Kind
    name: str
    at: datetime
    lines: list[TimedLine]
    before: TimedLine | None
    """The last line up to the moment, wherever it is."""
    after: TimedLine | None
    """The first line after it."""
    state_then: StateThen | None
    reader: EventReader = field(repr=False)

    @property
    def at_ms(self) -> int:
        """The moment, wall ms."""
        return to_ms(self.at)

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

    def upto(self, ms: int) -> Iterator[TimedLine]:
        """Lines at or before a moment, newest first, far back but not without end."""
        near = [one for one in self.lines if one.ms <= ms]
        yield from reversed(near)
        begin = near[0].ms if near else ms + 1
        yield from map(TimedLine.of, islice(self.reader.backwards(from_ms(begin)), _FARTHEST))

    def in_this_run(self, ms: int) -> Iterator[TimedLine]:
        """The same, no further than the start of the daemon that ran then: what stands is said anew by each."""
        for one in self.upto(ms):
            yield one
            if one.is_(OwnEvent.DAEMON_STARTED):
                return

    def following(self, ms: int) -> Iterator[TimedLine]:
        """Lines after a moment."""
        return (one for one in self.lines if one.ms > ms)

    def between(self, start_ms: int, end_ms: int) -> list[TimedLine]:
        """Lines of the context from `start_ms` to `end_ms`, both counted in."""
        return [one for one in self.lines if start_ms <= one.ms <= end_ms]


def gather_context(config: Config, shop: Shop, folder: Path, subject: tuple[Kind, str], at: datetime) -> Context:
    """Gather what is known."""
    reader = EventReader(folder)
    lines = list(map(TimedLine.of, reader.lines(at - BEFORE, at + AFTER)))
    now = to_ms(at)
    before = next((one for one in reversed(lines) if one.ms <= now), None)
    after = next((one for one in lines if one.ms > now), None)
    return Context(
        config=config,
        shop=shop,
        folder=folder,
        kind=subject[0],
        name=subject[1],
        at=at,
        lines=lines,
        before=before or next(map(TimedLine.of, reader.backwards(at)), None),
        after=after or next(map(TimedLine.of, reader.lines(at + timedelta(milliseconds=1))), None),
        state_then=state_at(folder, at),
        reader=reader,
    )


def state_at(folder: Path, at: datetime) -> StateThen | None:
    """The rules' state at a moment, from the last recording that begins before it; None where there is none."""
    listed = [one for one in recordings(folder, None, at + timedelta(milliseconds=1)) if not one.trouble]
    if not listed:
        return None
    try:
        recording = Recording(listed[-1].path)
        shop = recorded_shop(recording.header.config, recording.path)
        state = recording.header.state
    except (RecordingError, OSError):
        return None
    offset = offset_ms(recording)
    until = to_ms(at) - offset
    player = Player(shop, state, patience_ms=RECORDED)
    last = recording.header.mono_ms
    for stretch in stretches(recording):
        part = stretch.part(None, until)
        player.play(part)
        last = max(last, part.last_ms or last)
        if (stretch.last_ms or 0) > until:
            break
    return StateThen(recording, shop, player.state, offset, last + offset)


@dataclass(frozen=True, slots=True)
class StartAttempt:
    """One thing that the tool did. `origin` is the line that says it."""

    origin: TimedLine
    start_ms: int
    end_ms: int
    """To when the tool went on drawing; the context's end where that is not known."""


def nearest(context: Context) -> StartAttempt | None:
    """The attempt nearest to the moment, what did not start before what did."""
    found = [one for line in context.lines if (one := _attempt(context, line)) is not None]
    near = [one for one in found if context.distance(one.start_ms, one.end_ms) <= NEAR_MS]
    return min(
        near, key=lambda one: (context.distance(one.start_ms, one.end_ms), _rank(one), -one.start_ms), default=None
    )


def _rank(one: StartAttempt) -> int:
    return _PRIORITY.index(Happened(str(one.origin.line["event"])))


def _attempt(context: Context, line: TimedLine) -> StartAttempt | None:
    if line.text("tool") != context.name or not line.is_(*_PRIORITY):
        return None
    if line.is_(Happened.START_MISSED):
        return StartAttempt(line, line.ms - round(line.amount("lasted") * 1000), line.ms)
    if line.is_(Happened.READING_REJECTED):
        return StartAttempt(line, line.ms, line.ms)
    start = begin_of_cut(context, line) if line.is_(Happened.START_REFUSED) else line.ms
    return StartAttempt(line, start, end_of_cut(context, line.ms))


def begin_of_cut(context: Context, line: TimedLine) -> int:
    """When the tool had started to which a line belongs; the line's own time where no start was seen."""
    for one in reversed(context.lines):
        if one.ms <= line.ms and one.text("tool") == context.name:
            if one.is_(Happened.TOOL_STARTED):
                return one.ms
            if one.is_(*_STOPS):
                break
    return line.ms


def end_of_cut(context: Context, start_ms: int) -> int:
    """When the tool that drew at a moment stopped."""
    stopped = first(context.following(start_ms), *_STOPS, tool=context.name)
    return stopped.ms if stopped else context.lines[-1].ms if context.lines else start_ms


def served_until(context: Context, attempt: StartAttempt) -> int:
    """To when a start of the collector still belongs to this cut: through its run-on, and not into the next cut."""
    at = context.shop.tool_at(context.name)
    run_on = context.shop.tools[at].run_on if at is not None else 0.0
    until = attempt.end_ms + round(run_on * 1000) + _OUTLIVES_MS
    again = first(context.following(attempt.end_ms), Happened.TOOL_STARTED, tool=context.name)
    return min(until, again.ms - 1) if again else until


def aftermath(context: Context, attempt: StartAttempt) -> list[TimedLine]:
    """What was said of the tool, its gates and its collector from the start of a cut to a little after its end."""
    gates = context.gates()
    return [
        one
        for one in context.between(attempt.start_ms, min(attempt.end_ms + _OUTLIVES_MS, served_until(context, attempt)))
        if one.text("tool") == context.name
        or (one.text("gate") in gates and not one.text("tool"))
        or (one.text("collector") == context.collector and not one.text("tool") and not one.text("gate"))
    ]
