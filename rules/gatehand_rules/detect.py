"""Tool detection: from current readings to idle, running, run-on, silent, muted (hysteresis, delays, silence).

A rise that never becomes a start is remembered as a hump and leaves a finding when it is over: the owner asks about
the cut that was missed more often than about the one that was not.
"""

from collections.abc import Sequence
from math import inf
from typing import assert_never

from msgspec.structs import replace

from gatehand_rules.alarms import alarm_id
from gatehand_rules.draft import Draft
from gatehand_rules.fan import bin_refuses
from gatehand_rules.findings import Happened, Rule
from gatehand_rules.gates import forget_fault
from gatehand_rules.shop import Tool
from gatehand_rules.state import (
    Held,
    Hump,
    Standing,
    ToolIdle,
    ToolMuted,
    ToolRunning,
    ToolRunOn,
    ToolSilent,
    ToolSpeaking,
    ToolState,
    ToolUnknown,
)
from gatehand_rules.timers import due, reached

NOTICE = 0.5
"""A rise counts as a possible missed cut from this share of `start_amps` on."""
SHORTEST_HUMP = 1.0
"""Seconds. A rise that stays under the threshold and is shorter leaves no finding."""


def quick(tool: Tool, state: ToolState, amps: float, now: float) -> ToolState | None:
    """The tool's next state for a reading that decides nothing, else None. `amps` is not negative."""
    if type(state) is ToolRunning and amps >= tool.stop_amps and state.low_since is None:
        if state.standing is Standing.UNCONFIRMED:
            return None
        return ToolRunning(amps, now, state.since, state.standing)
    if type(state) is ToolIdle and state.hump is None and amps < tool.start_amps * NOTICE:
        return ToolIdle(amps, now)
    if type(state) is ToolRunOn and state.hump is None and amps < tool.start_amps * NOTICE:
        return ToolRunOn(amps, now, state.since, state.standing)
    return None


def hear(draft: Draft, at: int, amps: float) -> None:
    """A live reading of the tool at index `at`. `amps` is not negative."""
    tool, state = draft.shop.tools[at], draft.tools[at]
    # The last value held until now: a delay that ends in this very instant has passed.
    state = _speak_again(draft, tool, state, amps) if isinstance(state, ToolSilent) else _after_delays(draft, at)
    now = draft.now
    match state:
        case ToolUnknown():
            _hear_unknown(draft, at, tool, amps)
        case ToolIdle(hump=hump):
            hump = _follow_hump(draft, tool, hump, amps)
            draft.tools[at] = ToolIdle(amps, now, hump)
            _start_if_due(draft, at)
        case ToolRunning(since=since, standing=standing, low_since=low):
            low = None if amps >= tool.stop_amps else (now if low is None else low)
            if amps >= tool.stop_amps and standing is Standing.UNCONFIRMED:
                standing = Standing.FRESH
            draft.tools[at] = ToolRunning(amps, now, since, standing, low)
            _stop_if_due(draft, at)
        case ToolRunOn(since=since, standing=standing, hump=hump):
            hump = _follow_hump(draft, tool, hump, amps)
            draft.tools[at] = ToolRunOn(amps, now, since, standing, hump)
            _start_if_due(draft, at)
        case ToolMuted():
            if amps < tool.stop_amps:
                draft.tools[at] = ToolIdle(amps, now)
                draft.say(Happened.TOOL_STOPPED, Rule.STOP_THRESHOLD, tool=tool.name, amps=amps, was="muted")
                draft.clear_alarm(alarm_id("tool", tool.name, "run_limit"), Rule.STOP_THRESHOLD, tool=tool.name)
            else:
                draft.tools[at] = ToolMuted(amps, now)
        case _:
            assert_never(state)


def _hear_unknown(draft: Draft, at: int, tool: Tool, amps: float) -> None:
    """First telling reading. Between the thresholds nothing is told."""
    if amps < tool.stop_amps:
        draft.tools[at] = ToolIdle(amps, draft.now)
    elif amps < tool.start_amps:
        draft.tools[at] = ToolUnknown(amps, draft.now)
    else:
        draft.tools[at] = ToolRunning(amps, draft.now, draft.now, Standing.STALE)
        refuse_stale(draft, at, Rule.FIRST_SEEN_DRAWING)


