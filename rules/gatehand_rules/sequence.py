"""The sequence: what each collector should do now.

Theory of operation. A demand is a tool that cuts, a hand start, or a run-on (demand.py). It opens its gates (zone.py);
once they are proven open the collector is told on (`opening` -> `spin_up` -> `running`). When no tool cuts any more the
run-on keeps the zone (`run_on`); when that is over the collector is told off and coasts down with its gates open
(`coast_down`), and only a fan that stands still lets its gates be shut (`off`). `held` is left by a reset alone.

Which changes of phase there are stands in phases.py. `settle` is repeated until nothing changes, because one change can
permit the next in the same instant (a gate without travel, a phase without time).
"""

from math import inf
from typing import assert_never

from msgspec.structs import replace

from gatehand_rules import demand, fan, gates, zone
from gatehand_rules import state as st
from gatehand_rules.alarms import Alarm
from gatehand_rules.demand import Demand, Kind
from gatehand_rules.detect import refuse_stale
from gatehand_rules.draft import Draft
from gatehand_rules.findings import Fact, Happened, Rule
from gatehand_rules.hands import end_hand, say_kept
from gatehand_rules.holds import drop_demands, make_stale
from gatehand_rules.phases import Cause, transition
from gatehand_rules.shop import CollectorAt, GateAt
from gatehand_rules.timing import reached
from gatehand_rules.words import Position

ROUNDS = 16
"""More than the longest chain of changes within one instant, the retries of gates without travel left out."""


class UnsettledError(RuntimeError):
    """The changes of one instant do not come to an end: a mistake of the rules. Whoever steps has to hold every fan."""


def settle(draft: Draft) -> None:
    """Bring every collector to where its demands want it. Raises `UnsettledError` when that has no end."""
    if draft.quiet:
        return
    for at in draft.shop.each_collector:
        rounds = 0
        while _round_changes(draft, at):
            rounds += 1
            if rounds >= ROUNDS and rounds >= ROUNDS + _tellings(draft, at):
                name = draft.shop.collectors[at].name
                raise UnsettledError(f"the collector {name} still changed after {rounds} rounds in one instant")
        fan.time_passes(draft, at)


def _round_changes(draft: Draft, at: CollectorAt) -> bool:
    """One round for one collector and the gates that have arrived by it; True when another may change more."""
    before = (draft.collectors[at].phase, len(draft.commands), tuple(draft.gates))
    _one(draft, at)
    for i in draft.shop.gates_of(at):
        if gates.travels(draft.gates[i]):
            gates.time_passes(draft, i)
    return before != (draft.collectors[at].phase, len(draft.commands), tuple(draft.gates))


def _tellings(draft: Draft, at: CollectorAt) -> int:
    """How often its gates can be told in one instant: one without travel uses up its retries at once."""
    return sum(draft.shop.gates[i].retries + 2 for i in draft.shop.gates_of(at))


def _one(draft: Draft, at: CollectorAt) -> None:
    """One round for one collector."""
    demand.clear_old_refusals(draft, at)
    phase = draft.collectors[at].phase
    if not isinstance(phase, st.Opening):
        draft.clear_alarm(_too_few(draft.shop.collectors[at].name), Rule.NO_DEMAND)
    if isinstance(phase, (st.Off, st.Held)):
        zone.end_faults(draft, at)
    if isinstance(phase, st.Opening) and phase.adopting:
        _adopting(draft, at)
        return
    if isinstance(phase, st.Held):
        _held(draft, at, phase)
        return
    if _fan_against_shut_gates(draft, at):
        return
    _by_hand(draft, at)
    if isinstance(draft.collectors[at].phase, (st.Off, st.CoastDown)):
        say_kept(draft, at, over=True)
    _refuse_for_bin(draft, at)
    phase = draft.collectors[at].phase
    granted = demand.grant(draft, at, demand.of_collector(draft, at))
    served = [one for one in granted if demand.can_be_served(draft, one)]
    _refuse_unservable(draft, at, granted)
    match phase:
        case st.Off() | st.CoastDown():
            _resting(draft, at, phase, served)
        case st.Opening():
            _opening(draft, at, phase, served, over=not any(one.may_start for one in granted))
        case st.SpinUp() | st.Running() | st.RunOn() | st.Held():  # a held one has returned above
            _on(draft, at, served)
        case _:
            assert_never(phase)


