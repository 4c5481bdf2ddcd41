"""Whether what an alarm is about is there: told from the shop and the state, without a line of the rules' own code.

"Every alarm ends when its cause has" is `{alarm.id for alarm in state.alarms} <= standing_causes(shop, state)`.
"""

from collections.abc import Iterator
from typing import TypeVar

from gatehand_rules.shop import Collector, Gate, Shop, Tool
from gatehand_rules.state import (
    CollectorState,
    Freshness,
    GateFault,
    GateOpen,
    GateOpening,
    GateShutting,
    GateState,
    Held,
    Opening,
    Running,
    RunOn,
    SpinUp,
    State,
    ToolMuted,
    ToolRunning,
    ToolSilent,
    ToolState,
)

A = TypeVar("A")
B = TypeVar("B")

CAUSES = {
    "tool.not_fresh": "it draws and was refused; over: it stopped, was muted, started afresh, or has to be learnt anew",
    "tool.silent": "it is silent; over: it was heard, or the config wants no word of it",
    "tool.run_limit": "it draws beyond its limit and is muted; over: it fell below its stop threshold",
    "tool.max_open": "it cuts without air for want of room; over: it got air, stopped, or there is no limit",
    "tool.not_served": "it cuts and none of its gates opens; over: one did, or it stopped",
    "tool.offline": "its device said that it goes; over: it is back, or nobody listens any more",
    "gate.fault": "it did not go where it was told; over: it is where it is wanted, or its position is open anew",
    "gate.max_open": "a hand start without air for want of room; over: it got air, ended, or there is no limit",
    "gate.not_served": "a hand start whose gate does not open; over: it did, or the hand start ended",
    "gate.offline": "as a tool's",
    "collector.held": "it is held; over: reset",
    "collector.no_answer": "it was told and does not show it; over: it does, or nothing looks any more",
    "collector.shut_gates": "a fan that turned against shut gates; over: a start with gates enough went well",
    "collector.too_few_gates": "a start that waits for gates; over: it started, or nobody wants it any more",
    "collector.bin_full": "its bin is full; over: emptied, or nobody looks any more",
    "collector.offline": "as a tool's",
    "stop.active": "its contact is active; over: clear, or another contact",
    "stop.offline": "as a tool's",
    "stop.unclear": "its last word was not understood; over: one was, or another contact",
    "daemon.stops_unheard": "the stop contacts' connection is lost; over: they are heard, or there are none",
}
"""By kind and what: the cause, and what ends it."""


def standing_causes(shop: Shop, state: State) -> frozenset[str]:
    """Ids of the alarms whose cause is there."""
    return frozenset(
        [
            *(
                f"tool.{one.name}.{what}"
                for one, seen in _pairs(shop.tools, state.tools)
                for what in _tool(one, seen, shop)
            ),
            *(
                f"gate.{one.name}.{what}"
                for one, seen in _pairs(shop.gates, state.gates)
                for what in _gate(one, seen, shop)
            ),
            *(
                f"collector.{one.name}.{what}"
                for one, seen in _pairs(shop.collectors, state.collectors)
                for what in _fan(one, seen, shop, state)
            ),
            *(f"stop.{one.name}.active" for one, active in _pairs(shop.stops, state.stops) if active),
            *(f"stop.{one.name}.unclear" for one in shop.stops),  # the state does not keep the word itself
            *(f"stop.{one.name}.offline" for one in shop.stops if one.tells_online),
            *(["daemon.main.stops_unheard"] if shop.stops and state.stops_lost_at is not None else []),
        ]
    )


def _pairs(these: tuple[A, ...], those: tuple[B, ...]) -> Iterator[tuple[A, B]]:
    return zip(these, those, strict=True)


def _limited(shop: Shop, collector: str) -> bool:
    return any(one.name == collector and one.max_open is not None for one in shop.collectors)


def _tool(tool: Tool, seen: ToolState, shop: Shop) -> Iterator[str]:
    was = seen.was if isinstance(seen, ToolSilent) else seen
    if isinstance(was, ToolRunning) and was.freshness is Freshness.STALE:
        yield "not_fresh"
    if isinstance(seen, ToolSilent):
        yield "silent"
    if isinstance(was, ToolMuted):
        yield "run_limit"
    if isinstance(seen, ToolRunning):
        yield "not_served"
        if _limited(shop, tool.collector):
            yield "max_open"
    if tool.tells_online:
        yield "offline"


def _gate(gate: Gate, seen: GateState, shop: Shop) -> Iterator[str]:
    if isinstance(seen.move, GateFault | GateOpening | GateShutting):
        yield "fault"
    if seen.hand is not None:
        yield "not_served"
        if _limited(shop, gate.collector):
            yield "max_open"
    if gate.tells_online:
        yield "offline"


def _fan(fan: Collector, seen: CollectorState, shop: Shop, state: State) -> Iterator[str]:
    if isinstance(seen.phase, Held):
        yield "held"
    if seen.answer is not None and (fan.reports or fan.senses_motor):
        yield "no_answer"
    if isinstance(seen.phase, Opening):
        yield "too_few_gates"
    if seen.bin_full and fan.tells_bin:
        yield "bin_full"
    if fan.tells_online:
        yield "offline"
    proven = sum(
        1
        for gate, each in _pairs(shop.gates, state.gates)
        if gate.collector == fan.name and isinstance(each.move, GateOpen)
    )
    acting = state.connected and state.settle_at is None and state.adopted and not state.stopping
    went_well = isinstance(seen.phase, SpinUp | Running | RunOn) and proven >= fan.min_open
    if not (acting and went_well):
        yield "shut_gates"
