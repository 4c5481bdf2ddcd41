"""When silence alone next changes the answer: the earliest deadline of all parts."""

from math import inf

from gatehand_rules import detect, doubt, fan, gates, hands, unheard
from gatehand_rules.shop import Shop
from gatehand_rules.state import State


def next_deadline(shop: Shop, state: State) -> float | None:
    """Monotonic seconds of the next deadline, or None. The caller steps with a `Tick` then; a late tick is harmless."""
    moments: list[float | None] = []
    judged = state.connected and state.adopted
    acting = state.connected and state.settle_at is None and not state.stopping
    moments.append(detect.wake_at(shop.tools, state.tools, state.doubts, judged=judged))
    if state.connected:
        for tool, each in zip(shop.tools, state.doubts, strict=False):
            if each is not None:
                moments.append(doubt.wake_at(shop.timing, each, tool.silent_after))
    if state.no_start_before > -inf:
        moments.append(state.no_start_before)
    moments.append(unheard.wake_at(shop.timing, state))
    for gate, gate_state in zip(shop.gates, state.gates, strict=True):
        if gate_state.hand is not None:
            moments.append(hands.wake_at(gate.hand_limit, gate_state))
        if acting and gates.travels(gate_state):
            moments.append(gates.wake_at(gate, gate_state))
    if state.connected and state.settle_at is not None and not state.stopping:
        moments.append(state.settle_at)
    if acting:
        for collector, collector_state in zip(shop.collectors, state.collectors, strict=True):
            moments.append(fan.wake_at(shop.timing, collector, collector_state, 0.0))
    return min((moment for moment in moments if moment is not None), default=None)