def _held(draft: Draft, at: CollectorAt, phase: st.Held) -> None:
    """Kept off: a fan that turns all the same gets its gates and is told off again."""
    state = draft.collectors[at]
    if not state.seen_on:
        return
    if len(demand.proven(draft, at)) < draft.shop.collectors[at].min_open:
        _give_air(draft, at)
    if state.answer is None:
        fan.tell_off(draft, at, Rule.HOLD, None, why=phase.why)


def _fan_against_shut_gates(draft: Draft, at: CollectorAt) -> bool:
    """I4: a fan that turns with too few gates proven open. True when the round ends here."""
    collector, state = draft.shop.collectors[at], draft.collectors[at]
    if demand.keeping(draft, at) >= collector.min_open or not (state.on_phase or state.seen_on):
        if state.on_phase:  # it stands until a start has gone well
            alarm = Alarm("collector", collector.name, "shut_gates")
            draft.clear_alarm(alarm, Rule.FAN_AGAINST_SHUT_GATES)
        return False
    _give_air(draft, at)
    if state.on_phase or isinstance(state.phase, (st.Off, st.Opening)) or state.answer is None:
        fan.tell_off(draft, at, Rule.FAN_AGAINST_SHUT_GATES, Cause.SHUT_GATES, st.CoastDown(tripped=True))
        return True
    return isinstance(state.phase, st.CoastDown) and state.phase.tripped


def _give_air(draft: Draft, at: CollectorAt) -> None:
    """I4: say that the fan turns against shut gates and open some."""
    collector, state = draft.shop.collectors[at], draft.collectors[at]
    proven = len(demand.proven(draft, at))
    rule, alarm = Rule.FAN_AGAINST_SHUT_GATES, Alarm("collector", collector.name, "shut_gates")
    facts = {"proven_open": proven, "min_open": collector.min_open}
    if draft.raise_alarm(alarm, rule, **facts):
        draft.say_of_collector(at, Happened.FAN_UNSAFE, rule, **facts, **fan.seen_of(state))
    _relieve(draft, at)


def _relieve(draft: Draft, at: CollectorAt) -> int:
    """Open gates for the fan's sake until `min_open` are proven or on their way. The number that is."""
    least = draft.shop.collectors[at].min_open
    usable = demand.keeping(draft, at)
    for i in zone.spare(draft, at, demand.last_used(draft.collectors[at])):
        if usable >= least:
            break
        if gates.is_proven(draft.gates[i]) or gates.keeps(draft, i) or not draft.shop.gates[i].commanded:
            continue
        gates.ensure_open(draft, i, Rule.FAN_AGAINST_SHUT_GATES, zone.unproven(draft, at, i))
        usable += 1
    return usable


def _by_hand(draft: Draft, at: CollectorAt) -> None:
    """Somebody used the collector's own switch, and it has stood for a while: adopted, not fought, either way."""
    fan.look_for_contrary(draft, at)
    state = draft.collectors[at]
    contrary = state.contrary
    if contrary is None or draft.now < fan.contrary_at(draft.shop.timing, state):
        return
    if contrary.shows == "off":
        fan.tell_off(draft, at, Rule.SWITCHED_BY_HAND, Cause.SWITCHED_OFF, stood=True)
        drop_demands(draft, at, Rule.SWITCHED_BY_HAND, until=contrary.since)
        _say_switched_off(draft, at)
    elif contrary.shows == "on":  # a motor that no longer draws is nobody's hand: it owes its answer
        transition(draft, at, Cause.SWITCHED_ON, st.Running(), by_hand=True, still_at=inf)
        stood_for = draft.shop.timing.contrary
        draft.say_of_collector(at, Happened.COLLECTOR_ADOPTED, Rule.SWITCHED_BY_HAND, stood_for=stood_for)
    fan.look_for_contrary(draft, at)


