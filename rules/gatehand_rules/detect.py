"""Tool detection: from readings to idle, running, run-on, silent, muted (hysteresis, delays, silence).

After a silence a start has to be confirmed (`doubt`); `start_after` counts from the first reading all the same.

A rise that never becomes a start leaves a finding when it is over (`rise`).
"""

from collections.abc import Sequence
from itertools import repeat
from math import inf
from typing import assert_never

from msgspec.structs import replace

from gatehand_rules import readings
from gatehand_rules import state as st
from gatehand_rules.collectors import start_refusal
from gatehand_rules.context import Context
from gatehand_rules.findings import Alarm, Fact, Happened, Rule
from gatehand_rules.gates import forget_fault
from gatehand_rules.readings import follow, lose
from gatehand_rules.shop import Tool, ToolAt
from gatehand_rules.timing import due, reached


def hear(context: Context, at: ToolAt, value: float, *, young: bool = False) -> None:
    """A live reading of the tool at index `at`. `value` is not negative."""
    tool, state = context.shop.tools[at], context.tools[at]
    # The last value held until now: a delay that ends in this very instant has passed.
    state = (
        _speak_again(context, tool, state, value) if isinstance(state, st.ToolSilent) else _after_delays(context, at)
    )
    now = context.now
    threshold = tool.stop_at if isinstance(state, st.ToolRunning) else tool.start_at
    how = readings.weigh(context, at, high=value >= threshold, young=young)
    match state:
        case st.ToolUnknown():
            _hear_unknown(context, at, tool, value)
        case st.ToolIdle(rise=rise) | st.ToolRunOn(rise=rise):
            context.tools[at] = replace(state, value=value, heard_at=now, rise=follow(context, at, rise, value))
            _start_if_due(context, at, how)
        case st.ToolRunning(since=since, freshness=freshness, low_since=low):
            low = None if value >= tool.stop_at else (now if low is None else low)
            if value >= tool.stop_at and freshness is st.Freshness.UNCONFIRMED and context.doubts[at] is None:
                freshness = st.Freshness.FRESH
            context.tools[at] = st.ToolRunning(value, now, since, freshness, low)
            _stop_if_due(context, at)
        case st.ToolMuted():
            if value < tool.stop_at:
                _unmute(context, at, value, now)
            else:
                context.tools[at] = st.ToolMuted(value, now)
        case _:
            assert_never(state)


def hear_old(context: Context, at: ToolAt, value: float) -> bool:
    """A reading of unknown age. Below the stop threshold the tool is idle by it; it starts and confirms nothing.

    False: it says nothing. It ends no silence either. `value` is not negative.
    """
    tool, state = context.shop.tools[at], context.tools[at]
    if value >= tool.stop_at:
        return False
    was = st.speaking(state)
    match was:
        case st.ToolUnknown(heard_at=heard_at):
            become(context, at, st.ToolIdle(value, heard_at))
        case st.ToolIdle(rise=rise) | st.ToolRunOn(rise=rise):
            if rise is not None and not isinstance(state, st.ToolSilent):
                context.tools[at] = replace(was, rise=follow(context, at, rise, value))
        case st.ToolRunning(heard_at=heard_at, low_since=low):
            if not isinstance(state, st.ToolSilent):
                context.tools[at] = replace(was, value=value, low_since=context.now if low is None else low)
                _stop_if_due(context, at)
            elif state.let_go:
                become(context, at, st.ToolIdle(value, heard_at))
                context.clear_alarm(Alarm("tool", tool.name, "not_fresh"), Rule.STOP_THRESHOLD)
        case st.ToolMuted(heard_at=heard_at):
            _unmute(context, at, value, heard_at)
        case _:
            assert_never(was)
    return True


def _unmute(context: Context, at: ToolAt, value: float, heard_at: float) -> None:
    tool = context.shop.tools[at]
    become(context, at, st.ToolIdle(value, heard_at))
    context.say(Happened.TOOL_STOPPED, Rule.STOP_THRESHOLD, tool.reading_fact(value), tool=tool.name, was="muted")
    context.clear_alarm(Alarm("tool", tool.name, "run_limit"), Rule.STOP_THRESHOLD)


def _hear_unknown(context: Context, at: ToolAt, tool: Tool, value: float) -> None:
    """First telling reading. Between the thresholds nothing is told."""
    if value < tool.stop_at:
        context.tools[at] = st.ToolIdle(value, context.now)
    elif value < tool.start_at:
        context.tools[at] = st.ToolUnknown(value, context.now)
    else:
        context.tools[at] = st.ToolRunning(value, context.now, context.now, st.Freshness.STALE)
        refuse_stale(context, at, Rule.FIRST_SEEN_DRAWING)


def refuse_stale(context: Context, at: ToolAt, rule: Rule) -> None:
    """Say that a tool that draws already starts nothing, and what would have to change."""
    tool = context.shop.tools[at]
    said = tool.reading_fact(st.speaking(context.tools[at]).value)
    context.say_of_tool(at, Happened.START_REFUSED, rule, **said, **tool.start_fact())
    context.raise_alarm(Alarm("tool", tool.name, "not_fresh"), rule, **said)


