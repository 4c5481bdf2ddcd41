"""The sequence: what each collector should do now.

Theory of operation. A demand is a tool that cuts, a hand start, or a run-on (demand.py). It opens its gates (zone.py);
once they are proven open the collector is switched on (`opening` -> `spin_up` -> `running`). When no tool cuts any
more, run-on keeps the zone (`run_on`); when that is over the collector is switched off and coasts down with its gates
open (`coast_down`), and only a fan that stands still lets its gates be shut (`off`). `held` is left by a reset alone.

Which changes of phase there are stands in phases.py. `settle` is repeated until nothing changes, because one change can
permit the next in the same instant (a gate without travel, a phase without time).
"""

from math import inf
from typing import assert_never

from msgspec.structs import replace

from gatehand_rules import collectors, demand, gates, zone
from gatehand_rules import state as st
from gatehand_rules.context import Context
from gatehand_rules.demand import Demand, DemandKind
from gatehand_rules.detect import refuse_stale
from gatehand_rules.findings import Alarm, Fact, Happened, Rule
from gatehand_rules.hands import end_hand, say_kept
from gatehand_rules.holds import drop_demands, make_stale
from gatehand_rules.phases import Cause, transition
from gatehand_rules.shop import CollectorAt, GateAt
from gatehand_rules.timing import reached
from gatehand_rules.words import Position

ROUNDS_AT_ONCE = 16
"""More than the longest chain of changes within one instant, the retries of gates without travel left out."""


class UnsettledError(RuntimeError):
    """The changes of one instant do not come to an end: a mistake of the rules. Whoever steps has to hold every fan."""


def settle(context: Context) -> None:
    """Bring every collector to where its demands want it. Raises `UnsettledError` when that has no end."""
    if context.quiet:
        return
    for at in context.shop.each_collector:
        rounds = 0
        while _round_changes(context, at):
            rounds += 1
            if rounds >= ROUNDS_AT_ONCE and rounds >= ROUNDS_AT_ONCE + _tellings(context, at):
                name = context.shop.collectors[at].name
                raise UnsettledError(f"the collector {name} still changed after {rounds} rounds in one instant")
        collectors.time_passes(context, at)


def _round_changes(context: Context, at: CollectorAt) -> bool:
    """One round for one collector and the gates that have arrived by it; True when another may change more."""
    before = (context.collectors[at].phase, len(context.commands), tuple(context.gates))
    _one(context, at)
    for i in context.shop.gates_of(at):
        if gates.travels(context.gates[i]):
            gates.time_passes(context, i)
    return before != (context.collectors[at].phase, len(context.commands), tuple(context.gates))


def _tellings(context: Context, at: CollectorAt) -> int:
    """How often its gates can be told in one instant: one without travel uses up its retries at once."""
    return sum(context.shop.gates[i].retries + 2 for i in context.shop.gates_of(at))


def _one(context: Context, at: CollectorAt) -> None:
    """One round for one collector."""
    demand.clear_old_refusals(context, at)
    phase = context.collectors[at].phase
    if not isinstance(phase, st.Opening):
        context.clear_alarm(_too_few(context.shop.collectors[at].name), Rule.NO_DEMAND)
    if isinstance(phase, (st.Off, st.Held)):
        zone.end_faults(context, at)
    if isinstance(phase, st.Opening) and phase.adopting:
        _adopting(context, at)
        return
    if isinstance(phase, st.Held):
        _held(context, at, phase)
        return
    if _fan_against_shut_gates(context, at):
        return
    _by_hand(context, at)
    if isinstance(context.collectors[at].phase, (st.Off, st.CoastDown)):
        say_kept(context, at, over=True)
    _refuse_for_bin(context, at)
    phase = context.collectors[at].phase
    granted = demand.grant(context, at)
    served = [one for one in granted if demand.can_be_served(context, one)]
    _refuse_unservable(context, at, granted)
    match phase:
        case st.Off() | st.CoastDown():
            _resting(context, at, phase, served)
        case st.Opening():
            _opening(context, at, phase, served, over=not any(one.may_start for one in granted))
        case st.SpinUp() | st.Running() | st.RunOn() | st.Held():  # a held one has returned above
            _on(context, at, served)
        case _:
            assert_never(phase)


