"""How often a meter speaks, from when its messages came and whether they said anything new. No I/O, no clock.

A meter speaks at a steady rhythm whatever it measures, or only when its value changes, or both. Which it is shows in
two ways: a message that says nothing new comes only by a rhythm, and a meter with a rhythm is never quiet for much
longer than that. What comes earlier came because of a change.

A gap weighs by how long it lasts, so that a thousand messages of one cut weigh no more than that cut. Gaps are kept as
sums in classes of a quarter octave: bounded memory, in which what is hours old counts for less and less.
"""

from collections import deque
from math import floor, inf, log2
from typing import Final, NamedTuple

from msgspec import Struct, field

from gatehand.text import named
from gatehand.times import rough

FEWEST_GAPS: Final = 4
"""From fewer nothing is told."""
FEWEST_UNCLEAR: Final = 12
"""Gaps wanted where they are not plain, as of messages that all said something new: one cut must not look steady."""
PAUSE: Final = 3600.0
"""A gap longer than this, and than 5 of the rhythm, is a meter that was switched off: it says nothing of a rhythm."""

_PER_OCTAVE: Final = 4
_SHORTEST: Final = 0.001
_CLASSES: Final = 16
_HALVE_AFTER: Final = 6 * 3600.0
_FADED: Final = 0.01
_NEAR: Final = 1.3
"""Within this ratio of each other two gaps are one rhythm: the radio and a busy meter make a message late."""
_EARLY: Final = 0.6
_LATE: Final = 3.0
_PLAIN: Final = 0.6
"""This share of the time before messages that say nothing new is spent in gaps near the rhythm: it is plain."""
_SAME: Final = 1.15
_RECENT: Final = 8


class Rhythm(Struct, frozen=True):
    """What was seen of one meter, seconds."""

    every: float
    """The usual gap between two messages; with a steady rhythm the rhythm."""
    longest: float
    """The longest gap in a row of normal speaking: without the pauses of a meter that was switched off."""
    steady: bool
    """It speaks at a steady rhythm even when nothing changes. False: only on change."""
    on_change: bool
    """It speaks as soon as its value changes."""
    count: int
    """How many messages this rests on."""


class _Class(NamedTuple):
    """Gaps of about one length. `count` fades, as `seconds`, their sum, does: it is no whole number."""

    count: float = 0.0
    seconds: float = 0.0
    longest: float = 0.0

    def plus(self, other: "_Class") -> "_Class":
        return _Class(self.count + other.count, self.seconds + other.seconds, max(self.longest, other.longest))


class _Gaps(Struct):
    held: dict[int, _Class] = field(default_factory=dict)

    def add(self, gap: float) -> None:
        self._put(floor(log2(max(gap, _SHORTEST)) * _PER_OCTAVE), _Class(1, gap, gap))
        if len(self.held) > _CLASSES:  # the one that weighs least joins its neighbour
            least = min(self.held, key=lambda at: self.held[at].seconds)
            one = self.held.pop(least)
            self._put(min(self.held, key=lambda at: abs(at - least)), one)

    def _put(self, at: int, one: _Class) -> None:
        self.held[at] = self.held.get(at, _Class()).plus(one)

    def halve(self) -> None:
        halved = ((at, _Class(one.count / 2, one.seconds / 2, one.longest)) for at, one in self.held.items())
        self.held = {at: one for at, one in halved if one.count > _FADED}

    def plus(self, other: "_Gaps") -> "_Gaps":
        both = _Gaps(dict(self.held))
        for at, one in other.held.items():
            both._put(at, one)
        return both

    def within(self, low: float, high: float) -> _Class:
        """All classes whose mean lies from `low` to below `high`."""
        found = _Class()
        for one in self.held.values():
            if low <= one.seconds / one.count < high:
                found = found.plus(one)
        return found

    def weightiest(self) -> float | None:
        """Where most of the time lies, taking two neighbours as one; no longer than `PAUSE`. None: nowhere."""
        best = _Class()
        for at, one in self.held.items():
            if one.seconds <= PAUSE * one.count:
                beside = self.held.get(at + 1, _Class())
                both = one.plus(beside) if beside.seconds <= PAUSE * beside.count else one
                best = both if both.seconds > best.seconds else best
        return best.seconds / best.count if best.count else None

    def median(self) -> float:
        """Half of the gaps are no longer than about this."""
        left = sum(one.count for one in self.held.values()) / 2
        for at in sorted(self.held):
            one = self.held[at]
            left -= one.count
            if left <= 0:
                return one.seconds / one.count
        return 0.0


