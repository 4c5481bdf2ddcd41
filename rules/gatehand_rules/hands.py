"""Hand starts and buttons: what people ask for. Hands rank above automation and below the invariants (holds.py)."""

from collections.abc import Mapping

from msgspec.structs import replace

from gatehand_rules import collectors, gates
from gatehand_rules import state as st
from gatehand_rules.context import Context
from gatehand_rules.detect import become, mute
from gatehand_rules.findings import Alarm, Fact, Happened, Rule
from gatehand_rules.shop import CollectorAt, GateAt
from gatehand_rules.timing import reached


def button(context: Context, at: GateAt) -> None:
    """A gate's button: ends what serves the gate (mutes its tools, ends its hand start), else starts by hand.

    A hand start from before a lost connection that has no fan is nothing to end: who presses wants it.
    """
    state, now = context.gates[at], context.now
    again = not reached(now, state.pressed_at, context.shop.timing.one_press)
    context.set_gate(at, pressed_at=now)
    if again:
        return
    if state.hand is not None and _wants_asking(context, at):
        start_hand(context, at, Rule.BUTTON)
    elif state.hand is not None:
        end_hand(context, at, Rule.BUTTON)
    elif not _release_tools(context, at):
        start_hand(context, at, Rule.BUTTON)


def _wants_asking(context: Context, at: GateAt) -> bool:
    """Its hand start is from before a lost connection, and its fan does not run for all that is known."""
    hand, state = context.gates[at].hand, context.collectors[context.shop.home_of(at)]
    if hand is None or not hand.kept:
        return False
    return not (state.seen_on or (state.on_phase and (state.told_on_at is not None or state.by_hand)))


def say_kept(context: Context, collector: CollectorAt, *, over: bool) -> None:
    """Say of each hand start from before a lost connection that it starts nothing; `over`: it has no fan, and ends."""
    for i in context.shop.gates_of(collector):
        hand = context.gates[i].hand
        if hand is not None and hand.kept:
            context.say_of_gate(i, Happened.START_REFUSED, Rule.BROKER)
            if over:
                end_hand(context, i, Rule.BROKER)


def _release_tools(context: Context, at: GateAt) -> bool:
    """Mute the served tools of this gate, end their run-on. False when there was none."""
    gate = context.shop.gates[at]
    home = context.collectors[context.shop.home_of(at)]
    served = home.on_phase or isinstance(home.phase, st.Opening)
    found = False
    for i, tool in zip(context.shop.each_tool, context.shop.tools, strict=True):
        if gate.name not in tool.gates:
            continue
        state = context.tools[i]
        if isinstance(state, st.ToolSilent) and not state.let_go:
            state = state.was
        if isinstance(state, st.ToolRunning) and (served or state.freshness is st.Freshness.FRESH):
            mute(context, i, Rule.BUTTON)
            found = True
        elif isinstance(state, st.ToolRunOn) and served:
            become(context, i, st.ToolIdle(state.value, state.heard_at))
            context.say_of_tool(i, Happened.RUN_ON_ENDED, Rule.BUTTON)
            found = True
    return found


def ask(context: Context, at: GateAt, *, on: bool, who: Mapping[str, Fact] | None = None) -> None:
    """A hand start, or its end, asked for over MQTT. `who`: who asked, and why.

    Asking twice is asking once, but one from before a lost connection is fresh from then on.
    """
    hand, before = context.gates[at].hand, len(context.findings)
    if on and (hand is None or hand.kept):
        start_hand(context, at, Rule.BUTTON)
    elif not on and hand is not None:
        end_hand(context, at, Rule.BUTTON)
    else:
        event = Happened.HAND_STARTED if on else Happened.HAND_ENDED
        context.say_of_gate(at, event, Rule.BUTTON)
        context.decide(logged=False)
    asked = {"by": "a message", **(who or {})}
    for i in range(before, len(context.findings)):
        finding = context.findings[i]
        if finding.event in {Happened.HAND_STARTED, Happened.HAND_ENDED, Happened.START_REFUSED}:
            context.decided = context.findings[i] = replace(finding, facts=(*finding.facts, *asked.items()))


def start_hand(context: Context, at: GateAt, rule: Rule, *, by_opening: bool = False) -> None:
    """Begin a hand start, unless the collector is held or its bin is full."""
    gate = context.shop.gates[at]
    refused = collectors.start_refusal(context, context.shop.home_of(at))
    if refused is not None:
        context.say_of_gate(at, Happened.START_REFUSED, refused, asked_by=str(rule))
        return
    gates.forget_fault(context, at)
    context.set_gate(at, hand=st.Hand(context.now, by_opening))
    context.say_of_gate(at, Happened.HAND_STARTED, rule, hand_limit=gate.hand_limit)


def end_hand(context: Context, at: GateAt, rule: Rule) -> None:
    """End a hand start if there is one."""
    gate, hand = context.shop.gates[at], context.gates[at].hand
    if hand is None:
        return
    context.set_gate(at, hand=None)
    context.say_of_gate(
        at, Happened.HAND_ENDED, rule, lasted=round(context.now - hand.since, 3), hand_limit=gate.hand_limit
    )
    context.clear_alarm(Alarm("gate", gate.name, "max_open"), rule)
    context.clear_alarm(Alarm("gate", gate.name, "not_served"), rule)


def outlast(context: Context, rule: Rule) -> None:
    """A gap (a lost connection, a standstill): a hand start keeps a fan that is on and starts none; else it ends."""
    for at, gate in zip(context.shop.each_gate, context.gates, strict=True):
        if gate.hand is not None and context.collectors[context.shop.home_of(at)].on_phase:
            context.set_gate(at, hand=replace(gate.hand, kept=True))
        else:
            end_hand(context, at, rule)


def time_passes(context: Context, at: GateAt) -> None:
    """The longest hand start has passed."""
    hand = context.gates[at].hand
    if hand is not None and reached(context.now, hand.since, context.shop.gates[at].hand_limit):
        end_hand(context, at, Rule.HAND_LIMIT)
