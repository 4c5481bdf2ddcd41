"""What was heard, as text for a person and as JSON: likely sensors first, the config's own last."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from gatehand.listening.observed import ELSEWHERE, HeardSignal, HeardTopic, Listening
from gatehand.listening.roles import (
    Known,
    can_be_named,
    config_line,
    contact_line,
    taken_for,
)
from gatehand.mqtt.payload import MAX_BYTES
from gatehand.rhythm import words
from gatehand.terminal import hung, padded, wide, wrapped
from gatehand.text import listed, named, printable, shown
from gatehand_rules.words import Measure

FEW: Final = 40
"""Topics that are shown where not all are asked for."""
_FEW_VALUES: Final = 8
_FEW_WORDS: Final = 4
_LONGEST_NAME: Final = 28
_INDENT: Final = "  "


@dataclass(frozen=True, slots=True)
class Announced:
    """A board of our own that has said what it is. `topic`: where; `lines`: for the config, none where it has them."""

    topic: str
    role: str
    name: str
    label: str
    lines: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Heard:
    """The whole of it. `seconds`: how long it was listened. `at`: the broker, as text."""

    listening: Listening
    known: Known
    at: str
    seconds: float
    lost: tuple[str, ...] = ()
    """Why the connection was lost, each time."""
    config: str | None = None
    """The config's file, where there is one."""
    boards: tuple[Announced, ...] = ()

    @property
    def foreign(self) -> list[HeardTopic]:
        """Topics that are not the daemon's own, likely sensors first; without what boards say of themselves."""
        abouts = {one.topic for one in self.boards}
        found = [one for one in self.listening.topics() if not self.known.is_own(one.topic) and one.topic not in abouts]
        return sorted(found, key=lambda one: (_place(one, self.known), one.topic))

    @property
    def own(self) -> int:
        """How many are the daemon's own."""
        return sum(self.known.is_own(one.topic) for one in self.listening.topics())


def _place(topic: HeardTopic, known: Known) -> int:
    """Where it stands: 0 first."""
    if known.uses_topic(topic.topic):
        return 5
    lines = [one for one in topic.signals.values() if config_line(one) is not None]
    if any(one.kind == "number" and one.live for one in lines):
        return 0
    if lines and topic.live:
        return 1
    if any(one.kind in {"number", "word", "mixed"} for one in topic.signals.values()):
        return 2 if topic.live else 3
    return 4


# For a person


def text(heard: Heard, width: int, *, whole: bool = False) -> Iterator[str]:
    """The page. `whole`: every topic and value."""
    topics = heard.foreign
    many = "" if not heard.listening.beyond() else " kept"
    opening = (
        f"Heard for {heard.seconds:.0f} s at {heard.at}: {named(len(topics), 'topic')}{many}, "
        f"{named(heard.listening.messages, 'message')}."
    )
    if heard.own:
        opening += f" {named(heard.own, 'topic')} of the daemon itself {'is' if heard.own == 1 else 'are'} not shown."
    yield from wrapped(opening, width)
    for why in heard.lost:
        yield from wrapped(f"The connection was lost meanwhile: {why}. It was taken up again.", width)
    for board in heard.boards:
        yield ""
        yield from _board(board, width)
    for topic in topics if whole else topics[:FEW]:
        yield ""
        yield from _topic(topic, heard.known, width, whole=whole)
    hidden = 0 if whole else len(topics) - FEW
    if hidden > 0:
        yield ""
        yield from wrapped(f"And {named(hidden, 'more topic')}: --all shows them, --topic 'shop/#' hears fewer.", width)
    beyond = heard.listening.beyond()
    if beyond:
        yield ""
        places = [f"about {count:,} {_below(at)}" for at, count in beyond.items()]
        few = places[:_FEW_WORDS] + (["more besides"] if len(places) > _FEW_WORDS else [])
        yield from wrapped(
            f"More topics than can be kept: {listed(few, last='and')} were only counted. Hear fewer with --topic.",
            width,
        )


def _board(board: Announced, width: int) -> Iterator[str]:
    yield from wrapped(f"A board with Gatehand's programs: {board.label} ({printable(board.topic)})", width)
    if not board.lines:
        yield f"{_INDENT}the config has all of it"
    yield from (f"{_INDENT}{line}" for line in board.lines)  # whole, to be copied


def _below(first: str) -> str:
    return "elsewhere" if first == ELSEWHERE else f"below {printable(first)}/"