class RhythmMeter:
    """Watches one meter: `add` each live message. A retained one says nothing of a rhythm."""

    __slots__ = ("_besides", "_count", "_found", "_gaps", "_last", "_new", "_recent", "_same")

    def __init__(self) -> None:
        self._last: float | None = None
        self._begin(messages=0)

    def _begin(self, messages: int) -> None:
        self._new, self._same = _Gaps(), _Gaps()
        """Gaps before a message that said something new, and before one that did not."""
        self._recent: deque[tuple[float, bool]] = deque(maxlen=_RECENT)
        self._count, self._gaps = messages, 0
        self._besides = False
        self._found: Rhythm | bool | None = False
        """False: to be found out anew."""

    def add(self, at: float, *, changed: bool) -> None:
        """A message came at `at`, seconds from any zero. `changed`: its value differs from the last one's."""
        last, self._last = self._last, at
        self._count += 1
        if last is None or at < last:  # a clock that goes back begins a new row
            return
        self._take(at - last, changed=changed)
        if self._set_anew():
            recent = list(self._recent)
            self._begin(messages=len(recent) + 1)
            for gap, new in recent:
                self._take(gap, changed=new)

    def pause(self) -> None:
        """The gap before the next message says nothing: meanwhile the broker, the daemon or the meter was away."""
        self._last = None

    def _take(self, gap: float, *, changed: bool) -> None:
        self._gaps += 1
        self._recent.append((gap, changed))
        (self._new if changed else self._same).add(gap)
        if self._new.within(0, inf).seconds + self._same.within(0, inf).seconds > _HALVE_AFTER:
            self._new.halve()
            self._same.halve()
        self._found = False

    def _set_anew(self) -> bool:
        """Somebody has set the meter to another rhythm: its last messages keep one that is not what it was."""
        if len(self._recent) < _RECENT or self._recent[-1][1] or sum(new for _, new in self._recent) > _RECENT // 4:
            return False
        gaps = sorted(gap for gap, _ in self._recent)
        now = gaps[_RECENT // 2]
        before = self.rhythm
        if before is None or not (now / _SAME <= gaps[0] and gaps[-1] <= now * _SAME):
            return False
        return not before.steady or not before.every / _NEAR <= now <= before.every * _NEAR

    @property
    def rhythm(self) -> Rhythm | None:
        """What it is; None: too little was seen."""
        if isinstance(self._found, bool):
            self._found = self._look()
        return self._found

    def _look(self) -> Rhythm | None:
        if self._gaps < FEWEST_GAPS:
            return None
        every = self._new.plus(self._same)
        for told, fewest in ((self._same, FEWEST_GAPS), (every, FEWEST_UNCLEAR)):
            beat = told.weightiest()
            if beat is None or not self._is_steady(beat, every):
                continue
            if self._gaps < fewest:
                return None
            late = every.within(beat * _NEAR, beat * _LATE).count
            self._besides |= self._new.within(0, beat * _EARLY).count >= max(3, 2 * late + 1)
            longest = every.within(0, beat * _LATE).longest
            return Rhythm(beat, longest, steady=True, on_change=self._besides, count=self._count)
        usual, longest = every.median(), every.within(0, inf).longest
        alike = self._same.within(0, inf).count * 4 > every.within(0, inf).count
        if self._gaps < FEWEST_UNCLEAR and (alike or longest < 5 * usual):
            return None
        return Rhythm(usual, longest, steady=False, on_change=True, count=self._count)

    def _is_steady(self, beat: float, every: _Gaps) -> bool:
        """Whether gaps about as long as `beat` make up the time; what comes earlier speaks neither for nor against."""
        pause = max(PAUSE, 5 * beat)
        near = every.within(beat / _NEAR, beat * _NEAR)
        same = self._same.within(beat / _NEAR, beat * _NEAR)
        if same.count >= FEWEST_GAPS - 1 and same.seconds >= _PLAIN * self._same.within(0, pause).seconds:
            return every.within(beat * _NEAR, pause).seconds <= near.seconds
        quiet = every.within(beat * _LATE, pause)
        return near.seconds >= every.within(0, pause).seconds / 2 and quiet.seconds <= near.seconds / 4


def words(rhythm: Rhythm) -> str:
    """For a person, in the third person: what it is, what it rests on, and what it costs."""
    seen = f"seen {named(rhythm.count, 'time')}"
    usual = interval(rhythm.every)
    if not rhythm.steady:
        return f"speaks only on change ({seen})"
    if rhythm.on_change:
        return f"speaks on change, and every {usual} besides ({seen})"
    return f"speaks every {usual} ({seen}): shorter cuts are missed, starts come up to {usual} late"


def interval(seconds: float) -> str:
    """A rhythm to two figures: it is not known any better."""
    return rough(float(f"{seconds:.2g}"))
