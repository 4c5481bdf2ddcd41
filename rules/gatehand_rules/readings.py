"""What one reading is worth: which decides nothing, which is of a rise that became no start, which may be old (I6).

A rise of a tool's reading that has not become a start is remembered, and told when it is over: the owner asks about the
cut that was missed more often than about the one that was not.

A device or a broker may have held a reading back through a silence. A silence is a sensor that said nothing for its
`silent_after`, a device gone by its own will, the broker away, or the daemon's loop standing still. From then on a
reading at or above the tool's threshold starts nothing until it is confirmed: a live reading below the threshold came
since, at least `Timing.apart` earlier; or it is young (its own time, or a question that it answers, proves it); or a
second such reading comes at least `apart` later; or, from a contact or a sensor that speaks only on change, nothing
contrary comes for `Timing.unchallenged`.
"""

from math import inf, nextafter

from msgspec.structs import replace

from gatehand_rules import state as st
from gatehand_rules.context import Context
from gatehand_rules.findings import Happened, Rule
from gatehand_rules.shop import Tool, ToolAt
from gatehand_rules.timing import Timing, due, reached

NOTICE = 0.5
"""A rise counts as a possible missed cut from this share of the start threshold on."""


def deadband(tool: Tool, state: st.ToolState, *, wide: bool = False) -> tuple[float, float] | None:
    """Between which values a reading of the tool decides nothing: from the first to below the second.

    None: every reading may decide something. `wide`: also where it could decide something only of a fan that lacks
    air, or by a deadline that is due; whoever asks so has looked that neither is the case.
    """
    if type(state) is st.ToolRunning:
        if state.low_since is not None:
            return (-inf, tool.stop_at) if wide else None
        return None if state.freshness is st.Freshness.UNCONFIRMED else (tool.stop_at, inf)
    if type(state) is st.ToolIdle or type(state) is st.ToolRunOn:
        if state.rise is None:
            return -inf, tool.start_at * NOTICE
        return _within_rise(tool, state.rise) if wide else None
    if not wide or type(state) is st.ToolSilent:
        return None
    return (tool.stop_at, inf) if type(state) is st.ToolMuted else (tool.stop_at, tool.start_at)


def _within_rise(tool: Tool, rise: st.SubthresholdRise) -> tuple[float, float]:
    """On the same side of the start threshold, and no new peak."""
    past_peak = nextafter(rise.peak, inf)
    if rise.above_since is None:
        return tool.start_at * NOTICE, min(past_peak, tool.start_at)
    return tool.start_at, past_peak


def with_reading(state: st.ToolState, value: float, now: float) -> st.ToolState:
    """The tool after a reading within its deadband: only the value heard last is new. `value` is not negative."""
    if type(state) is st.ToolIdle:
        return st.ToolIdle(value, now, state.rise)
    if type(state) is st.ToolRunning:
        return st.ToolRunning(value, now, state.since, state.freshness, state.low_since)
    return state if isinstance(state, st.ToolSilent) else replace(state, value=value, heard_at=now)


def quick(tool: Tool, state: st.ToolState, value: float, now: float) -> st.ToolState | None:
    """The tool's next state for a reading that decides nothing, else None. `value` is not negative."""
    within = deadband(tool, state)
    return with_reading(state, value, now) if within is not None and within[0] <= value < within[1] else None


def follow(context: Context, at: ToolAt, rise: st.SubthresholdRise | None, value: float) -> st.SubthresholdRise | None:
    """Carry a rise on; a rise that is over without a start leaves its finding."""
    tool, now = context.shop.tools[at], context.now
    if value < tool.start_at * NOTICE:
        if rise is not None:
            _say_missed(context, at, _close(rise, now))
        return None
    rise = rise or st.SubthresholdRise(now, value, longest=-1.0)
    if value > rise.peak:
        rise = replace(rise, peak=value)
    if value >= tool.start_at:
        return replace(rise, above_since=now) if rise.above_since is None else rise
    return _close(rise, now)


def _close(rise: st.SubthresholdRise, now: float) -> st.SubthresholdRise:
    if rise.above_since is None:
        return rise
    return replace(rise, above_since=None, longest=max(rise.longest, round(now - rise.above_since, 3)))


