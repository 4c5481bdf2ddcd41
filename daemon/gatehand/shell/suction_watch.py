"""Whether the suction at a collector's inlet is what its open gates should give: judged reading by reading. Pure.

Nothing here reads a clock, knows a topic, or moves anything: it is a watcher beside the rules, and they never hear of
it. Pressures are Pa below the room, times monotonic seconds.

A verdict needs readings that agree for `HOLDS`: it is a reading that raises an alarm and one that ends it, never the
passing of time, so that nothing is concluded from what is old. Nothing is learnt: what is expected is given.
"""

from collections import deque
from collections.abc import Sequence
from enum import StrEnum
from typing import Final, TypeAlias

from msgspec import Struct

from gatehand.journal.sentences import spoken
from gatehand.text import listed
from gatehand_rules import State
from gatehand_rules.shop import CollectorAt, Shop
from gatehand_rules.state import GateOpen, GateShut, Running, RunOn

SETTLES: Final = 5.0
"""Seconds for which the gates must have been the same, and the fan at full speed, before a reading counts."""
HOLDS: Final = 10.0
"""Seconds of readings outside what is expected that raise an alarm, and inside that end it."""
FRESH: Final = 15.0
"""Seconds: between two readings further apart nothing is known of the suction."""
SELDOM: Final = 3
"""Readings in a row that came too late: a sensor that speaks so seldom cannot be judged."""
WINDOW: Final = 30.0
"""Seconds of readings that are kept."""
APART: Final = 0.1
"""Seconds at least between two that are kept: of a sensor that floods, each is judged, and not all are kept."""
FEWEST: Final = 5
"""Readings from which a level can be told."""
UNEVEN: Final = 0.2
"""Of the level: readings that lie further apart have not settled."""
MARGIN: Final = 0.1
"""Of a baseline, either way: the sensor, the weather and the gates' own play [practice]."""
LEAST: Final = 10.0
"""Pa. Less is no suction of a fan that runs: air at 4 m/s, too slow for any dust, has that velocity pressure alone."""

Gates: TypeAlias = tuple[str, ...]


class SuctionHeard(Struct, frozen=True):
    """What a collector's suction sensor says, in Pa; a suction is positive however the sensor signs it."""

    collector: str
    value: float
    retained: bool = False


class By(StrEnum):
    """Whose expectation it is."""

    BASELINE = "baseline"
    """Measured in this shop with these gates open (`gatehand exercise --suction`)."""
    DUCTS = "ducts"
    """Worked out from the config's ducts, fan and filter."""


class Expected(Struct, frozen=True):
    """What the suction should be."""

    low: float
    middle: float
    high: float
    by: By
    since: str | None = None
    """When a baseline was taken, RFC 3339."""
    tells_way: bool = True
    """A blocked duct raises it. False: by the fan's curve it may as well lower it."""


class Way(StrEnum):
    """Which way it is off: what the alarm is about."""

    HIGH = "suction_high"
    LOW = "suction_low"


class Raised(Struct, frozen=True):
    """From now on it is off. `value`: the median since it has been."""

    way: Way
    value: float
    gates: Gates
    expected: Expected


class Ended(Struct, frozen=True):
    """It is off no longer, or nobody can tell any more: `why` is a clause."""

    way: Way
    why: str


class Level(Struct, frozen=True):
    """What was read over some seconds with one set of gates open."""

    gates: Gates
    value: float
    """The median."""
    lowest: float
    highest: float
    seconds: float
    count: int

    @property
    def is_steady(self) -> bool:
        """Whether it can stand for the set."""
        return self.count >= FEWEST and self.highest - self.lowest <= UNEVEN * self.value


