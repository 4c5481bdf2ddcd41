"""Tool detection: from current readings to idle, running, run-on, silent, muted (hysteresis, delays, silence).

After a silence a start has to be confirmed (`doubt`); `start_after` counts from the first reading all the same.

A rise that never becomes a start leaves a finding when it is over (`rise`).
"""

from collections.abc import Mapping, Sequence
from itertools import repeat
from math import inf
from typing import Any, assert_never

from msgspec.structs import replace

from gatehand_rules import readings
from gatehand_rules import state as st
from gatehand_rules.alarms import Alarm
from gatehand_rules.draft import Draft
from gatehand_rules.fan import start_refusal
from gatehand_rules.findings import Happened, Rule
from gatehand_rules.gates import forget_fault
from gatehand_rules.readings import follow, lose
from gatehand_rules.shop import Tool, ToolAt
from gatehand_rules.timing import due, reached


def hear(draft: Draft, at: ToolAt, amps: float, *, young: bool = False) -> None:
    """A live reading of the tool at index `at`. `amps` is not negative."""
    tool, state = draft.shop.tools[at], draft.tools[at]
    # The last value held until now: a delay that ends in this very instant has passed.
    state = _speak_again(draft, tool, state, amps) if isinstance(state, st.ToolSilent) else _after_delays(draft, at)
    now = draft.now
    threshold = tool.stop_amps if isinstance(state, st.ToolRunning) else tool.start_amps
    how = readings.weigh(draft, at, high=amps >= threshold, young=young)
    match state:
        case st.ToolUnknown():
            _hear_unknown(draft, at, tool, amps)
        case st.ToolIdle(hump=hump):
            hump = follow(draft, at, hump, amps)
            draft.tools[at] = st.ToolIdle(amps, now, hump)
            _start_if_due(draft, at, how)
        case st.ToolRunning(since=since, standing=standing, low_since=low):
            low = None if amps >= tool.stop_amps else (now if low is None else low)
            if amps >= tool.stop_amps and standing is st.Standing.UNCONFIRMED and draft.doubts[at] is None:
                standing = st.Standing.FRESH
            draft.tools[at] = st.ToolRunning(amps, now, since, standing, low)
            _stop_if_due(draft, at)
        case st.ToolRunOn(since=since, standing=standing, hump=hump):
            hump = follow(draft, at, hump, amps)
            draft.tools[at] = st.ToolRunOn(amps, now, since, standing, hump)
            _start_if_due(draft, at, how)
        case st.ToolMuted():
            if amps < tool.stop_amps:
                _unmute(draft, at, amps, now)
            else:
                draft.tools[at] = st.ToolMuted(amps, now)
        case _:
            assert_never(state)


def hear_old(draft: Draft, at: ToolAt, amps: float) -> bool:
    """A reading of unknown age. Below the stop threshold the tool is idle by it; it starts and confirms nothing.

    False: it says nothing. It ends no silence either. `amps` is not negative.
    """
    tool, state = draft.shop.tools[at], draft.tools[at]
    if amps >= tool.stop_amps:
        return False
    was = st.speaking(state)
    match was:
        case st.ToolUnknown(heard_at=heard_at):
            become(draft, at, st.ToolIdle(amps, heard_at))
        case st.ToolIdle(hump=hump) | st.ToolRunOn(hump=hump):
            if hump is not None and not isinstance(state, st.ToolSilent):
                draft.tools[at] = replace(was, hump=follow(draft, at, hump, amps))
        case st.ToolRunning(heard_at=heard_at, low_since=low):
            if not isinstance(state, st.ToolSilent):
                draft.tools[at] = replace(was, amps=amps, low_since=draft.now if low is None else low)
                _stop_if_due(draft, at)
            elif state.let_go:
                become(draft, at, st.ToolIdle(amps, heard_at))
                draft.clear_alarm(Alarm("tool", tool.name, "not_fresh"), Rule.STOP_THRESHOLD)
        case st.ToolMuted(heard_at=heard_at):
            _unmute(draft, at, amps, heard_at)
        case _:
            assert_never(was)
    return True


