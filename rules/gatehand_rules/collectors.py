"""One collector's switch and fan: telling it, what is seen of it, its answer, the refresh, the bin, the starts.

A start counts for the hour's budget and waits for another inrush on its circuit. When to tell is the sequence's.
"""

from collections.abc import Collection, Sequence
from math import inf
from typing import Literal

from msgspec.structs import replace

from gatehand_rules import state as st
from gatehand_rules.commands import CollectorOff, CollectorOn
from gatehand_rules.context import Context
from gatehand_rules.findings import Alarm, Fact, Happened, Rule
from gatehand_rules.phases import Cause, transition
from gatehand_rules.shop import Collector, CollectorAt, Shop
from gatehand_rules.timing import Timing, due

HOUR = 3600.0


def may_turn(fan: st.CollectorState, now: float) -> bool:
    """Told on, seen running, or within its coast-down. What may turn, turns."""
    return fan.on_phase or fan.seen_on or now < fan.still_at


def seen_of(collector: Collector, fan: st.CollectorState, now: float) -> dict[str, Fact]:
    """What is seen of the fan and by what, as facts: what each witness said last, how long ago, and if it was live."""
    witnesses = [name for name, there in (("switch", collector.reports), ("motor", collector.senses_motor)) if there]
    facts: dict[str, Fact] = {"reported_on": fan.reported_on, "drawing": fan.drawing}
    if witnesses:
        facts["watched_by"] = ", ".join(witnesses)
    if fan.reported_on is not None and fan.reported_at > -inf:
        facts["reported_ago"] = round(now - fan.reported_at, 3)
        if not fan.report_live:
            facts["reported_kept"] = True
    if (motor := fan.motor) is not None:
        facts |= {**collector.motor_fact(motor.value), "motor_ago": round(now - motor.heard_at, 3)}
        if not motor.live:
            facts["motor_kept"] = True
    return facts


def shown_by(collector: Collector, fan: st.CollectorState, alarms: Collection[Alarm], now: float) -> dict[str, Fact]:
    """The same, with how long ago it was switched, and whether its device is gone."""
    facts = seen_of(collector, fan, now)
    if fan.told_at > -inf:
        facts["told_ago"] = round(now - fan.told_at, 3)
    if Alarm("collector", collector.name, "offline") in alarms:
        facts["offline"] = True
    return facts


def _told(context: Context, at: CollectorAt) -> dict[str, Fact]:
    return shown_by(context.shop.collectors[at], context.collectors[at], context.alarms, context.now)


def tell_on(context: Context, at: CollectorAt, rule: Rule) -> None:
    """Command the collector on; a telling that is no refresh is a start and counts as one."""
    collector, fan, now = context.shop.collectors[at], context.collectors[at], context.now
    start = not fan.on_phase
    # Adopted, or forgotten over a lost connection: it may have stood meanwhile, and what may be a start counts as one.
    inrush = start or (fan.told_on_at is None and not fan.seen_on)
    answer = fan.answer
    if start or fan.told_on_at is None:
        known = collector.reports or collector.senses_motor
        answer = st.Answer(on=True, since=now) if known else None
    starts = (*spent(fan, now), now) if inrush else fan.starts  # an edit may set a limit within the hour
    context.tell(CollectorOn(collector.name), at)
    transition(
        context,
        at,
        Cause.GATES_READY,
        st.SpinUp(now) if start else fan.phase,
        found_on=False,
        still_at=inf,
        told_at=now if start or fan.told_on_at is None else fan.told_at,
        answer=answer,
        confirmed=fan.confirmed and not inrush,
        told_on_at=now,
        starts=starts,
        started_at=now if inrush else fan.started_at,
        grace_until=-inf if start else fan.grace_until,
    )
    this_hour, limit = len(starts) if inrush else None, collector.starts_per_hour
    context.say_of_collector(at, Happened.COLLECTOR_ON, rule, starts_this_hour=this_hour, starts_per_hour=limit)


