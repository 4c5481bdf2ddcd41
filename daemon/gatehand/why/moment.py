"""What is known about a question: the lines around the moment, the state then, the start that it is about.

The state is replayed from the recording. A `StartAttempt` is one thing that a tool did: a rise that was no start, or a
start and its outcome.
"""

import tomllib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from itertools import chain, islice
from pathlib import Path
from typing import Final, Literal, Self, TypeAlias

from gatehand.config import Config
from gatehand.journal.line import LogLine, OwnEvent
from gatehand.journal.reader import EventReader
from gatehand.journal.sentences import sentence
from gatehand.past.player import RECORDED, Player
from gatehand.past.recordings import offset_ms, opened, recorded_shop
from gatehand.past.stretches import stretches
from gatehand.recording.format import RecordingError
from gatehand.recording.recording import Recording, recordings
from gatehand.times import from_ms, local_clock, local_text, stamp_ms, to_ms
from gatehand_rules import Happened, Rule, Shop, State, Tool
from gatehand_rules.state import ToolState
from gatehand_rules.words import Measure

SubjectKind: TypeAlias = Literal["tool", "gate", "collector"]

BEFORE: Final = timedelta(minutes=30)
AFTER: Final = timedelta(minutes=15)
MINUTE_MS: Final = 60_000
SECOND_MS: Final = 1000
_FARTHEST: Final = 20_000
_RENAMED_WITHIN: Final = timedelta(hours=48)
"""How far back another name of a collector is looked for."""
NEAR_MS: Final = 5 * MINUTE_MS
"""An attempt further off than this is not the one asked about."""
_OUTLIVES_MS: Final = 3000
_STOPS: Final = (Happened.TOOL_STOPPED, Happened.TOOL_MUTED, Happened.TOOL_SILENT)
_PRIORITY: Final = (
    Happened.START_REFUSED,
    Happened.START_MISSED,
    Happened.TOOL_MUTED,
    Happened.TOOL_STARTED,
    Happened.READING_REJECTED,
)
"""Of several attempts at one moment the first of these is the one asked about."""


@dataclass(frozen=True, slots=True)
class Asked:
    """The moment asked about, as finely as it was given."""

    at: datetime
    lasts_ms: int = MINUTE_MS
    """All of this counts: a minute where it was given to the minute, a second where it was given to the second."""

    @property
    def said(self) -> str:
        """Its local time of day, no finer than it was given."""
        clock = local_clock(to_ms(self.at))
        return clock if self.lasts_ms < MINUTE_MS else clock[:5]


@dataclass(frozen=True, slots=True)
class TimedLine:
    """A line of the log with its wall time in ms."""

    ms: int
    line: LogLine

    @classmethod
    def of(cls, line: LogLine) -> Self:
        """The line with its own time."""
        return cls(stamp_ms(str(line["ts"])), line)

    @property
    def clock(self) -> str:
        """Its local time of day."""
        return local_clock(self.ms)

    @property
    def is_refresh(self) -> bool:
        """A repeated command, which begins nothing: also an "on" to a fan that ran already, which is no start of it."""
        told_again = self.is_(Happened.COLLECTOR_ON) and self.line.get("starts_this_hour", 0) is None
        return told_again or self.text("rule") == Rule.REFRESH

    def is_(self, *events: str) -> bool:
        """Whether it is one of these events."""
        return self.line["event"] in events

    def has(self, fact: tuple[str, str]) -> bool:
        """Whether a key has this text."""
        return self.line.get(fact[0]) == fact[1]

    def timed_sentence(self, about_ms: int) -> str:
        """Its time of day (on another day than `about_ms`, wall time, its day too) and what it says."""
        return f"{self.timed(about_ms)} {sentence(self.line)}"

    def timed(self, about_ms: int) -> str:
        """Its time of day; on another day than `about_ms`, wall time, its day too."""
        moment = local_text(self.ms)[:19]
        return self.clock if moment[:10] == local_text(about_ms)[:10] else moment

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


@dataclass(slots=True)
class StateThen:
    """What the recording says of a moment: the state then, and the shop that was in force."""

    run: str
    shop: Shop
    state: State
    last_ms: int
    """Wall time of the recording's last event before the moment."""
    offset_ms: int
    """To be added to its rule ms for the wall's."""

    def tool(self, name: str) -> tuple[Tool, ToolState] | None:
        """A tool as it was set, and what was known of it; None: there was none of that name."""
        at = self.shop.tool_at(name)
        return None if at is None else (self.shop.tools[at], self.state.tools[at])


