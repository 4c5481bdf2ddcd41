"""What screens are shown of tools, gates and collectors: the state's word and facts, built from the rules' state.

Pure: nothing is remembered here, and nothing published.
"""

import math
from collections.abc import Callable, Mapping
from typing import Final, TypeAlias

from msgspec import Struct

from gatehand.times import stamp
from gatehand_rules import collectors
from gatehand_rules import state as st
from gatehand_rules.shop import Collector, CollectorAt, Gate, GateAt, Shop, ToolAt
from gatehand_rules.words import Measure

RECENT: Final = 15.0
"""Seconds since it was heard for which what watches a fan counts as heard now: a status of it is not sent anew."""
Subject: TypeAlias = tuple[str, str]
"""Kind and name: ("tool", "band_saw")."""
MoreOfStatus: TypeAlias = Callable[[str, str], Mapping[str, object]]
"""What else a status says, by kind and name."""


class ClockPair(Struct, frozen=True):
    """One instant on both clocks, so that a deadline of the rules can be shown as a time of day."""

    mono: float
    offset: float
    """Wall time less monotonic time."""

    @property
    def wall(self) -> float:
        """Wall seconds."""
        return self.mono + self.offset

    def of(self, mono: float) -> str:
        """RFC 3339 of a monotonic instant."""
        return stamp(self.offset + mono)


def status_of(
    shop: Shop,
    subject: Subject,
    state: st.State,
    at: ClockPair,
    hold_id: Callable[[str], str | None],
    *,
    heard_at: float | None = None,
) -> tuple[str, dict[str, object]]:
    """Its state in a word, and what else its status says.

    `hold_id`: of the hold that a collector is under. `heard_at`: when the tool's or gate's sensor was last heard live
    (monotonic seconds); None: not since the daemon's start.
    """
    heard = None if heard_at is None else at.of(heard_at)
    match subject:
        case ("tool", name) if (tool := shop.tool_at(name)) is not None:
            return st.tool_word(state.tools[tool]), {**_tool(shop, tool, state.tools[tool], at), "reading_at": heard}
        case ("gate", name) if (gate := shop.gate_at(name)) is not None:
            return st.gate_word(state.gates[gate]), {**_gate(shop, gate, state, at), "reported_at": heard}
        case ("collector", name) if (fan := shop.collector_at(name)) is not None:
            held_by = {"hold_id": hold_id(name) if isinstance(state.collectors[fan].phase, st.Held) else None}
            return st.collector_word(state.collectors[fan]), {**_collector(shop, fan, state, at), **held_by}
    return "unknown", {}


def _tool(shop: Shop, i: ToolAt, state: st.ToolState, at: ClockPair) -> dict[str, object]:
    tool = shop.tools[i]
    ends = None
    if isinstance(state, st.ToolRunOn):
        ends = state.since + tool.run_on
    elif isinstance(state, st.ToolSilent) and not state.let_go and isinstance(state.was, st.ToolRunning | st.ToolRunOn):
        ends = (state.was.since if isinstance(state.was, st.ToolRunOn) else state.since) + tool.run_on
    facts: dict[str, object] = {
        **tool.reading_fact(state.value),
        **tool.start_fact(),
        **tool.stop_fact(),
        "gates": tool.gates,
        "collector": tool.collector,
        "run_on": tool.run_on,
        "run_on_ends": None if ends is None else at.of(ends),
    }
    speaking = st.speaking(state)
    if isinstance(speaking, st.ToolRunning | st.ToolRunOn):
        facts["standing"] = str(speaking.freshness)
    return facts


def _gate(shop: Shop, i: GateAt, state: st.State, at: ClockPair) -> dict[str, object]:
    gate, seen = shop.gates[i], state.gates[i]
    hand_ends = None if seen.hand is None else at.of(seen.hand.since + gate.hand_limit)
    return {
        "collector": gate.collector,
        "proven": isinstance(seen.move, st.GateOpen),
        "reported": None if seen.reported is None else str(seen.reported),
        "reports": gate.reports,
        "known_by": _known_by(gate, seen),
        "told_at": at.of(seen.move.first) if isinstance(seen.move, st.GateTravels) else None,
        "by_hand": not gate.commanded,
        "hand": seen.hand is not None,
        "hand_ends": hand_ends,
    }


def _known_by(gate: Gate, seen: st.GateState) -> str | None:
    """What it rests on where the gate is: its live report, one that the broker had kept, time alone, or a telling."""
    match seen.move:
        case st.GateOpen() | st.GateShut() if gate.reports and seen.reported is not None:
            return "report" if seen.live else "kept"
        case st.GateOpen() | st.GateShut():
            return "time" if seen.move.since > -math.inf else None
        case st.GateOpening() | st.GateShutting():
            return "told"
        case _:
            return None