def _topic(topic: HeardTopic, known: Known, width: int, *, whole: bool) -> Iterator[str]:
    yield from hung(printable(topic.topic), width, then=_INDENT * 2)
    told = known.commands.get(topic.topic, ())
    for one in told:
        yield from wrapped(_INDENT + f"{one}: commands go there; it is not a sensor", width)
    yield from wrapped(_INDENT + _manner(topic), width)
    signals = sorted(
        topic.signals.values(), key=lambda one: (one.kind not in {"number", "word"}, config_line(one) is None)
    )
    if not whole:
        signals = signals[:_FEW_VALUES]
    rows = [(printable(one.pointer) if one.pointer else "", _what(one), _said(one)) for one in signals]
    first = min(_LONGEST_NAME, max(map(wide, (row[0] for row in rows)), default=0))
    second = max((len(row[1]) for row in rows), default=0)
    for signal, (name, what, said) in zip(signals, rows, strict=True):
        row = f"{padded(name, first)}{'  ' if first else ''}{what:<{second}}  {said}".rstrip()
        yield from hung(row, width, first=_INDENT, then=_INDENT * 2)
        yield from _for_config(signal, known, width)
    left = len(topic.signals) - len(signals) + topic.left_out
    if left:
        yield f"{_INDENT}and {named(left, 'more value')} in its JSON"
    if not can_be_named(topic.topic):
        unfit = "no config can name this topic: it has control characters, or too many levels"
        yield from wrapped(_INDENT + unfit, width)


def _for_config(signal: HeardSignal, known: Known, width: int) -> Iterator[str]:
    """Who uses it already; else the line for the config."""
    inner = _INDENT * 2
    used = known.uses.get((signal.topic, signal.pointer), ())
    if used:
        yield from wrapped(inner + f"used by {listed(used, last='and')}", width)
        return
    line = config_line(signal)
    if line is None or line.startswith("state"):
        contact = contact_line(signal)
        yield from () if line is None else (f"{inner}{line}",)
        if contact is not None:
            which = (
                "where it says that a tool runs" if line is not None else "which word means it is a guess: the last one"
            )
            yield f"{inner}{contact}  # {which}"
        return
    if signal.kind == "number" and not line.startswith(("running", "state")):
        taken = taken_for(signal.topic, signal.pointer)
        factor = f", by {taken.scale:g}" if taken.scale != 1.0 else ""
        yield from wrapped(inner + f"taken for {taken.measure}{factor}: {taken.because}", width)
    yield f"{inner}{line}"  # whole, to be copied


def _what(signal: HeardSignal) -> str:
    if signal.kind != "number":
        return signal.kind
    taken = taken_for(signal.topic, signal.pointer)
    if taken.measure is None:
        return "number"
    return {(Measure.AMPS, 0.001): "milliamps", (Measure.WATTS, 1000.0): "kilowatts"}.get(
        (taken.measure, taken.scale), str(taken.measure)
    )


def _said(signal: HeardSignal) -> str:
    match signal.kind:
        case "huge":
            return f"more than {MAX_BYTES:,} bytes: never read"
        case "binary":
            return "bytes that are not text"
        case "unreadable":
            return "not plain JSON, or a number that is not finite"
        case "empty":
            return "nothing"
    if signal.kind == "number" and (len(signal.words) > _FEW_WORDS or signal.more_words):
        last = signal.last
        at_end = "" if last is None or not isinstance(last.value, float) else f", last {last.value:,.6g}"
        return f"{_span(signal.low or 0.0, signal.high or 0.0)}{at_end}"
    newest = list(signal.words.items())[-_FEW_WORDS:]
    said = [f"{word if signal.kind == 'number' else shown(word)} x {count:,}" for word, count in newest]
    others = " and others" if signal.more_words or len(signal.words) > len(newest) else ""
    return printable(", ".join(said)) + others


def _manner(topic: HeardTopic) -> str:
    """How often it speaks, and whether the broker held something back."""
    if not topic.live:
        return "kept by the broker (retained), not sent meanwhile: it may be old"
    rhythm = topic.rhythm
    held = f", {topic.retained:,} of them kept by the broker" if topic.retained else ""
    heard = f"heard {named(topic.count, 'time')}{held}: too few to tell how often it speaks"
    if rhythm is not None:
        told, cost = words(rhythm).partition(": ")[::2]
        measures = any(taken_for(topic.topic, one.pointer).measure for one in topic.signals.values() if one.numbers)
        heard = (f"{told}: {cost}" if cost and measures else told) + ("; retained" if topic.retained else "")
    return heard


def place(signal: HeardSignal) -> str:
    """Its topic, and its pointer where it has one, fit for a terminal."""
    return printable(signal.topic) + (f" {printable(signal.pointer)}" if signal.pointer else "")


def _span(low: float, high: float) -> str:
    return f"{low:,.6g}" if low == high else f"{low:,.6g} to {high:,.6g}"
