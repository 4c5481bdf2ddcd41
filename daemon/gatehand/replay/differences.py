"""Two runs beside one another: which cuts one saw and the other did not, and event by event what differs."""

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final, TypeAlias

from gatehand.replay.tally import Use
from gatehand_rules.findings import Fact, Happened, Rule

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
        if not (line.get("event") == Happened.COLLECTOR_ON and line.get("rule") == Rule.REFRESH):
            found.setdefault(_kind(line), []).append(Only(ms, changed, place, line))
    return found


def _kind(line: Mapping[str, Fact]) -> tuple[Fact, ...]:
    """What must be alike for two events to be one: not the numbers, which follow from the config."""
    return (line.get("event"), *(line.get(key) for key in (*_SUBJECTS, "to", "alarm")))
