"""The recording through another config: both runs counted, and their differences as a table and event by event."""

from collections import deque
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from datetime import datetime
from itertools import chain
from pathlib import Path
from typing import Any, Final, TypeAlias

from gatehand.journal.line import facts_of
from gatehand.journal.sentences import sentence
from gatehand.past.account import Account, Use, is_refresh
from gatehand.replay.history import History, replay
from gatehand.text import named
from gatehand.times import local_text, ms_stamp
from gatehand_rules import Fact, Happened, Outcome, Shop

SAME_MS: Final = 250
"""Like events of the two runs this close together are one."""
TimedFacts: TypeAlias = tuple[int, Mapping[str, Fact]]
_SUBJECTS: Final = ("tool", "gate", "collector")


@dataclass(frozen=True, slots=True)
class Only:
    """An event of one run alone: `changed` says which."""

    wall_ms: int
    changed: bool
    place: int
    """Its place in its run, for what happened in one millisecond."""
    line: Mapping[str, Fact]


def gained(before: Use, after: Use, until: int) -> int:
    """How many cuts of `after` no cut of `before` overlaps."""
    count, low, spans = 0, 0, before.ended(until)
    for start, end in after.ended(until):
        while low < len(spans) and spans[low][1] < start:
            low += 1
        count += low >= len(spans) or spans[low][0] > end
    return count


def only_in_one(recorded: Sequence[TimedFacts], changed: Sequence[TimedFacts]) -> list[Only]:
    """Events that the other run has not, by time. A repeated "on" is no event here."""
    alone: list[Only] = []
    waiting: dict[tuple[Fact, ...], deque[Only]] = {}  # of each kind, for a like one of the other run
    for one in sorted((*_events(recorded, changed=False), *_events(changed, changed=True)), key=_order):
        alike = waiting.setdefault(_kind(one.line), deque())
        while alike and one.wall_ms - alike[0].wall_ms > SAME_MS:
            alone.append(alike.popleft())
        if alike and alike[0].changed is not one.changed:
            alike.popleft()
        else:
            alike.append(one)
    return sorted((*alone, *chain.from_iterable(waiting.values())), key=_order)


def _events(events: Sequence[TimedFacts], *, changed: bool) -> Iterator[Only]:
    for place, (ms, line) in enumerate(events):
        if not is_refresh(line.get("event"), line.get("rule")):
            yield Only(ms, changed, place, line)


def _order(one: Only) -> tuple[int, bool, int]:
    return one.wall_ms, one.changed, one.place


def _kind(line: Mapping[str, Fact]) -> tuple[Fact, ...]:
    """What must be alike for two events to be one: not the numbers, which follow from the config."""
    return (line.get("event"), *(line.get(key) for key in (*_SUBJECTS, "to", "alarm")))


@dataclass(slots=True)
class Side:
    """One of the two runs."""

    account: Account = field(default_factory=Account)
    events: list[TimedFacts] = field(default_factory=list)

    def hear(self, ms: int, outcome: Outcome) -> None:
        """Take an outcome in."""
        for finding in outcome.findings:
            line = facts_of(finding)
            self.account.take(ms, line)
            self.events.append((ms, line))


@dataclass(frozen=True, slots=True)
class Figure:
    """One line of the table."""

    what: str
    recorded: float
    changed: float
    note: str = ""


@dataclass(slots=True)
class Comparison:
    """Both runs of a window."""

    history: History
    recorded: Side
    changed: Side

    def differences(self) -> list[Only]:
        """Event by event."""
        return only_in_one(self.recorded.events, self.changed.events)

    def figures(self) -> Iterator[Figure]:
        """The table: tools, then collectors, then gates and troubles."""
        before, after, until = self.recorded.account, self.changed.account, self.history.last_ms or 0
        for name in sorted(before.tools.keys() | after.tools.keys()):
            one, other = before.tools.get(name, Use()), after.tools.get(name, Use())
            counts = (gained(one, other, until), "gained"), (gained(other, one, until), "lost")
            note = ", ".join(f"{count} {word}" for count, word in counts if count)
            yield Figure(f"{name}: starts", one.starts, other.starts, note)
            minutes = one.total_ms(until) / 60_000, other.total_ms(until) / 60_000
            yield Figure(f"{name}: minutes running", *minutes)
        for name in sorted(before.collectors.keys() | after.collectors.keys()):
            one, other = before.collectors.get(name, Use()), after.collectors.get(name, Use())
            yield Figure(f"{name}: starts", len(before.switched_on.get(name, ())), len(after.switched_on.get(name, ())))
            minutes = one.total_ms(until) / 60_000, other.total_ms(until) / 60_000
            yield Figure(f"{name}: minutes on", *minutes)
            yield Figure(f"{name}: starts in the worst hour", before.worst_hour(name)[0], after.worst_hour(name)[0])
        yield Figure("gate movements", before.movements.total(), after.movements.total())
        yield Figure("gate faults", before.faults.total(), after.faults.total())
        yield Figure("starts missed", before.missed.total(), after.missed.total())
        yield Figure("starts refused", before.refused.total(), after.refused.total())
        vetoed = Happened.COMMAND_VETOED
        yield Figure("commands vetoed", before.events[vetoed], after.events[vetoed])


def compare(
    folder: Path,
    changed: Shop,
    since: datetime | None,
    until: datetime | None,
    progress: Callable[[int], None] = lambda _readings: None,
) -> Comparison:
    """Replay a window of the recording through both shops."""
    one, other = Side(), Side()
    history = replay(
        folder, one.hear, changed=changed, changed_heard=other.hear, since=since, until=until, progress=progress
    )
    return Comparison(history, one, other)


def table(found: Comparison) -> Iterator[str]:
    """The differences in text."""
    history = found.history
    yield (
        f"{named(history.readings, 'reading')} in {named(history.files, 'file')}, {local_text(history.first_ms)} to "
        f"{local_text(history.last_ms)}" + (f", {named(history.gaps, 'gap')}" if history.gaps else "")
    )
    yield f"{'':<36}  {'recorded':>9}  {'then':>9}  {'change':>9}"
    for one in found.figures():
        change = one.changed - one.recorded
        shown = f"{change:+.1f}" if abs(change) >= 0.05 else ""  # noqa: PLR2004 - what would show as 0.0
        shown = shown.removesuffix(".0")
        yield f"{one.what:<36}  {_number(one.recorded):>9}  {_number(one.changed):>9}  {shown:>9}  {one.note}".rstrip()


def diff(found: Comparison) -> Iterator[str]:
    """What only one run has: `-` the recorded one, `+` the changed one."""
    for one in found.differences():
        yield f"{'+' if one.changed else '-'} {local_text(one.wall_ms)}  {sentence(one.line)}"


def as_json(found: Comparison, *, events: bool) -> dict[str, Any]:
    """The same facts for programs; times in RFC 3339, UTC."""
    history = found.history
    values: dict[str, Any] = {
        "from": ms_stamp(history.first_ms),
        "to": ms_stamp(history.last_ms),
        "readings": history.readings,
        "files": history.files,
        "gaps": history.gaps,
        "rows": [asdict(figure) for figure in found.figures()],
    }
    if events:
        values["events"] = [
            {"ts": ms_stamp(one.wall_ms), "only": "changed" if one.changed else "recorded", **one.line}
            for one in found.differences()
        ]
    return values


def _number(value: float) -> str:
    return f"{value:,.1f}" if isinstance(value, float) else f"{value:,}"