def _say_switched_off(draft: Draft, at: CollectorAt) -> None:
    name = draft.shop.collectors[at].name
    for one in demand.of_collector(draft, at):
        if one.kind is Kind.CUT and one.tool is not None and not one.may_start:
            draft.say(Happened.START_REFUSED, Rule.SWITCHED_BY_HAND, tool=one.tool, collector=name)
            draft.raise_alarm(Alarm("tool", one.tool, "not_fresh"), Rule.SWITCHED_BY_HAND)


def _adopting(draft: Draft, at: CollectorAt) -> None:
    """A daemon's start with a fan that turns: adopted once enough gates are proven, else told off."""
    collector, state = draft.shop.collectors[at], draft.collectors[at]
    if not state.seen_on:
        fan.tell_off(draft, at, Rule.ADOPTION, Cause.NOT_ADOPTED)
    elif demand.keeping(draft, at) >= collector.min_open:
        longest = max((draft.shop.tools[i].run_on for i in draft.shop.tools_of(at)), default=0.0)
        transition(draft, at, Cause.ADOPTED, st.Running(), grace_until=draft.now + longest, confirmed=True)
        draft.say_of_collector(at, Happened.COLLECTOR_ADOPTED, Rule.ADOPTION, grace=longest)
    elif _relieve(draft, at) < collector.min_open:
        _give_air(draft, at)
        fan.tell_off(draft, at, Rule.NO_GATE_PROVEN, Cause.NOT_ADOPTED, st.CoastDown(tripped=True))


def _refuse_for_bin(draft: Draft, at: CollectorAt) -> None:
    """A full bin refuses every start, also of demands from before it was full."""
    collector, state = draft.shop.collectors[at], draft.collectors[at]
    if not fan.bin_refuses(collector, state) or state.on_phase:
        return
    for one in [each for each in demand.of_collector(draft, at) if each.may_start]:
        if one.kind is Kind.HAND:
            end_hand(draft, one.gates[0], Rule.BIN_FULL)
            draft.say_of_gate(one.gates[0], Happened.START_REFUSED, Rule.BIN_FULL)
        elif one.tool is not None and (tool := draft.shop.tool_at(one.tool)) is not None:
            make_stale(draft, tool)
            refuse_stale(draft, tool, Rule.BIN_FULL)


def _refuse_unservable(draft: Draft, at: CollectorAt, granted: list[Demand]) -> None:
    """A demand none of whose gates can be proven: say so once, name a gate that waits for a hand."""
    for one in granted:
        alarm = one.alarm("not_served")
        if demand.can_be_served(draft, one):
            draft.clear_alarm(alarm, Rule.NO_GATE_PROVEN)
            continue
        if one.kind is Kind.RUN_ON:
            continue
        by_hand = [i for i in one.gates if not draft.shop.gates[i].commanded]
        rule = Rule.GATE_BY_HAND_IS_SHUT if by_hand else Rule.NO_GATE_PROVEN
        mute = [i for i in by_hand if draft.gates[i].reported is Position.OPEN]
        if mute:  # it says that it is open, and not that it is so now
            rule, by_hand = Rule.NOT_HEARD_LIVE, mute
        names = ", ".join(draft.shop.gates[i].name for i in by_hand or one.gates)
        draft.refuse(alarm, rule, draft.shop.collectors[at].name, gates=names)