def _unread_since(tool: Tool, state: st.ToolSilent) -> float:
    """Since when there has been no reading; from a sensor that speaks only on change, since it was missed."""
    return state.since if tool.silent_after == 0 else min(state.was.heard_at, state.since)


def _speak_again(context: Context, tool: Tool, state: st.ToolSilent, value: float) -> st.ToolSpeaking:
    """What a tool is that was silent: what it was, less what has run out meanwhile."""
    context.say(
        Happened.TOOL_HEARD,
        Rule.SILENT_AFTER,
        tool.reading_fact(value),
        tool=tool.name,
        silent_for=round(context.now - _unread_since(tool, state), 3),
    )
    context.clear_alarm(Alarm("tool", tool.name, "silent"), Rule.SILENT_AFTER)
    # Whoever speaks is there; the will of before may be what a broker remembered that was killed meanwhile.
    if (offline := Alarm("tool", tool.name, "offline")) in context.alarms:
        context.say(Happened.DEVICE_ONLINE, Rule.OFFLINE, tool=tool.name)
        context.clear_alarm(offline, Rule.OFFLINE)
    was = state.was
    if isinstance(was, st.ToolRunning):
        freshness = st.Freshness.UNCONFIRMED if was.freshness is st.Freshness.FRESH else was.freshness
        was = replace(was, low_since=None, freshness=freshness)
        if state.let_go and value < tool.stop_at:
            context.clear_alarm(Alarm("tool", tool.name, "not_fresh"), Rule.STOP_THRESHOLD)
            return st.ToolIdle(value, context.now)
    if isinstance(was, st.ToolRunOn):
        return st.ToolIdle(value, context.now) if state.let_go else replace(was, rise=None)
    if isinstance(was, st.ToolIdle):
        return replace(was, rise=None)
    return was


def _after_delays(context: Context, at: ToolAt) -> st.ToolSpeaking:
    _start_if_due(context, at, readings.end_unchallenged(context, at))
    _stop_if_due(context, at)
    _end_run_on_if_due(context, at)
    return st.speaking(context.tools[at])


def _start_if_due(context: Context, at: ToolAt, how: str | None = None) -> None:
    """`how`: what has confirmed it in this very step, after a silence."""
    tool, state = context.shop.tools[at], context.tools[at]
    if context.doubts[at] is not None or not isinstance(state, (st.ToolIdle, st.ToolRunOn)):
        return
    above_since = None if state.rise is None else state.rise.above_since
    if above_since is None or not reached(context.now, above_since, tool.start_after):
        return
    waited = round(context.now - due(above_since, tool.start_after), 3)
    late: dict[str, Fact] = {"waited": waited, "confirmed_by": how} if how is not None and waited > 0 else {}
    refused = start_refusal(context, context.shop.fan_of(at))
    freshness = st.Freshness.FRESH if refused is None else st.Freshness.STALE
    context.tools[at] = st.ToolRunning(state.value, state.heard_at, context.now, freshness)
    context.say_of_tool(
        at,
        Happened.TOOL_STARTED,
        Rule.AFTER_SILENCE if late else Rule.START_THRESHOLD,
        **tool.reading_fact(state.value),
        **tool.start_fact(),
        start_after=tool.start_after,
        **late,
    )
    if refused is not None:
        refuse_stale(context, at, refused)
    for gate in context.shop.ways_of(at)[0]:
        forget_fault(context, gate)


def _stop_if_due(context: Context, at: ToolAt) -> None:
    tool, state = context.shop.tools[at], context.tools[at]
    if not isinstance(state, st.ToolRunning) or state.low_since is None:
        return
    if not reached(context.now, state.low_since, tool.stop_after):
        return
    context.say_of_tool(
        at,
        Happened.TOOL_STOPPED,
        Rule.STOP_THRESHOLD,
        **tool.reading_fact(state.value),
        **tool.stop_fact(),
        stop_after=tool.stop_after,
        ran_for=round(context.now - state.since, 3),
        run_on=tool.run_on,
    )
    context.clear_alarm(Alarm("tool", tool.name, "not_fresh"), Rule.STOP_THRESHOLD)
    stopped_at = due(state.low_since, tool.stop_after)
    context.tools[at] = st.ToolRunOn(state.value, state.heard_at, stopped_at, state.freshness)
    _end_run_on_if_due(context, at)


def _end_run_on_if_due(context: Context, at: ToolAt) -> None:
    tool, state = context.shop.tools[at], context.tools[at]
    if isinstance(state, st.ToolRunOn) and reached(context.now, state.since, tool.run_on):
        context.tools[at] = st.ToolIdle(state.value, state.heard_at, state.rise)
        context.say_of_tool(at, Happened.RUN_ON_ENDED, Rule.RUN_ON, run_on=tool.run_on)


def mute(context: Context, at: ToolAt, rule: Rule) -> None:
    """Serve the tool no more until it has stopped by its sensor."""
    tool, state = context.shop.tools[at], st.speaking(context.tools[at])
    become(context, at, st.ToolMuted(state.value, state.heard_at))
    context.say(Happened.TOOL_MUTED, rule, tool.reading_fact(state.value) | tool.stop_fact(), tool=tool.name)
    context.clear_alarm(Alarm("tool", tool.name, "not_fresh"), rule)


