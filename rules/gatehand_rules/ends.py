"""Alarms that have outlived their cause. Whoever raises one ends it; this looks again after each step and each edit.

An edit can take a cause away that no event will ever end: a signal that is no longer watched, a limit that is no longer
set, a sensor that has to be learnt anew.
"""

from gatehand_rules.context import Context
from gatehand_rules.findings import Rule
from gatehand_rules.shop import CollectorAt, GateAt, ToolAt
from gatehand_rules.state import Freshness, Held, Opening, ToolMuted, ToolRunning, ToolSilent, speaking

COLLECTOR_RULES = {
    "held": Rule.HOLD,
    "no_answer": Rule.ANSWER,
    "shut_gates": Rule.FAN_AGAINST_SHUT_GATES,
    "too_few_gates": Rule.MIN_OPEN,
    "bin_full": Rule.BIN_FULL,
    "offline": Rule.OFFLINE,
}
"""What an alarm of a collector is about, and which rule raises it; below, which ends it where its cause is gone."""
_RULES = {
    "not_fresh": Rule.STOP_THRESHOLD,
    "silent": Rule.SILENT_AFTER,
    "run_limit": Rule.RUN_LIMIT,
    "max_open": Rule.MAX_OPEN,
    "not_served": Rule.NO_DEMAND,
    **{what: rule for what, rule in COLLECTOR_RULES.items() if what != "shut_gates"},
    "too_few_gates": Rule.NO_DEMAND,
}
"""What ends here, and by which rule. A gate's fault, a fan against shut gates and the stops' alarms end elsewhere."""


def end_old(context: Context) -> None:
    """Clear what stands without its cause."""
    for alarm in sorted(context.alarms):
        kind, name, what = alarm.kind, alarm.name, alarm.what
        rule = _RULES.get(what)
        if rule is None:
            continue
        shop, goes_on = context.shop, True
        if kind == "tool" and (tool := shop.tool_at(name)) is not None:
            goes_on = _tool(context, tool, what)
        elif kind == "gate" and (gate := shop.gate_at(name)) is not None:
            goes_on = _gate(context, gate, what)
        elif kind == "collector" and (collector := shop.collector_at(name)) is not None:
            goes_on = _collector(context, collector, what)
        if not goes_on:
            context.clear_alarm(alarm, rule)


def _tool(context: Context, at: ToolAt, what: str) -> bool:
    """Whether what this alarm of a tool is about is still so."""
    tool, state = context.shop.tools[at], context.tools[at]
    was = speaking(state)
    match what:
        case "not_fresh":
            return isinstance(was, ToolRunning) and was.freshness is Freshness.STALE
        case "silent":
            return isinstance(state, ToolSilent)
        case "run_limit":
            return isinstance(was, ToolMuted)
        case "max_open":
            return isinstance(state, ToolRunning) and _limited(context, tool.collector)
        case "not_served":
            return isinstance(state, ToolRunning)
        case _:
            return tool.tells_online


def _gate(context: Context, at: GateAt, what: str) -> bool:
    """The same of a gate."""
    gate, state = context.shop.gates[at], context.gates[at]
    match what:
        case "max_open":
            return state.hand is not None and _limited(context, gate.collector)
        case "not_served":
            return state.hand is not None
        case _:
            return gate.tells_online


def _collector(context: Context, at: CollectorAt, what: str) -> bool:
    """The same of a collector."""
    collector, state = context.shop.collectors[at], context.collectors[at]
    match what:
        case "held":
            return isinstance(state.phase, Held)
        case "no_answer":
            return state.answer is not None
        case "too_few_gates":
            return isinstance(state.phase, Opening)
        case "bin_full":
            return state.bin_full
        case _:
            return collector.tells_online


def _limited(context: Context, collector: str) -> bool:
    at = context.shop.collector_at(collector)
    return at is not None and context.shop.collectors[at].max_open is not None