def _commanded_on(text: str, topic: str | None) -> Iterator[str]:
    """The collectors that are commanded on a topic by a config's text as a recording keeps it."""
    try:
        named = tomllib.loads(text).get("collector")
    except tomllib.TOMLDecodeError:
        return
    for name, table in named.items() if isinstance(named, dict) else ():
        command = table.get("command") if isinstance(table, dict) else None
        if topic is not None and isinstance(command, dict) and command.get("topic") == topic:
            yield name


@dataclass(slots=True)
class Question:
    """One question: why this subject, at that moment."""

    config: Config
    shop: Shop
    folder: Path
    kind: SubjectKind
    name: str
    asked: Asked
    lines: list[TimedLine]
    state_then: StateThen | None
    reader: EventReader = field(repr=False)

    @property
    def at(self) -> datetime:
        """The moment, at which what was asked about begins."""
        return self.asked.at

    @property
    def at_ms(self) -> int:
        """The moment, wall ms."""
        return to_ms(self.at)

    @property
    def until_ms(self) -> int:
        """The last ms that is asked about."""
        return self.at_ms + self.asked.lasts_ms - 1

    @property
    def tool(self) -> Tool | None:
        """The subject as it is set now; None for a gate or collector, and for a tool that the config no longer has."""
        at = self.shop.tool_at(self.name) if self.kind == "tool" else None
        return None if at is None else self.shop.tools[at]

    @property
    def tool_then(self) -> Tool | None:
        """The tool as it was set at the moment; as it is now where that is not recorded."""
        if self.state_then is None or self.kind != "tool":
            return self.tool
        then = self.state_then.tool(self.name)
        return None if then is None else then[0]

    @property
    def measure(self) -> Measure:
        """What the subject's sensor measured at the moment, of a tool or a collector; ampere where it has none."""
        if self.kind == "collector" and self.name in self.config.collector:
            return self.config.collector[self.name].measure
        tool = (self.tool_then or self.tool) if self.kind == "tool" else None
        return Measure.AMPS if tool is None else tool.measure

    @property
    def collector(self) -> str:
        """The subject's collector."""
        if self.kind != "tool":
            return self.name if self.kind == "collector" else self.config.gate_collector(self.name)
        return self.tool.collector if self.tool else self.shop.collectors[0].name

    def gates(self) -> tuple[str, ...]:
        """The subject's gates."""
        if self.kind == "gate":
            return (self.name,)
        return self.tool.gates if self.tool else ()

    def collector_names(self) -> frozenset[str]:
        """The subject's collector by its name and by those that it had before, in what is recorded.

        Its command topic says that it is the same.
        """
        table = self.config.collector.get(self.collector)
        topic = None if table is None else table.command.topic
        listed = recordings(self.folder, self.at - _RENAMED_WITHIN, self.at + AFTER)
        texts = {one.header.config for one in opened(listed)}
        return frozenset((self.collector, *(name for text in texts for name in _commanded_on(text, topic))))

    def is_asked(self, ms: int) -> bool:
        """Whether an instant is part of what was asked about."""
        return self.at_ms <= ms <= self.until_ms

    def distance(self, start_ms: int, end_ms: int) -> int:
        """How far a span lies from what was asked about, ms."""
        return max(0, start_ms - self.until_ms, self.at_ms - end_ms)

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
        """Lines of the context after a moment."""
        return (one for one in self.lines if one.ms > ms)

    def next_line(self) -> TimedLine | None:
        """The first line after the moment, wherever it is."""
        beyond = map(TimedLine.of, self.reader.lines(self.at + timedelta(milliseconds=1)))
        return next(chain(self.following(self.at_ms), beyond), None)

    def between(self, start_ms: int, end_ms: int) -> list[TimedLine]:
        """Lines of the context from `start_ms` to `end_ms`, both counted in."""
        return [one for one in self.lines if start_ms <= one.ms <= end_ms]


def gather_context(
    config: Config, shop: Shop, folder: Path, subject: tuple[SubjectKind, str], asked: Asked
) -> Question:
    """Gather what is known."""
    reader = EventReader(folder)
    lines = list(map(TimedLine.of, reader.lines(asked.at - BEFORE, asked.at + AFTER)))
    return Question(config, shop, folder, *subject, asked, lines, state_at(folder, asked.at), reader)


