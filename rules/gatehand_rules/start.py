"""Beginnings: the state before anything is known, connecting, losing the broker, adoption, stopping."""

from dataclasses import replace
from math import inf

from gatehand_rules import demand, fan, gates, interlock
from gatehand_rules.draft import Draft
from gatehand_rules.findings import Happened, Rule
from gatehand_rules.hands import drop_demands, hold
from gatehand_rules.shop import Shop
from gatehand_rules.state import (
    CoastDown,
    CollectorState,
    GateOpen,
    GateOpening,
    GateShut,
    GateShutting,
    GateState,
    GateUnknown,
    Held,
    Off,
    Opening,
    Standing,
    State,
    ToolRunning,
    ToolRunOn,
    ToolSilent,
    ToolSpeaking,
    ToolState,
    ToolUnknown,
)
from gatehand_rules.timers import due

SETTLE = 0.5
"""Seconds after a connection in which retained messages are taken in before anything is commanded."""


def initial(shop: Shop, now: float) -> State:
    """Nothing known, nothing connected: every device may be in any state (monotonic seconds)."""
    return State(
        tools=tuple(ToolUnknown(None, now) for _ in shop.tools),
        gates=tuple(GateState() for _ in shop.gates),
        collectors=tuple(CollectorState() for _ in shop.collectors),
        stops=tuple(False for _ in shop.stops),
        guard=interlock.initial(shop),
    )


def connected(draft: Draft) -> None:
    """Connected and subscribed: await what the broker retains, then act."""
    draft.connected = True
    draft.settle_at = due(draft.now, SETTLE)
    draft.say(Happened.BROKER_CONNECTED, Rule.BROKER, first=not draft.adopted)
    for i, state in enumerate(draft.tools):
        draft.tools[i] = _heard_now(state, draft.now)


def _heard_now(state: ToolState, now: float) -> ToolState:
    """The broker was away, not the sensor: silence counts anew, and old demands want confirming before they start."""
    match state:
        case ToolSilent(was=was):
            return replace(state, was=_speaking_heard_now(was, now))
        case _:
            return _speaking_heard_now(state, now)


def _speaking_heard_now(state: ToolSpeaking, now: float) -> ToolSpeaking:
    if isinstance(state, ToolRunning | ToolRunOn) and state.standing is Standing.FRESH:
        return replace(state, heard_at=now, standing=Standing.UNCONFIRMED)
    return replace(state, heard_at=now)


def lost(draft: Draft, heard_at: float) -> None:
    """The connection is gone: what was commanded after the broker was last heard may not have arrived."""
    draft.connected = False
    draft.settle_at = None
    draft.say(Happened.BROKER_LOST, Rule.BROKER, heard_before=round(draft.now - heard_at, 3))
    for i, state in enumerate(draft.gates):
        move = state.move
        if isinstance(move, GateOpen | GateShut) and not draft.shop.gates[i].reports and move.since > heard_at:
            draft.set_gate(i, move=GateUnknown())


def settled(draft: Draft) -> None:
    """Retained messages are in: adopt what is found (the daemon's start) or take up again (a new connection)."""
    if draft.settle_at is None or draft.now < draft.settle_at or not draft.connected:
        return
    draft.settle_at = None
    first = not draft.adopted
    draft.adopted = True
    for at in range(len(draft.collectors)):
        if first:
            _adopt(draft, at)
        elif not draft.collectors[at].on_phase:
            _off_again(draft, at)
    for i, state in enumerate(draft.gates):
        if isinstance(state.move, GateOpening | GateShutting) and not first:
            gates.retell(draft, i, tries=0, rule=Rule.BROKER)


def _off_again(draft: Draft, at: int) -> None:
    """An "off" from before the loss may not have arrived; saying it again harms nobody."""
    phase = draft.collectors[at].phase
    fan.tell_off(draft, at, Rule.BROKER, phase if isinstance(phase, Held) else CoastDown())


def _adopt(draft: Draft, at: int) -> None:
    """The daemon's start for one collector (DESIGN section 6)."""
    collector, state = draft.shop.collectors[at], draft.collectors[at]
    blind = not collector.reports and not collector.senses_current
    unknown = not state.seen_on and (blind or (collector.reports and state.reported_on is None))
    if isinstance(state.phase, Held):
        fan.tell_off(draft, at, Rule.ADOPTION, state.phase)
        return
    if state.seen_on or unknown:
        for i, gate in enumerate(draft.shop.gates):
            own = gate.collector == collector.name and gate.commanded
            if own and isinstance(draft.gates[i].move, GateUnknown):
                gates.tell_open(draft, i, Rule.ADOPTION)
    if state.seen_on:
        draft.set_collector(at, phase=Opening(draft.now, adopting=True), still_at=inf)
        if len(demand.proven(draft, at)) < collector.min_open:
            _open_one(draft, at)
    else:
        fan.tell_off(draft, at, Rule.ADOPTION)


def _open_one(draft: Draft, at: int) -> None:
    """All positions are known and too few are open: the relief gates, or any, for the fan that turns."""
    name = draft.shop.collectors[at].name
    own = [i for i, gate in enumerate(draft.shop.gates) if gate.collector == name and gate.commanded]
    on_way = [i for i in own if isinstance(draft.gates[i].move, GateOpening | GateOpen)]
    for i in sorted(own, key=lambda i: not draft.shop.gates[i].relief):
        if len(on_way) >= draft.shop.collectors[at].min_open:
            return
        if i not in on_way:
            gates.ensure_open(draft, i, Rule.ADOPTION)
            on_way.append(i)


def hold_remembered(draft: Draft, at: int) -> None:
    """Held before the daemon's restart, by its own retained status: a restart is no reset."""
    if not draft.adopted and not fan.is_held(draft.collectors[at]):
        hold(draft, at, "held before the daemon's restart", Rule.RETAINED)


def shutdown(draft: Draft) -> None:
    """A clean stop: every collector off, every gate left as it is."""
    for at, state in enumerate(draft.collectors):
        drop_demands(draft, at, Rule.SHUTDOWN)
        phase = state.phase
        fan.tell_off(draft, at, Rule.SHUTDOWN, phase if isinstance(phase, Held | Off) else CoastDown())
    draft.stopping = True
