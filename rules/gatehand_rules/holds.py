"""Holds: what keeps a collector off until somebody resets it. Stop contacts, holds asked for, what ends them; and off.

Which resets count: a press after the cause has cleared, neither a button that sticks nor a script that repeats. By
button: heard released since the cause is gone, then pressed, then released 0.1 to 2 s later. By message: none came in
the 2 s before it. Every other one is refused, and what the matter is is said once until the cause changes.
"""

from collections.abc import Mapping
from math import inf

from msgspec.structs import replace

from gatehand_rules import fan
from gatehand_rules import state as st
from gatehand_rules.alarms import Alarm
from gatehand_rules.detect import become, refuse_stale
from gatehand_rules.draft import Draft
from gatehand_rules.findings import Fact, Happened, Rule
from gatehand_rules.hands import end_hand
from gatehand_rules.phases import Cause, transition
from gatehand_rules.shop import CollectorAt, StopAt, ToolAt
from gatehand_rules.timing import due, reached


def hold(draft: Draft, at: CollectorAt, why: str, rule: Rule, by: str = "") -> None:
    """Off at once, and nothing starts until a reset; every demand is stale from now on."""
    collector, state = draft.shop.collectors[at], draft.collectors[at]
    fresh = not fan.is_held(state)
    forget_press(draft, at)
    fan.tell_off(draft, at, rule, Cause.HOLD, st.Held(why), why=why)
    if not fresh:
        return
    draft.decide(Happened.COLLECTOR_HELD, rule, {"why": why, **who("", by)}, collector=collector.name)
    draft.raise_alarm(Alarm("collector", collector.name, "held"), rule, why=why)
    drop_demands(draft, at, rule)


def ask_hold(draft: Draft, at: CollectorAt, because: str, by: str) -> None:
    """A hold asked for. Asking again is asking once, but a press that had begun before it counts no more."""
    state = draft.collectors[at]
    if not isinstance(state.phase, st.Held):
        hold(draft, at, because or "asked for", Rule.HOLD, by)
        return
    forget_press(draft, at)
    name = draft.shop.collectors[at].name
    draft.decide(Happened.COLLECTOR_HELD, Rule.HOLD, {"why": state.phase.why}, collector=name, said=False)


def ask_off(draft: Draft, at: CollectorAt, because: str, by: str) -> None:
    """Off now, whoever switched it on, and only a fresh demand starts it again. No hold: nothing is to be reset."""
    stays = isinstance(draft.collectors[at].phase, (st.Held, st.CoastDown))
    fan.tell_off(draft, at, Rule.OFF_ASKED, None if stays else Cause.OFF_ASKED, why=because or None)
    if by:
        draft.findings[-1] = replace(draft.findings[-1], facts=(*draft.findings[-1].facts, ("by", by)))
    draft.decided = draft.findings[-1]
    cutting = [i for i in draft.shop.tools_of(at) if _is_wanted(draft.tools[i])]
    drop_demands(draft, at, Rule.OFF_ASKED)
    for i in draft.shop.tools_of(at):
        _forget_rise(draft, i)
    for i in cutting:
        refuse_stale(draft, i, Rule.OFF_ASKED)


def _is_wanted(state: st.ToolState) -> bool:
    """It cuts, and has not been refused already."""
    return isinstance(state, st.ToolRunning) and state.standing is not st.Standing.STALE


def drop_demands(draft: Draft, at: CollectorAt, rule: Rule, until: float = inf) -> None:
    """End hand starts and run-on, and make every running tool's demand stale, but for those begun after `until`."""
    for i in draft.shop.gates_of(at):
        hand = draft.gates[i].hand
        if hand is not None and hand.since <= until:
            end_hand(draft, i, rule)
    for tool in draft.shop.tools_of(at):
        was = st.speaking(draft.tools[tool])
        if not (isinstance(was, st.ToolRunning) and was.since > until):
            make_stale(draft, tool)


def make_stale(draft: Draft, at: ToolAt) -> None:
    """The tool's demand starts nothing from now on; a run-on is over."""
    was = st.speaking(draft.tools[at])
    if isinstance(was, st.ToolRunning):
        become(draft, at, st.ToolRunning(was.amps, was.heard_at, was.since, st.Standing.STALE, was.low_since))
    elif isinstance(was, st.ToolRunOn):
        become(draft, at, st.ToolIdle(was.amps, was.heard_at))


