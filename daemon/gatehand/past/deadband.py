"""Which readings of a tool decide nothing, as a deadband: what falls in it changes only the last value.

The rules stay the only judge: a reading outside its tool's deadband is stepped in full, and so is any reading when the
answer here is None. Too narrow a deadband costs time; too wide a one would be an error, so it is written from
`gatehand_rules.detect` case by case, and a property test compares it with stepping every reading.
"""

from dataclasses import dataclass
from math import ceil
from typing import assert_never

from msgspec.structs import replace

from gatehand_rules.rise import NOTICE
from gatehand_rules.shop import Collector, Shop, Tool
from gatehand_rules.state import (
    CollectorState,
    FanSeen,
    GateOpen,
    Held,
    Hump,
    Standing,
    State,
    ToolIdle,
    ToolMuted,
    ToolRunning,
    ToolRunOn,
    ToolSilent,
    ToolState,
    ToolUnknown,
)

LOWEST, HIGHEST = -(10**9), 10**9
"""Milliampere; no reading lies beyond them."""


@dataclass(frozen=True, slots=True)
class Deadband:
    """Milliampere: from `low` to below `high`."""

    low: int
    high: int


ANY = Deadband(LOWEST, HIGHEST)


@dataclass(frozen=True, slots=True)
class Edges:
    """A tool's thresholds in whole milliampere: the smallest reading that is at or above each."""

    notice: int
    start: int
    stop: int


def edges(tool: Tool) -> Edges:
    """The thresholds as the rules compare them, exactly."""
    return Edges(
        notice=at_least(tool.start_amps * NOTICE), start=at_least(tool.start_amps), stop=at_least(tool.stop_amps)
    )


def at_least(amps: float) -> int:
    """The smallest whole number of milliampere that is not below `amps`."""
    found = ceil(amps * 1000)
    while (found - 1) / 1000 >= amps:
        found -= 1
    while found / 1000 < amps:
        found += 1
    return found


def deadband(edge: Edges, state: ToolState, *, low: bool, calm: bool) -> Deadband | None:
    """The deadband within which the tool's readings decide nothing.

    `low`: the interlock has seen the tool below its stop threshold and waits for its start; a reading that would tell
    it something new decides. `calm`: no fan lacks air; only then may more be passed over than a step itself does.
    """
    found = _plain(edge, state) or (_wide(edge, state) if calm else None)
    if found is None:
        return None
    found = Deadband(found.low, min(found.high, edge.start)) if low else Deadband(max(found.low, edge.stop), found.high)
    return found if found.low < found.high else None


def _plain(edge: Edges, state: ToolState) -> Deadband | None:
    """Where `detect.quick` passes: a tool that runs, or stands, and goes on so."""
    if isinstance(state, ToolRunning) and state.low_since is None:
        return None if state.standing is Standing.UNCONFIRMED else Deadband(edge.stop, HIGHEST)
    if isinstance(state, ToolIdle) and state.hump is None:
        return Deadband(LOWEST, edge.notice)
    return None


def _wide(edge: Edges, state: ToolState) -> Deadband | None:
    """Where a full step would come to nothing, as long as no deadline is due."""
    match state:
        case ToolUnknown():
            return Deadband(edge.stop, edge.start)
        case ToolIdle(hump=hump) | ToolRunOn(hump=hump):
            return Deadband(LOWEST, edge.notice) if hump is None else _within_hump(edge, hump)
        case ToolRunning():
            return None if state.low_since is None else Deadband(LOWEST, edge.stop)
        case ToolMuted():
            return Deadband(edge.stop, HIGHEST)
        case ToolSilent():
            return None
        case _:
            assert_never(state)


def _within_hump(edge: Edges, hump: Hump) -> Deadband:
    past_peak = round(hump.peak * 1000) + 1
    if hump.above_since is None:
        return Deadband(edge.notice, min(past_peak, edge.start))
    return Deadband(edge.start, past_peak)


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


def with_reading(state: ToolState, ms: int, ma: int) -> ToolState:
    """The tool after a reading within its deadband."""
    amps, now = max(0, ma) / 1000, ms / 1000
    match state:
        case ToolIdle(hump=hump):
            return ToolIdle(amps, now, hump)
        case ToolRunning():
            return ToolRunning(amps, now, state.since, state.standing, state.low_since)
        case ToolSilent():
            return state
        case ToolUnknown() | ToolRunOn() | ToolMuted():
            return replace(state, amps=amps, heard_at=now)
        case _:
            assert_never(state)