def refuse_stale(draft: Draft, at: int, rule: Rule) -> None:
    """Say that a tool that draws already starts nothing, and what would have to change."""
    tool, state = draft.shop.tools[at], draft.tools[at]
    draft.say(
        Happened.START_REFUSED,
        rule,
        tool=tool.name,
        collector=tool.collector,
        amps=state.amps,
        start_amps=tool.start_amps,
    )
    draft.raise_alarm(alarm_id("tool", tool.name, "not_fresh"), rule, tool=tool.name, amps=state.amps)


def _speak_again(draft: Draft, tool: Tool, state: ToolSilent, amps: float) -> ToolSpeaking:
    """What a tool is that was silent: what it was, less what has run out meanwhile."""
    draft.say(
        Happened.TOOL_HEARD, Rule.SILENT_AFTER, tool=tool.name, amps=amps, silent_for=round(draft.now - state.since, 3)
    )
    draft.clear_alarm(alarm_id("tool", tool.name, "silent"), Rule.SILENT_AFTER, tool=tool.name)
    was = state.was
    if isinstance(was, ToolRunning):
        was = replace(was, low_since=None)
        if state.let_go and amps < tool.stop_amps:
            draft.clear_alarm(alarm_id("tool", tool.name, "not_fresh"), Rule.STOP_THRESHOLD, tool=tool.name)
            return ToolIdle(amps, draft.now)
    if isinstance(was, ToolRunOn):
        return ToolIdle(amps, draft.now) if state.let_go else replace(was, hump=None)
    if isinstance(was, ToolIdle):
        return replace(was, hump=None)
    return was


def _follow_hump(draft: Draft, tool: Tool, hump: Hump | None, amps: float) -> Hump | None:
    """Carry a rise on; a rise that is over without a start leaves its finding."""
    now = draft.now
    if amps < tool.start_amps * NOTICE:
        if hump is not None:
            _say_missed(draft, tool, _close_spell(hump, now))
        return None
    hump = hump or Hump(now, amps, longest=-1.0)
    if amps > hump.peak:
        hump = replace(hump, peak=amps)
    if amps >= tool.start_amps:
        return replace(hump, above_since=now) if hump.above_since is None else hump
    return _close_spell(hump, now)


def _close_spell(hump: Hump, now: float) -> Hump:
    if hump.above_since is None:
        return hump
    return replace(hump, above_since=None, longest=max(hump.longest, round(now - hump.above_since, 3)))


def _say_missed(draft: Draft, tool: Tool, hump: Hump) -> None:
    lasted = round(draft.now - hump.since, 3)
    if hump.longest >= 0:
        draft.say(
            Happened.START_MISSED,
            Rule.SHORTER_THAN_START_AFTER,
            tool=tool.name,
            collector=tool.collector,
            peak=hump.peak,
            start_amps=tool.start_amps,
            above_for=hump.longest,
            start_after=tool.start_after,
            lasted=lasted,
        )
    elif lasted >= SHORTEST_HUMP:
        draft.say(
            Happened.START_MISSED,
            Rule.BELOW_START_THRESHOLD,
            tool=tool.name,
            collector=tool.collector,
            peak=hump.peak,
            start_amps=tool.start_amps,
            lasted=lasted,
        )


def _after_delays(draft: Draft, at: int) -> ToolSpeaking:
    _start_if_due(draft, at)
    _stop_if_due(draft, at)
    _end_run_on_if_due(draft, at)
    state = draft.tools[at]
    return state.was if isinstance(state, ToolSilent) else state


def _start_if_due(draft: Draft, at: int) -> None:
    tool, state = draft.shop.tools[at], draft.tools[at]
    if not isinstance(state, (ToolIdle, ToolRunOn)) or state.hump is None or state.hump.above_since is None:
        return
    if reached(draft.now, state.hump.above_since, tool.start_after):
        _start(draft, at, state)