def active_stops(draft: Draft, at: CollectorAt) -> list[str]:
    """Names of the active stop contacts of the collector at this index."""
    name = draft.shop.collectors[at].name
    return [stop.name for i, stop in enumerate(draft.shop.stops) if draft.stops[i] and name in stop.collectors]


def end(draft: Draft, at: CollectorAt, who: Mapping[str, Fact] | None = None) -> None:
    """A press that counts, and no cause left: the hold is over. It permits a start; it starts nothing."""
    collector, state = draft.shop.collectors[at], draft.collectors[at]
    if not isinstance(state.phase, st.Held):
        return
    before = {"refused_before": state.reset.more} if state.reset.more else {}
    facts: dict[str, Fact] = {"why": state.phase.why, **(who or {}), **before}
    draft.decide(Happened.HOLD_RESET, Rule.HOLD, facts, collector=collector.name)
    transition(draft, at, Cause.RESET, st.CoastDown(), reset=st.ResetSeen(asked_at=state.reset.asked_at))
    draft.clear_alarm(Alarm("collector", collector.name, "held"), Rule.HOLD)
    for i in draft.shop.tools_of(at):
        _reset_tool(draft, i)


def _reset_tool(draft: Draft, at: ToolAt) -> None:
    """After a reset only what goes from idle to running is fresh: what draws already, a little or much, is not idle."""
    if isinstance(draft.tools[at], st.ToolRunning):
        make_stale(draft, at)
        refuse_stale(draft, at, Rule.NOT_FRESH)
    else:
        _forget_rise(draft, at)


def _forget_rise(draft: Draft, at: ToolAt) -> None:
    """A tool that draws without having been started is not known to be idle: its rise began before."""
    tool, was = draft.shop.tools[at], st.speaking(draft.tools[at])
    if isinstance(was, (st.ToolIdle, st.ToolRunOn)) and was.amps is not None and was.amps >= tool.stop_amps:
        become(draft, at, st.ToolUnknown(was.amps, was.heard_at))


def stop(draft: Draft, at: StopAt, *, active: bool) -> None:
    """A stop contact: active holds its collectors at once, clear starts nothing."""
    contact, before = draft.shop.stops[at], draft.stops[at]
    draft.stops[at] = active
    draft.clear_alarm(Alarm("stop", contact.name, "unclear"), Rule.STOP_CONTACT)
    homes = draft.shop.fans_of(at)
    for home in homes if active != before else ():
        forget_press(draft, home)
    if active != before:
        event = Happened.STOP_ACTIVE if active else Happened.STOP_CLEARED
        draft.say(event, Rule.STOP_CONTACT, stop=contact.name)
    for home in homes if active else ():
        if not before or not fan.is_held(draft.collectors[home]):
            hold(draft, home, contact.name, Rule.STOP_CONTACT)
    show(draft, contact.name, active=active)


def show(draft: Draft, name: str, *, active: bool) -> None:
    """The alarm of a stop contact as it is now."""
    alarm = Alarm("stop", name, "active")
    if active:
        draft.raise_alarm(alarm, Rule.STOP_CONTACT, stop=name)
    else:
        draft.clear_alarm(alarm, Rule.STOP_CONTACT)


def forget_press(draft: Draft, at: CollectorAt) -> None:
    """The cause of the hold has come, changed or gone: a press begins anew after it, and refusals are said anew."""
    seen = draft.collectors[at].reset
    draft.set_collector(at, reset=replace(seen, released=False, pressed_at=None, refused=()))


def stop_unclear(draft: Draft, at: StopAt, says: str) -> None:
    """A stop contact that is not understood stops nothing, and somebody relies on it: that must be seen."""
    name = draft.shop.stops[at].name
    draft.raise_alarm(Alarm("stop", name, "unclear"), Rule.BAD_VALUE, stop=name, says=says)


def reset_asked(draft: Draft, at: CollectorAt, because: str = "", by: str = "") -> None:
    """A message asks for a reset."""
    seen, now = draft.collectors[at].reset, draft.now
    draft.set_collector(at, reset=replace(seen, asked_at=now))
    if _reset_is_refused(draft, at):
        return
    quiet = draft.shop.timing.reset_alone
    if reached(now, seen.asked_at, quiet):
        end(draft, at, who(because, by))
    else:
        since = round(now - seen.asked_at, 3)
        _refuse_reset(draft, at, Rule.RESET_REPEATED, "repeated", since_last=since, quiet=quiet)


