"""How often a meter speaks, from when its messages came and whether they said anything new. No I/O, no clock.

A meter speaks at a steady rhythm whatever it measures, or only when its value changes, or both. Which it is shows in
two ways: a message that says nothing new comes only by a rhythm, and a meter with a rhythm is never quiet for much
longer than that. What comes earlier came because of a change.

A gap weighs by how long it lasts, so that a thousand messages of one cut weigh no more than that cut. Gaps are kept as
sums in classes of a quarter octave: bounded memory, in which what is hours old counts for less and less.
"""

from collections import deque
from math import ceil, floor, inf, log2, log10
from typing import Final

from msgspec import Struct, ValidationError, convert, field

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
"""Seconds added, so that two messages at once have a class too."""
_CLASSES: Final = 16
_FADE_AFTER: Final = 6 * 3600.0
_FADED: Final = 0.01
NEAR: Final = 1.3
"""Within this ratio of each other two gaps are one rhythm: the radio and a busy meter make a message late."""
_APART: Final = 0.15
_PAIR: Final = 0.3
_EARLY: Final = 0.6
_LATE: Final = 3.0
_PLAIN: Final = 0.6
"""From this share of the gaps, or of the time, near one rhythm on it is plain."""
_SAME: Final = 1.15
_RECENT: Final = 8


class Rhythm(Struct, frozen=True):
    """What was seen of one meter, seconds. Shown in the status of its tool, and kept beyond the daemon's end."""

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


class _Class(Struct):
    """Gaps of about one length. `count` fades, as `seconds`, their sum, does: it is no whole number."""

    count: float = 0.0
    seconds: float = 0.0
    longest: float = 0.0

    @property
    def mean(self) -> float:
        return self.seconds / self.count if self.count else 0.0

    def take(self, count: float, seconds: float, longest: float) -> None:
        self.count += count
        self.seconds += seconds
        self.longest = max(self.longest, longest)


class _Gaps(Struct):
    held: dict[int, _Class] = field(default_factory=dict)

    def add(self, gap: float) -> None:
        at = floor(log2(gap + _SHORTEST) * _PER_OCTAVE)
        one = self.held.get(at)
        if one is not None:  # the way of nearly every reading, so without a call
            one.count += 1
            one.seconds += gap
            one.longest = max(one.longest, gap)
            return
        self.held[at] = _Class(1, gap, gap)
        if len(self.held) > _CLASSES:  # the one that weighs least joins its neighbour
            least = min(self.held, key=lambda at: self.held[at].seconds)
            lost = self.held.pop(least)
            self.held[min(self.held, key=lambda at: abs(at - least))].take(lost.count, lost.seconds, lost.longest)

    def fade(self) -> None:
        faded = ((at, _Class(one.count / 2, one.seconds / 2, one.longest)) for at, one in self.held.items())
        self.held = {at: one for at, one in faded if one.count > _FADED}

    def plus(self, other: "_Gaps") -> "_Gaps":
        both = _Gaps()
        for gaps in (self, other):
            for at, one in gaps.held.items():
                both.held.setdefault(at, _Class()).take(one.count, one.seconds, one.longest)
        return both

    def within(self, low: float, high: float) -> _Class:
        """All classes whose mean lies from `low` to below `high`."""
        found = _Class()
        for one in self.held.values():
            if low <= one.mean < high:
                found.take(one.count, one.seconds, one.longest)
        return found

    def weightiest(self) -> float | None:
        """Where most of the time lies, taking two neighbours as one; no longer than `PAUSE`. None: nowhere."""
        usual = {at: one for at, one in self.held.items() if one.mean <= PAUSE}
        pairs = [(one, usual.get(at + 1, _Class())) for at, one in usual.items()]
        if not pairs:
            return None
        low, high = max(pairs, key=lambda pair: pair[0].seconds + pair[1].seconds)
        if not low.seconds / 2 <= high.seconds <= low.seconds * 2:  # one of them is it, and some stragglers
            return max(low, high, key=lambda one: one.seconds).mean
        return (low.seconds + high.seconds) / (low.count + high.count)

    def median(self) -> float:
        """Half of the gaps are no longer than about this."""
        left = self.within(0, inf).count / 2
        for _, one in sorted(self.held.items()):
            left -= one.count
            if left <= 0:
                return one.mean
        return 0.0


