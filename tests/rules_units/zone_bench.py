"""Contexts of a shop of four tools, made by hand. No test stands here."""

from typing import Any

from unit_bench import fan, gate, ready, shop, tool

from gatehand_rules import Shop, demand
from gatehand_rules.context import Context
from gatehand_rules.shop import CollectorAt
from gatehand_rules.state import (
    CollectorState,
    Freshness,
    GateMove,
    GateShut,
    GateState,
    Hand,
    Running,
    ToolIdle,
    ToolRunning,
    ToolRunOn,
    ToolState,
)

NAMES = ("saw", "jointer", "sander", "lathe")
FRESH, STALE = Freshness.FRESH, Freshness.STALE
SERVED = CollectorState(phase=Running(), reported_on=True)


def four(**collector: Any) -> Shop:  # noqa: ANN401 - the fields of a collector
    """Four tools with a gate each at one collector, a fifth at another."""
    return shop(
        *(tool(name) for name in NAMES),
        tool("far", collector="other"),
        *(gate(name) for name in NAMES),
        gate("far", collector="other"),
        fan(**collector),
        fan("other"),
    )


def drawn(
    place: Shop,
    *states: ToolState,
    moves: tuple[GateMove, ...] = (),
    hands: tuple[Hand | None, ...] = (),
    collector: CollectorState = SERVED,
) -> Context:
    """A context at 100 s: these tools, then idle ones; these gates, then shut ones."""
    bench = ready(place)
    tools = tuple(states) + tuple(ToolIdle(0.0, 90.0) for _ in place.tools[len(states) :])
    gates = tuple(
        GateState(
            move=moves[at] if at < len(moves) else GateShut(),
            hand=hands[at] if at < len(hands) else None,
        )
        for at in range(len(place.gates))
    )
    bench.put(tools=tools, gates=gates, collectors=(collector, *bench.state.collectors[1:]))
    return Context(place, bench.state, 100.0)


def order(context: Context, at: int = 0) -> list[str]:
    """Who is served, first to last."""
    return [
        f"by hand: {one.name}" if one.tool is None else one.name
        for one in demand.of_collector(context, CollectorAt(at))
    ]


def cutting(since: float, standing: Freshness = FRESH) -> ToolRunning:
    """It cuts since then."""
    return ToolRunning(5.0, 99.0, since, standing)


def running_on(since: float, standing: Freshness = FRESH) -> ToolRunOn:
    """In run-on since then."""
    return ToolRunOn(0.0, 99.0, since, standing)


def assisting(**collector: Any) -> Shop:  # noqa: ANN401 - the same
    """Two tools with gates that assist them."""
    return shop(
        tool("saw", assist=("sweep", "hood")),
        tool("jointer", assist=("hood", "saw")),
        gate("saw"),
        gate("jointer"),
        gate("sweep"),
        gate("hood"),
        fan(**collector),
    )
