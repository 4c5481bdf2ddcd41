"""Everything that was heard on a broker, in bounded memory: each topic, and in it each value that a config can name.

However many topics a broker carries, at most `Limits.topics` are kept whole; of the rest only how many there are is
told, below which first level. A topic that speaks takes the place of one that was only held back by the broker.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field
from hashlib import blake2b
from typing import Final

from gatehand.listening.trace import SAMPLES, DistinctCount, Sample, Trace
from gatehand.listening.values import Found, Odd, Value, as_word, values
from gatehand.rhythm import Rhythm, RhythmMeter

LONGEST_TOPIC: Final = 300
"""Characters; a longer one is counted, not kept."""
_WORDS: Final = 8
"""Different values of one signal that are kept with their counts."""
_PLACES: Final = 48
"""First levels for which topics that are not kept are counted apart."""
ELSEWHERE: Final = ""
"""The first level under which the rest of them is counted."""


@dataclass(frozen=True, slots=True)
class Limits:
    """What is kept at most."""

    topics: int = 3000
    signals: int = 6000
    samples: int = SAMPLES


@dataclass(slots=True)
class HeardSignal:
    """One value of a topic: what it was, how often. Times are monotonic seconds."""

    topic: str
    pointer: str | None
    """None: the payload itself; "": the payload is one JSON text."""
    first_at: float
    last_at: float
    trace: Trace
    """Numbers and words, with their times."""
    retained: int = 0
    """Messages that the broker had held back."""
    live: int = 0
    numbers: int = 0
    texts: int = 0
    """Messages with a word."""
    odd: Odd | None = None
    """What else it was, last; None: always a number or a word."""
    low: float | None = None
    high: float | None = None
    """Of all numbers."""
    words: dict[str, int] = field(default_factory=dict)
    """The last different values (numbers too) as a config would write them, how often each, the newest last."""
    more_words: bool = False
    """There were others besides."""
    _meter: RhythmMeter | None = None

    @property
    def kind(self) -> str:
        """`number`, `word`, `mixed`, or what it is that is neither: `empty`, `binary`, `huge`, `unreadable`."""
        match bool(self.numbers), bool(self.texts):
            case True, True:
                return "mixed"
            case True, False:
                return "number"
            case False, True:
                return "word"
            case _:
                return str(self.odd or Odd.EMPTY)

    @property
    def count(self) -> int:
        """Messages."""
        return self.retained + self.live

    @property
    def last(self) -> Sample | None:
        """The newest number or word; None: there was none."""
        return self.trace.before(self.last_at)

    @property
    def rhythm(self) -> Rhythm | None:
        """How often it speaks; None: too little was heard."""
        return None if self._meter is None else self._meter.rhythm

    @property
    def few_values(self) -> bool:
        """Whether it only ever took some few values, as the words of a switch are."""
        return bool(self.words) and not self.more_words

    def take(self, value: Value, now: float, *, retained: bool) -> None:
        """One more message."""
        self.last_at = now
        self.retained += retained
        self.live += not retained
        if isinstance(value, Odd):
            self.odd = value
            return
        last = self.trace.before(now)
        if not retained:
            if self._meter is None:
                self._meter = RhythmMeter()
            self._meter.add(now, changed=last is None or last.value != value)
        self.trace.add(now, value, live=not retained)
        if isinstance(value, str):
            self.texts += 1
        else:
            self.numbers += 1
            self.low = value if self.low is None else min(self.low, value)
            self.high = value if self.high is None else max(self.high, value)
        word = as_word(value)
        count = self.words.pop(word, 0)
        if not count and len(self.words) >= _WORDS:
            self.words.pop(next(iter(self.words)))
            self.more_words = True
        self.words[word] = count + 1

    def pause(self) -> None:
        """The connection was lost: the gap says nothing of its rhythm."""
        if self._meter is not None:
            self._meter.pause()


@dataclass(slots=True)
class HeardTopic:
    """One topic. Times are monotonic seconds."""

    topic: str
    first_at: float
    last_at: float
    signals: dict[str | None, HeardSignal] = field(default_factory=dict)
    """By pointer."""
    retained: int = 0
    live: int = 0
    longest: int = 0
    """Bytes of the longest payload."""
    left_out: int = 0
    """Places in its JSON that are not kept: too many or too deep."""

    @property
    def count(self) -> int:
        """Messages."""
        return self.retained + self.live

    @property
    def rhythm(self) -> Rhythm | None:
        """Of the signal that tells it best: one whose value often stays."""
        found = [one.rhythm for one in self.signals.values()]
        return max(filter(None, found), key=lambda one: (one.steady, one.count), default=None)


class Listening:
    """What was heard since the listening began."""

    def __init__(self, limits: Limits | None = None) -> None:
        self._limits = limits or Limits()
        self._topics: dict[str, HeardTopic] = {}
        self._silent: dict[str, None] = {}
        """Topics that were only held back by the broker: they give way."""
        self._signals = 0
        self._beyond: dict[str, DistinctCount] = {}
        self.messages = 0

    def take(self, topic: str, payload: bytes, retained: bool, now: float) -> HeardTopic | None:
        """One message, at `now`, monotonic seconds that do not fall. None: this topic is not kept."""
        self.messages += 1
        heard = self._topics.get(topic)
        if heard is None:
            if len(topic) > LONGEST_TOPIC or not self._room(retained=retained):
                self._count(topic)
                return None
            heard = self._topics[topic] = HeardTopic(topic, now, now)
            if retained:
                self._silent[topic] = None
        elif not retained:
            self._silent.pop(topic, None)
        heard.last_at = now
        heard.retained += retained
        heard.live += not retained
        heard.longest = max(heard.longest, len(payload))
        found, left_out = values(payload)
        heard.left_out = max(heard.left_out, left_out)
        for one in found:
            signal = self._signal(heard, one, now)
            if signal is not None:
                signal.take(one.value, now, retained=retained)
        return heard

    def pause(self) -> None:
        """The connection was lost: gaps over it say nothing of anybody's rhythm."""
        for signal in self.signals():
            signal.pause()

    def topics(self) -> Iterator[HeardTopic]:
        """All that are kept, as they were first heard."""
        return iter(self._topics.values())

    def signals(self) -> Iterator[HeardSignal]:
        """Every value of each."""
        for topic in self._topics.values():
            yield from topic.signals.values()

    def signal(self, topic: str, pointer: str | None) -> HeardSignal | None:
        """One of them; None: it was not heard, or is not kept."""
        heard = self._topics.get(topic)
        return None if heard is None else heard.signals.get(pointer)

    def __len__(self) -> int:
        """How many topics are kept."""
        return len(self._topics)

    def beyond(self) -> dict[str, int]:
        """Topics that are not kept: about how many there are by first level, most first."""
        found = {first: count.about for first, count in self._beyond.items()}
        return dict(sorted(found.items(), key=lambda one: -one[1]))

    def _room(self, *, retained: bool) -> bool:
        """Whether one more topic can be kept; for a live one another gives way that never spoke."""
        while len(self._topics) >= self._limits.topics or self._signals >= self._limits.signals:
            if retained or not self._silent:
                return False
            gone = next(iter(self._silent))
            del self._silent[gone]
            self._signals -= len(self._topics.pop(gone).signals)
            self._count(gone)
        return True

    def _signal(self, heard: HeardTopic, found: Found, now: float) -> HeardSignal | None:
        signal = heard.signals.get(found.pointer)
        if signal is None:
            if self._signals >= self._limits.signals:
                heard.left_out = max(heard.left_out, 1)
                return None
            self._signals += 1
            signal = HeardSignal(heard.topic, found.pointer, now, now, Trace(self._limits.samples))
            heard.signals[found.pointer] = signal
        return signal

    def _count(self, topic: str) -> None:
        first = topic.partition("/")[0][:LONGEST_TOPIC]
        if first not in self._beyond and len(self._beyond) >= _PLACES:
            first = ELSEWHERE
        # Not hash(), which differs from run to run.
        hashed = int.from_bytes(blake2b(topic.encode("utf-8", "replace"), digest_size=8).digest(), "little")
        self._beyond.setdefault(first, DistinctCount()).add(hashed)