def _witnesses(collector: Collector, seen: st.CollectorState, at: ClockPair) -> dict[str, object]:
    """What its switch and its motor's sensor said last, when, and whether that is of now. None: it has none such."""
    motor, answer = seen.motor, seen.answer
    switch: dict[str, object] = {"at": at.of(seen.reported_at) if seen.reported_at > -math.inf else None}
    switch |= {"kept": seen.reported_on is not None and not seen.report_live}
    switch |= {"recent": at.mono - seen.reported_at <= RECENT}
    shown: dict[str, object] = {str(collector.measure): None if motor is None else _value(collector, motor)}
    shown |= {"at": None if motor is None else at.of(motor.heard_at), "kept": motor is not None and not motor.live}
    shown |= {"recent": motor is not None and at.mono - motor.heard_at <= RECENT}
    switched = None
    if seen.told_at > -math.inf:
        on = answer.on if answer is not None else seen.on_phase
        switched = {"to": "on" if on else "off", "at": at.of(seen.told_at), "answered": answer is None}
    return {
        "switch": switch if collector.reports else None,
        "motor": shown if collector.senses_motor else None,
        "switched": switched,
    }


def _value(collector: Collector, motor: st.MotorHeard) -> float | bool:
    return motor.value >= collector.turns_at if collector.measure is Measure.RUNNING else motor.value


def steady(facts: Mapping[str, object]) -> dict[str, object]:
    """The same without what changes with every message of a device: not worth another status by itself."""
    found = {key: value for key, value in facts.items() if key not in {"reading_at", "reported_at"}}
    for key in ("switch", "motor"):
        if isinstance(part := found.get(key), dict):
            found[key] = {name: value for name, value in part.items() if name not in {"at", *Measure}}
    return found


def _collector(shop: Shop, i: CollectorAt, state: st.State, at: ClockPair) -> dict[str, object]:
    collector, seen = shop.collectors[i], state.collectors[i]
    served = [each for each in zip(shop.tools, state.tools, strict=True) if each[0].collector == collector.name]
    tools = [tool.name for tool, each in served if isinstance(each, st.ToolRunning)]
    run_ons = [each.since + tool.run_on for tool, each in served if isinstance(each, st.ToolRunOn)]
    # Nobody knows until when while a tool cuts.
    until = max(run_ons) if seen.on_phase and run_ons and not tools else None
    # Switched off and not known to turn: it stands still at an instant that is known.
    coasts = not seen.on_phase and at.mono < seen.still_at < math.inf
    hands = [
        gate.name
        for gate, each in zip(shop.gates, state.gates, strict=True)
        if gate.collector == collector.name and each.hand is not None
    ]
    return {
        "running": tools,
        "hands": hands,
        "run_on_until": None if until is None else at.of(until),
        "coast_down_until": at.of(seen.still_at) if coasts else None,
        "reported_on": seen.reported_on,
        "drawing": seen.drawing,
        **_witnesses(collector, seen, at),
        "starts_this_hour": len(collectors.spent(seen, at.mono)) if collector.starts_per_hour is not None else None,
        "starts_per_hour": collector.starts_per_hour,
        "bin_full": seen.bin_full,
        "held": seen.phase.why if isinstance(seen.phase, st.Held) else None,
    }


def subjects_of(shop: Shop) -> dict[Subject, None]:
    """Everything in the shop that has a status, in the order of the config."""
    found: dict[Subject, None] = {("collector", collector.name): None for collector in shop.collectors}
    found.update({("gate", gate.name): None for gate in shop.gates})
    found.update({("tool", tool.name): None for tool in shop.tools})
    return found


def changed(shop: Shop, before: st.State, after: st.State) -> dict[Subject, None]:
    """The subjects whose state is another object than before, and all collectors; `shop` is the one of `after`."""
    if len(before.tools) != len(after.tools) or len(before.gates) != len(after.gates):
        return subjects_of(shop)
    found: dict[Subject, None] = {("collector", collector.name): None for collector in shop.collectors}
    if before.gates is not after.gates:
        gates = zip(shop.gates, before.gates, after.gates, strict=True)
        found.update({("gate", gate.name): None for gate, was, is_now in gates if was is not is_now})
    if before.tools is not after.tools:
        tools = zip(shop.tools, before.tools, after.tools, strict=True)
        found.update({("tool", tool.name): None for tool, was, is_now in tools if was is not is_now})
    return found
