"""What screens are shown of tools, gates and collectors: the state's word and facts, built from the rules' state.

Pure: nothing is remembered here, and nothing published.
"""

import math
from collections.abc import Callable, Iterator, Mapping
from typing import Final, TypeAlias

from msgspec import Struct

from gatehand.shell.foresight import why_off, why_on
from gatehand.times import lasting, stamp
from gatehand_rules import Rule, collectors
from gatehand_rules import state as st
from gatehand_rules.forecast import Ahead
from gatehand_rules.shop import Collector, CollectorAt, Gate, GateAt, Shop, ToolAt
from gatehand_rules.timing import due
from gatehand_rules.words import Measure

RECENT: Final = 15.0
"""Seconds since it was heard for which what watches a fan counts as heard now: a status of it is not sent anew."""
_OF_EACH_WORD: Final = frozenset({"at", *Measure})
"""What each word of a witness changes."""
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

    def of(self, mono: float | None) -> str | None:
        """RFC 3339 of a monotonic instant; None stays None."""
        return None if mono is None else stamp(self.offset + mono)


class Present(Struct, frozen=True):
    """All that a status is made of."""

    shop: Shop
    state: st.State
    ahead: Ahead
    """Whatever a status foretells is of it, and comes true when nothing else happens."""
    at: ClockPair


def status_of(
    subject: Subject,
    present: Present,
    hold_id: Callable[[str], str | None],
    *,
    heard_at: float | None = None,
    confirmed: float | None = None,
) -> tuple[str, dict[str, object]]:
    """Its state in a word, and what else its status says; `because` only where the state itself is the reason.

    `hold_id`: of the hold that a collector is under. `heard_at`: when the tool's or gate's sensor was last heard live
    (monotonic seconds); None: not since the daemon's start. `confirmed`: which switching on of a collector was
    confirmed last (`confirmed_on`).
    """
    shop, state, ahead, at = present.shop, present.state, present.ahead, present.at
    heard = None if heard_at is None else at.of(heard_at)
    match subject:
        case ("tool", name) if (tool := shop.tool_at(name)) is not None:
            facts = _tool(shop, tool, state.tools[tool], at.of(ahead.run_on_ends[tool]))
            return st.tool_word(state.tools[tool]), {**facts, "reading_at": heard}
        case ("gate", name) if (gate := shop.gate_at(name)) is not None:
            facts = _gate(shop, gate, state, ahead.hand_ends[gate], at)
            return st.gate_word(state.gates[gate]), {**facts, "reported_at": heard}
        case ("collector", name) if (fan := shop.collector_at(name)) is not None:
            held_by = {"hold_id": hold_id(name) if isinstance(state.collectors[fan].phase, st.Held) else None}
            return st.collector_word(state.collectors[fan]), {
                **_collector(shop, fan, state, ahead, at),
                **_witnesses(shop.collectors[fan], state.collectors[fan], at, confirmed),
                **held_by,
            }
    return "unknown", {}


def _tool(shop: Shop, i: ToolAt, state: st.ToolState, run_on_ends: str | None) -> dict[str, object]:
    tool = shop.tools[i]
    facts: dict[str, object] = {
        **tool.reading_fact(state.value),
        **tool.start_fact(),
        **tool.stop_fact(),
        "gates": tool.gates,
        "collector": tool.collector,
        "run_on": tool.run_on,
        "run_on_ends": run_on_ends,
    }
    speaking = st.speaking(state)
    if isinstance(speaking, st.ToolRunning | st.ToolRunOn):
        facts["standing"] = str(speaking.freshness)
    return facts