def _median(values: Sequence[float]) -> float:
    """The middle one; of an even number the mean of the two. The library's takes much memory."""
    ranked = sorted(values)
    return (ranked[(len(ranked) - 1) // 2] + ranked[len(ranked) // 2]) / 2


WITHIN: Final = "the suction has been as expected again for a while"


class Watch:
    """One collector's. `gates` are those proven open while its fan is known to run; None: there is nothing to judge."""

    def __init__(self) -> None:
        self.gates: Gates | None = None
        self.expected: Expected | None = None
        self.alarm: Way | None = None
        self.last: tuple[float, float] | None = None
        """The last reading, and when it came."""
        self.gaps = 0
        """How many readings have come too late, one after the other."""
        self._from = 0.0
        """From then on readings count."""
        self._readings: deque[tuple[float, float]] = deque()
        self._way: Way | None = None
        """What the last readings say."""
        self._way_since: float | None = None

    def look(self, gates: Gates | None, now: float, *, spin_up: float, why: str) -> Ended | None:
        """What is known now of the fan and its gates. `why`: a clause, should that end an alarm."""
        if gates == self.gates:
            return None
        just_on = self.gates is None
        self.gates, self.expected = gates, None
        self._from = now + SETTLES + (spin_up if just_on else 0.0)
        return self._begin_anew(why)

    def expect(self, expected: Expected | None, why: str) -> Ended | None:
        """What the suction should be with these gates; None: nobody can tell."""
        if expected == self.expected:
            return None
        self.expected = expected
        self._way = self._way_since = None
        return self._end(why)

    def interrupt(self, now: float, why: str) -> Ended | None:
        """What was read so far says nothing any more: the broker was away, the loop stood still."""
        self.last = None
        self._from = max(self._from, now + SETTLES)
        return self._begin_anew(why)

    def take(self, value: float, now: float) -> Raised | Ended | None:
        """A live reading."""
        self.gaps = self.gaps + 1 if self.last is not None and now - self.last[1] > FRESH else 0
        ended = self.pass_time(now)
        self.last = value, now
        if self.gates is None or now < self._from:
            return ended
        if not self._readings or now - self._readings[-1][0] >= APART:
            self._readings.append((now, value))
        while now - self._readings[0][0] > WINDOW:
            self._readings.popleft()
        return ended or self._judge(value, now)

    def pass_time(self, now: float) -> Ended | None:
        """An alarm never outlives the readings that it rests on."""
        if self.last is None or now - self.last[1] <= FRESH:
            return None
        return self._begin_anew(f"no reading from its sensor for {FRESH:g} s")

    def level(self, now: float, *, seconds: float, least: float) -> Level | None:
        """What was read in the last seconds with the gates as they are; None: over less than `least` of them."""
        found = [(at, value) for at, value in self._readings if now - at <= seconds]
        if self.gates is None or not found or found[-1][0] - found[0][0] < least:
            return None
        values = [value for _, value in found]
        lasted = found[-1][0] - found[0][0]
        return Level(self.gates, _median(values), min(values), max(values), lasted, len(values))

    def _judge(self, value: float, now: float) -> Raised | Ended | None:
        expected = self.expected
        if expected is None or self.gates is None:
            return None
        way = Way.HIGH if value > expected.high else Way.LOW if value < expected.low else None
        if way is not self._way or self._way_since is None:
            self._way, self._way_since = way, now
        if now - self._way_since < HOLDS or way is self.alarm:
            return None
        if way is None:
            return self._end(WITHIN)
        self.alarm = way
        since = self._way_since
        return Raised(way, _median([each for at, each in self._readings if at >= since]), self.gates, expected)

    def _begin_anew(self, why: str) -> Ended | None:
        self._readings.clear()
        self._way = self._way_since = None
        return self._end(why)

    def _end(self, why: str) -> Ended | None:
        was, self.alarm = self.alarm, None
        return None if was is None else Ended(was, why)


def known_open(shop: Shop, state: State, at: CollectorAt) -> tuple[Gates | None, str]:
    """The gates of a collector that are proven open, while its fan is known to run at full speed; None: why not.

    A gate of which it is not known whether it is open lets nobody tell what the suction should be.
    """
    collector, fan = shop.collectors[at], state.collectors[at]
    if not state.connected or state.standstill:
        return None, "the broker is away, or the daemon was held up"
    witnesses = [fan.reported_on] * collector.reports + [fan.drawing] * collector.senses_motor
    if not isinstance(fan.phase, Running | RunOn) or fan.answer is not None or False in witnesses:
        return None, "the collector is off"
    if witnesses and True not in witnesses:
        return None, "the collector is not known to run"
    found = []
    for gate, seen in zip(shop.gates, state.gates, strict=True):
        if gate.collector != collector.name or isinstance(seen.move, GateShut):
            continue
        if not isinstance(seen.move, GateOpen):
            return None, f"gate {spoken(gate.name)} is neither proven open nor shut"
        found.append(gate.name)
    return tuple(found), "other gates are open now"


def open_words(gates: Gates) -> str:
    """`band saw and sweep open`."""
    return f"{listed(map(spoken, gates), last='and')} open" if gates else "no gate open"
