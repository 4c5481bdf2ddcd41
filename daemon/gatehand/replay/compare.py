"""The recording through another config: both runs counted, and their differences as a table and event by event."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path
from typing import Any, Final, TypeAlias

from gatehand.journal.line import facts_of
from gatehand.journal.sentences import sentence
from gatehand.past.account import Tally, Use, is_refresh
from gatehand.replay.history import History, replay
from gatehand.text import named
from gatehand.times import local_text, ms_stamp
from gatehand_rules import Outcome, Shop
from gatehand_rules.findings import Fact

SAME_MS: Final = 250
"""Like events of the two runs this close together are one."""
Timed: TypeAlias = tuple[int, Mapping[str, Fact]]
_SUBJECTS: Final = ("tool", "gate", "collector")


@dataclass(frozen=True, slots=True)
class Only:
    """An event of one run alone: `changed` says which."""

    wall_ms: int
    changed: bool
    place: int
    """Its place in its run, for what happened in one millisecond."""
    line: Mapping[str, Fact]


def gained(before: Use, after: Use, until: int) -> list[int]:
    """Starts (wall ms) of `after` that no cut of `before` overlaps."""
    found, low = [], 0
    spans = [(start, until if end is None else end) for start, end in before.spans]
    for start, end in after.spans:
        stop = until if end is None else end
        while low < len(spans) and spans[low][1] < start:
            low += 1
        if low >= len(spans) or spans[low][0] > stop:
            found.append(start)
    return found


def only_in_one(recorded: Sequence[Timed], changed: Sequence[Timed]) -> list[Only]:
    """Events that the other run has not, by time. A repeated "on" is no event here."""
    ours, theirs = _by_kind(recorded, changed=False), _by_kind(changed, changed=True)
    alone: list[Only] = []
    for kind in ours.keys() | theirs.keys():
        alone += _unmatched(ours.get(kind, ()), theirs.get(kind, ()))
    return sorted(alone, key=lambda one: (one.wall_ms, one.changed, one.place))


def _unmatched(ours: Sequence[Only], theirs: Sequence[Only]) -> Iterator[Only]:
    """Events of one kind, in time: those without a partner in the other run."""
    i = j = 0
    while i < len(ours) or j < len(theirs):
        a = ours[i].wall_ms if i < len(ours) else None
        b = theirs[j].wall_ms if j < len(theirs) else None
        if a is not None and b is not None and abs(a - b) <= SAME_MS:
            i, j = i + 1, j + 1
        elif b is None or (a is not None and a < b):
            yield ours[i]
            i += 1
        else:
            yield theirs[j]
            j += 1


def _by_kind(events: Sequence[Timed], *, changed: bool) -> dict[tuple[Fact, ...], list[Only]]:
    found: dict[tuple[Fact, ...], list[Only]] = {}
    for place, (ms, line) in enumerate(events):
        if not is_refresh(line.get("event"), line.get("rule")):
            found.setdefault(_kind(line), []).append(Only(ms, changed, place, line))
    return found


def _kind(line: Mapping[str, Fact]) -> tuple[Fact, ...]:
    """What must be alike for two events to be one: not the numbers, which follow from the config."""
    return (line.get("event"), *(line.get(key) for key in (*_SUBJECTS, "to", "alarm")))


@dataclass(slots=True)
class Side:
    """One of the two runs."""

    tally: Tally = field(default_factory=Tally)
    events: list[Timed] = field(default_factory=list)

    def hear(self, ms: int, outcome: Outcome) -> None:
        """Take an outcome in."""
        for finding in outcome.findings:
            line = facts_of(finding)
            self.tally.take(ms, line)
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

    @property
    def until(self) -> int:
        """Wall ms of the last item."""
        return self.history.last_ms or 0

    def differences(self) -> list[Only]:
        """Event by event."""
        return only_in_one(self.recorded.events, self.changed.events)

    def figures(self) -> Iterator[Figure]:
        """The table: tools, then collectors, then gates and troubles."""
        before, after = self.recorded.tally, self.changed.tally
        for tool in sorted(before.tools.keys() | after.tools.keys()):
            yield from self._tool(tool, before.tools.get(tool, Use()), after.tools.get(tool, Use()))
        for name in sorted(before.collectors.keys() | after.collectors.keys()):
            on, then = before.collectors.get(name, Use()), after.collectors.get(name, Use())
            starts = len(before.switched_on.get(name, ())), len(after.switched_on.get(name, ()))
            yield Figure(f"{name}: starts", *starts)
            yield Figure(f"{name}: minutes on", on.total_ms(self.until) / 60_000, then.total_ms(self.until) / 60_000)
            yield Figure(f"{name}: starts in the worst hour", before.worst_hour(name)[0], after.worst_hour(name)[0])
        yield Figure("gate movements", before.movements.total(), after.movements.total())
        yield Figure("gate faults", before.faults.total(), after.faults.total())
        yield Figure("starts missed", before.missed.total(), after.missed.total())
        yield Figure("starts refused", before.refused.total(), after.refused.total())
        yield Figure("commands vetoed", before.vetoes, after.vetoes)

    def _tool(self, tool: str, before: Use, after: Use) -> Iterator[Figure]:
        more = len(gained(before, after, self.until))
        less = len(gained(after, before, self.until))
        note = ", ".join(f"{count} {word}" for count, word in ((more, "gained"), (less, "lost")) if count)
        yield Figure(f"{tool}: starts", before.starts, after.starts, note)
        yield Figure(
            f"{tool}: minutes running", before.total_ms(self.until) / 60_000, after.total_ms(self.until) / 60_000
        )


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
        f"{history.readings:,} readings in {named(history.files, 'file')}, {local_text(history.first_ms)} to "
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
        "rows": [
            {"what": figure.what, "recorded": figure.recorded, "changed": figure.changed, "note": figure.note}
            for figure in found.figures()
        ],
    }
    if events:
        values["events"] = [
            {"ts": ms_stamp(one.wall_ms), "only": "changed" if one.changed else "recorded", **one.line}
            for one in found.differences()
        ]
    return values


def _number(value: float) -> str:
    return f"{value:,.1f}" if isinstance(value, float) else f"{value:,}"
