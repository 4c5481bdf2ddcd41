"""How old a reading is, by its own time, though no clock be set: a device may hold back what it measured.

A sensor with `at` says when it measured, by any clock that rises. What that time lags behind the receipt is the age of
the reading and what the clocks are apart, and only the least lag of the last `WINDOW` tells these from each other: it
counts as no age at all, and a reading is as old as its lag exceeds it. It is kept across our own reconnects: what was
held back through an outage is then the older by the whole of it.

Seconds or milliseconds: between two readings that came at least `APART` apart, a clock of seconds rises by about as
much as ours, one of milliseconds by a thousand times as much. Within a factor of `TOLERANCE` of either it is taken for
that, by the longest pair that is known, anew with each reading. In between (the first readings came late) nothing is
known yet, and nothing is judged. A text (RFC 3339) is in seconds.

No clock is read here: the time of receipt (monotonic seconds) is passed in.
"""

from collections import deque
from typing import Final

from msgspec import Struct

from gatehand.mqtt.payload import Payload, Reader, Rejected, excerpt

WINDOW: Final = 600.0
"""Seconds; long enough for a quiet moment of any network, short enough for a clock that drifts."""
APART: Final = 1.0
"""Seconds between two receipts from which on they tell a clock's pace."""
TOLERANCE: Final = 4.0
"""Factor by which two readings may seem too fast or too slow, because one of them was late."""
ANSWERS_WITHIN: Final = 2.0
"""Seconds after a question within which the first reading is its answer."""
_MILLI: Final = 1000.0
_BUCKET: Final = WINDOW / 60


class _Bucket(Struct):
    """Some seconds of the window: its first reading, and the least lag in it if `at` is in seconds, or in ms."""

    now: float
    at: float
    least: tuple[float, float]


class ReadingAge:
    """What is known of one sensor's readings: their own time, where they have one, and when it was asked.

    Args:
        at: JSON pointer to the reading's own time; None: it has none.
        max_age: seconds; an older reading is refused.
    """

    def __init__(self, at: str | None, max_age: float) -> None:
        self._reader = None if at is None else Reader(at)
        self.max_age = max_age
        self.asked_at: float | None = None
        """When the sensor was last asked what it reads, and has not answered."""
        self._buckets: deque[_Bucket] = deque()
        self._per_second: float | None = None
        self._newest: float | None = None
        self._is_text = False
        self._before_newest = 0

    def judge(self, payload: bytes | Payload, now: float) -> bool | Rejected:
        """Whether a live reading is surely new; `Rejected`: its time cannot be read, or shows that it is too old."""
        young = False
        if self._reader is not None:
            moment = self._reader.read_moment(payload)
            if isinstance(moment, Rejected):
                return Rejected(f"the time of its measurement cannot be read: {moment.why}", moment.shown)
            judged = self.judge_time(moment.value, now, is_text=moment.is_text)
            if isinstance(judged, str):
                return Rejected(judged, excerpt(payload.raw if isinstance(payload, Payload) else payload), old=True)
            young = judged
        answers = self.asked_at is not None and now - self.asked_at <= ANSWERS_WITHIN
        self.asked_at = None
        return young or answers

    def take_over(self, was: "ReadingAge") -> None:
        """Go on with what was learnt of the same sensor under another config, which had a `max_age` of its own."""
        vars(self).update(vars(was), max_age=self.max_age)

    def judge_time(self, at: float, now: float, *, is_text: bool = False) -> bool | str:
        """Whether a reading of its own time `at`, received at `now`, is surely new; a text: why it must not count.

        `is_text`: `at` was written as RFC 3339.
        """
        if self._newest is not None and (at < self._newest or is_text is not self._is_text):
            self._before_newest += 1
            if self._before_newest == 1:
                return self._words_before(at, self._newest, is_text=is_text)
            # Two in a row: the device started anew.
            self._buckets.clear()
            self._per_second = None
        self._before_newest = 0
        self._newest, self._is_text = at, is_text
        self._take(at, now)
        return self._judge(at, now)

    def _take(self, at: float, now: float) -> None:
        buckets = self._buckets
        while buckets and buckets[0].now < now - WINDOW:
            buckets.popleft()
        lags = (now - at, now - at / _MILLI)
        if not buckets or now >= buckets[-1].now + _BUCKET:
            buckets.append(_Bucket(now, at, lags))
        else:
            seconds, milli = buckets[-1].least
            buckets[-1].least = (min(seconds, lags[0]), min(milli, lags[1]))

    def _judge(self, at: float, now: float) -> bool | str:
        oldest = self._buckets[0]
        span = now - oldest.now
        if span < APART:
            return False
        self._per_second = self._pace((at - oldest.at) / span)
        if self._per_second is None:
            return False
        place = 0 if self._per_second == 1.0 else 1
        age = round(now - at / self._per_second - min(bucket.least[place] for bucket in self._buckets), 3)
        if age <= self.max_age:
            return True
        return (
            f"it is {age:.1f} s old by its own time, held back by its device; want at most {self.max_age:g} s (max_age)"
        )

    def _pace(self, rate: float) -> float | None:
        """How much `at` rises in a second: 1, 1000, or None while that is not known."""
        if self._is_text or 1 / TOLERANCE <= rate <= TOLERANCE:
            return 1.0
        if _MILLI / TOLERANCE <= rate <= _MILLI * TOLERANCE:
            return _MILLI
        return self._per_second

    def _words_before(self, at: float, newest: float, *, is_text: bool) -> str:
        if is_text is not self._is_text:
            return "its own time is of another kind than before; two such in a row count as a restarted device"
        by = "" if self._per_second is None else f" by {(newest - at) / self._per_second:.1f} s"
        return (
            f"its own time lies{by} before the newest reading's, so it is old; "
            "two such in a row count as a restarted device"
        )
