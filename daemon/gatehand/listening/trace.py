"""What a signal said when, in bounded memory: the newest whole, the older thinned out. And counting without keeping."""

from array import array
from bisect import bisect_left, bisect_right
from collections.abc import Iterator
from math import log, nan
from typing import Final, NamedTuple

from gatehand.listening.values import as_word

SAMPLES: Final = 240
"""Kept of one signal: four minutes of a meter that speaks every second."""
_WORDS: Final = 24
"""Different words of one trace; further ones are all taken for one."""
_OTHER: Final = "\N{HORIZONTAL ELLIPSIS}"
_NUMBER: Final = -1


class Sample(NamedTuple):
    """One message's value. `at`: monotonic seconds. `live`: not a word that the broker held back."""

    at: float
    value: float | str
    live: bool

    @property
    def word(self) -> str:
        """As a config would write it."""
        return as_word(self.value)


class Trace:
    """Samples of one signal, oldest first.

    Of a trace that is full the older half is thinned: each word that only repeats the one before it goes, else every
    second sample.
    """

    __slots__ = ("_at", "_codes", "_live", "_most", "_numbers", "_words")

    def __init__(self, most: int = SAMPLES) -> None:
        self._most = most
        self._at = array("d")
        self._numbers = array("d")
        self._codes = array("b")
        self._live = array("b")
        self._words: list[str] = []

    def add(self, at: float, value: float | str, *, live: bool) -> None:
        """The next sample; `at` does not fall."""
        if len(self._at) >= self._most:
            self._thin()
        self._at.append(at)
        self._live.append(live)
        if isinstance(value, str):
            self._numbers.append(nan)
            self._codes.append(self._code(value))
        else:
            self._numbers.append(value)
            self._codes.append(_NUMBER)

    def __len__(self) -> int:
        return len(self._at)

    def __iter__(self) -> Iterator[Sample]:
        return map(self._sample, range(len(self._at)))

    def between(self, begin: float, end: float) -> list[Sample]:
        """Samples from `begin` to `end`, both included."""
        return [self._sample(i) for i in range(bisect_left(self._at, begin), bisect_right(self._at, end))]

    def before(self, moment: float) -> Sample | None:
        """The newest one up to `moment`: what holds then."""
        at = bisect_right(self._at, moment)
        return self._sample(at - 1) if at else None

    def _sample(self, at: int) -> Sample:
        code = self._codes[at]
        value: float | str = self._numbers[at] if code == _NUMBER else self._words[code]
        return Sample(self._at[at], value, bool(self._live[at]))

    def _code(self, word: str) -> int:
        if word not in self._words:
            if len(self._words) >= _WORDS:
                word = _OTHER
            if word not in self._words:
                self._words.append(word)
        return self._words.index(word)

    def _thin(self) -> None:
        half = len(self._at) // 2
        kept = [i for i in range(half) if i == 0 or not self._repeats(i)]
        if len(kept) == half:
            kept = kept[::2]
        for numbers in (self._at, self._numbers):
            numbers[:half] = array("d", [numbers[i] for i in kept])
        for marks in (self._codes, self._live):
            marks[:half] = array("b", [marks[i] for i in kept])

    def _repeats(self, at: int) -> bool:
        return self._codes[at] == self._codes[at - 1] != _NUMBER


class DistinctCount:
    """About how many different texts were added, in 4 kB: linear counting.

    K.-Y. Whang, B. T. Vander-Zanden, H. M. Taylor, "A linear-time probabilistic counting algorithm for database
    applications", ACM Transactions on Database Systems 15 (1990), 208-229: n is estimated as -m ln(V), V being the
    share of the m bits that are still 0. Within 1 in 100 up to 100,000 texts.
    """

    __slots__ = ("_bits", "_left")
    _SIZE: Final = 32_768

    def __init__(self) -> None:
        self._bits = bytearray(self._SIZE // 8)
        self._left = self._SIZE

    def add(self, hashed: int) -> None:
        """A text, by its hash."""
        at, bit = divmod(hashed % self._SIZE, 8)
        if not self._bits[at] & 1 << bit:
            self._bits[at] |= 1 << bit
            self._left -= 1

    @property
    def about(self) -> int:
        """The estimate."""
        return round(-self._SIZE * log(max(self._left, 1) / self._SIZE))