def tell_off(
    context: Context,
    at: CollectorAt,
    rule: Rule,
    cause: Cause | None,
    phase: st.Phase | None = None,
    *,
    why: str | None = None,
    stood: bool = False,
    by: str = "",
) -> None:
    """Command the collector off and let it coast down (or go to the phase given). `cause` None: its phase stays.

    `stood`: it stands already, so what is seen to turn from now on is somebody's doing. `by`: who asked.
    """
    collector, fan, now = context.shop.collectors[at], context.collectors[at], context.now
    known = collector.reports or collector.senses_motor
    if cause is not None:
        transition(context, at, cause, phase or st.CoastDown())
    context.set_collector(
        at,
        still_at=inf if fan.seen_on else due(now, collector.coast_down),
        told_at=now,
        answer=st.Answer(on=False, since=now, stood=stood) if known else None,
        told_on_at=None,
        by_hand=False,
        found_on=fan.found_on and fan.seen_on,
        confirmed=False,
        grace_until=-inf,
    )
    context.commands.append(CollectorOff(collector.name))
    who = {"by": by} if by else {}
    context.say_of_collector(at, Happened.COLLECTOR_OFF, rule, coast_down=collector.coast_down, why=why, **who)


def see(
    context: Context,
    at: CollectorAt,
    *,
    reported: bool | None = None,
    drawing: bool | None = None,
    value: float | None = None,
    live: bool,
) -> None:
    """Take in a report of the switch or of the motor's sensor, which read `value`.

    A retained one counts for caution only: it can say that the fan turns, never prove that it answered.
    """
    collector, fan, now = context.shop.collectors[at], context.collectors[at], context.now
    before = fan.seen_on
    if reported is not None:
        fan = replace(fan, reported_on=reported, report_live=live, reported_at=now)
        if not (live or reported):  # it may stand: "on" again would be a start, and wants a fresh demand
            fan = replace(fan, told_on_at=None, answer=None if fan.on_phase else fan.answer)
    if drawing is not None and (live or drawing):
        fan = replace(fan, drawing=drawing, motor=None if value is None else st.MotorHeard(value, now, live))
    if fan.seen_on:
        fan = replace(fan, still_at=inf)
    elif before and not fan.on_phase:
        fan = replace(fan, still_at=due(now, collector.coast_down), found_on=False)
    context.collectors[at] = replace(fan, answer=_news(fan))
    if before != fan.seen_on:
        event, facts = Happened.COLLECTOR_RUNNING, _told(context, at)
        if not fan.seen_on:
            event = Happened.COLLECTOR_STOOD
            # Its motor has no power: the wheel still turns.
            coasts = collector.coast_down if fan.on_phase else round(fan.still_at - now, 3)
            facts["coasts_for"] = coasts if 0 < coasts < inf else None
        context.say_of_collector(at, event, Rule.REPORT if live else Rule.RETAINED, **facts)
    if live:
        _take_answer(context, at)
    look_for_contrary(context, at)


def look_for_contrary(context: Context, at: CollectorAt) -> None:
    """Note since when what is seen contradicts what was told; what came back in between begins anew."""
    fan = context.collectors[at]
    shows = _contradicts(context.shop.collectors[at], fan)
    if shows is None:
        if fan.contrary is not None:
            context.set_collector(at, contrary=None)
    elif fan.contrary is None or fan.contrary.shows != shows:
        context.set_collector(at, contrary=st.Contrary(context.now, shows))


def _contradicts(collector: Collector, fan: st.CollectorState) -> Literal["on", "off", "no_current"] | None:
    """Only what once agreed with what was told can contradict it; until then it owes its answer."""
    if isinstance(fan.phase, st.Held) or (isinstance(fan.phase, st.Opening) and fan.phase.adopting):
        return None
    if fan.on_phase:
        off_by_report = fan.reported_on is False and fan.report_live
        off_by_current = not collector.reports and fan.drawing is False
        if (fan.confirmed or fan.by_hand) and (off_by_report or off_by_current):
            return "off"
        stalled = collector.reports and fan.reported_on is True and fan.drawing is False
        return "no_current" if fan.confirmed and stalled else None
    shown = (fan.reported_on is True and fan.report_live) or (not collector.reports and fan.drawing is True)
    return "on" if shown and fan.answer is None else None


def contrary_at(timing: Timing, fan: st.CollectorState) -> float:
    """When what contradicts has stood for long enough to count; inf where nothing does."""
    return inf if fan.contrary is None else due(fan.contrary.since, timing.contrary)


