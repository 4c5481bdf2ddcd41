"""Alarms that have outlived their cause. Whoever raises one ends it; this looks again after each step and each edit.

An edit can take a cause away that no event will ever end: a signal that is no longer watched, a limit that is no longer
set, a sensor that has to be learnt anew.
"""

from gatehand_rules.context import Context
from gatehand_rules.findings import Alarm, Rule
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
"""What ends here, and by which rule. A gate's fault, a fan against shut gates and what stops say end elsewhere."""


def end_old(context: Context) -> None:
    """Clear what stands without its cause."""
    for alarm in sorted(context.alarms):
        rule = _RULES.get(alarm.what)
        if rule is not None and not _goes_on(context, alarm):
            context.clear_alarm(alarm, rule)


def _goes_on(context: Context, alarm: Alarm) -> bool:
    """Whether what the alarm is about is still so."""
    shop, name = context.shop, alarm.name
    if alarm.kind == "tool" and (tool := shop.tool_at(name)) is not None:
        return _tool(context, tool, alarm.what)
    if alarm.kind == "gate" and (gate := shop.gate_at(name)) is not None:
        return _gate(context, gate, alarm.what)
    if alarm.kind == "collector" and (collector := shop.collector_at(name)) is not None:
        return _collector(context, collector, alarm.what)
    if alarm.kind == "stop" and (stop := shop.stop_at(name)) is not None:
        return shop.stops[stop].tells_online
    return True


def _tool(context: Context, at: ToolAt, what: str) -> bool:
    """The same of a tool."""
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
            return isinstance(state, ToolRunning) and _is_limited(context, context.shop.fan_of(at))
        case "not_served":
            return isinstance(state, ToolRunning)
        case _:
            return tool.tells_online


def _gate(context: Context, at: GateAt, what: str) -> bool:
    """The same of a gate."""
    gate, state = context.shop.gates[at], context.gates[at]
    match what:
        case "max_open":
            return state.hand is not None and _is_limited(context, context.shop.home_of(at))
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


def _is_limited(context: Context, at: CollectorAt) -> bool:
    return context.shop.collectors[at].max_open is not None
