"""Which signals followed a thing that a person switched on and off, or pressed: those that changed then and only then.

A number follows that lay low before, high meanwhile and low again afterwards; a word, that was another meanwhile. What
only rises (energy, times), what is as high at rest too (random, another machine) does not. How far the levels lie
apart, how likely chance could have sorted that few readings so, how soon it changed and what its name says, each
between 0 and 1, make the rank together.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from math import comb, inf, log
from typing import Final

from gatehand.listening.observed import HeardSignal, Listening
from gatehand.listening.roles import Taken, is_command, taken_for
from gatehand.listening.trace import Sample, Trace
from gatehand.tune.levels import between
from gatehand.tune.proposed_settings import START_AT, STOP_AT, rounded
from gatehand_rules.words import Measure

LOOK_BACK: Final = 60.0
"""Seconds before the first switching that count as rest."""
SETTLE: Final = 2.0
"""Seconds after a switching in which a motor's inrush and a meter's average are no level yet."""
PROMPT: Final = 5.0
"""Seconds, and one and a half of its rhythm besides, within which what follows has changed."""
LEAST_WORK_S: Final = 10.0
LEAST_READINGS: Final = 3
"""Wanted at rest and at work before thresholds are proposed as sure: common practice, no published source."""
CLEAR: Final = 1.3
"""Work begins at no less than this many times the top of rest."""
_FALLS: Final = 0.7
"""Of its rise it falls at least this share again."""
_TRIM: Final = 0.05


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
class Level:
    """Readings of one kind, as in the payload; `low` and `high` leave 1 in 20 out at either end."""

    low: float
    middle: float
    high: float
    readings: int
    seconds: float


@dataclass(frozen=True, slots=True)
class Thresholds:
    """Ampere or watts. `wanting`: what is missing before they can be relied on; empty: nothing."""

    start: float
    stop: float
    wanting: str


@dataclass(frozen=True, slots=True)
class Follower:
    """A signal that followed. Numbers have `idle` and `working`, words and numbers of few values `on` and `off`."""

    signal: HeardSignal
    rank: float
    """0 to 1."""
    because: str
    """What it did, in words."""
    taken: Taken
    idle: Level | None = None
    working: Level | None = None
    on: str | None = None
    off: str | None = None
    """None: it was not seen off, neither before nor after."""

    @property
    def thresholds(self) -> Thresholds | None:
        """Proposed for it as a tool's sensor; None: it is no number."""
        if self.idle is None or self.working is None:
            return None
        rest, work = self.idle.high * self.taken.scale, self.working.low * self.taken.scale
        start = rounded(between(max(0.0, rest), work, START_AT))
        stop = min(start, rounded(between(max(0.0, rest), work, STOP_AT)))
        return Thresholds(start, stop, _wanting(self.idle, self.working))


@dataclass(frozen=True, slots=True)
class Press:
    """A signal that spoke when something was pressed, and no such word besides. As `Follower`."""

    signal: HeardSignal
    rank: float
    because: str
    pressed: str
    released: str | None = None
    """What it said, or says, when let go; None: it says a word at the press only."""


def followers(
    heard: Listening,
    switched: Sequence[Switched],
    until: float,
    leave_out: Callable[[str], bool] = lambda _: False,
) -> list[Follower]:
    """What followed a thing switched on and off, once or several times, likeliest first.

    Args:
        heard: since some while before the first switching.
        switched: what was done, in order.
        until: now; what came up to it is after the last switching.
        leave_out: topics that are not looked at, such as the daemon's own.
    """
    cycles = list(_cycles(switched, until))
    found = [
        one
        for signal in heard.signals()
        if not leave_out(signal.topic) and len(signal.trace)
        for one in (_numbers(signal, cycles), _words(signal, cycles))
        if one is not None
    ]
    return sorted(found, key=lambda one: -one.rank)


@dataclass(frozen=True, slots=True)
class _Cycle:
    """One switching with the rest before and after it."""

    begin: float
    done: Switched
    end: float


def _cycles(switched: Sequence[Switched], until: float) -> Iterator[_Cycle]:
    for at, one in enumerate(switched):
        begin = switched[at - 1].off_by if at else one.on_after - LOOK_BACK
        end = switched[at + 1].on_after if at + 1 < len(switched) else until
        yield _Cycle(begin, one, end)


