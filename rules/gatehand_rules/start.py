"""Beginnings: the state before anything is known, connecting, losing the broker, adoption, stopping."""

from collections.abc import Mapping
from math import inf

from msgspec.structs import replace

from gatehand_rules import collectors, gates, interlock, phases, readings
from gatehand_rules import state as st
from gatehand_rules.context import Context
from gatehand_rules.detect import become
from gatehand_rules.findings import Happened, Rule
from gatehand_rules.hands import outlast, say_kept
from gatehand_rules.holds import begin_presses_anew, drop_demands, forget_press, hold
from gatehand_rules.phases import Cause, transition
from gatehand_rules.shop import CollectorAt, Shop
from gatehand_rules.timing import due
from gatehand_rules.words import Position


def initial(shop: Shop, now: float, starts: Mapping[str, tuple[float, ...]] | None = None) -> st.State:
    """Nothing known, nothing connected: every device may be in any state (monotonic seconds).

    `starts`: by collector, when its motor was started in the last hour, oldest first. They count for its budget (I8).
    """
    before = {} if starts is None else starts
    return st.State(
        tools=tuple(st.ToolUnknown(None, now) for _ in shop.tools),
        gates=tuple(st.GateState() for _ in shop.gates),
        collectors=tuple(phases.at_start(before.get(collector.name, ())) for collector in shop.collectors),
        stops=tuple(False for _ in shop.stops),
        guard=interlock.initial(shop),
        doubts=tuple(None for _ in shop.tools),
    )


def connected(context: Context) -> None:
    """Connected and subscribed: await what the broker retains, then act."""
    context.connected = True
    context.settle_at = due(context.now, context.shop.timing.settle)
    context.say(Happened.BROKER_CONNECTED, Rule.BROKER, first=not context.adopted)
    begin_presses_anew(context)
    for at, collector in zip(context.shop.each_collector, context.collectors, strict=True):
        if isinstance(collector.phase, st.Held):  # an "off" for a stop need not wait for what is retained
            collectors.tell_off(context, at, Rule.BROKER, None, why=collector.phase.why)
    doubt_tools(context)


def doubt_tools(context: Context) -> None:
    """What the tools said last is from before a gap: silence counts anew, and a start wants bearing out."""
    for i in context.shop.each_tool:
        readings.lose(context, i)
        state = context.tools[i]
        # Who is silent stays so: how long, is counted from its last reading.
        heard_at = state.was.heard_at if isinstance(state, st.ToolSilent) else context.now
        become(context, i, _doubted(st.speaking(state), heard_at))
        context.doubts[i] = st.Doubt()


def _doubted(state: st.ToolSpeaking, heard_at: float) -> st.ToolSpeaking:
    """The broker was away, not the sensor: silence counts anew, and old demands want confirming before they start."""
    if isinstance(state, (st.ToolIdle, st.ToolRunOn)):
        state = replace(state, rise=None)  # a rise from before the gap has not lasted through it
    if isinstance(state, (st.ToolRunning, st.ToolRunOn)) and state.freshness is st.Freshness.FRESH:
        return replace(state, heard_at=heard_at, freshness=st.Freshness.UNCONFIRMED)
    return replace(state, heard_at=heard_at)


def lost(context: Context, heard_at: float) -> None:
    """The connection is gone: what was commanded after the broker was last heard may not have arrived."""
    context.connected = False
    context.settle_at = None
    context.say(Happened.BROKER_LOST, Rule.BROKER, heard_before=round(context.now - heard_at, 3))
    for i, state in zip(context.shop.each_gate, context.gates, strict=True):
        move = state.move
        told_at = move.since if isinstance(move, (st.GateOpen, st.GateShut)) else -inf
        told_at = move.first if isinstance(move, st.GateFault) else told_at
        if told_at > heard_at:
            shutting = isinstance(move, st.GateFault) and move.wanted is Position.SHUT
            context.set_gate(i, move=st.GateUnknown(shutting=shutting))
            gates.clear_fault(context, i, Rule.BROKER)
    for at in context.shop.each_collector:
        _lost_fan(context, at, heard_at)
    outlast(context, Rule.BROKER)


