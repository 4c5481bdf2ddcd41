"""Hand starts, buttons and holds: what people ask for. Hands rank above automation and below the invariants."""

from gatehand_rules import fan, gates
from gatehand_rules.alarms import alarm_id
from gatehand_rules.detect import become, last_heard, mute, refuse_stale
from gatehand_rules.draft import Draft
from gatehand_rules.findings import Happened, Rule
from gatehand_rules.state import (
    CoastDown,
    GateState,
    Hand,
    Held,
    Opening,
    Standing,
    ToolIdle,
    ToolRunning,
    ToolRunOn,
    ToolSilent,
    ToolUnknown,
)
from gatehand_rules.timers import due, reached

ONE_PRESS = 0.4
"""Seconds within which a repeated press is the same press."""


def button(draft: Draft, at: int) -> None:
    """A gate's button: ends what serves the gate (mutes its tools, ends its hand start), else starts by hand."""
    state, now = draft.gates[at], draft.now
    again = not reached(now, state.pressed_at, ONE_PRESS)
    draft.set_gate(at, pressed_at=now)
    if again:
        return
    if state.hand is not None:
        end_hand(draft, at, Rule.BUTTON)
    elif not _release_tools(draft, at):
        start_hand(draft, at, Rule.BUTTON)


def _release_tools(draft: Draft, at: int) -> bool:
    """Mute the served tools of this gate, end their run-on. False when there was none."""
    gate = draft.shop.gates[at]
    home = draft.shop.collector_at(gate.collector)
    if home is None:
        return False
    served = draft.collectors[home].on_phase or isinstance(draft.collectors[home].phase, Opening)
    found = False
    for i, tool in enumerate(draft.shop.tools):
        if gate.name not in tool.gates:
            continue
        state = draft.tools[i]
        if isinstance(state, ToolSilent) and not state.let_go:
            state = state.was
        if isinstance(state, ToolRunning) and (served or state.standing is Standing.FRESH):
            mute(draft, i, Rule.BUTTON)
            found = True
        elif isinstance(state, ToolRunOn) and served:
            become(draft, i, ToolIdle(state.amps, state.heard_at))
            draft.say(Happened.RUN_ON_ENDED, Rule.BUTTON, tool=tool.name, collector=tool.collector)
            found = True
    return found


def ask(draft: Draft, at: int, *, on: bool) -> None:
    """A hand start, or its end, asked for over MQTT. Asking twice is asking once."""
    running = draft.gates[at].hand is not None
    if on and not running:
        start_hand(draft, at, Rule.BUTTON)
    elif not on and running:
        end_hand(draft, at, Rule.BUTTON)


def start_hand(draft: Draft, at: int, rule: Rule, *, by_opening: bool = False) -> None:
    """Begin a hand start, unless the collector is held or its bin is full."""
    gate = draft.shop.gates[at]
    home = draft.shop.collector_at(gate.collector)
    if home is None:
        return
    state = draft.collectors[home]
    refused: Rule | None = None
    if fan.is_held(state):
        refused = Rule.HOLD
    elif fan.bin_refuses(draft.shop.collectors[home], state) and not state.on_phase:
        refused = Rule.BIN_FULL
    if refused is not None:
        draft.say(Happened.START_REFUSED, refused, gate=gate.name, collector=gate.collector, asked_by=str(rule))
        return
    gates.forget_fault(draft, at)
    draft.set_gate(at, hand=Hand(draft.now, by_opening))
    draft.say(Happened.HAND_STARTED, rule, gate=gate.name, collector=gate.collector, hand_limit=gate.hand_limit)


def end_hand(draft: Draft, at: int, rule: Rule) -> None:
    """End a hand start if there is one."""
    gate, hand = draft.shop.gates[at], draft.gates[at].hand
    if hand is None:
        return
    draft.set_gate(at, hand=None)
    draft.say(
        Happened.HAND_ENDED,
        rule,
        gate=gate.name,
        collector=gate.collector,
        lasted=round(draft.now - hand.since, 3),
        hand_limit=gate.hand_limit,
    )
    draft.clear_alarm(alarm_id("gate", gate.name, "max_open"), rule, gate=gate.name)
    draft.clear_alarm(alarm_id("gate", gate.name, "not_served"), rule, gate=gate.name)


def time_passes(draft: Draft, at: int) -> None:
    """The longest hand start has passed."""
    hand = draft.gates[at].hand
    if hand is not None and reached(draft.now, hand.since, draft.shop.gates[at].hand_limit):
        end_hand(draft, at, Rule.HAND_LIMIT)


