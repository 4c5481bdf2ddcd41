"""What was heard of a trial (a thing switched on and off, or pressed) as records that can be kept over a break.

Who followed is found by `gatehand.listening.watched` alone; here its answers become plain, and are put in the order in
which a first config wants them. Times are monotonic seconds of one evening.
"""

from collections.abc import Callable, Sequence
from enum import StrEnum
from typing import Final

from msgspec import Struct

from gatehand.listening.cycles import Pressed, Switched
from gatehand.listening.found import Follower, Press
from gatehand.listening.observed import HeardSignal, Listening
from gatehand.listening.roles import source
from gatehand.listening.values import as_word
from gatehand.listening.watched import ALSO, followers, presses
from gatehand.text import shown
from gatehand_rules.words import Measure

_CLOSE: Final = 0.35
"""A rank of this share of the best one's is no clear second."""
_WORTH: Final = 0.3
_MOST_SHOWN: Final = 6


class Trial(StrEnum):
    """What somebody does with a thing."""

    SWITCH = "switch"
    """On for some seconds, then off; or open and shut; or in and out."""
    PRESS = "press"
    """Pressed and let go."""


class Moved(Struct, frozen=True):
    """A signal that followed. Of numbers `rest`, `work`, `start`, `stop` in ampere or watts by `scale`, else words."""

    topic: str
    pointer: str | None
    rank: float
    because: str
    """What it did, in words; `said`: what its words were, where its number is one too."""
    on: str | None = None
    """While it was on, open or pressed."""
    off: str | None = None
    back: bool = True
    """It has said since that it is off."""
    measure: Measure | None = None
    """By its name or its size; None: it is no number, or nobody can tell."""
    scale: float = 1.0
    named: str = ""
    """Why it is taken for that."""
    rest: tuple[float, float] | None = None
    """Lowest and highest, as in the payload."""
    work: tuple[float, float] | None = None
    start: float | None = None
    """Proposed, by `scale`."""
    stop: float | None = None
    wanting: str = ""
    """What is missing before thresholds can be relied on."""
    said: str = ""
    first: float = 0.0
    """Seconds after it was asked for."""
    told_before: bool = False
    """It was heard before the trial."""
    also: bool = False
    """It changed at other times too."""

    @property
    def is_number(self) -> bool:
        """Whether it has levels."""
        return self.rest is not None

    @property
    def where(self) -> str:
        """For a person: its topic, and the place in it."""
        return self.topic + (f" {self.pointer}" if self.pointer else "")

    def written(self, on: str = "", off: str = "") -> str:
        """As the config writes it; `on`, `off`: the keys of its words; without them it is a number."""
        words = {key: word for key, word in ((on, self.on), (off, self.off)) if key and word is not None}
        return source(self.topic, self.pointer, 1.0, **words)


def moved(
    heard: Listening,
    switched: Sequence[Switched],
    until: float,
    leave_out: Callable[[str], bool],
    since: float | None = None,
) -> list[Moved]:
    """What followed a thing that was switched, likeliest first. A number of few values has its words too.

    `since`: what was said before is forgotten, as `followers` has it.
    """
    found: dict[tuple[str, str | None], Moved] = {}
    for one in followers(heard, switched, until, leave_out, since):
        made = _of_follower(one, switched)
        if made.is_number or made.on is not None:
            found.setdefault((made.topic, made.pointer), made)
    return list(found.values())


def _of_follower(one: Follower, cycles: Sequence[Switched]) -> Moved:
    signal, thresholds = one.signal, one.thresholds
    on, off, said = _words_of(one)
    return Moved(
        topic=signal.topic,
        pointer=signal.pointer,
        rank=one.rank,
        because=one.because,
        on=on,
        off=off,
        back=one.back,
        measure=one.taken.measure if one.idle is not None else None,
        scale=one.taken.scale,
        named=one.taken.because,
        rest=None if one.idle is None else (one.idle.low, one.idle.high),
        work=None if one.working is None else (one.working.low, one.working.high),
        start=None if thresholds is None else thresholds.start,
        stop=None if thresholds is None else thresholds.stop,
        wanting="" if thresholds is None else thresholds.wanting,
        said=said + ALSO if said and one.also else said,
        first=_first(signal, cycles[-1].on_after),
        told_before=signal.first_at < cycles[0].on_after,
        also=one.also,
    )


def _words_of(one: Follower) -> tuple[str | None, str | None, str]:
    """Its word for on and for off (a number's, where it knows but two), and what it said where that is no reason."""
    on, off = one.on, one.off
    if one.idle is not None and one.working is not None:
        if one.idle.low != one.idle.high or one.working.low != one.working.high:
            return None, None, ""
        on, off = as_word(one.working.middle), as_word(one.idle.middle)
    if on is None or off is None or not _are_words(on, off):
        return None, None, ""
    return on, off, "" if one.idle is None else f"said {shown(on)} while it was on, {shown(off)} at rest"


def _are_words(on: str, off: str) -> bool:
    """Whether a switch could mean on and off by them: of two numbers one is 0, as positions and contacts have it."""
    numbers = [each for each in (on, off) if each.lstrip("-").replace(".", "", 1).isdigit()]
    return len(numbers) < 2 or "0" in numbers  # noqa: PLR2004 - both


def _first(signal: HeardSignal, asked: float) -> float:
    """When it spoke for the first time since, seconds."""
    said = signal.trace.between(asked, float("inf"))
    return said[0].at - asked if said else float("inf")


def pressed(
    heard: Listening, done: Sequence[Pressed], leave_out: Callable[[str], bool], since: float | None = None
) -> list[Moved]:
    """What spoke when a thing was pressed, likeliest first. As `moved`."""
    return [_of_press(one, done) for one in presses(heard, done, leave_out, since)]


def _of_press(one: Press, done: Sequence[Pressed]) -> Moved:
    signal = one.signal
    return Moved(
        topic=signal.topic,
        pointer=signal.pointer,
        rank=one.rank,
        because=one.because,
        on=one.pressed,
        off=one.released,
        first=_first(signal, done[-1].after),
        told_before=signal.first_at < done[0].after,
        also=one.also,
    )


def is_clear(found: Sequence[Moved], words: int, numbers: int | None) -> bool:
    """Whether no more topics followed than things that can, as `steps.Try` has them; the rest lie far behind."""
    if not numbers:
        return _lead(found if numbers == 0 else [one for one in found if one.on is not None], words)
    return _lead([one for one in found if not one.is_number], words) and _lead(
        [one for one in found if one.is_number], numbers
    )


def _lead(found: Sequence[Moved], expected: int) -> bool:
    ranks = sorted(by_topic(found).values(), reverse=True)
    return all(rank < _CLOSE * ranks[expected - 1] for rank in ranks[expected:])


def by_topic(found: Sequence[Moved]) -> dict[str, float]:
    """The best rank of each topic."""
    topics: dict[str, float] = {}
    for one in found:
        topics[one.topic] = max(one.rank, topics.get(one.topic, 0.0))
    return topics


def likely(found: Sequence[Moved]) -> list[Moved]:
    """Those that are worth showing."""
    best = max((one.rank for one in found), default=0.0)
    return [one for one in found if one.rank >= _WORTH * best][:_MOST_SHOWN]
