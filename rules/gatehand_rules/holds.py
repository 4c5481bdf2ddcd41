"""Holds: what keeps a collector off until somebody resets it. Stop contacts, holds asked for, what ends them; and off.

Which resets count: a press after the cause has cleared, neither a button that sticks nor a script that repeats. By
button: heard released since the cause is gone, then pressed, then released 0.1 to 2 s later. By message: none came in
the 2 s before it. Every other one is refused, and what the matter is is said once until the cause changes.
"""

from collections.abc import Mapping
from math import inf

from msgspec.structs import replace

from gatehand_rules import collectors
from gatehand_rules import state as st
from gatehand_rules.context import Context
from gatehand_rules.detect import become, refuse_stale
from gatehand_rules.findings import Alarm, Fact, Happened, Rule
from gatehand_rules.hands import end_hand
from gatehand_rules.phases import Cause, transition
from gatehand_rules.shop import CollectorAt, StopAt, ToolAt
from gatehand_rules.timing import due, reached


def hold(context: Context, at: CollectorAt, why: str, rule: Rule, by: str = "") -> None:
    """Off at once, and nothing starts until a reset; every demand is stale from now on."""
    collector, state = context.shop.collectors[at], context.collectors[at]
    fresh = not collectors.is_held(state)
    forget_press(context, at)
    collectors.tell_off(context, at, rule, Cause.HOLD, st.Held(why, by), why=why)
    if not fresh:
        return
    context.say_of_collector(at, Happened.COLLECTOR_HELD, rule, why=why, **who("", by))
    context.decide()
    context.raise_alarm(Alarm("collector", collector.name, "held"), rule, why=why)
    drop_demands(context, at, rule)


def ask_hold(context: Context, at: CollectorAt, because: str, by: str) -> None:
    """A hold asked for. Asking again is asking once, but a press that had begun before it counts no more.

    Who asks last is remembered: so `exercise` says that it moves gates now, and that it has ended.
    """
    state = context.collectors[at]
    if not isinstance(state.phase, st.Held):
        hold(context, at, because or "asked for", Rule.HOLD, by)
        return
    transition(context, at, Cause.HOLD, replace(state.phase, by=by))
    forget_press(context, at)
    context.say_of_collector(at, Happened.COLLECTOR_HELD, Rule.HOLD, why=state.phase.why)
    context.decide(logged=False)


def ask_off(context: Context, at: CollectorAt, because: str, by: str) -> None:
    """Off now, whoever switched it on, and only a fresh demand starts it again. No hold: nothing is to be reset."""
    stays = isinstance(context.collectors[at].phase, (st.Held, st.CoastDown))
    cause = None if stays else Cause.OFF_ASKED
    collectors.tell_off(context, at, Rule.OFF_ASKED, cause, why=because or None, by=by)
    context.decide()
    cutting = [i for i in context.shop.tools_of(at) if _is_wanted(context.tools[i])]
    drop_demands(context, at, Rule.OFF_ASKED)
    for i in context.shop.tools_of(at):
        _forget_rise(context, i)
    for i in cutting:
        refuse_stale(context, i, Rule.OFF_ASKED)


def _is_wanted(state: st.ToolState) -> bool:
    """It cuts, and has not been refused already."""
    return isinstance(state, st.ToolRunning) and state.freshness is not st.Freshness.STALE


def drop_demands(context: Context, at: CollectorAt, rule: Rule, until: float = inf) -> None:
    """End hand starts and run-on, and make every running tool's demand stale, but for those begun after `until`."""
    for i in context.shop.gates_of(at):
        hand = context.gates[i].hand
        if hand is not None and hand.since <= until:
            end_hand(context, i, rule)
    for tool in context.shop.tools_of(at):
        was = st.speaking(context.tools[tool])
        if not (isinstance(was, st.ToolRunning) and was.since > until):
            make_stale(context, tool)


def make_stale(context: Context, at: ToolAt) -> None:
    """The tool's demand starts nothing from now on; a run-on is over."""
    was = st.speaking(context.tools[at])
    if isinstance(was, st.ToolRunning):
        become(context, at, st.ToolRunning(was.value, was.heard_at, was.since, st.Freshness.STALE, was.low_since))
    elif isinstance(was, st.ToolRunOn):
        become(context, at, st.ToolIdle(was.value, was.heard_at))