def _held(context: Context, at: CollectorAt, phase: st.Held) -> None:
    """Kept off: a fan that turns all the same gets its gates and is switched off again."""
    state = context.collectors[at]
    if not state.seen_on:
        return
    if len(demand.proven(context, at)) < context.shop.collectors[at].min_open:
        _give_air(context, at)
    if state.answer is None:
        collectors.tell_off(context, at, Rule.HOLD, None, why=phase.why)


def _fan_against_shut_gates(context: Context, at: CollectorAt) -> bool:
    """I4: a fan that turns with too few gates proven open. True when the round ends here."""
    collector, state = context.shop.collectors[at], context.collectors[at]
    if demand.keeping(context, at) >= collector.min_open or not (state.on_phase or state.seen_on):
        if state.on_phase:  # it stands until a start has gone well
            alarm = Alarm("collector", collector.name, "shut_gates")
            context.clear_alarm(alarm, Rule.FAN_AGAINST_SHUT_GATES)
        return False
    _give_air(context, at)
    if state.on_phase or isinstance(state.phase, (st.Off, st.Opening)) or state.answer is None:
        collectors.tell_off(context, at, Rule.FAN_AGAINST_SHUT_GATES, Cause.SHUT_GATES, st.CoastDown(tripped=True))
        return True
    return isinstance(state.phase, st.CoastDown) and state.phase.tripped


def _give_air(context: Context, at: CollectorAt) -> None:
    """I4: say that the fan turns against shut gates and open some."""
    collector, state = context.shop.collectors[at], context.collectors[at]
    proven = len(demand.proven(context, at))
    rule, alarm = Rule.FAN_AGAINST_SHUT_GATES, Alarm("collector", collector.name, "shut_gates")
    facts = {"proven_open": proven, "min_open": collector.min_open}
    if context.raise_alarm(alarm, rule, **facts):
        seen = collectors.seen_of(collector, state, context.now)
        context.say_of_collector(at, Happened.FAN_UNSAFE, rule, **facts, **seen)
    _relieve(context, at)


def _relieve(context: Context, at: CollectorAt) -> int:
    """Open gates for the fan's sake until `min_open` are proven or on their way. The number that is."""
    least = context.shop.collectors[at].min_open
    usable = demand.keeping(context, at)
    for i in zone.spare(context, at):
        if usable >= least:
            break
        if gates.is_proven(context.gates[i]) or gates.keeps(context, i) or not context.shop.gates[i].commanded:
            continue
        gates.ensure_open(context, i, Rule.FAN_AGAINST_SHUT_GATES, zone.unproven(context, at, i))
        usable += 1
    return usable


def _by_hand(context: Context, at: CollectorAt) -> None:
    """Somebody used the collector's own switch, and it has stood for a while: adopted, not fought, either way."""
    collectors.look_for_contrary(context, at)
    state = context.collectors[at]
    contrary = state.contrary
    if contrary is None or context.now < collectors.contrary_at(context.shop.timing, state):
        return
    if contrary.shows == "off":
        collectors.tell_off(context, at, Rule.SWITCHED_BY_HAND, Cause.SWITCHED_OFF, stood=True)
        drop_demands(context, at, Rule.SWITCHED_BY_HAND, until=contrary.since)
        _say_switched_off(context, at)
    elif contrary.shows == "on":  # a motor that no longer draws is nobody's hand: it owes its answer
        transition(context, at, Cause.SWITCHED_ON, st.Running(), by_hand=True, still_at=inf)
        stood_for = context.shop.timing.contrary
        context.say_of_collector(at, Happened.COLLECTOR_ADOPTED, Rule.SWITCHED_BY_HAND, stood_for=stood_for)
    collectors.look_for_contrary(context, at)