def _start(draft: Draft, at: int, state: ToolIdle | ToolRunOn) -> None:
    tool = draft.shop.tools[at]
    home = draft.shop.collector_at(tool.collector)
    standing = Standing.FRESH
    refused: Rule | None = None
    if home is not None:
        fan = draft.collectors[home]
        if isinstance(fan.phase, Held):
            refused = Rule.HOLD
        elif bin_refuses(draft.shop.collectors[home], fan) and not fan.on_phase:
            refused = Rule.BIN_FULL
    if refused is not None:
        standing = Standing.STALE
    draft.tools[at] = ToolRunning(state.amps, state.heard_at, draft.now, standing)
    draft.say(
        Happened.TOOL_STARTED,
        Rule.START_THRESHOLD,
        tool=tool.name,
        collector=tool.collector,
        amps=state.amps,
        start_amps=tool.start_amps,
        start_after=tool.start_after,
    )
    if refused is not None:
        refuse_stale(draft, at, refused)
    for name in tool.gates:
        gate = draft.shop.gate_at(name)
        if gate is not None:
            forget_fault(draft, gate)


def _stop_if_due(draft: Draft, at: int) -> None:
    tool, state = draft.shop.tools[at], draft.tools[at]
    if not isinstance(state, ToolRunning) or state.low_since is None:
        return
    if not reached(draft.now, state.low_since, tool.stop_after):
        return
    draft.say(
        Happened.TOOL_STOPPED,
        Rule.STOP_THRESHOLD,
        tool=tool.name,
        collector=tool.collector,
        amps=state.amps,
        stop_amps=tool.stop_amps,
        stop_after=tool.stop_after,
        ran_for=round(draft.now - state.since, 3),
        run_on=tool.run_on,
    )
    draft.clear_alarm(alarm_id("tool", tool.name, "not_fresh"), Rule.STOP_THRESHOLD, tool=tool.name)
    stopped_at = due(state.low_since, tool.stop_after)
    draft.tools[at] = ToolRunOn(state.amps, state.heard_at, stopped_at, state.standing)
    _end_run_on_if_due(draft, at)


def _end_run_on_if_due(draft: Draft, at: int) -> None:
    tool, state = draft.shop.tools[at], draft.tools[at]
    if isinstance(state, ToolRunOn) and reached(draft.now, state.since, tool.run_on):
        draft.tools[at] = ToolIdle(state.amps, state.heard_at, state.hump)
        draft.say(Happened.RUN_ON_ENDED, Rule.RUN_ON, tool=tool.name, collector=tool.collector, run_on=tool.run_on)


def mute(draft: Draft, at: int, rule: Rule) -> None:
    """Serve the tool no more until its current has fallen below the stop threshold."""
    tool, state = draft.shop.tools[at], draft.tools[at]
    become(draft, at, ToolMuted(state.amps, last_heard(state)))
    draft.say(Happened.TOOL_MUTED, rule, tool=tool.name, amps=state.amps, stop_amps=tool.stop_amps)
    draft.clear_alarm(alarm_id("tool", tool.name, "not_fresh"), rule, tool=tool.name)


def become(draft: Draft, at: int, what: ToolSpeaking) -> None:
    """Set what the tool is, or was when it fell silent."""
    state = draft.tools[at]
    draft.tools[at] = replace(state, was=what) if isinstance(state, ToolSilent) else what


def last_heard(state: ToolState) -> float:
    """When the tool's sensor was last heard (monotonic seconds)."""
    return state.was.heard_at if isinstance(state, ToolSilent) else state.heard_at


def fall_silent(draft: Draft, at: int, rule: Rule, since: float) -> None:
    """The sensor says nothing since then: nothing starts from it; a running tool is held for its run-on."""
    tool, state = draft.shop.tools[at], draft.tools[at]
    if isinstance(state, ToolSilent):
        return
    draft.tools[at] = ToolSilent(state, since)
    draft.say(
        Happened.TOOL_SILENT,
        rule,
        tool=tool.name,
        collector=tool.collector,
        was=_word_of(state),
        silent_after=tool.silent_after,
        last_amps=state.amps,
        run_on=tool.run_on,
    )
    draft.raise_alarm(alarm_id("tool", tool.name, "silent"), rule, tool=tool.name, silent_after=tool.silent_after)


def _word_of(state: ToolSpeaking) -> str:
    return type(state).__name__.removeprefix("Tool").lower()


