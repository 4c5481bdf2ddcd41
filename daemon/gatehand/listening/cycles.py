"""What a signal said before, during and after each time that a person switched a thing, as far as it tells levels.

A motor's inrush and a meter's average are no level; what a gateway only repeats, and what a broker held back, is no
news.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import inf
from typing import Final

from gatehand.listening.trace import Sample, Trace

LOOK_BACK: Final = 60.0
"""Seconds before the first switching that count as rest."""
SETTLE: Final = 2.0
"""Seconds after a switching in which a motor's inrush and a meter's average are no level yet."""


@dataclass(frozen=True, slots=True)
class Switched:
    """Somebody switched a thing on between `on_after` and `on_by`, and off between `off_after` and `off_by`.

    Monotonic seconds, each not before the one named before it; a moment that is known exactly stands twice.
    """

    on_after: float
    on_by: float
    off_after: float
    off_by: float

    @classmethod
    def at(cls, on: float, off: float) -> "Switched":
        """Switched at these very moments."""
        return cls(on, on, off, off)


@dataclass(frozen=True, slots=True)
class Pressed:
    """Somebody pressed a thing once, and let go, between `after` and `by`."""

    after: float
    by: float


@dataclass(frozen=True, slots=True)
class Cycle:
    """One switching with the rest before and after it."""

    begin: float
    done: Switched
    end: float
    rested: bool
    """Nothing was switched just before it."""


def cycles(switched: Sequence[Switched], until: float, since: float | None = None) -> Iterator[Cycle]:
    """Each switching with its rest, from `since` on at the earliest, up to the next one or `until`."""
    for at, one in enumerate(switched):
        begin = switched[at - 1].off_by if at else one.on_after - LOOK_BACK
        begin = begin if since is None else max(begin, min(since, one.on_after))
        end = switched[at + 1].on_after if at + 1 < len(switched) else until
        yield Cycle(begin, one, end, rested=at == 0)


@dataclass(frozen=True, slots=True)
class Phases:
    """What a signal said in one cycle: settled, live or held on; empty: nothing is known."""

    before: list[Sample]
    during: list[Sample]
    after: list[Sample]


def phases(trace: Trace, cycle: Cycle) -> Phases:
    """What was said in each part of a cycle."""
    done = cycle.done
    return Phases(
        _settled(trace, cycle.begin, done.on_after, -inf, rested=cycle.rested),
        news(_settled(trace, done.on_by, done.off_after, done.on_after), _held(trace, done)),
        news(_settled(trace, done.off_by, cycle.end, done.off_after), trace.before(done.off_after)),
    )


def _held(trace: Trace, done: Switched) -> Sample | None:
    """What held when it was asked for; None: it left that, and came back to it, before it was said to be on."""
    held, by = trace.before(done.on_after), trace.before(done.on_by)
    if held is None or by is None or by.value != held.value:
        return held
    left = any(one.live and one.value != held.value for one in trace.between(done.on_after, done.on_by))
    return None if left else held


def news(said: list[Sample], held: Sample | None) -> list[Sample]:
    """Without what only repeats, at the beginning, the very value that held before the switching.

    A gateway's document speaks as often as its quickest meter, and says the last value of its slow ones meanwhile.
    """
    if held is None or not held.live:
        return said
    first = next((at for at, one in enumerate(said) if one.value != held.value), len(said))
    return said[first:]


def newer(said: list[Sample], by: Sample | None) -> list[Sample]:
    """The same for numbers that were measured while it was being switched, where newer ones have come."""
    return news(said, by) or said


def _settled(trace: Trace, begin: float, end: float, changed_since: float, *, rested: bool = False) -> list[Sample]:
    """Live samples of one phase, without those of its beginning unless it had `rested` before; without any, what holds.

    A word that the broker held back may be of last week: it counts where nothing else was said.
    """
    found = [one for one in trace.between(begin, end) if one.live]
    later = found if rested else [one for one in found[1:] if one.at >= begin + SETTLE]
    if later or found:
        return later or found[-1:]
    held = trace.before(end)
    return [held] if held is not None and held.at >= changed_since else []


def rest_s(cycles: Sequence[Cycle]) -> float:
    """Seconds of rest in all."""
    return sum(min(LOOK_BACK, cycle.done.on_after - cycle.begin) + cycle.end - cycle.done.off_by for cycle in cycles)


def work_s(cycles: Sequence[Cycle]) -> float:
    """Seconds of work in all."""
    return sum(cycle.done.off_after - cycle.done.on_by for cycle in cycles)