def active_stops(context: Context, at: CollectorAt) -> list[str]:
    """Names of the active stop contacts of the collector at this index."""
    name = context.shop.collectors[at].name
    return [stop.name for i, stop in enumerate(context.shop.stops) if context.stops[i] and name in stop.collectors]


def end(context: Context, at: CollectorAt, who: Mapping[str, Fact] | None = None) -> None:
    """A press that counts, and no cause left: the hold is over. It permits a start; it starts nothing."""
    collector, state = context.shop.collectors[at], context.collectors[at]
    if not isinstance(state.phase, st.Held):
        return
    before = {"refused_before": state.reset.more} if state.reset.more else {}
    facts: dict[str, Fact] = {"why": state.phase.why, **(who or {}), **before}
    context.say_of_collector(at, Happened.HOLD_RESET, Rule.HOLD, **facts)
    context.decide()
    transition(context, at, Cause.RESET, st.CoastDown(), reset=st.ResetSeen(asked_at=state.reset.asked_at))
    context.clear_alarm(Alarm("collector", collector.name, "held"), Rule.HOLD)
    for i in context.shop.tools_of(at):
        _reset_tool(context, i)


def _reset_tool(context: Context, at: ToolAt) -> None:
    """After a reset only what goes from idle to running is fresh: what draws already, a little or much, is not idle."""
    if isinstance(context.tools[at], st.ToolRunning):
        make_stale(context, at)
        refuse_stale(context, at, Rule.NOT_FRESH)
    else:
        _forget_rise(context, at)


def _forget_rise(context: Context, at: ToolAt) -> None:
    """A tool that draws without having been started is not known to be idle: its rise began before."""
    tool, was = context.shop.tools[at], st.speaking(context.tools[at])
    if isinstance(was, (st.ToolIdle, st.ToolRunOn)) and was.value is not None and was.value >= tool.stop_at:
        become(context, at, st.ToolUnknown(was.value, was.heard_at))


def stop(context: Context, at: StopAt, *, active: bool) -> None:
    """A stop contact: active holds its collectors at once, clear starts nothing."""
    contact, before = context.shop.stops[at], context.stops[at]
    context.stops[at] = active
    context.clear_alarm(Alarm("stop", contact.name, "unclear"), Rule.STOP_CONTACT)
    homes = context.shop.fans_of(at)
    for home in homes if active != before else ():
        forget_press(context, home)
    if active != before:
        event = Happened.STOP_ACTIVE if active else Happened.STOP_CLEARED
        context.say(event, Rule.STOP_CONTACT, stop=contact.name)
    for home in homes if active else ():
        if not before or not collectors.is_held(context.collectors[home]):
            hold(context, home, contact.name, Rule.STOP_CONTACT)
    show(context, contact.name, active=active)


def show(context: Context, name: str, *, active: bool) -> None:
    """The alarm of a stop contact as it is now."""
    alarm = Alarm("stop", name, "active")
    if active:
        context.raise_alarm(alarm, Rule.STOP_CONTACT, stop=name)
    else:
        context.clear_alarm(alarm, Rule.STOP_CONTACT)


def forget_press(context: Context, at: CollectorAt) -> None:
    """The cause of the hold has come, changed or gone: a press begins anew after it, and refusals are said anew."""
    seen = context.collectors[at].reset
    context.set_collector(at, reset=replace(seen, released=False, pressed_at=None, refused=()))


def stop_unclear(context: Context, at: StopAt, says: str) -> None:
    """A stop contact that is not understood stops nothing, and somebody relies on it: that must be seen."""
    name = context.shop.stops[at].name
    context.raise_alarm(Alarm("stop", name, "unclear"), Rule.BAD_VALUE, stop=name, says=says)


def reset_asked(context: Context, at: CollectorAt, because: str = "", by: str = "") -> None:
    """A message asks for a reset."""
    seen, now = context.collectors[at].reset, context.now
    context.set_collector(at, reset=replace(seen, asked_at=now))
    if _reset_is_refused(context, at):
        return
    quiet = context.shop.timing.reset_alone
    if reached(now, seen.asked_at, quiet):
        end(context, at, who(because, by))
    else:
        since = round(now - seen.asked_at, 3)
        _refuse_reset(context, at, Rule.RESET_REPEATED, "repeated", since_last=since, quiet=quiet)