def _unmute(draft: Draft, at: ToolAt, amps: float, heard_at: float) -> None:
    tool = draft.shop.tools[at]
    become(draft, at, st.ToolIdle(amps, heard_at))
    draft.say(Happened.TOOL_STOPPED, Rule.STOP_THRESHOLD, tool=tool.name, amps=amps, was="muted")
    draft.clear_alarm(Alarm("tool", tool.name, "run_limit"), Rule.STOP_THRESHOLD)


def _hear_unknown(draft: Draft, at: ToolAt, tool: Tool, amps: float) -> None:
    """First telling reading. Between the thresholds nothing is told."""
    if amps < tool.stop_amps:
        draft.tools[at] = st.ToolIdle(amps, draft.now)
    elif amps < tool.start_amps:
        draft.tools[at] = st.ToolUnknown(amps, draft.now)
    else:
        draft.tools[at] = st.ToolRunning(amps, draft.now, draft.now, st.Standing.STALE)
        refuse_stale(draft, at, Rule.FIRST_SEEN_DRAWING)


def refuse_stale(draft: Draft, at: ToolAt, rule: Rule) -> None:
    """Say that a tool that draws already starts nothing, and what would have to change."""
    tool, amps = draft.shop.tools[at], st.speaking(draft.tools[at]).amps
    draft.say_of_tool(at, Happened.START_REFUSED, rule, amps=amps, start_amps=tool.start_amps)
    draft.raise_alarm(Alarm("tool", tool.name, "not_fresh"), rule, amps=amps)


def _speak_again(draft: Draft, tool: Tool, state: st.ToolSilent, amps: float) -> st.ToolSpeaking:
    """What a tool is that was silent: what it was, less what has run out meanwhile."""
    draft.say(
        Happened.TOOL_HEARD, Rule.SILENT_AFTER, tool=tool.name, amps=amps, silent_for=round(draft.now - state.since, 3)
    )
    draft.clear_alarm(Alarm("tool", tool.name, "silent"), Rule.SILENT_AFTER)
    # Whoever speaks is there; the will of before may be what a broker remembered that was killed meanwhile.
    if (offline := Alarm("tool", tool.name, "offline")) in draft.alarms:
        draft.say(Happened.DEVICE_ONLINE, Rule.OFFLINE, tool=tool.name)
        draft.clear_alarm(offline, Rule.OFFLINE)
    was = state.was
    if isinstance(was, st.ToolRunning):
        standing = st.Standing.UNCONFIRMED if was.standing is st.Standing.FRESH else was.standing
        was = replace(was, low_since=None, standing=standing)
        if state.let_go and amps < tool.stop_amps:
            draft.clear_alarm(Alarm("tool", tool.name, "not_fresh"), Rule.STOP_THRESHOLD)
            return st.ToolIdle(amps, draft.now)
    if isinstance(was, st.ToolRunOn):
        return st.ToolIdle(amps, draft.now) if state.let_go else replace(was, hump=None)
    if isinstance(was, st.ToolIdle):
        return replace(was, hump=None)
    return was


def _believe_in_time(draft: Draft, at: ToolAt) -> str | None:
    """A sensor that speaks only on change has said nothing contrary for long enough."""
    how, state = readings.end_unchallenged(draft, at), draft.tools[at]
    if how is not None and isinstance(state, st.ToolRunning) and state.standing is st.Standing.UNCONFIRMED:
        draft.tools[at] = replace(state, standing=st.Standing.FRESH)
    return how


def _after_delays(draft: Draft, at: ToolAt) -> st.ToolSpeaking:
    _start_if_due(draft, at, _believe_in_time(draft, at))
    _stop_if_due(draft, at)
    _end_run_on_if_due(draft, at)
    return st.speaking(draft.tools[at])


def _start_if_due(draft: Draft, at: ToolAt, how: str | None = None) -> None:
    """`how`: what has confirmed it in this very step, after a silence."""
    if draft.doubts[at] is not None:
        return
    tool, state = draft.shop.tools[at], draft.tools[at]
    if not isinstance(state, (st.ToolIdle, st.ToolRunOn)) or state.hump is None or state.hump.above_since is None:
        return
    if reached(draft.now, state.hump.above_since, tool.start_after):
        waited = round(draft.now - due(state.hump.above_since, tool.start_after), 3)
        _start(draft, at, state, {"waited": waited, "confirmed_by": how} if how is not None and waited > 0 else {})


