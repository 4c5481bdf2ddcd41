"""Which readings of a recording decide nothing, in whole milliampere: what falls in it changes only the last value.

The rules stay the only judge: `gatehand_rules.readings` says between which values a tool's reading decides nothing, and
whatever is outside, or of a tool of which it says None, is stepped in full. A property test compares it with stepping
every reading.
"""

from dataclasses import dataclass
from math import ceil, isfinite

from gatehand_rules import readings
from gatehand_rules.shop import Collector, Shop, Tool
from gatehand_rules.state import CollectorState, FanSeen, GateOpen, Held, State, ToolState

LOWEST, HIGHEST = -(10**9), 10**9
"""Milliampere; no reading lies beyond them."""


@dataclass(frozen=True, slots=True)
class Deadband:
    """Milliampere: from `low` to below `high`."""

    low: int
    high: int


ANY = Deadband(LOWEST, HIGHEST)


def at_least(amps: float) -> int:
    """The smallest whole number of milliampere that is not below `amps`."""
    found = ceil(amps * 1000)
    while (found - 1) / 1000 >= amps:
        found -= 1
    while found / 1000 < amps:
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
    least, most = (least, min(most, _whole(tool.start_amps))) if low else (max(least, _whole(tool.stop_amps)), most)
    return Deadband(least, most) if least < most else None


def _whole(amps: float) -> int:
    return at_least(amps) if isfinite(amps) else LOWEST if amps < 0 else HIGHEST


def fan_deadband(collector: Collector, fan: CollectorState, seen: FanSeen) -> Deadband | None:
    """The deadband within which a motor's current says nothing new; None while an answer is owed."""
    drawing = fan.drawing
    if drawing is None or drawing != seen.drawing or fan.answer is not None:
        return None
    running = at_least(collector.running_amps)
    if drawing:
        return Deadband(running, HIGHEST)
    # Standing while the switch says on is a tripped overload, for which `fan.see` asks for an answer; standing for the
    # first time after off is what the interlock waits for.
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
