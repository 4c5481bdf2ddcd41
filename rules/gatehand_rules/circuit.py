"""Two inrushes on one circuit must not meet: how long a collector's start waits for another's."""

from collections.abc import Sequence
from math import inf

from gatehand_rules.shop import Shop
from gatehand_rules.state import CollectorState, ToolRunning, ToolState
from gatehand_rules.timers import due


def clear_at(shop: Shop, tools: Sequence[ToolState], collectors: Sequence[CollectorState], at: int) -> float:
    """Monotonic seconds from which the collector at index `at` may be told on; -inf when it may at any time."""
    name = shop.collectors[at].name
    clear = -inf
    for circuit in shop.circuits:
        if name not in circuit.collectors or circuit.start_gap <= 0:
            continue
        for tool, state in zip(shop.tools, tools, strict=True):
            if tool.name in circuit.tools and isinstance(state, ToolRunning):
                clear = max(clear, due(state.since, circuit.start_gap))
        for collector, fan in zip(shop.collectors, collectors, strict=True):
            if collector.name in circuit.collectors and collector.name != name:
                clear = max(clear, due(fan.started_at, circuit.start_gap))
    return clear
