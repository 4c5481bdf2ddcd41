"""Alarms that have outlived their cause. Whoever raises one ends it; this looks again after each step and each edit.

An edit can take a cause away that no event will ever end: a signal that is no longer watched, a limit that is no longer
set, a sensor that has to be learnt anew.
"""

from gatehand_rules.draft import Draft
from gatehand_rules.findings import Rule
from gatehand_rules.shop import CollectorAt, GateAt, ToolAt
from gatehand_rules.state import Held, Opening, Standing, ToolMuted, ToolRunning, ToolSilent, speaking

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


def end_old(draft: Draft) -> None:
    """Clear what stands without its cause."""
    for alarm in sorted(draft.alarms):
        kind, name, what = alarm.kind, alarm.name, alarm.what
        rule = _RULES.get(what)
        if rule is None:
            continue
        if kind == "tool" and (tool := draft.shop.tool_at(name)) is not None:
            if not _tool(draft, tool, what):
                draft.clear_alarm(alarm, rule)
        elif kind == "gate" and (gate := draft.shop.gate_at(name)) is not None:
            if not _gate(draft, gate, what):
                draft.clear_alarm(alarm, rule)
        elif kind == "collector" and (fan := draft.shop.collector_at(name)) is not None and not _fan(draft, fan, what):
            draft.clear_alarm(alarm, rule)


def _tool(draft: Draft, at: ToolAt, what: str) -> bool:
    """Whether what this alarm of a tool is about is still so."""
    tool, state = draft.shop.tools[at], draft.tools[at]
    was = speaking(state)
    match what:
        case "not_fresh":
            return isinstance(was, ToolRunning) and was.standing is Standing.STALE
        case "silent":
            return isinstance(state, ToolSilent)
        case "run_limit":
            return isinstance(was, ToolMuted)
        case "max_open":
            return isinstance(state, ToolRunning) and _limited(draft, tool.collector)
        case "not_served":
            return isinstance(state, ToolRunning)
        case _:
            return tool.tells_online


def _gate(draft: Draft, at: GateAt, what: str) -> bool:
    """The same of a gate."""
    gate, state = draft.shop.gates[at], draft.gates[at]
    match what:
        case "max_open":
            return state.hand is not None and _limited(draft, gate.collector)
        case "not_served":
            return state.hand is not None
        case _:
            return gate.tells_online


def _fan(draft: Draft, at: CollectorAt, what: str) -> bool:
    """The same of a collector."""
    collector, state = draft.shop.collectors[at], draft.collectors[at]
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


def _limited(draft: Draft, collector: str) -> bool:
    at = draft.shop.collector_at(collector)
    return at is not None and draft.shop.collectors[at].max_open is not None