class RhythmMeter:
    """Watches one meter: `add` each live message. A retained one says nothing of a rhythm."""

    __slots__ = (
        "_beat",
        "_beats",
        "_besides",
        "_count",
        "_found",
        "_gaps",
        "_last",
        "_last_same",
        "_new",
        "_recent",
        "_same",
        "_weight",
    )

    def __init__(self) -> None:
        self._last: float | None = None
        self._last_same: float | None = None
        self._begin(messages=0)

    def _begin(self, messages: int) -> None:
        self._new, self._same = _Gaps(), _Gaps()
        """Gaps before a message that said something new, and before one that did not."""
        self._beats = _Gaps()
        """From one that said nothing new to the next such one: a meter may keep its beat whatever it says between."""
        self._recent: deque[tuple[float, bool]] = deque(maxlen=_RECENT)
        self._count, self._gaps, self._weight = messages, 0, 0.0
        self._besides = False
        self._beat: float | None = None
        self._found: Rhythm | bool | None = False
        """False: to be found out anew."""

    def add(self, at: float, *, changed: bool) -> None:
        """A message came at `at`, seconds from any zero. `changed`: its value differs from the last one's."""
        last, self._last = self._last, at
        beat, self._last_same = self._last_same, self._last_same if changed else at
        self._count += 1
        if last is None or at < last:  # a clock that goes back begins a new row
            return
        self._take(at - last, changed=changed)
        if beat is not None and beat <= at and not changed:
            self._beats.add(at - beat)
        if not changed and self._set_anew():
            recent = list(self._recent)
            self._begin(messages=len(recent) + 1)
            for gap, new in recent:
                self._take(gap, changed=new)

    def pause(self) -> None:
        """The gap before the next message says nothing: meanwhile the broker, the daemon or the meter was away."""
        self._last = self._last_same = None

    def _take(self, gap: float, *, changed: bool) -> None:
        self._gaps += 1
        self._recent.append((gap, changed))
        (self._new if changed else self._same).add(gap)
        self._weight += min(PAUSE, gap)
        if self._weight > _FADE_AFTER:
            self._weight /= 2
            for gaps in (self._new, self._same, self._beats):
                gaps.fade()
        self._found = False

    def _set_anew(self) -> bool:
        """Somebody has set the meter to another rhythm: its last messages keep one that is not what it was."""
        recent = self._recent
        now, before = recent[-1][0], self._beat
        if len(recent) < _RECENT or (before is not None and before / NEAR <= now <= before * NEAR):
            return False
        gaps = sorted(gap for gap, _ in recent)
        if not now / _SAME <= gaps[0] <= gaps[-1] <= now * _SAME or sum(new for _, new in recent) > _RECENT // 4:
            return False
        found = self.rhythm
        return found is not None and not (found.steady and found.every / NEAR <= now <= found.every * NEAR)

    @property
    def rhythm(self) -> Rhythm | None:
        """What it is; None: too little was seen."""
        if isinstance(self._found, bool):
            self._found = self._look()
            self._beat = self._found.every if self._found is not None and self._found.steady else None
        return self._found

    def _look(self) -> Rhythm | None:
        if self._gaps < FEWEST_GAPS:
            return None
        every = self._new.plus(self._same)
        for told, fewest in ((self._same, FEWEST_GAPS), (self._beats, FEWEST_UNCLEAR), (every, FEWEST_UNCLEAR)):
            beat = told.weightiest()
            if beat is None or not (self._is_only(beat, every) if told is every else _is_plain(beat, told, every)):
                continue
            if self._gaps < fewest:
                return None
            self._besides |= self._speaks_between(beat, every)
            longest = every.within(0, beat * _LATE).longest
            beat += _companions(beat, every)
            return Rhythm(round(beat, 3), round(longest, 3), steady=True, on_change=self._besides, count=self._count)
        usual, longest = every.median(), every.within(0, inf).longest
        alike = self._same.within(0, inf).count * 4 > every.within(0, inf).count
        if self._gaps < FEWEST_UNCLEAR and (alike or longest < 5 * usual):
            return None
        return Rhythm(round(usual, 3), round(longest, 3), steady=False, on_change=True, count=self._count)

    def _speaks_between(self, beat: float, every: _Gaps) -> bool:
        """Whether something new comes between two beats, at any time: neither a late message nor one of a pair."""
        news = self._new.within(beat * _APART, beat * _EARLY)
        late = every.within(beat * NEAR, beat * _LATE)
        if news.count < max(3, 2 * late.count + 1):
            return False
        between, beats = every.within(beat * _APART, beat * _EARLY), every.within(beat / NEAR, beat * NEAR)
        return between.count < beats.count / 2 or between.longest > NEAR * between.mean

    def _is_only(self, beat: float, every: _Gaps) -> bool:
        """Whether gaps about as long as `beat` are most of them, in number and in time, and longer ones rare."""
        pause = max(PAUSE, 5 * beat)
        near = every.within(beat / NEAR, beat * NEAR)
        close, far = self._new.within(0, beat * _PAIR).count, self._new.within(beat * _PAIR, pause).count
        quiet = every.within(beat * _LATE, pause)
        others = far + max(0.0, close - near.count * NEAR)  # of a pair one counts
        most = near.count >= _PLAIN * others and near.seconds >= every.within(0, pause).seconds / 2
        return most and quiet.seconds <= near.seconds / 4