def _say_switched_off(context: Context, at: CollectorAt) -> None:
    name = context.shop.collectors[at].name
    for one in demand.of_collector(context, at):
        if one.kind is DemandKind.CUT and not one.may_start:
            context.say(Happened.START_REFUSED, Rule.SWITCHED_BY_HAND, tool=one.name, collector=name)
            context.raise_alarm(one.alarm("not_fresh"), Rule.SWITCHED_BY_HAND)


def _adopting(context: Context, at: CollectorAt) -> None:
    """A daemon's start with a fan that turns: adopted once enough gates are proven, else switched off."""
    collector, state = context.shop.collectors[at], context.collectors[at]
    if not state.seen_on:
        collectors.tell_off(context, at, Rule.ADOPTION, Cause.NOT_ADOPTED)
    elif demand.keeping(context, at) >= collector.min_open:
        longest = max((context.shop.tools[i].run_on for i in context.shop.tools_of(at)), default=0.0)
        transition(context, at, Cause.ADOPTED, st.Running(), grace_until=context.now + longest, confirmed=True)
        context.say_of_collector(at, Happened.COLLECTOR_ADOPTED, Rule.ADOPTION, grace=longest)
    elif _relieve(context, at) < collector.min_open:
        _give_air(context, at)
        collectors.tell_off(context, at, Rule.NO_GATE_PROVEN, Cause.NOT_ADOPTED, st.CoastDown(tripped=True))


def _refuse_for_bin(context: Context, at: CollectorAt) -> None:
    """A full bin refuses every start, also of demands from before it was full."""
    collector, state = context.shop.collectors[at], context.collectors[at]
    if not collectors.bin_refuses(collector, state) or state.on_phase:
        return
    for one in [each for each in demand.of_collector(context, at) if each.may_start]:
        if one.tool is not None:
            make_stale(context, one.tool)
            refuse_stale(context, one.tool, Rule.BIN_FULL)
        else:
            end_hand(context, one.gates[0], Rule.BIN_FULL)
            context.say_of_gate(one.gates[0], Happened.START_REFUSED, Rule.BIN_FULL)


def _refuse_unservable(context: Context, at: CollectorAt, granted: list[Demand]) -> None:
    """A demand none of whose gates can be proven: say so once, name a gate that waits for a hand."""
    for one in granted:
        alarm = one.alarm("not_served")
        if demand.can_be_served(context, one):
            context.clear_alarm(alarm, Rule.NO_GATE_PROVEN)
            continue
        if one.kind is DemandKind.RUN_ON:
            continue
        by_hand = [i for i in one.gates if not context.shop.gates[i].commanded]
        rule = Rule.GATE_BY_HAND_IS_SHUT if by_hand else Rule.NO_GATE_PROVEN
        mute = [i for i in by_hand if context.gates[i].reported is Position.OPEN]
        if mute:  # it says that it is open, and not that it is so now
            rule, by_hand = Rule.NOT_HEARD_LIVE, mute
        names = ", ".join(context.shop.gates[i].name for i in by_hand or one.gates)
        context.refuse(alarm, rule, context.shop.collectors[at].name, gates=names)


def _resting(context: Context, at: CollectorAt, phase: st.Off | st.CoastDown, served: list[Demand]) -> None:
    """Off or coasting down: a demand that may start opens its gates; a fan that stands still lets them shut."""
    state = context.collectors[at]
    standing_still = not collectors.may_turn(state, context.now)
    tripped = isinstance(phase, st.CoastDown) and phase.tripped and not standing_still
    if any(one.may_start for one in served) and not tripped:
        zone.try_again(context, at)
        transition(context, at, Cause.DEMAND, st.Opening(context.now))
        return
    if standing_still and isinstance(phase, st.CoastDown):
        transition(context, at, Cause.STANDS_STILL, st.Off())
        zone.rest(context, at)
    elif isinstance(phase, st.CoastDown):
        zone.trim(context, at)