def _resting(draft: Draft, at: CollectorAt, phase: st.Off | st.CoastDown, served: list[Demand]) -> None:
    """Off or coasting down: a demand that may start opens its gates; a fan that stands still lets them shut."""
    state = draft.collectors[at]
    standing_still = not fan.may_turn(state, draft.now)
    tripped = isinstance(phase, st.CoastDown) and phase.tripped and not standing_still
    if any(one.may_start for one in served) and not tripped:
        zone.try_again(draft, at)
        transition(draft, at, Cause.DEMAND, st.Opening(draft.now))
        return
    if standing_still and isinstance(phase, st.CoastDown):
        transition(draft, at, Cause.STANDS_STILL, st.Off())
        zone.rest(draft, at)
    elif isinstance(phase, st.CoastDown):
        zone.trim(draft, at)


def _opening(draft: Draft, at: CollectorAt, phase: st.Opening, served: list[Demand], *, over: bool) -> None:
    """Gates travel. On, once every needed gate is proven or given up and enough are proven in all."""
    if phase.until is not None and phase.until <= draft.now:
        phase = replace(phase, until=None)
        transition(draft, at, Cause.WAITS, phase)
    starters = [one for one in served if one.may_start]
    if not starters:
        if any(one.unconfirmed for one in served):  # it goes on as soon as its tool is heard
            zone.shut_others(draft, at, zone.wanted(draft, at, served))
        else:
            _call_off(draft, at, phase, over=over)
        return
    chosen = zone.wanted(draft, at, served)
    zone.open_wanted(draft, at, chosen)
    needed = zone.needed(served)
    proven = demand.proven(draft, at)
    collector = draft.shop.collectors[at]
    enough = len(proven) >= collector.min_open
    makeup = [] if enough else [i for i in chosen if i not in needed]
    if not zone.is_ready(draft, needed + makeup):
        return
    if enough and (not needed or any(i in proven for i in needed)):
        if _waits_for_stops(draft, at) or _waits(draft, at, phase):
            zone.shut_others(draft, at, chosen)
            return
        _note_gate(draft, at, needed)
        draft.clear_alarm(_too_few(collector.name), Rule.MIN_OPEN)
        fan.tell_on(draft, at, Rule.DEMAND)
        zone.shut_others(draft, at, chosen)
    elif not enough:
        _refuse_min_open(draft, at, starters, len(proven))


def _waits_for_stops(draft: Draft, at: CollectorAt) -> bool:
    """The gates are ready; whether a stop contact is active is to be known first, and by something that is new."""
    phase = draft.collectors[at].phase
    if draft.stops_lost_at is None:
        return draft.standstill
    if isinstance(phase, st.Opening) and not phase.unheard:
        transition(draft, at, Cause.WAITS, replace(phase, unheard=True))
        unheard_for = round(draft.now - draft.stops_lost_at, 3)
        draft.say_of_collector(at, Happened.COLLECTOR_WAITED, Rule.STOPS_UNHEARD, unheard_for=unheard_for)
    return True


def _waits(draft: Draft, at: CollectorAt, phase: st.Opening) -> bool:
    """The gates are ready; another inrush on the circuit, or a stop that is still to be read, is let come first."""
    if not draft.shop.circuits and draft.no_start_before <= draft.now:
        return False
    clear, rule = fan.inrush_clear_at(draft.shop, draft.tools, draft.collectors, at), Rule.START_GAP
    if draft.no_start_before > clear:  # a stop contact that an edit has added may not have spoken yet
        clear, rule = draft.no_start_before, Rule.STOP_UNREAD
    if clear <= draft.now:
        return False
    if phase.until != clear:
        transition(draft, at, Cause.WAITS, replace(phase, until=clear))
        draft.say_of_collector(at, Happened.COLLECTOR_WAITED, rule, for_seconds=round(clear - draft.now, 3))
    return True


def _too_few(collector: str) -> Alarm:
    return Alarm("collector", collector, "too_few_gates")


