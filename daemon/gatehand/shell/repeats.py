"""What is counted instead of logged: refusals and rejected payloads that come again and again.

A script that asks for the same thing all day, or a device that sends rubbish ten times a second, must not fill the log:
the first few lines as they come, then a count every minute. Only what was refused and changed nothing is ever left out.
The rules know nothing of this: what they decide, a replay decides too.
"""

from typing import Final, Generic, TypeVar

from msgspec import Struct

from gatehand.config.signals import DeviceKind
from gatehand.journal.sentences import sentence_of
from gatehand.mqtt.payload import Absent, OtherWord, Rejected
from gatehand_rules.events import MessageRejected
from gatehand_rules.findings import Fact, Finding, Happened

WINDOW: Final = 60.0
"""Seconds within which what is equal counts together, and between two counts of it."""
MOST: Final = 5
"""Lines about equal refusals within a window: more than anybody presses a button in vain."""
_REFUSALS: Final = frozenset({Happened.START_REFUSED, Happened.RESET_REFUSED, Happened.MESSAGE_IGNORED})

ALWAYS: Final = 10
"""Messages that all have a value, before one that leaves it out is something new."""
SURE: Final = 3
"""Messages that leave out what each had before."""

K = TypeVar("K")
T = TypeVar("T")


class _Spell(Struct, Generic[T]):
    """Equal things since `since`: so many as lines of their own, and more that were only counted."""

    last: T
    since: float
    lines: int = 0
    more: int = 0