def _news(fan: st.CollectorState) -> st.Answer | None:
    """Told off, seen to stand, and now seen to turn: somebody else's doing, no late obedience."""
    answer = fan.answer
    if answer is None or answer.on:
        return answer
    if fan.seen_on:
        return None if answer.stood else answer
    return answer if answer.stood else replace(answer, stood=True)


def _take_answer(context: Context, at: CollectorAt) -> None:
    collector, fan = context.shop.collectors[at], context.collectors[at]
    answer = fan.answer
    if answer is None or not _shows(collector, fan, on=answer.on):
        return
    context.set_collector(at, answer=None, confirmed=answer.on)
    context.clear_alarm(Alarm("collector", collector.name, "no_answer"), Rule.ANSWER)


def _miss_current(context: Context, at: CollectorAt) -> None:
    """The switch says on and the motor has not drawn for a while (a tripped overload): it owes its answer again."""
    fan = context.collectors[at]
    stalled = fan.contrary is not None and fan.contrary.shows == "no_current"
    if stalled and context.now >= contrary_at(context.shop.timing, fan):
        context.set_collector(at, confirmed=False, answer=st.Answer(on=True, since=context.now), contrary=None)


def _shows(collector: Collector, fan: st.CollectorState, *, on: bool) -> bool:
    """Everything that watches the fan says what was told."""
    if collector.reports and fan.reported_on is not on:
        return False
    return not collector.senses_motor or fan.drawing is on


def time_passes(context: Context, at: CollectorAt) -> None:
    """Tell again what was not answered; repeat "on" so that a switch with its own time limit fails safe."""
    collector, fan, now = context.shop.collectors[at], context.collectors[at], context.now
    if not fan.seen_on and not fan.on_phase and now >= fan.still_at > -inf:
        context.set_collector(at, still_at=-inf)
    # What has run out is forgotten: it would else stay the next deadline for ever.
    if -inf < fan.grace_until <= now:
        context.set_collector(at, grace_until=-inf)
    if fan.starts != spent(fan, now):
        context.set_collector(at, starts=spent(fan, now))
    if now >= refresh_due(collector, fan) and not context.standstill:
        tell_on(context, at, Rule.REFRESH)
    _miss_current(context, at)
    if answer_due(context.shop.timing, collector, context.collectors[at]) <= now:
        _tell_again(context, at)
    look_for_contrary(context, at)  # what was told since the last look may have changed what contradicts it


def _tell_again(context: Context, at: CollectorAt) -> None:
    collector, now = context.shop.collectors[at], context.now
    _take_answer(context, at)
    fan = context.collectors[at]
    answer = fan.answer
    if answer is None:
        return
    if answer.on and not fan.seen_on and (context.standstill or context.stops_lost_at is not None):
        context.set_collector(at, answer=replace(answer, since=now))  # told again, it might start under a pressed stop
        return
    tries = answer.tries + 1
    context.set_collector(at, answer=st.Answer(answer.on, now, tries))  # told anew: whether it stands is open again
    context.commands.append(CollectorOn(collector.name) if answer.on else CollectorOff(collector.name))
    told, alarm = "on" if answer.on else "off", Alarm("collector", collector.name, "no_answer")
    facts = _told(context, at)
    context.say_of_collector(at, Happened.COLLECTOR_UNANSWERED, Rule.ANSWER, told=told, tries=tries, **facts)
    if tries >= context.shop.timing.tellings - 1:
        context.raise_alarm(alarm, Rule.ANSWER, told=told, **facts)


def answer_due(timing: Timing, collector: Collector, fan: st.CollectorState) -> float:
    """When an unanswered command is told again; inf without one.

    "off" is not missed where the switch says off and the motor's sensor has not spoken at all: one that speaks only on
    change has nothing to say after a start of the daemon. It owes its word, and its first one is judged.
    """
    if fan.answer is None:
        return inf
    if not fan.answer.on and fan.reported_on is False and fan.drawing is None:
        return inf
    wait = timing.answer if fan.answer.tries < timing.tellings - 1 else timing.remind
    if collector.senses_motor:
        wait = max(wait, collector.spin_up if fan.answer.on else collector.coast_down)
    return due(fan.answer.since, wait)