def _refuse_min_open(draft: Draft, at: CollectorAt, starters: list[Demand], proven: int) -> None:
    """The demand's own gate is open, but too few gates are for the fan."""
    collector = draft.shop.collectors[at]
    facts: dict[str, Fact] = {"proven_open": proven, "min_open": collector.min_open}
    new = draft.raise_alarm(_too_few(collector.name), Rule.MIN_OPEN, **facts)
    for one in starters if new else ():
        draft.leave(Happened.START_REFUSED, Rule.MIN_OPEN, facts, **one.named, collector=collector.name)


def _call_off(draft: Draft, at: CollectorAt, phase: st.Opening, *, over: bool) -> None:
    """The demand is over before its gate was open, or (refused already) can no longer be served."""
    if over:
        rule = Rule.STOPS_UNHEARD if phase.unheard else Rule.CUT_ENDED_BEFORE_GATE
        draft.say_of_collector(at, Happened.START_MISSED, rule, waited=round(draft.now - phase.since, 3))
    draft.clear_alarm(_too_few(draft.shop.collectors[at].name), Rule.NO_DEMAND)
    transition(draft, at, Cause.CALLED_OFF, st.CoastDown())


def _on(draft: Draft, at: CollectorAt, served: list[Demand]) -> None:
    """Told on, or adopted: keep the zone while something keeps it, then off."""
    state, collector, now = draft.collectors[at], draft.shop.collectors[at], draft.now
    if served:
        chosen = zone.wanted(draft, at, served)
        zone.open_wanted(draft, at, chosen)
        zone.shut_others(draft, at, chosen)
        _note_gate(draft, at, zone.needed(served) or chosen)
        cutting = any(one.kind is not Kind.RUN_ON for one in served)
        ours = state.told_on_at is not None or state.by_hand
        unread = now < draft.no_start_before or _waits_for_stops(draft, at)
        allowed = state.seen_on or not (fan.bin_refuses(collector, state) or unread)
        proven = len(demand.proven(draft, at)) >= collector.min_open  # an old word keeps a fan and starts none (I1)
        if not ours and allowed and proven and any(one.may_start for one in served):
            fan.tell_on(draft, at, Rule.DEMAND)  # an adopted fan becomes ours with a fresh demand
        _on_phase(draft, at, cutting=cutting, why=Rule.RUN_ON)
        return
    zone.trim(draft, at)
    if state.by_hand:
        _on_phase(draft, at, cutting=True, why=Rule.SWITCHED_BY_HAND)
        return
    if now < state.grace_until:
        _on_phase(draft, at, cutting=False, why=Rule.ADOPTION)
        return
    free_at = fan.free_again_at(collector, state, now)
    if free_at is not None and free_at > now:
        _on_phase(draft, at, cutting=False, why=Rule.STARTS_PER_HOUR)
        if draft.collectors[at].phase != state.phase:  # once, not at every look during spin-up
            draft.say_of_collector(
                at,
                Happened.COLLECTOR_KEPT_ON,
                Rule.STARTS_PER_HOUR,
                starts_this_hour=len(fan.spent(state, now)),
                starts_per_hour=collector.starts_per_hour,
                for_seconds=round(free_at - now, 3),
            )
        return
    fan.tell_off(draft, at, Rule.NO_DEMAND, Cause.NO_DEMAND)


def _on_phase(draft: Draft, at: CollectorAt, *, cutting: bool, why: Rule) -> None:
    """The word for being on: spin-up until the air moves, then running or run-on."""
    phase, spin_up = draft.collectors[at].phase, draft.shop.collectors[at].spin_up
    if isinstance(phase, st.SpinUp) and not reached(draft.now, phase.since, spin_up):
        return
    if cutting:
        transition(draft, at, Cause.SERVES, st.Running())
    else:
        transition(draft, at, Cause.KEPT_ON, st.RunOn(str(why)))


def _note_gate(draft: Draft, at: CollectorAt, chosen: list[GateAt]) -> None:
    """Remember which gate last carried air, for the day the fan needs one."""
    for i in chosen:
        if gates.is_proven(draft.gates[i]):
            if draft.collectors[at].last_gate != i:
                draft.set_collector(at, last_gate=i)
            return
