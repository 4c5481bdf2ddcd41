"""Which readings of a recording decide nothing, in thousandths of their unit, and the cursor that passes over them.

The rules stay the only judge: `gatehand_rules.readings` says between which values a tool's reading decides nothing, and
whatever is outside, or of a tool of which it says None, is stepped in full. A property test compares it with stepping
every reading. The cursor runs over blocks of a column with `min` and `max`, so that a reading that decides nothing
costs nanoseconds.
"""

from array import array
from bisect import bisect_left
from dataclasses import dataclass
from itertools import pairwise
from math import ceil, isfinite

from gatehand.past.stretches import Track
from gatehand_rules import Collector, Shop, State, Tool, readings
from gatehand_rules.state import CollectorState, FanSeen, GateOpen, Held, ToolState

LOWEST, HIGHEST = -(10**9), 10**9
"""Thousandths; no reading lies beyond them."""
_BLOCK = 256
_STRIDE = 16


@dataclass(frozen=True, slots=True)
class Deadband:
    """Thousandths of the sensor's unit: from `low` to below `high`."""

    low: int
    high: int


ANY = Deadband(LOWEST, HIGHEST)


def at_least(value: float) -> int:
    """The smallest whole number of thousandths that is not below `value`."""
    found = ceil(value * 1000)
    while (found - 1) / 1000 >= value:
        found -= 1
    while found / 1000 < value:
        found += 1
    return found


def deadband(tool: Tool, state: ToolState, *, low: bool, calm: bool) -> Deadband | None:
    """The deadband within which the tool's readings decide nothing, to the interlock neither.

    `low`: the interlock has seen the tool below its stop threshold and waits for its start; a reading that would tell
    it something new decides. `calm`: no fan lacks air; only then may more be passed over than a step itself does.
    """
    within = readings.deadband(tool, state, wide=calm)
    if within is None:
        return None
    least, most = _whole(within[0]), _whole(within[1])
    least, most = (least, min(most, _whole(tool.start_at))) if low else (max(least, _whole(tool.stop_at)), most)
    return Deadband(least, most) if least < most else None


def _whole(value: float) -> int:
    return at_least(value) if isfinite(value) else LOWEST if value < 0 else HIGHEST


def fan_deadband(collector: Collector, fan: CollectorState, seen: FanSeen) -> Deadband | None:
    """The deadband within which a motor's sensor says nothing new; None while an answer is owed."""
    drawing = fan.drawing
    if drawing is None or drawing != seen.drawing or fan.answer is not None:
        return None
    running = at_least(collector.turns_at)
    if drawing:
        return Deadband(running, HIGHEST)
    # Standing while the switch says on is a tripped overload, for which `collectors.see` asks for an answer; standing
    # for the first time after off is what the interlock waits for.
    tripped = fan.on_phase and fan.confirmed and fan.reported_on
    return None if tripped or seen.off_told else Deadband(LOWEST, running)


def is_calm(shop: Shop, state: State) -> bool:
    """Nothing but deadlines moves the shop: no fan turns that is held off, or with too few gates proven open."""
    for collector, fan in zip(shop.collectors, state.collectors, strict=True):
        if not (fan.on_phase or fan.seen_on):
            continue
        proven = sum(
            gate.collector == collector.name and isinstance(seen.move, GateOpen)
            for gate, seen in zip(shop.gates, state.gates, strict=True)
        )
        if proven < collector.min_open or isinstance(fan.phase, Held):
            return False
    return True


class Cursor:
    """A place (`at`) in a track. `stop` is the first reading from there on that must be stepped, or its length."""

    def __init__(self, track: Track, silent_ms: int = 0) -> None:
        """`silent_ms`: a pause this long is a silence of the sensor, whose end must be stepped; 0: never."""
        self.ms, self.ma, self.order, self.young = track.ms, track.ma, track.order, track.young
        self.length = len(track.ms)
        self.at = 0
        self.stop = 0
        self._within: Deadband | None = None
        self._silent_ms = silent_ms
        self._gaps = _gaps(track.ms, silent_ms) if silent_ms > 0 else array("q")

    def look(self, deadband: Deadband | None) -> None:
        """Readings within `deadband` decide nothing from here on."""
        if deadband != self._within or self.at >= self.stop:
            self._within = deadband
            self.stop = self.at if deadband is None else self._scan(deadband)

    def _scan(self, within: Deadband) -> int:
        at = bisect_left(self._gaps, max(self.at, 1))
        limit = self._gaps[at] if at < len(self._gaps) else self.length
        return first_outside(self.ma, self.at, limit, within)

    def heard_ms(self, before: int) -> int:
        """When the last reading came before `stop`, or before a silence; `before`: the last one before this place."""
        if self.stop > self.at and (self._silent_ms <= 0 or self.ms[self.at] - before < self._silent_ms):
            return self.ms[self.stop - 1]
        return before

    def pass_to(self, at: int) -> tuple[int, int] | None:
        """Move on to index `at`; the last reading passed on the way (ms, thousandths), or None."""
        if at <= self.at:
            return None
        self.at = at
        return self.ms[at - 1], self.ma[at - 1]


def whole_ms(seconds: float) -> int:
    """The first whole millisecond at which `seconds` (rounded to the microsecond, as in the rules) have passed."""
    return ceil(round(seconds * 1000, 3))


def _gaps(ms: "array[int]", silent_ms: int) -> "array[int]":
    """Indices of readings that come so late after the one before that the sensor was silent between them."""
    found = array("q")
    ends = ms[_STRIDE::_STRIDE]
    if len(ms):
        ends.append(ms[-1])
    start = ms[0] if len(ms) else 0
    for block, end in enumerate(ends):
        if end - start >= silent_ms:
            base = block * _STRIDE
            piece = ms[base : base + _STRIDE + 1]
            found.extend(
                base + i for i, (before, after) in enumerate(pairwise(piece), 1) if after - before >= silent_ms
            )
        start = end
    return found


def first_outside(ma: "array[int]", start: int, limit: int, within: Deadband) -> int:
    """The first index from `start` on whose value is outside the deadband; `limit` when none before it is."""
    low, high = within.low, within.high
    at = start
    while at < limit:
        end = min(at + _BLOCK, limit)
        piece = ma[at:end]
        if (low > LOWEST and min(piece) < low) or (high < HIGHEST and max(piece) >= high):
            return at + next(i for i, one in enumerate(piece) if not low <= one < high)
        at = end
    return limit