def time_passes(draft: Draft) -> None:
    """What time alone changes about the tools."""
    judged = draft.connected and draft.adopted
    for at, state in enumerate(draft.tools):
        # Most tools, most of the time: idle, and heard not long ago.
        if type(state) is ToolIdle and state.hump is None:
            silent_after = draft.shop.tools[at].silent_after
            if not judged or silent_after == 0 or draft.now < due(state.heard_at, silent_after):
                continue
        _time_passes(draft, at, judged=judged)


def _time_passes(draft: Draft, at: int, *, judged: bool) -> None:
    tool, state = draft.shop.tools[at], draft.tools[at]
    now = draft.now
    judged = judged and tool.silent_after > 0
    if judged and not isinstance(state, ToolSilent) and reached(now, state.heard_at, tool.silent_after):
        fall_silent(draft, at, Rule.SILENT_AFTER, due(state.heard_at, tool.silent_after))
        state = draft.tools[at]
    match state:
        case ToolUnknown() | ToolMuted():
            return
        case ToolIdle(hump=hump):
            if hump is not None:
                _start_if_due(draft, at)
        case ToolRunning():
            _stop_if_due(draft, at)
            _limit_if_due(draft, at)
        case ToolRunOn():
            _start_if_due(draft, at)
            _end_run_on_if_due(draft, at)
        case ToolSilent(let_go=let_go):
            if not let_go and reached(now, held_from(state), tool.run_on):
                draft.tools[at] = replace(state, let_go=True)
                if isinstance(state.was, (ToolRunning, ToolRunOn)):
                    draft.say(
                        Happened.RUN_ON_ENDED,
                        Rule.SILENT_AFTER,
                        tool=tool.name,
                        collector=tool.collector,
                        run_on=tool.run_on,
                    )
        case _:
            assert_never(state)


def held_from(state: ToolSilent) -> float:
    """When a silent tool's run-on began."""
    return state.was.since if isinstance(state.was, ToolRunOn) else state.since


def _limit_if_due(draft: Draft, at: int) -> None:
    tool, state = draft.shop.tools[at], draft.tools[at]
    if isinstance(state, ToolRunning) and tool.run_limit > 0 and reached(draft.now, state.since, tool.run_limit):
        mute(draft, at, Rule.RUN_LIMIT)
        draft.raise_alarm(
            alarm_id("tool", tool.name, "run_limit"), Rule.RUN_LIMIT, tool=tool.name, run_limit=tool.run_limit
        )


def wake_at(tools: Sequence[Tool], states: Sequence[ToolState], *, judged: bool) -> float | None:
    """When silence alone next changes one of the tools. `judged`: connected, so that silence counts."""
    earliest = inf
    for tool, state in zip(tools, states, strict=True):
        if type(state) is ToolIdle and state.hump is None:  # most tools, most of the time
            if judged and tool.silent_after > 0:
                earliest = min(earliest, state.heard_at + tool.silent_after)
        elif (moment := _wake_at(tool, state, judged=judged)) is not None:
            earliest = min(earliest, moment)
    return None if earliest == inf else due(earliest, 0.0)


def _wake_at(tool: Tool, state: ToolState, *, judged: bool) -> float | None:
    if isinstance(state, ToolSilent):
        return None if state.let_go else due(held_from(state), tool.run_on)
    moments = [due(state.heard_at, tool.silent_after)] if judged and tool.silent_after > 0 else []
    if isinstance(state, ToolRunning):
        if state.low_since is not None:
            moments.append(due(state.low_since, tool.stop_after))
        if tool.run_limit > 0:
            moments.append(due(state.since, tool.run_limit))
    if isinstance(state, ToolRunOn):
        moments.append(due(state.since, tool.run_on))
    if isinstance(state, (ToolIdle, ToolRunOn)) and state.hump is not None and state.hump.above_since is not None:
        moments.append(due(state.hump.above_since, tool.start_after))
    return min(moments, default=None)


def is_at_rest(state: ToolSpeaking) -> bool:
    """Idle or unknown: nothing is lost by taking it for that again."""
    return isinstance(state, (ToolIdle, ToolUnknown))