class _Repeats(Generic[K, T]):
    """Of things that are equal (by a key) the first `most` within a window become lines, the others are counted."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._spells: dict[K, _Spell[T]] = {}

    def _is_line(self, key: K, what: T, now: float) -> bool:
        spell = self._spells.setdefault(key, _Spell(what, now))
        if not spell.more and now - spell.since >= WINDOW:
            spell.since, spell.lines = now, 0
        spell.last = what
        if spell.lines < self._most:
            spell.lines += 1
            return True
        spell.more += 1
        return False

    def _take_counts(self, now: float) -> list[tuple[K, T, int, float]]:
        """Of the windows that are over: key, the last one, how many were only counted, and in how many seconds."""
        over = [(key, spell) for key, spell in self._spells.items() if now - spell.since >= WINDOW]
        counts = [(key, spell.last, spell.more, now - spell.since) for key, spell in over if spell.more]
        for key, spell in over:
            if spell.more:  # what goes on is counted on, without another line of its own
                spell.since, spell.lines, spell.more = now, self._most, 0
            else:
                del self._spells[key]
        return counts


class Refusals(_Repeats[tuple[str | None, ...], Finding]):
    """Decides which findings become a line. Refusals are equal when event, rule and subject are; numbers may differ."""

    def __init__(self) -> None:
        super().__init__(MOST)

    def is_line(self, finding: Finding, now: float) -> bool:
        """Whether it becomes a line; else it is counted."""
        if finding.event not in _REFUSALS:
            return True
        key = (finding.event, finding.rule, finding.tool, finding.gate, finding.collector)
        return self._is_line(key, finding, now)

    def counted(self, now: float) -> tuple[dict[str, Fact], ...]:
        """The facts of the counts whose window is over, once each."""
        return tuple(
            {
                "what": last.event,
                "because": sentence_of(last),
                "more": more,
                "for_seconds": round(seconds, 3),
                **{kind: name for kind in ("tool", "gate", "collector") if (name := getattr(last, kind)) is not None},
            }
            for _, last, more, seconds in self._take_counts(now)
        )


class Odd(Struct, frozen=True):
    """What a device said last, where that is not understood; since when it has said nothing else."""

    bad: Rejected
    since: float


class WrongWord(Struct):
    """What a device said that is none of its words, how often, and what was understood of it since."""

    bad: Rejected
    times: int
    heard: set[tuple[object, ...]]


class Gone(Struct, frozen=True):
    """The last message that left a value out, since when they do, and how many have."""

    bad: Rejected
    since: float
    times: int


class Rejections(_Repeats[tuple[DeviceKind, str, str], Rejected]):
    """Decides which rejected payloads become an event. They are equal when kind, name and key of the value are."""

    def __init__(self) -> None:
        super().__init__(1)
        self.odd: dict[tuple[str, str, str], Odd] = {}
        """By kind, name and key: what is not understood now."""
        self.left_out: dict[tuple[str, str, str], Rejected] = {}
        """The same: the last message of its topic that left it out, since it was last found."""

        self.wrong_words: dict[tuple[str, str, str], WrongWord] = {}
        """The same: words that are none of its own, until each of those has been heard since."""
        self.gone: dict[tuple[str, str, str], Gone] = {}
        """The same: what came with each message and no longer does."""
        self._together: dict[tuple[str, str, str], int] = {}
        """The same: how many messages have had it, none left it out; -1: some leave it out, as is their way."""

    def speaks_oddly(self, whose: tuple[str, str, str]) -> bool:
        """What comes is not understood, or has lost the value: that is no silence."""
        return whose in self.odd or (whose in self.gone and self.gone[whose].times >= SURE)

    def leave_out(self, kind: str, name: str, key: str, bad: Rejected, now: float) -> None:
        """A message of its topic says other things, which is no mistake."""
        whose = kind, name, key
        self.left_out[whose] = bad
        if self._together.get(whose, 0) < ALWAYS:
            self._together[whose] = -1
        else:
            was = self.gone.get(whose)
            self.gone[whose] = Gone(bad, now if was is None else was.since, 1 if was is None else was.times + 1)

    def is_there(self, whose: tuple[str, str, str]) -> None:
        """A message of its topic has it, as one value of several."""
        if self.gone.pop(whose, None) is not None:
            self._together[whose] = -1
        elif (times := self._together.get(whose, 0)) >= 0:
            self._together[whose] = times + 1

    def found(self, kind: str, name: str, key: str) -> None:
        """Its value is where the config has it, whatever it is."""
        whose = kind, name, key
        self.left_out.pop(whose, None)
        if (was := self.odd.get(whose)) is not None and isinstance(was.bad, Absent):
            del self.odd[whose]

    def understood(self, kind: str, name: str, key: str, meaning: tuple[object, ...] | None = None) -> None:
        """It said something that is. A wrong word for one thing is not mended by the right one for another."""
        self.odd.pop((kind, name, key), None)
        if meaning is not None and (wrong := self.wrong_words.get((kind, name, key))) is not None:
            wrong.heard.add(meaning)
            if len(wrong.heard) > 1:
                del self.wrong_words[kind, name, key]

    def say(self, kind: DeviceKind, name: str, key: str, bad: Rejected, now: float) -> MessageRejected | None:
        """The event for a rejected payload; None when it is only counted. `key`: which of the device's values."""
        if bad.old:
            self.understood(kind, name, key)
        else:
            was = self.odd.get((kind, name, key))
            self.odd[kind, name, key] = Odd(bad, now if was is None else was.since)
            if isinstance(bad, OtherWord):
                wrong = self.wrong_words.get((kind, name, key))
                self.wrong_words[kind, name, key] = WrongWord(bad, 1 if wrong is None else wrong.times + 1, set())
        if not self._is_line((kind, name, key), bad, now):
            return None
        return MessageRejected(kind, name, f"{key}: {bad.why}", bad.shown, old=bad.old)

    def overdue(self, now: float) -> tuple[MessageRejected, ...]:
        """The counts whose minute is over."""
        return tuple(
            MessageRejected(
                kind,
                name,
                f"{key}: {more} more in the last {seconds:.0f} s, the last: {last.why}",
                last.shown,
                old=last.old,
                more=more,
            )
            for (kind, name, key), last, more, seconds in self._take_counts(now)
        )