def _say_missed(context: Context, at: ToolAt, rise: st.SubthresholdRise) -> None:
    tool = context.shop.tools[at]
    lasted = round(context.now - rise.since, 3)
    facts: dict[str, float] = {}
    if rise.longest >= 0:
        facts["above_for"] = rise.longest
    if rise.longest >= tool.start_after:  # it would have been a start, but for the silence before it
        rule = Rule.NOT_CONFIRMED
    elif rise.longest >= 0:
        rule, facts["start_after"] = Rule.SHORTER_THAN_START_AFTER, tool.start_after
    elif lasted >= context.shop.timing.shortest_rise:
        rule = Rule.BELOW_START_THRESHOLD
    else:
        return
    compared = tool.peak_fact(rise.peak) | tool.start_fact()
    context.say_of_tool(at, Happened.START_MISSED, rule, **compared, **facts, lasted=lasted)


def lose(context: Context, at: ToolAt) -> None:
    """A silence begins: a rise that still waited to be confirmed is over, and leaves its finding."""
    tool, state = context.shop.tools[at], context.tools[at]
    if not isinstance(state, (st.ToolIdle, st.ToolRunOn)) or state.rise is None or context.doubts[at] is None:
        return
    rise = _close(state.rise, context.now)
    if rise.longest >= tool.start_after:
        _say_missed(context, at, rise)
        context.tools[at] = replace(state, rise=None)


def borne_out(context: Context) -> list[ToolAt]:
    """The tools that run by a word heard since the connection, from a sensor whose word needs no second."""
    each = zip(context.shop.each_tool, context.shop.tools, context.tools, context.doubts, strict=True)
    return [
        at
        for at, tool, state, doubt in each
        if tool.needs_no_second
        and isinstance(state, st.ToolRunning)
        and state.low_since is None
        and (state.freshness is st.Freshness.FRESH or (doubt is not None and doubt.high_at is not None))
    ]


def may_be_the_latest(context: Context, at: ToolAt) -> bool:
    """Nothing newer of the tool has come: no live reading since the silence; in a standstill all comes in its order."""
    return context.standstill or context.doubts[at] == st.Doubt()


def weigh(context: Context, at: ToolAt, *, high: bool, young: bool) -> str | None:
    """Take a live reading in; what ended the doubt by it, if it did. `high`: at or above the tool's threshold."""
    doubt, now = context.doubts[at], context.now
    if doubt is None:
        return None
    apart = context.shop.timing.apart
    how = None
    if high and young:
        how = "a reading that was surely new confirmed it"
    elif doubt.low_at is not None and reached(now, doubt.low_at, apart):
        how = f"it had been seen below for {apart:g} s"
    elif high and doubt.high_at is not None and reached(now, doubt.high_at, apart):
        how = "a second reading agreed"
    if how is not None:
        context.doubts[at] = None
    elif high:
        context.doubts[at] = st.Doubt(doubt.low_at, now if doubt.high_at is None else doubt.high_at)
    else:
        context.doubts[at] = st.Doubt(now if doubt.low_at is None else doubt.low_at)
    return how


def end_unchallenged(context: Context, at: ToolAt) -> str | None:
    """What ended the doubt by time alone, if it did: a sensor whose word needs no second said nothing contrary."""
    timing = context.shop.timing
    if not context.connected or context.now < believed_at(timing, context.shop.tools[at], context.doubts[at]):
        return None
    context.doubts[at] = None
    state = context.tools[at]
    if isinstance(state, st.ToolRunning) and state.freshness is st.Freshness.UNCONFIRMED:
        context.tools[at] = replace(state, freshness=st.Freshness.FRESH)
    return f"nothing contradicted it for {timing.unchallenged:g} s"


def believed_at(timing: Timing, tool: Tool, doubt: st.Doubt | None) -> float:
    """When time alone ends the doubt about a sensor whose word needs no second; inf: never."""
    if doubt is None or doubt.high_at is None or not tool.needs_no_second:
        return inf
    return due(doubt.high_at, timing.unchallenged)