def _opening(context: Context, at: CollectorAt, phase: st.Opening, served: list[Demand], *, over: bool) -> None:
    """Gates travel. On, once every needed gate is proven or given up and enough are proven in all."""
    if phase.until is not None and phase.until <= context.now:
        phase = replace(phase, until=None)
        transition(context, at, Cause.WAITS, phase)
    starters = [one for one in served if one.may_start]
    if not starters:
        if any(one.unconfirmed for one in served):  # it goes on as soon as its tool is heard
            zone.shut_others(context, at, zone.wanted(context, at, served))
        else:
            _call_off(context, at, phase, over=over)
        return
    chosen = zone.wanted(context, at, served)
    zone.open_wanted(context, at, chosen)
    needed = zone.needed(served)
    proven = demand.proven(context, at)
    collector = context.shop.collectors[at]
    enough = len(proven) >= collector.min_open
    makeup = [] if enough else [i for i in chosen if i not in needed]
    if not zone.is_ready(context, needed + makeup):
        return
    if enough and (not needed or any(i in proven for i in needed)):
        if _waits_for_stops(context, at) or _waits(context, at, phase):
            zone.shut_others(context, at, chosen)
            return
        _note_gate(context, at, needed)
        context.clear_alarm(_too_few(collector.name), Rule.MIN_OPEN)
        collectors.tell_on(context, at, Rule.DEMAND)
        zone.shut_others(context, at, chosen)
    elif not enough:
        _refuse_min_open(context, at, starters, len(proven))


def _waits_for_stops(context: Context, at: CollectorAt) -> bool:
    """The gates are ready; whether a stop contact is active is to be known first, and by something that is new."""
    phase = context.collectors[at].phase
    if context.stops_lost_at is None:
        return context.standstill
    if isinstance(phase, st.Opening) and not phase.unheard:
        transition(context, at, Cause.WAITS, replace(phase, unheard=True))
        unheard_for = round(context.now - context.stops_lost_at, 3)
        context.say_of_collector(at, Happened.COLLECTOR_WAITED, Rule.STOPS_UNHEARD, unheard_for=unheard_for)
    return True


def _waits(context: Context, at: CollectorAt, phase: st.Opening) -> bool:
    """The gates are ready; another inrush on the circuit, or a stop that is still to be read, is let come first."""
    if not context.shop.circuits and context.no_start_before <= context.now:
        return False
    clear, rule = collectors.inrush_clear_at(context.shop, context.tools, context.collectors, at), Rule.START_GAP
    if context.no_start_before > clear:  # a stop contact that an edit has added may not have spoken yet
        clear, rule = context.no_start_before, Rule.STOP_UNREAD
    if clear <= context.now:
        return False
    if phase.until != clear:
        transition(context, at, Cause.WAITS, replace(phase, until=clear))
        context.say_of_collector(at, Happened.COLLECTOR_WAITED, rule, for_seconds=round(clear - context.now, 3))
    return True


def _too_few(collector: str) -> Alarm:
    return Alarm("collector", collector, "too_few_gates")


def _refuse_min_open(context: Context, at: CollectorAt, starters: list[Demand], proven: int) -> None:
    """The demand's own gate is open, but too few gates are for the fan."""
    collector = context.shop.collectors[at]
    facts: dict[str, Fact] = {"proven_open": proven, "min_open": collector.min_open}
    new = context.raise_alarm(_too_few(collector.name), Rule.MIN_OPEN, **facts)
    for one in starters if new else ():
        context.say(Happened.START_REFUSED, Rule.MIN_OPEN, facts, **dict([one.label]), collector=collector.name)