def wake_at(limit: float, state: GateState) -> float | None:
    """When the hand start ends by itself, or None."""
    return None if state.hand is None else due(state.hand.since, limit)


def hold(draft: Draft, at: int, why: str, rule: Rule) -> None:
    """Off at once, and nothing starts until a reset; every demand is stale from now on."""
    collector, state = draft.shop.collectors[at], draft.collectors[at]
    fresh = not fan.is_held(state)
    fan.tell_off(draft, at, rule, Held(why), why=why)
    if not fresh:
        return
    draft.say(Happened.COLLECTOR_HELD, rule, collector=collector.name, why=why)
    draft.raise_alarm(alarm_id("collector", collector.name, "held"), rule, collector=collector.name, why=why)
    drop_demands(draft, at, rule)


def drop_demands(draft: Draft, at: int, rule: Rule) -> None:
    """End hand starts and run-on, and make every running tool's demand stale."""
    for i in draft.shop.gates_of(at):
        end_hand(draft, i, rule)
    for i in draft.shop.tools_of(at):
        make_stale(draft, i)


def make_stale(draft: Draft, at: int) -> None:
    """The tool's demand starts nothing from now on; a run-on is over."""
    state = draft.tools[at]
    was = state.was if isinstance(state, ToolSilent) else state
    if isinstance(was, ToolRunning):
        become(draft, at, ToolRunning(was.amps, was.heard_at, was.since, Standing.STALE, was.low_since))
    elif isinstance(was, ToolRunOn):
        become(draft, at, ToolIdle(was.amps, was.heard_at))


def reset(draft: Draft, at: int) -> None:
    """End a hold whose cause is gone. It permits a start; it starts nothing."""
    collector, state = draft.shop.collectors[at], draft.collectors[at]
    active = [
        stop.name for i, stop in enumerate(draft.shop.stops) if draft.stops[i] and collector.name in stop.collectors
    ]
    if not isinstance(state.phase, Held):
        draft.say(Happened.RESET_REFUSED, Rule.HOLD, collector=collector.name, why="not held")
        return
    if active:
        draft.say(Happened.RESET_REFUSED, Rule.STOP_CONTACT, collector=collector.name, active=", ".join(active))
        return
    draft.say(Happened.HOLD_RESET, Rule.HOLD, collector=collector.name, why=state.phase.why)
    draft.set_collector(at, phase=CoastDown())
    draft.clear_alarm(alarm_id("collector", collector.name, "held"), Rule.HOLD, collector=collector.name)
    for i, tool in enumerate(draft.shop.tools):
        if tool.collector == collector.name:
            _reset_tool(draft, i)


def _reset_tool(draft: Draft, at: int) -> None:
    """After a reset only what goes from idle to running is fresh: what draws already, a little or much, is not idle."""
    tool, state = draft.shop.tools[at], draft.tools[at]
    was = state.was if isinstance(state, ToolSilent) else state
    if isinstance(state, ToolRunning):
        make_stale(draft, at)
        refuse_stale(draft, at, Rule.NOT_FRESH)
    elif isinstance(was, (ToolIdle, ToolRunOn)) and was.amps is not None and was.amps >= tool.stop_amps:
        become(draft, at, ToolUnknown(was.amps, last_heard(state)))


def stop(draft: Draft, at: int, *, active: bool) -> None:
    """A stop contact: active holds its collectors at once, clear starts nothing."""
    contact, before = draft.shop.stops[at], draft.stops[at]
    draft.stops[at] = active
    draft.clear_alarm(_unclear(contact.name), Rule.STOP_CONTACT)
    if not active:
        if before:
            draft.say(Happened.STOP_CLEARED, Rule.STOP_CONTACT, stop=contact.name)
            draft.clear_alarm(alarm_id("stop", contact.name, "active"), Rule.STOP_CONTACT)
        return
    if not before:
        draft.say(Happened.STOP_ACTIVE, Rule.STOP_CONTACT, stop=contact.name)
    for name in contact.collectors:
        home = draft.shop.collector_at(name)
        if home is not None and (not before or not fan.is_held(draft.collectors[home])):
            hold(draft, home, contact.name, Rule.STOP_CONTACT)
    draft.raise_alarm(alarm_id("stop", contact.name, "active"), Rule.STOP_CONTACT, stop=contact.name)


def stop_unclear(draft: Draft, at: int, says: str) -> None:
    """A stop contact that is not understood stops nothing, and somebody relies on it: that must be seen."""
    name = draft.shop.stops[at].name
    draft.raise_alarm(_unclear(name), Rule.BAD_VALUE, stop=name, says=says)


def _unclear(stop: str) -> str:
    return alarm_id("stop", stop, "unclear")