def become(context: Context, at: ToolAt, what: st.ToolSpeaking) -> None:
    """Set what the tool is, or was when it fell silent."""
    state = context.tools[at]
    context.tools[at] = replace(state, was=what) if isinstance(state, st.ToolSilent) else what


def fall_silent(context: Context, at: ToolAt, rule: Rule, since: float) -> None:
    """The sensor says nothing since then: nothing starts from it; a running tool is held for its run-on."""
    tool = context.shop.tools[at]
    lose(context, at)
    state = context.tools[at]
    if isinstance(state, st.ToolSilent):
        return
    context.tools[at], context.doubts[at] = st.ToolSilent(state, since), st.Doubt()
    context.say_of_tool(
        at,
        Happened.TOOL_SILENT,
        rule,
        was=type(state).__name__.removeprefix("Tool").lower(),
        silent_after=tool.silent_after,
        **tool.reading_fact(state.value, "last_"),
        run_on=tool.run_on,
    )
    context.raise_alarm(Alarm("tool", tool.name, "silent"), rule, silent_after=tool.silent_after)


def time_passes(context: Context) -> None:
    """What time alone changes about the tools."""
    judged = context.connected and context.adopted
    for at, state in zip(context.shop.each_tool, context.tools, strict=True):
        # Most tools, most of the time: idle, and heard not long ago.
        if type(state) is st.ToolIdle and state.rise is None and context.doubts[at] is None:
            silent_after = context.shop.tools[at].silent_after
            if not judged or silent_after == 0 or context.now < due(state.heard_at, silent_after):
                continue
        _time_passes(context, at, judged=judged)


def _time_passes(context: Context, at: ToolAt, *, judged: bool) -> None:
    tool, state = context.shop.tools[at], context.tools[at]
    now = context.now
    judged = judged and tool.silent_after > 0
    if judged and not isinstance(state, st.ToolSilent) and reached(now, state.heard_at, tool.silent_after):
        fall_silent(context, at, Rule.SILENT_AFTER, due(state.heard_at, tool.silent_after))
    state = context.tools[at]
    if not isinstance(state, st.ToolSilent):
        state = _after_delays(context, at)
        if isinstance(state, st.ToolRunning) and tool.run_limit > 0 and reached(now, state.since, tool.run_limit):
            mute(context, at, Rule.RUN_LIMIT)
            context.raise_alarm(Alarm("tool", tool.name, "run_limit"), Rule.RUN_LIMIT, run_limit=tool.run_limit)
    elif not state.let_go and reached(now, held_from(state), tool.run_on):
        context.tools[at] = replace(state, let_go=True)
        if isinstance(state.was, (st.ToolRunning, st.ToolRunOn)):
            context.say_of_tool(at, Happened.RUN_ON_ENDED, Rule.SILENT_AFTER, run_on=tool.run_on)


def held_from(state: st.ToolSilent) -> float:
    """When a silent tool's run-on began."""
    return state.was.since if isinstance(state.was, st.ToolRunOn) else state.since


def wake_at(
    tools: Sequence[Tool], states: Sequence[st.ToolState], doubts: Sequence[st.Doubt | None], *, judged: bool
) -> float:
    """When silence alone next changes one of the tools, inf: never. `judged`: connected, so that silence counts.

    A start that waits to be confirmed has no instant of its own: what confirms it has.
    """
    earliest = inf
    for tool, state, doubted in zip(tools, states, doubts or repeat(None), strict=False):
        if type(state) is st.ToolIdle and state.rise is None:  # most tools, most of the time
            if judged and tool.silent_after > 0:
                earliest = min(earliest, state.heard_at + tool.silent_after)
        else:
            earliest = min(earliest, _wake_at(tool, state, judged=judged, rises=doubted is None))
    return due(earliest, 0.0)


def _wake_at(tool: Tool, state: st.ToolState, *, judged: bool, rises: bool) -> float:
    if isinstance(state, st.ToolSilent):
        return inf if state.let_go else due(held_from(state), tool.run_on)
    moments = [due(state.heard_at, tool.silent_after)] if judged and tool.silent_after > 0 else []
    if isinstance(state, st.ToolRunning):
        if state.low_since is not None:
            moments.append(due(state.low_since, tool.stop_after))
        if tool.run_limit > 0:
            moments.append(due(state.since, tool.run_limit))
    if isinstance(state, st.ToolRunOn):
        moments.append(due(state.since, tool.run_on))
    rise = state.rise if rises and isinstance(state, (st.ToolIdle, st.ToolRunOn)) else None
    if rise is not None and rise.above_since is not None:
        moments.append(due(rise.above_since, tool.start_after))
    return min(moments, default=inf)


def is_at_rest(state: st.ToolSpeaking) -> bool:
    """Idle or unknown: nothing is lost by taking it for that again."""
    return isinstance(state, (st.ToolIdle, st.ToolUnknown))