def _start(draft: Draft, at: ToolAt, state: st.ToolIdle | st.ToolRunOn, late: Mapping[str, Any]) -> None:
    """`late`: for how long it had to be confirmed after a silence, and what did it."""
    tool = draft.shop.tools[at]
    home = draft.shop.fan_of(at)
    refused = start_refusal(draft.shop.collectors[home], draft.collectors[home])
    standing = st.Standing.FRESH if refused is None else st.Standing.STALE
    draft.tools[at] = st.ToolRunning(state.amps, state.heard_at, draft.now, standing)
    draft.say_of_tool(
        at,
        Happened.TOOL_STARTED,
        Rule.AFTER_SILENCE if late else Rule.START_THRESHOLD,
        amps=state.amps,
        start_amps=tool.start_amps,
        start_after=tool.start_after,
        **late,
    )
    if refused is not None:
        refuse_stale(draft, at, refused)
    for gate in draft.shop.ways_of(at)[0]:
        forget_fault(draft, gate)


def _stop_if_due(draft: Draft, at: ToolAt) -> None:
    tool, state = draft.shop.tools[at], draft.tools[at]
    if not isinstance(state, st.ToolRunning) or state.low_since is None:
        return
    if not reached(draft.now, state.low_since, tool.stop_after):
        return
    draft.say_of_tool(
        at,
        Happened.TOOL_STOPPED,
        Rule.STOP_THRESHOLD,
        amps=state.amps,
        stop_amps=tool.stop_amps,
        stop_after=tool.stop_after,
        ran_for=round(draft.now - state.since, 3),
        run_on=tool.run_on,
    )
    draft.clear_alarm(Alarm("tool", tool.name, "not_fresh"), Rule.STOP_THRESHOLD)
    stopped_at = due(state.low_since, tool.stop_after)
    draft.tools[at] = st.ToolRunOn(state.amps, state.heard_at, stopped_at, state.standing)
    _end_run_on_if_due(draft, at)


def _end_run_on_if_due(draft: Draft, at: ToolAt) -> None:
    tool, state = draft.shop.tools[at], draft.tools[at]
    if isinstance(state, st.ToolRunOn) and reached(draft.now, state.since, tool.run_on):
        draft.tools[at] = st.ToolIdle(state.amps, state.heard_at, state.hump)
        draft.say_of_tool(at, Happened.RUN_ON_ENDED, Rule.RUN_ON, run_on=tool.run_on)


def mute(draft: Draft, at: ToolAt, rule: Rule) -> None:
    """Serve the tool no more until its current has fallen below the stop threshold."""
    tool, state = draft.shop.tools[at], st.speaking(draft.tools[at])
    become(draft, at, st.ToolMuted(state.amps, state.heard_at))
    draft.say(Happened.TOOL_MUTED, rule, tool=tool.name, amps=state.amps, stop_amps=tool.stop_amps)
    draft.clear_alarm(Alarm("tool", tool.name, "not_fresh"), rule)


def become(draft: Draft, at: ToolAt, what: st.ToolSpeaking) -> None:
    """Set what the tool is, or was when it fell silent."""
    state = draft.tools[at]
    draft.tools[at] = replace(state, was=what) if isinstance(state, st.ToolSilent) else what


def fall_silent(draft: Draft, at: ToolAt, rule: Rule, since: float) -> None:
    """The sensor says nothing since then: nothing starts from it; a running tool is held for its run-on."""
    tool = draft.shop.tools[at]
    lose(draft, at)
    state = draft.tools[at]
    if isinstance(state, st.ToolSilent):
        return
    draft.tools[at], draft.doubts[at] = st.ToolSilent(state, since), st.Doubt()
    draft.say_of_tool(
        at,
        Happened.TOOL_SILENT,
        rule,
        was=_word_of(state),
        silent_after=tool.silent_after,
        last_amps=state.amps,
        run_on=tool.run_on,
    )
    draft.raise_alarm(Alarm("tool", tool.name, "silent"), rule, silent_after=tool.silent_after)


def _word_of(state: st.ToolSpeaking) -> str:
    return type(state).__name__.removeprefix("Tool").lower()