def state_at(folder: Path, at: datetime) -> StateThen | None:
    """The rules' state at a moment, from the last recording that begins before it; None where there is none."""
    listed = [one for one in recordings(folder, None, at + timedelta(milliseconds=1)) if not one.trouble]
    if not listed:
        return None
    try:
        recording = Recording(listed[-1].path)
        shop = recorded_shop(recording.header.config, recording.path)
        player = Player(shop, recording.header.state, patience_ms=RECORDED)
    except (RecordingError, OSError):
        return None
    offset = offset_ms(recording)
    until = to_ms(at) - offset
    last = recording.header.mono_ms
    for stretch in stretches(recording):
        part = stretch.part(None, until)
        player.play(part)
        last = max(last, part.last_ms or last)
        if (stretch.last_ms or 0) > until:
            break
    return StateThen(recording.header.run, shop, player.state, last + offset, offset)


@dataclass(frozen=True, slots=True)
class StartAttempt:
    """One thing that the tool did. `origin` is the line that says it."""

    origin: TimedLine
    start_ms: int
    end_ms: int
    """To when the tool went on drawing; the context's end where that is not known."""


def nearest_line(context: Question) -> StartAttempt | None:
    """The attempt nearest to the moment: what was said at it before what went on, then by their priority."""
    found = [one for line in context.lines if (one := _attempt(context, line)) is not None]
    near = [one for one in found if context.distance(one.start_ms, one.end_ms) <= NEAR_MS]
    return min(near, key=lambda one: _rank(context, one), default=None)


def _rank(context: Question, one: StartAttempt) -> tuple[int, bool, int, int]:
    goes_on = not context.is_asked(one.origin.ms)
    order = _PRIORITY.index(Happened(str(one.origin.line["event"])))
    return context.distance(one.start_ms, one.end_ms), goes_on, order, -one.start_ms


def _attempt(context: Question, line: TimedLine) -> StartAttempt | None:
    if line.text("tool") != context.name or not line.is_(*_PRIORITY):
        return None
    if line.is_(Happened.START_MISSED):
        return StartAttempt(line, line.ms - round(line.amount("lasted") * 1000), line.ms)
    if line.is_(Happened.READING_REJECTED):
        return StartAttempt(line, line.ms, line.ms)
    start = begin_of_cut(context, line) if line.is_(Happened.START_REFUSED) else line.ms
    return StartAttempt(line, start, end_of_cut(context, line.ms))


def begin_of_cut(context: Question, line: TimedLine) -> int:
    """When the tool had started to which a line belongs; the line's own time where no start was seen."""
    own = (
        one
        for one in reversed(context.lines)
        if one.ms <= line.ms and (one.text("tool") == context.name or one.is_(OwnEvent.DAEMON_STARTED))
    )
    # A start that an earlier run of the daemon saw is none of this one's.
    last = first(own, Happened.TOOL_STARTED, *_STOPS, OwnEvent.DAEMON_STARTED)
    return last.ms if last is not None and last.is_(Happened.TOOL_STARTED) else line.ms


def end_of_cut(context: Question, start_ms: int) -> int:
    """When the tool that drew at a moment stopped."""
    stopped = first(context.following(start_ms), *_STOPS, tool=context.name)
    return stopped.ms if stopped else context.lines[-1].ms if context.lines else start_ms


def served_until(context: Question, attempt: StartAttempt) -> int:
    """To when a start of the collector still belongs to this cut: through its run-on, and not into the next cut."""
    run_on = context.tool.run_on if context.tool else 0.0
    until = attempt.end_ms + round(run_on * 1000) + _OUTLIVES_MS
    again = first(context.following(attempt.end_ms), Happened.TOOL_STARTED, tool=context.name)
    return min(until, again.ms - 1) if again else until


def aftermath(context: Question, attempt: StartAttempt) -> list[TimedLine]:
    """What was said of the tool, its gates and its collector from the start of a cut to a little after its end."""
    gates = context.gates()
    return [
        one
        for one in context.between(attempt.start_ms, min(attempt.end_ms + _OUTLIVES_MS, served_until(context, attempt)))
        if one.text("tool") == context.name
        or (one.text("gate") in gates and not one.text("tool"))
        or (one.text("collector") == context.collector and not one.text("tool") and not one.text("gate"))
    ]
