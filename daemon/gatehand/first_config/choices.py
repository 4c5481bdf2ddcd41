"""Of what followed in a trial, which is offered for which signal, in which order; and how it is said.

Who followed is `gatehand.listening`'s finding; what may stand beside it on the same device is ordered here.
"""

from collections.abc import Callable, Sequence
from typing import Final, TypeAlias

from msgspec import Struct

from gatehand.first_config import questions as q
from gatehand.first_config.questions import SignalAnswer, Skipped
from gatehand.first_config.steps import Again, Ask, Forget, Option, Steps, Try
from gatehand.first_config.trials import Moved, by_topic, likely
from gatehand.listening.roles import is_command, is_motion
from gatehand_rules.words import Measure

Order: TypeAlias = Callable[[Sequence[Moved]], list[Moved]]
_SURE: Final = 0.35
"""What followed with a lower rank is shown, and not suggested."""
_CONTACT: Final = 0.8
"""How much less likely a motor's contact is than its meter, of the same rank."""
_APART: Final = 0.8
"""The same of a report that does not stand beside the command."""
_MOTION: Final = 0.5
"""The same of one whose name says what turns or flows, and not what is switched."""
_UNNAMED: Final = 0.7
"""The same of one whose name does not say that it is a report."""
_REPORT: Final = frozenset({"state", "status", "stat", "is", "position", "pos"})
_PRESS: Final = frozenset({"single", "click", "press", "pressed", "push", "pushed", "short"})
_YES: Final = frozenset({"1", "true", "on", "down"})


class Wanted(Struct, frozen=True):
    """A signal that is looked for among what followed."""

    key: str
    text: str
    words: tuple[str, ...]
    """The keys of its words in the config."""
    was: str
    """What the thing was meanwhile: "open", "pressed in"."""
    order: Order
    may_lack: bool = False
    """The device may have no such signal."""
    levels: bool = False
    """A number counts by its size, not by its words."""
    never_commands: bool = False
    """A topic on which something is told is shown, and not suggested."""

    @property
    def read(self) -> q.Read:
        """How an answer is read."""
        return q.or_none(q.signal(or_keys=self.words) if self.levels else q.signal(*self.words))

    def seen(self, moved: Moved | None) -> str:
        """What it did, for a comment."""
        if moved is None:
            return "as answered"
        said = moved.because if self.levels or not moved.said else moved.said
        return said.replace("while it was on", f"while it was {self.was}")

    def option(self, one: Moved) -> Option:
        """As it is offered."""
        words = () if self.levels and one.is_number else self.words
        return Option(one.written(*words), f"{one.where}: {self.seen(one)}")

    @property
    def nothing(self) -> str:
        """Its text where nothing followed that could be it."""
        otherwise = "it may have none" if self.may_lack else "try again, or type it as in the config"
        return f"{self.text.partition('?')[0]}? Nothing was heard that could be it; {otherwise}"


class Choice(Struct, frozen=True):
    """What was taken: the signal, and what followed in its place. None: there is none."""

    signal: SignalAnswer | None = None
    moved: Moved | None = None


def find(trial: Try, wanted: Wanted) -> Steps[Choice]:
    """The signal that the owner takes of what followed, or gives by other means."""
    while True:
        every: list[Moved] | None = yield trial
        if every is None:
            return Choice()
        found = likely(wanted.order(every))
        options = tuple(map(wanted.option, found))
        sure = bool(found) and found[0].rank >= _SURE and not (wanted.never_commands and is_command(found[0].topic))
        suggestion = options[0].answer if sure else q.NONE if wanted.may_lack else None
        text = wanted.text if options else wanted.nothing
        answer = yield Ask(wanted.key, text, wanted.read, suggestion, options, again=True, skips=True)
        if not isinstance(answer, Again):
            break
        yield Forget((trial.key, wanted.key))
    if isinstance(answer, Skipped) or answer is None:
        return Choice()
    same = (one for one in found if (one.topic, one.pointer) == (answer.topic, answer.pointer))
    return Choice(answer, next(same, None))


def worded(found: Sequence[Moved]) -> list[Moved]:
    """What says a word for both, likeliest first."""
    return [one for one in found if one.on is not None and one.off is not None]


def reports(found: Sequence[Moved], command: Moved | None) -> list[Moved]:
    """What could be a switch's or a gate's report, where it is told by `command` (None: that was not heard)."""
    home = None if command is None else _home_and_last(command.topic)[0]

    def weight(one: Moved) -> float:
        beside = home is None or _home_and_last(one.topic)[0] == home
        named = _home_and_last(one.topic)[1].casefold() in _REPORT
        like = (_MOTION if is_motion(one.topic) else 1.0) * (1.0 if named else _UNNAMED)
        return one.rank * like * (1.0 if beside else _APART)

    others = [one for one in worded(found) if command is None or one.topic != command.topic]
    return sorted(others, key=lambda one: (not is_command(one.topic), weight(one)), reverse=True)


def told(found: Sequence[Moved]) -> Moved | None:
    """Of what followed over the network, the command: by its name, else what came first and was never heard before."""
    named = [one for one in worded(found) if is_command(one.topic)]
    fresh = [one for one in worded(found) if not one.told_before] or worded(found)
    return min(named or fresh, key=lambda one: one.first, default=None)


def motors(found: Sequence[Moved], but: frozenset[str]) -> list[Moved]:
    """What could say that a collector's motor turns: a meter before a contact, none of these topics."""
    usable = [one for one in sensors(found) if one.topic not in but]
    return sorted(usable, key=lambda one: one.rank * (1.0 if one.is_number else _CONTACT), reverse=True)


def sensors(found: Sequence[Moved]) -> list[Moved]:
    """What could say that a tool runs: of the likeliest topic watts before amps before words, then the other topics."""
    usable = [one for one in found if one.measure is not None or (not one.is_number and one.off is not None)]
    best, kinds = by_topic(usable), {Measure.WATTS: 0, Measure.AMPS: 1}

    def place(one: Moved) -> tuple[float, str, int, float]:
        kind = kinds.get(one.measure, 2) if one.is_number and one.measure is not None else 2
        return -best[one.topic], one.topic, kind, -one.rank

    return sorted(usable, key=place)


def buttons(found: Sequence[Moved], but: frozenset[tuple[str, str | None]]) -> list[Moved]:
    """What could be a button: by what its word looks like, since much may stand beside it in its document."""

    def weight(one: Moved) -> float:
        word = str(one.on).casefold()
        like = 1.0 if word in _PRESS else 0.9 if word in _YES else 0.7
        return one.rank * like * (1.0 if one.off is None else 1.05)

    return sorted((one for one in found if (one.topic, one.pointer) not in but), key=weight, reverse=True)


def levels(moved: Moved | None, unit: Measure, scale: float) -> str:
    """What was seen at rest and at work, in the unit; empty: nothing."""
    if moved is None or moved.rest is None or moved.work is None:
        return ""
    rest, work = (_range(low * scale, high * scale) for low, high in (moved.rest, moved.work))
    return f"{rest} {unit} at rest, {work} while it ran"


def three(value: float) -> str:
    """To three figures."""
    return f"{float(f'{value:.3g}'):.12g}"


def _range(low: float, high: float) -> str:
    least, most = f"{low:,.4g}", f"{high:,.4g}"
    return least if least == most else f"{least} to {most}"


def _home_and_last(topic: str) -> tuple[str, str]:
    home, _, last = topic.rpartition("/")
    return home, last