def _call_off(context: Context, at: CollectorAt, phase: st.Opening, *, over: bool) -> None:
    """The demand is over before its gate was open, or (refused already) can no longer be served."""
    if over:
        rule = Rule.STOPS_UNHEARD if phase.unheard else Rule.CUT_ENDED_BEFORE_GATE
        context.say_of_collector(at, Happened.START_MISSED, rule, waited=round(context.now - phase.since, 3))
    context.clear_alarm(_too_few(context.shop.collectors[at].name), Rule.NO_DEMAND)
    transition(context, at, Cause.CALLED_OFF, st.CoastDown())


def _on(context: Context, at: CollectorAt, served: list[Demand]) -> None:
    """Switched on, or adopted: keep the zone while something keeps it, then off."""
    state, collector, now = context.collectors[at], context.shop.collectors[at], context.now
    if served:
        chosen = zone.wanted(context, at, served)
        zone.open_wanted(context, at, chosen)
        zone.shut_others(context, at, chosen)
        _note_gate(context, at, zone.needed(served) or chosen)
        cutting = any(one.kind is not DemandKind.RUN_ON for one in served)
        ours = state.told_on_at is not None or state.by_hand
        unread = now < context.no_start_before or _waits_for_stops(context, at)
        allowed = state.seen_on or not (collectors.bin_refuses(collector, state) or unread)
        proven = len(demand.proven(context, at)) >= collector.min_open  # an old word keeps a fan and starts none (I1)
        if not ours and allowed and proven and any(one.may_start for one in served):
            collectors.tell_on(context, at, Rule.DEMAND)  # an adopted fan becomes ours with a fresh demand
        _on_phase(context, at, cutting=cutting, why=Rule.RUN_ON)
        return
    zone.trim(context, at)
    rule = kept_without_demand(context, at)
    if rule is None:
        collectors.tell_off(context, at, Rule.NO_DEMAND, Cause.NO_DEMAND)
        return
    _on_phase(context, at, cutting=state.by_hand, why=rule)
    if rule is Rule.STARTS_PER_HOUR and context.collectors[at].phase != state.phase:  # once, not at every look
        context.say_of_collector(
            at,
            Happened.COLLECTOR_KEPT_ON,
            rule,
            starts_this_hour=len(collectors.spent(state, now)),
            starts_per_hour=collector.starts_per_hour,
            for_seconds=round(collectors.free_again_at(collector, state, now) - now, 3),
        )


def served(context: Context, at: CollectorAt) -> list[Demand]:
    """The demands that fit and can be served, as `settle` sees them, without a word about those that cannot."""
    return [one for one in demand.fitting(context, at) if demand.can_be_served(context, one)]


def kept_without_demand(context: Context, at: CollectorAt) -> Rule | None:
    """What keeps a collector on that nothing asks for; None: nothing, and it is switched off."""
    collector, state, now = context.shop.collectors[at], context.collectors[at], context.now
    if state.by_hand:
        return Rule.SWITCHED_BY_HAND
    if now < state.grace_until:
        return Rule.ADOPTION
    return Rule.STARTS_PER_HOUR if collectors.free_again_at(collector, state, now) > now else None


def _on_phase(context: Context, at: CollectorAt, *, cutting: bool, why: Rule) -> None:
    """The word for being on: spin-up until the air moves, then running or run-on."""
    phase, spin_up = context.collectors[at].phase, context.shop.collectors[at].spin_up
    if isinstance(phase, st.SpinUp) and not reached(context.now, phase.since, spin_up):
        return
    if cutting:
        transition(context, at, Cause.SERVES, st.Running())
    else:
        transition(context, at, Cause.KEPT_ON, st.RunOn(str(why)))


def _note_gate(context: Context, at: CollectorAt, chosen: list[GateAt]) -> None:
    """Remember which gate last carried air, for the day the fan needs one."""
    for i in chosen:
        if gates.is_proven(context.gates[i]):
            if context.collectors[at].last_gate != i:
                context.set_collector(at, last_gate=i)
            return