def reset_heard(context: Context, at: CollectorAt) -> None:
    """A message that may not act (the broker had kept it) is one all the same: what follows it repeats it."""
    context.set_collector(at, reset=replace(context.collectors[at].reset, asked_at=context.now))


def reset_button(context: Context, at: CollectorAt, *, pressed: bool) -> None:
    """The reset button was pressed or released, live."""
    seen, now = context.collectors[at].reset, context.now
    unheard = context.stops_lost_at is not None
    if not collectors.is_held(context.collectors[at]) or unheard or active_stops(context, at):
        if pressed:
            _reset_is_refused(context, at)
        return
    if pressed:
        _reset_pressed(context, at)
        return
    context.set_collector(at, reset=replace(seen, released=True, pressed_at=None))
    if seen.pressed_at is None:
        return
    timing, held_for = context.shop.timing, round(now - seen.pressed_at, 6)
    if _reset_is_refused(context, at):
        return
    if not reached(now, seen.pressed_at, timing.reset_shortest):
        _refuse_press(context, at, "pressed too briefly", held_for)
    elif now > due(seen.pressed_at, timing.reset_longest):
        _refuse_press(context, at, "held down too long", held_for)
    else:
        end(context, at)


def _reset_pressed(context: Context, at: CollectorAt) -> None:
    seen = context.collectors[at].reset
    if seen.released:
        context.set_collector(at, reset=replace(seen, released=False, pressed_at=context.now))
    elif seen.pressed_at is None:
        _refuse_press(context, at, "not heard released since the cause has gone", None)
    elif context.now > due(seen.pressed_at, context.shop.timing.reset_longest):
        held_for = round(context.now - seen.pressed_at, 6)
        _refuse_press(context, at, "held down too long", held_for)


def reset_button_retained(context: Context, at: CollectorAt, *, pressed: bool) -> None:
    """What the broker had kept of the button: of unknown age, so neither a press nor a release."""
    if pressed and collectors.is_held(context.collectors[at]):
        _refuse_press(context, at, "pressed at an unknown time: the broker had kept that word", None)


def begin_presses_anew(context: Context) -> None:
    """What came before (a gap, a standstill) was not heard or does not count: a press, the first of many messages."""
    for at in context.shop.each_collector:
        seen = context.collectors[at].reset
        context.set_collector(at, reset=replace(seen, released=False, pressed_at=None, asked_at=context.now))


def _reset_is_refused(context: Context, at: CollectorAt) -> bool:
    """There is no hold, or its cause still stands."""
    active = ", ".join(active_stops(context, at))
    unread = context.no_start_before - context.now
    if not collectors.is_held(context.collectors[at]):
        _refuse_reset(context, at, Rule.HOLD, "not held", why="not held")
    elif context.stops_lost_at is not None:
        _refuse_reset(context, at, Rule.STOPS_UNHEARD, "unheard")
    elif active:
        _refuse_reset(context, at, Rule.STOP_CONTACT, active, active=active)
    elif unread > 0:
        _refuse_reset(context, at, Rule.STOP_UNREAD, "unread", for_seconds=round(unread, 3))
    else:
        return False
    return True


def _refuse_press(context: Context, at: CollectorAt, why: str, held_for: float | None) -> None:
    shortest, longest = context.shop.timing.reset_shortest, context.shop.timing.reset_longest
    _refuse_reset(context, at, Rule.RESET_PRESS, why, why=why, held_for=held_for, shortest=shortest, longest=longest)


def _refuse_reset(context: Context, at: CollectorAt, rule: Rule, cause: str, **facts: Fact) -> None:
    """Say it once for each cause; what repeats itself is counted, and told with what is said next."""
    seen = context.collectors[at].reset
    key = f"{rule} {cause}"
    said = () if reached(context.now, seen.refused_at, context.shop.timing.refusal_again) else seen.refused
    new = key not in said
    if new and seen.more:
        facts = {**facts, "refused_before": seen.more}
    context.say_of_collector(at, Happened.RESET_REFUSED, rule, **facts)
    context.decide(logged=new)
    more = 0 if new else seen.more + 1
    seen = replace(seen, refused=(*said, key) if new else said, refused_at=context.now, more=more)
    context.set_collector(at, reset=seen)


def who(because: str, by: str) -> dict[str, Fact]:
    """What a request says of why and by whom, as facts."""
    return {key: text for key, text in (("because", because), ("by", by)) if text}