def _lost_fan(context: Context, at: CollectorAt, heard_at: float) -> None:
    """A start that may not have arrived is none: switched off at the next connection, begun anew if still wanted."""
    state = context.collectors[at]
    if state.on_phase and state.started_at > heard_at:
        transition(context, at, Cause.START_LOST, st.CoastDown(), still_at=inf, answer=None, told_on_at=None)
    elif state.told_on_at is not None and state.told_on_at > heard_at:
        context.set_collector(at, told_on_at=state.told_on_at - context.shop.collectors[at].refresh)


def settled(context: Context) -> None:
    """Retained messages are in: adopt what is found (the daemon's start) or take up again (a new connection)."""
    if context.settle_at is None or context.now < context.settle_at or not context.connected or context.stopping:
        return
    context.settle_at = None
    first = not context.adopted
    context.adopted = True
    for at in context.shop.each_collector:
        if first:
            _adopt(context, at)
        else:
            _take_up_again(context, at)
    for i in context.shop.each_gate if not first else ():
        gates.tell_again(context, i, tries=0, rule=Rule.BROKER)


def _take_up_again(context: Context, at: CollectorAt) -> None:
    """A new connection. An "off" is said again; an "on" only where it is surely no start."""
    collector, state = context.shop.collectors[at], context.collectors[at]
    stood = state.reported_on is False or (not collector.reports and state.drawing is False)
    if isinstance(state.phase, st.Held):
        return
    if not state.on_phase or stood:
        collectors.tell_off(context, at, Rule.BROKER, Cause.NOT_CONTINUED)
        return
    if collectors.forget_lapsed(context, at):
        say_kept(context, at, over=False)


def _adopt(context: Context, at: CollectorAt) -> None:
    """The daemon's start for one collector: adopted where it turns, else switched off."""
    state = context.collectors[at]
    if isinstance(state.phase, st.Held):
        collectors.tell_off(context, at, Rule.ADOPTION, None)
        return
    known_to_stand = not state.seen_on and (state.reported_on is False or state.drawing is False)
    if not known_to_stand:
        _open_unknown(context, at)
    if state.seen_on and isinstance(state.phase, st.Off):  # not switched off already, before what is retained was in
        opening = st.Opening(context.now, adopting=True)
        transition(context, at, Cause.FOUND_ON, opening, still_at=inf, found_on=True)
    else:
        collectors.tell_off(context, at, Rule.ADOPTION, Cause.NOT_CONTINUED)


def _open_unknown(context: Context, at: CollectorAt) -> None:
    """Gates of unknown position are told to open for a fan that may turn, within `max_open`, relief gates first."""
    collector, shop = context.shop.collectors[at], context.shop
    own = [i for i in shop.gates_of(at) if shop.gates[i].commanded]
    stand_open = sum(1 for i in own if isinstance(context.gates[i].move, st.GateOpen))
    for i in sorted(own, key=lambda i: not shop.gates[i].relief):
        if collector.max_open is not None and stand_open >= collector.max_open:
            return
        if isinstance(context.gates[i].move, st.GateUnknown):
            gates.tell_open(context, i, Rule.ADOPTION)
            stand_open += 1


def hold_remembered(context: Context, at: CollectorAt, why: str) -> None:
    """Held before the daemon's restart, by its own file or its retained status: a restart is no reset."""
    if collectors.is_held(context.collectors[at]):
        forget_press(context, at)
    else:
        hold(context, at, why or "on hold since before the daemon's restart", Rule.HOLD)


def shutdown(context: Context) -> None:
    """A clean stop: every collector off, every gate left as it is."""
    for at, state in zip(context.shop.each_collector, context.collectors, strict=True):
        drop_demands(context, at, Rule.SHUTDOWN)
        collectors.tell_off(
            context, at, Rule.SHUTDOWN, None if isinstance(state.phase, (st.Held, st.Off)) else Cause.SHUTDOWN
        )
    context.stopping = True