def _gate(shop: Shop, i: GateAt, state: st.State, hand_ends: float | None, at: ClockPair) -> dict[str, object]:
    gate, seen = shop.gates[i], state.gates[i]
    return {
        "collector": gate.collector,
        "proven": isinstance(seen.move, st.GateOpen),
        "reported": None if seen.reported is None else str(seen.reported),
        "reports": gate.reports,
        "known_by": _known_by(gate, seen),
        "told_at": at.of(seen.move.first) if isinstance(seen.move, st.GateTravels) else None,
        "by_hand": not gate.commanded,
        "hand": seen.hand is not None,
        "hand_ends": at.of(hand_ends),
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


def confirmed_on(seen: st.CollectorState) -> float | None:
    """When it was switched on, where that is confirmed; else None."""
    return seen.told_at if seen.confirmed and seen.answer is None else None


def _witnesses(
    collector: Collector, seen: st.CollectorState, at: ClockPair, confirmed: float | None
) -> dict[str, object]:
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
        switched |= {"no_longer": answer is not None and answer.on and seen.told_at == confirmed}
    return {
        "switch": switch if collector.reports else None,
        "motor": shown if collector.senses_motor else None,
        "switched": switched,
    }


def _why_not_confirmed(collector: Collector, seen: st.CollectorState, now: float) -> str:
    """Why a fan whose coast-down has passed is not known to have stopped; else "".

    Made anew for each status, and without ages and readings: those stand beside it, and would make a message of each.
    """
    answer, coast_down = seen.answer, lasting(collector.coast_down, whole=True)
    coasts_or_off = isinstance(seen.phase, st.CoastDown | st.Off) and answer is not None and not answer.on
    if not coasts_or_off or now < due(seen.told_at, collector.coast_down):
        return ""
    if seen.seen_on:
        return f"switched off, but {' and '.join(_still_on(collector, seen))}"
    if now < seen.still_at:
        return ""
    passed = f"its coast-down of {coast_down} has passed" if collector.coast_down else "it was switched off"
    if seen.reported_on is False and seen.report_live:
        return f"{passed} and its switch reports off; what watches its motor has not said that it has stopped"
    return f"{passed}; nothing confirms that it has stopped"


def _still_on(collector: Collector, seen: st.CollectorState) -> Iterator[str]:
    """Each witness by which the fan may still turn: it says so, or has not spoken since the fan was switched off."""
    if seen.reported_on:
        since = seen.report_live and seen.reported_at >= seen.told_at
        yield "its switch still reports on" if since else "its switch has not reported since"
    if seen.drawing:
        motor, contact = seen.motor, collector.measure is Measure.RUNNING
        if motor is not None and not (motor.live and motor.heard_at >= seen.told_at):
            yield f"its motor's {'contact' if contact else 'meter'} has not spoken since"
        else:
            yield "its motor's contact still says running" if contact else "its motor still draws current"


def _value(collector: Collector, motor: st.MotorHeard) -> float | bool:
    return motor.value >= collector.turns_at if collector.measure is Measure.RUNNING else motor.value


def steady(facts: Mapping[str, object]) -> dict[str, object]:
    """The same without what changes with every message of a device: not worth another status by itself."""
    found = {key: value for key, value in facts.items() if key not in {"reading_at", "reported_at"}}
    for key in ("switch", "motor"):
        if isinstance(part := found.get(key), dict):
            found[key] = {name: value for name, value in part.items() if name not in _OF_EACH_WORD}
    return found


def _collector(shop: Shop, i: CollectorAt, state: st.State, ahead: Ahead, at: ClockPair) -> dict[str, object]:
    collector, seen, coming = shop.collectors[i], state.collectors[i], ahead.collectors[i]
    served = [each for each in zip(shop.tools, state.tools, strict=True) if each[0].collector == collector.name]
    hands = [
        gate.name
        for gate, each in zip(shop.gates, state.gates, strict=True)
        if gate.collector == collector.name and each.hand is not None
    ]
    held = seen.phase if isinstance(seen.phase, st.Held) else None
    spent, limit, until = len(collectors.spent(seen, at.mono)), collector.starts_per_hour, at.of(coming.off_at)
    off_at = None if coming.off_at is None else at.offset + coming.off_at
    because = why_on(coming, spent, limit, off_at) or _why_not_confirmed(collector, seen, at.mono)
    return {
        **({"because": because} if because else {}),
        "running": [tool.name for tool, each in served if isinstance(each, st.ToolRunning)],
        "hands": hands,
        "until": until,
        "until_because": None if until is None else why_off(coming, spent, limit),
        "run_on_until": until if {each.rule for each in coming.off_by} == {Rule.RUN_ON} else None,
        "coast_down_until": at.of(coming.still_at),
        "reported_on": seen.reported_on,
        "drawing": seen.drawing,
        "starts_this_hour": spent if limit is not None else None,
        "starts_per_hour": limit,
        "bin_full": seen.bin_full,
        "held": held.why if held is not None else None,
        "held_by_stop": held is not None and not held.by and held.why in {stop.name for stop in shop.stops},
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


def retold(shop: Shop, before: Ahead, after: Ahead) -> dict[Subject, None]:
    """The subjects of which something else is foretold than before; everything, where the shop is another."""
    if len(before.run_on_ends) != len(shop.tools) or len(before.hand_ends) != len(shop.gates):
        return subjects_of(shop)
    tools = zip(shop.tools, before.run_on_ends, after.run_on_ends, strict=True)
    gates = zip(shop.gates, before.hand_ends, after.hand_ends, strict=True)
    found: dict[Subject, None] = {("collector", collector.name): None for collector in shop.collectors}
    found.update({("gate", gate.name): None for gate, was, is_now in gates if was != is_now})
    found.update({("tool", tool.name): None for tool, was, is_now in tools if was != is_now})
    return found