@dataclass(frozen=True, slots=True)
class _Phases:
    """What a signal said in one cycle: settled, live or held on; empty: nothing is known."""

    before: list[Sample]
    during: list[Sample]
    after: list[Sample]


def _phases(trace: Trace, cycle: _Cycle) -> _Phases:
    done = cycle.done
    return _Phases(
        _settled(trace, cycle.begin, done.on_after, -inf),
        _settled(trace, done.on_by, done.off_after, done.on_after),
        _settled(trace, done.off_by, cycle.end, done.off_after),
    )


def _settled(trace: Trace, begin: float, end: float, changed_since: float) -> list[Sample]:
    """Samples of one phase without those of its beginning; without any, the word that still holds since the change."""
    found = trace.between(begin, end)
    later = [one for one in found[1:] if one.at >= begin + SETTLE]
    if later or found:
        return later or found[-1:]
    held = trace.before(end)
    return [held] if held is not None and held.at >= changed_since else []


def _numbers(signal: HeardSignal, cycles: Sequence[_Cycle]) -> Follower | None:
    if not signal.numbers:
        return None
    rest: list[float] = []
    work: list[float] = []
    fallen = True
    for cycle in cycles:
        before, during, after = (
            [one.value for one in phase if isinstance(one.value, float)]
            for phase in _as_tuple(_phases(signal.trace, cycle))
        )
        if not during or not (before or after):
            return None
        low, high = _middle(before or after), _middle(during)
        if high <= low:
            return None
        if after and high - _middle(after) < _FALLS * (high - low):
            return None  # it only rises, as energy does
        fallen = fallen and bool(after)
        rest += (*before, *after)
        work += during
    idle, working = _level(rest, _rest_s(cycles)), _level(work, _work_s(cycles))
    if working.low < CLEAR * max(idle.high, 0.0) or working.low <= idle.high:
        return None
    taken = taken_for(signal.topic, signal.pointer, working.middle)
    apart = min(1.0, 0.4 + 0.6 * log(working.low / max(idle.high, working.low / 10)) / log(10))
    named = 1.0 if taken.measure and "not say" not in taken.because else 0.8 if taken.measure else 0.4
    rank = apart * named * _not_chance(len(rest), len(work)) * _prompt(signal, cycles, _above(idle, working))
    rank *= (1.0 if fallen else 0.5) * (0.5 if is_command(signal.topic) else 1.0)
    because = f"{_range(idle)} at rest, {_range(working)} while it was on"
    if not fallen:
        because += "; it has said nothing since it was switched off"
    return Follower(signal, rank, because, taken, idle, working)


def _words(signal: HeardSignal, cycles: Sequence[_Cycle]) -> Follower | None:
    if not signal.few_values:
        return None
    ons: set[str] = set()
    offs: set[str] = set()
    on_count = off_count = 0
    back = True
    for cycle in cycles:
        phases = _phases(signal.trace, cycle)
        if not phases.during:
            return None
        ons.add(phases.during[-1].word)
        on_count += len(phases.during)
        ending = phases.after or phases.before
        offs.update(one.word for one in ending[-1:])
        back = back and bool(phases.after)
        off_count += len(phases.before) + len(phases.after)
        if any(one.word in ons for one in (*phases.before, *phases.after)):
            return None
        if any(one.word in offs for one in phases.during):
            return None
    if len(ons) != 1 or len(offs) > 1:
        return None
    on, off = next(iter(ons)), next(iter(offs), None)
    rank = 0.85 * _not_chance(off_count, on_count) * _prompt(signal, cycles, lambda one: one.word == on)
    rank *= (1.0 if back and off is not None else 0.4) * (0.5 if is_command(signal.topic) else 1.0)
    if off is None:
        because = f"said {on!r} when it was switched on, and nothing before or since"
    else:
        because = f"said {on!r} while it was on, {off!r} {'before and after' if back else 'before'}"
    return Follower(signal, rank, because, Taken(Measure.RUNNING, 1.0, "it says a word"), on=on, off=off)