def _companions(beat: float, every: _Gaps) -> float:
    """The gap within a pair, where the meter says things in pairs, seconds; else 0. From pair to pair is the rhythm."""
    between, beats = every.within(0, beat * _EARLY), every.within(beat / NEAR, beat * NEAR)
    pairs = beats.count / NEAR <= between.count <= beats.count * NEAR and between.longest <= NEAR * between.mean
    return between.mean if pairs else 0.0


def _is_plain(beat: float, told: _Gaps, every: _Gaps) -> bool:
    """Whether messages that say nothing new keep `beat`. What comes earlier speaks neither for nor against."""
    pause = max(PAUSE, 5 * beat)
    near, over = told.within(beat / NEAR, beat * NEAR), every.within(beat * NEAR, pause)
    plain = near.count >= FEWEST_GAPS - 1 and near.seconds >= _PLAIN * told.within(0, pause).seconds
    return plain and over.seconds <= near.seconds


# In words


def words(rhythm: Rhythm) -> str:
    """For a person, in the third person: what it is, what it rests on, and what it costs."""
    usual = interval(rhythm.every)
    if not rhythm.steady:
        return f"speaks only on change ({seen(rhythm)})"
    if rhythm.on_change:
        return f"speaks on change, and also every {usual} ({seen(rhythm)})"
    return f"speaks every {usual} ({seen(rhythm)}): shorter cuts are missed, starts come up to {usual} late"


def read(said: object) -> Rhythm | None:
    """The rhythm that a tool's status says; None: none that could be understood."""
    try:
        found = convert(said, Rhythm)
    except ValidationError:
        return None
    return found if 0 <= found.every < inf and 0 <= found.longest < inf and found.count >= 0 else None


def seen(rhythm: Rhythm) -> str:
    """How sure it is."""
    return f"seen {named(rhythm.count, 'time')}"


def interval(seconds: float) -> str:
    """A rhythm to two figures: it is not known any better."""
    return rough(float(f"{seconds:.2g}"))


PRICE_OF_NONE: Final = "a sensor that has died is not noticed"
"""What `silent_after = 0` costs."""
_SURE: Final = 20
"""Messages wanted to say that a silence could be noticed."""


def misfit(rhythm: Rhythm, silent_after: float) -> str | None:
    """Why `silent_after` (seconds, 0: never silent) does not fit the rhythm seen, and what would; None: it does."""
    fitting = f"silent_after = {enough(rhythm):g}"
    if not rhythm.steady:
        if silent_after == 0 or rhythm.longest * 2 < silent_after:
            return None
        return (
            f"silent_after is {rough(silent_after)}, and its meter {words(rhythm)}, with pauses of up to "
            f"{rough(rhythm.longest)}: in a long steady cut its tool is called silent and let go; set silent_after = 0 "
            f"(the price: {PRICE_OF_NONE}), or set the meter to report at fixed intervals too"
        )
    if silent_after == 0:
        if rhythm.count < _SURE:
            return None
        return (
            f"silent_after is 0, so {PRICE_OF_NONE}; its meter speaks every {interval(rhythm.every)} "
            f"({seen(rhythm)}): set {fitting}"
        )
    if silent_after >= 2 * rhythm.every and silent_after > rhythm.longest:
        return None
    return (
        f"silent_after is {rough(silent_after)}, too short for a meter that speaks every {interval(rhythm.every)} "
        f"({seen(rhythm)}, {rough(rhythm.longest)} apart at the most): a message lost, and its tool is called silent "
        f"and let go; set {fitting}, or set the meter to report more often"
    )


def enough(rhythm: Rhythm) -> float:
    """A `silent_after` that bears two lost messages, seconds: three times the rhythm, rounded up."""
    wanted = max(3 * rhythm.every, 1.5 * rhythm.longest)
    step = 10 ** (floor(log10(wanted)) - 1) if wanted >= 100 else 5  # noqa: PLR2004
    return float(ceil(round(wanted / step, 3)) * step)