def refresh_due(collector: Collector, fan: st.CollectorState) -> float:
    """When "on" is repeated; inf: never. It waits until it is known whether somebody has switched the fan off."""
    if fan.told_on_at is None or collector.refresh <= 0 or not fan.on_phase:
        return inf
    if fan.contrary is not None and fan.contrary.shows == "off":
        return inf
    return due(fan.told_on_at, collector.refresh)


def forget_lapsed(context: Context, at: CollectorAt) -> bool:
    """After a gap a switch with its own time limit may be off, and "on" would be a start: a fresh demand gives it.

    True when it may be.
    """
    fan = context.collectors[at]
    if context.now <= refresh_due(context.shop.collectors[at], fan) or fan.seen_on:
        return False
    context.set_collector(at, told_on_at=None, answer=None)
    return True


def spent(fan: st.CollectorState, now: float) -> tuple[float, ...]:
    """The starts of the last hour, oldest first."""
    return tuple(start for start in fan.starts if now < due(start, HOUR))


def free_again_at(collector: Collector, fan: st.CollectorState, now: float) -> float:
    """When turning off no longer risks a start beyond the hour's budget; -inf: it risks none now (I8)."""
    starts = spent(fan, now)
    if collector.starts_per_hour is None or len(starts) < collector.starts_per_hour:
        return -inf
    return due(starts[len(starts) - collector.starts_per_hour], HOUR)


def inrush_clear_at(
    shop: Shop, tools: Sequence[st.ToolState], collectors: Sequence[st.CollectorState], at: CollectorAt
) -> float:
    """When the collector at index `at` may be switched on without meeting another inrush on its circuit; -inf: now."""
    name = shop.collectors[at].name
    clear = -inf
    for circuit in shop.circuits:
        if name not in circuit.collectors or circuit.start_gap <= 0:
            continue
        for tool, state in zip(shop.tools, tools, strict=True):
            if tool.name in circuit.tools and isinstance(state, st.ToolRunning):
                clear = max(clear, due(state.since, circuit.start_gap))
        for collector, fan in zip(shop.collectors, collectors, strict=True):
            if collector.name in circuit.collectors and collector.name != name:
                clear = max(clear, due(fan.started_at, circuit.start_gap))
    return clear


def bin_refuses(collector: Collector, fan: st.CollectorState) -> bool:
    """A full bin forbids a start."""
    return fan.bin_full and collector.on_bin_full == "refuse"


def start_refusal(context: Context, at: CollectorAt) -> Rule | None:
    """What forbids that anything starts the fan now: a hold, or a full bin (which leaves one that is on alone)."""
    fan = context.collectors[at]
    if is_held(fan):
        return Rule.HOLD
    return Rule.BIN_FULL if bin_refuses(context.shop.collectors[at], fan) and not fan.on_phase else None


def is_held(fan: st.CollectorState) -> bool:
    """Kept off until a reset."""
    return isinstance(fan.phase, st.Held)


def wake_at(timing: Timing, collector: Collector, fan: st.CollectorState, now: float) -> float:
    """When time alone next changes this collector; inf: never."""
    moments = [answer_due(timing, collector, fan), contrary_at(timing, fan), refresh_due(collector, fan)]
    if not fan.on_phase and not fan.seen_on and fan.still_at > -inf:
        moments.append(fan.still_at)
    if isinstance(fan.phase, st.Opening) and fan.phase.until is not None:
        moments.append(fan.phase.until)
    if isinstance(fan.phase, st.SpinUp):
        moments.append(due(fan.phase.since, collector.spin_up))
    if fan.on_phase:
        moments += [moment for moment in (fan.grace_until, free_again_at(collector, fan, now)) if moment > now]
    return min(moments)


def see_bin(context: Context, at: CollectorAt, *, full: bool) -> None:
    """The bin's contact says that it is full, or no longer."""
    collector, state = context.shop.collectors[at], context.collectors[at]
    if full == state.bin_full:
        return
    context.set_collector(at, bin_full=full)
    alarm = Alarm("collector", collector.name, "bin_full")
    if full:
        context.say_of_collector(at, Happened.BIN_FULL, Rule.BIN_FULL, then=collector.on_bin_full)
        context.raise_alarm(alarm, Rule.BIN_FULL, then=collector.on_bin_full)
    else:
        context.say_of_collector(at, Happened.BIN_CLEARED, Rule.BIN_FULL)
        context.clear_alarm(alarm, Rule.BIN_FULL)