def presses(
    heard: Listening,
    pressed: Sequence[Pressed],
    leave_out: Callable[[str], bool] = lambda _: False,
) -> list[Press]:
    """What spoke at each press, and not so besides; likeliest first. Only what came live counts."""
    found = [
        one
        for signal in heard.signals()
        if signal.few_values and not leave_out(signal.topic)
        if (one := _press(signal, pressed)) is not None
    ]
    return sorted(found, key=lambda one: -one.rank)


def _press(signal: HeardSignal, pressed: Sequence[Pressed]) -> Press | None:
    during = [[one for one in signal.trace.between(each.after, each.by) if one.live] for each in pressed]
    inside = {id_ for here in during for id_ in ((one.at, one.word) for one in here)}
    besides = [one for one in signal.trace if (one.at, one.word) not in inside]
    usual = {one.word for one in besides}
    said = [[one.word for one in here if one.word not in usual] for here in during]
    if not said or not all(said):
        return None
    word = said[0][0]
    if not all(word in here for here in said):
        return None
    # What comes after it within the press, or held before it, is its release.
    last = {here[-1].word for here in during}
    released = next(iter(last)) if len(last) == 1 and word not in last else None
    if released is None and word in last and len(usual) == 1:
        released = next(iter(usual))
    alone = not any(one.live for one in besides)
    rank = (1.0 if alone else 0.8) * (0.5 if is_command(signal.topic) else 1.0)
    rank *= 1.0 if len(pressed) > 1 else 0.9
    because = f"said {word!r} when it was pressed"
    because += f", {released!r} when it was let go" if released is not None else ""
    because += " and nothing else" if alone else "; otherwise other words"
    return Press(signal, rank, because, word, released)


def _as_tuple(phases: _Phases) -> tuple[list[Sample], list[Sample], list[Sample]]:
    return phases.before, phases.during, phases.after


def _not_chance(rest: int, work: int) -> float:
    """1 less the chance that so many readings of no meaning would fall so that all at work exceed all at rest."""
    return 1.0 - 1.0 / comb(rest + work, work) if rest + work < 64 else 1.0  # noqa: PLR2004 - beyond all doubt


def _prompt(signal: HeardSignal, cycles: Iterable[_Cycle], is_on: Callable[[Sample], bool]) -> float:
    """1: it changed as soon as its rhythm lets it, each time; less, where it took its time."""
    rhythm = signal.rhythm
    within = PROMPT + (1.5 * rhythm.every if rhythm is not None and rhythm.steady else 0.0)
    late = 0
    for cycle in cycles:
        first = next(filter(is_on, signal.trace.between(cycle.done.on_after, cycle.done.off_after)), None)
        late += first is None or first.at > cycle.done.on_by + within
    return 0.5 if late else 1.0


def _above(idle: Level, working: Level) -> Callable[[Sample], bool]:
    border = (idle.high + working.low) / 2
    return lambda one: isinstance(one.value, float) and one.value > border


def _middle(numbers: Sequence[float]) -> float:
    return sorted(numbers)[len(numbers) // 2]


def _level(numbers: Sequence[float], seconds: float) -> Level:
    ordered = sorted(numbers)
    out = int(len(ordered) * _TRIM)
    kept = ordered[out : len(ordered) - out]
    return Level(kept[0], kept[len(kept) // 2], kept[-1], len(ordered), seconds)


def _rest_s(cycles: Sequence[_Cycle]) -> float:
    return sum(min(LOOK_BACK, cycle.done.on_after - cycle.begin) + cycle.end - cycle.done.off_by for cycle in cycles)


def _work_s(cycles: Sequence[_Cycle]) -> float:
    return sum(cycle.done.off_after - cycle.done.on_by for cycle in cycles)


def _wanting(idle: Level, working: Level) -> str:
    if working.seconds < LEAST_WORK_S:
        return f"it was on for {working.seconds:.0f} s: leave it on for {LEAST_WORK_S:.0f} s at least"
    fewer = min(idle.readings, working.readings)
    if fewer < LEAST_READINGS:
        return f"it rests on {fewer} of its readings only: leave it on, and off, for longer"
    return ""


def _range(level: Level) -> str:
    low, high = f"{level.low:,.4g}", f"{level.high:,.4g}"
    return low if low == high else f"{low} to {high}"