def time_passes(draft: Draft) -> None:
    """What time alone changes about the tools."""
    judged = draft.connected and draft.adopted
    for at, state in zip(draft.shop.each_tool, draft.tools, strict=True):
        # Most tools, most of the time: idle, and heard not long ago.
        if type(state) is st.ToolIdle and state.hump is None and draft.doubts[at] is None:
            silent_after = draft.shop.tools[at].silent_after
            if not judged or silent_after == 0 or draft.now < due(state.heard_at, silent_after):
                continue
        _time_passes(draft, at, judged=judged)


def _time_passes(draft: Draft, at: ToolAt, *, judged: bool) -> None:
    tool, state = draft.shop.tools[at], draft.tools[at]
    now = draft.now
    judged = judged and tool.silent_after > 0
    if judged and not isinstance(state, st.ToolSilent) and reached(now, state.heard_at, tool.silent_after):
        fall_silent(draft, at, Rule.SILENT_AFTER, due(state.heard_at, tool.silent_after))
    how = _believe_in_time(draft, at)
    state = draft.tools[at]
    match state:
        case st.ToolUnknown() | st.ToolMuted():
            return
        case st.ToolIdle(hump=hump):
            if hump is not None:
                _start_if_due(draft, at, how)
        case st.ToolRunning():
            _stop_if_due(draft, at)
            _limit_if_due(draft, at)
        case st.ToolRunOn():
            _start_if_due(draft, at, how)
            _end_run_on_if_due(draft, at)
        case st.ToolSilent(let_go=let_go):
            if not let_go and reached(now, held_from(state), tool.run_on):
                draft.tools[at] = replace(state, let_go=True)
                if isinstance(state.was, (st.ToolRunning, st.ToolRunOn)):
                    draft.say_of_tool(at, Happened.RUN_ON_ENDED, Rule.SILENT_AFTER, run_on=tool.run_on)
        case _:
            assert_never(state)


def held_from(state: st.ToolSilent) -> float:
    """When a silent tool's run-on began."""
    return state.was.since if isinstance(state.was, st.ToolRunOn) else state.since


def _limit_if_due(draft: Draft, at: ToolAt) -> None:
    tool, state = draft.shop.tools[at], draft.tools[at]
    if isinstance(state, st.ToolRunning) and tool.run_limit > 0 and reached(draft.now, state.since, tool.run_limit):
        mute(draft, at, Rule.RUN_LIMIT)
        draft.raise_alarm(Alarm("tool", tool.name, "run_limit"), Rule.RUN_LIMIT, run_limit=tool.run_limit)


def wake_at(
    tools: Sequence[Tool], states: Sequence[st.ToolState], doubts: Sequence[st.Doubt | None], *, judged: bool
) -> float | None:
    """When silence alone next changes one of the tools. `judged`: connected, so that silence counts.

    A start that waits to be confirmed has no instant of its own: what confirms it has.
    """
    earliest = inf
    for tool, state, doubted in zip(tools, states, doubts or repeat(None), strict=False):
        if type(state) is st.ToolIdle and state.hump is None:  # most tools, most of the time
            if judged and tool.silent_after > 0:
                earliest = min(earliest, state.heard_at + tool.silent_after)
        elif (moment := _wake_at(tool, state, judged=judged, rises=doubted is None)) is not None:
            earliest = min(earliest, moment)
    return None if earliest == inf else due(earliest, 0.0)


def _wake_at(tool: Tool, state: st.ToolState, *, judged: bool, rises: bool) -> float | None:
    if isinstance(state, st.ToolSilent):
        return None if state.let_go else due(held_from(state), tool.run_on)
    moments = [due(state.heard_at, tool.silent_after)] if judged and tool.silent_after > 0 else []
    if isinstance(state, st.ToolRunning):
        if state.low_since is not None:
            moments.append(due(state.low_since, tool.stop_after))
        if tool.run_limit > 0:
            moments.append(due(state.since, tool.run_limit))
    if isinstance(state, st.ToolRunOn):
        moments.append(due(state.since, tool.run_on))
    rise = state.hump if rises and isinstance(state, (st.ToolIdle, st.ToolRunOn)) else None
    if rise is not None and rise.above_since is not None:
        moments.append(due(rise.above_since, tool.start_after))
    return min(moments, default=None)


def is_at_rest(state: st.ToolSpeaking) -> bool:
    """Idle or unknown: nothing is lost by taking it for that again."""
    return isinstance(state, (st.ToolIdle, st.ToolUnknown))