def reset_heard(draft: Draft, at: CollectorAt) -> None:
    """A message that may not act (the broker had kept it) is one all the same: what follows it repeats it."""
    draft.set_collector(at, reset=replace(draft.collectors[at].reset, asked_at=draft.now))


def reset_button(draft: Draft, at: CollectorAt, *, pressed: bool) -> None:
    """The reset button was pressed or released, live."""
    seen, now = draft.collectors[at].reset, draft.now
    unheard = draft.stops_lost_at is not None
    if not fan.is_held(draft.collectors[at]) or unheard or active_stops(draft, at):
        if pressed:
            _reset_is_refused(draft, at)
        return
    if pressed:
        _reset_pressed(draft, at)
        return
    draft.set_collector(at, reset=replace(seen, released=True, pressed_at=None))
    if seen.pressed_at is None:
        return
    timing, held_for = draft.shop.timing, round(now - seen.pressed_at, 6)
    if _reset_is_refused(draft, at):
        return
    if not reached(now, seen.pressed_at, timing.reset_shortest):
        _refuse_press(draft, at, "pressed too briefly", held_for)
    elif now > due(seen.pressed_at, timing.reset_longest):
        _refuse_press(draft, at, "held down too long", held_for)
    else:
        end(draft, at)


def _reset_pressed(draft: Draft, at: CollectorAt) -> None:
    seen = draft.collectors[at].reset
    if seen.released:
        draft.set_collector(at, reset=replace(seen, released=False, pressed_at=draft.now))
    elif seen.pressed_at is None:
        _refuse_press(draft, at, "not heard released since the cause has gone", None)
    elif draft.now > due(seen.pressed_at, draft.shop.timing.reset_longest):
        held_for = round(draft.now - seen.pressed_at, 6)
        _refuse_press(draft, at, "held down too long", held_for)


def reset_button_retained(draft: Draft, at: CollectorAt, *, pressed: bool) -> None:
    """What the broker had kept of the button: of unknown age, so neither a press nor a release."""
    if pressed and fan.is_held(draft.collectors[at]):
        _refuse_press(draft, at, "pressed at an unknown time: the broker had kept that word", None)


def begin_presses_anew(draft: Draft, at: CollectorAt) -> None:
    """What came before (a gap, a standstill) was not heard or does not count: a press, the first of many messages."""
    seen = draft.collectors[at].reset
    draft.set_collector(at, reset=replace(seen, released=False, pressed_at=None, asked_at=draft.now))


def _reset_is_refused(draft: Draft, at: CollectorAt) -> bool:
    """There is no hold, or its cause still stands."""
    active = ", ".join(active_stops(draft, at))
    unread = draft.no_start_before - draft.now
    if not fan.is_held(draft.collectors[at]):
        _refuse_reset(draft, at, Rule.HOLD, "not held", why="not held")
    elif draft.stops_lost_at is not None:
        _refuse_reset(draft, at, Rule.STOPS_UNHEARD, "unheard")
    elif active:
        _refuse_reset(draft, at, Rule.STOP_CONTACT, active, active=active)
    elif unread > 0:
        _refuse_reset(draft, at, Rule.STOP_UNREAD, "unread", for_seconds=round(unread, 3))
    else:
        return False
    return True


def _refuse_press(draft: Draft, at: CollectorAt, why: str, held_for: float | None) -> None:
    shortest, longest = draft.shop.timing.reset_shortest, draft.shop.timing.reset_longest
    _refuse_reset(draft, at, Rule.RESET_PRESS, why, why=why, held_for=held_for, shortest=shortest, longest=longest)


def _refuse_reset(draft: Draft, at: CollectorAt, rule: Rule, cause: str, **facts: Fact) -> None:
    """Say it once for each cause; what repeats itself is counted, and told with what is said next."""
    name, seen = draft.shop.collectors[at].name, draft.collectors[at].reset
    key = f"{rule} {cause}"
    said = () if reached(draft.now, seen.refused_at, draft.shop.timing.refusal_again) else seen.refused
    new = key not in said
    if new and seen.more:
        facts = {**facts, "refused_before": seen.more}
    draft.decide(Happened.RESET_REFUSED, rule, facts, collector=name, said=new)
    more = 0 if new else seen.more + 1
    seen = replace(seen, refused=(*said, key) if new else said, refused_at=draft.now, more=more)
    draft.set_collector(at, reset=seen)


def who(because: str, by: str) -> dict[str, Fact]:
    """What a request says of why and by whom, as facts."""
    return {key: text for key, text in (("because", because), ("by", by)) if text}
