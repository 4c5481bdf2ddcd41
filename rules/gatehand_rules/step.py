"""The only door to the rules: `step(shop, state, event, now)`.

The caller's duties:

1. Give every event with the monotonic time at which it was received, in an order of rising time.
2. Step with a `Tick` at `wake_at` at the latest convenience; late and doubled ticks are harmless.
3. Write the findings to the log before the commands leave.
4. Carry the commands out in their order, or not at all when not connected; never later.
5. Keep the new state; step no old one again.
"""

from math import inf
from typing import assert_never

from msgspec import Struct
from msgspec.structs import replace

from gatehand_rules import collectors, detect, ends, gaps, gates, hands, holds, interlock, readings, start
from gatehand_rules import events as ev
from gatehand_rules.commands import Command
from gatehand_rules.context import Context
from gatehand_rules.findings import Finding, Happened, Rule
from gatehand_rules.phases import take_back
from gatehand_rules.sequence import settle
from gatehand_rules.shop import CollectorAt, GateAt, Shop
from gatehand_rules.state import CollectorState, GateState, GateTravels, Guard, State
from gatehand_rules.timing import due
from gatehand_rules.words import Position


class Outcome(Struct, frozen=True):
    """What a step came to. `wake_at` is `state.wake_at`."""

    state: State
    commands: tuple[Command, ...] = ()
    findings: tuple[Finding, ...] = ()
    decided: Finding | None = None
    """What answers a request; it may be one that is not worth a line of the log."""

    @property
    def wake_at(self) -> float | None:
        """Monotonic seconds of the next deadline, or None."""
        return self.state.wake_at


def step(shop: Shop, state: State, event: ev.Event, now: float) -> Outcome:
    """Apply one event at `now` (monotonic seconds). Total: every event in every state has an answer."""
    if type(event) is ev.Reading:
        plain = _plain_reading(shop, state, event, now)
        if plain is not None:
            return plain
    context = Context(shop, state, now)
    if state.wake_at is not None and state.wake_at < now:
        _what_is_overdue(context)
    _observe(context, event)
    _time_passes(context)
    settle(context)
    return _finish(context, event)


def _plain_reading(shop: Shop, state: State, event: ev.Reading, now: float) -> Outcome | None:
    """The common case: a live reading that decides nothing, with no deadline behind it."""
    at = shop.tool_at(event.tool)
    if at is None or event.retained or (state.wake_at is not None and state.wake_at <= now):
        return None
    if state.standstill:
        return None
    value = max(0.0, event.value)
    tool = readings.quick(shop.tools[at], state.tools[at], value, now)
    if tool is None or (state.doubts and state.doubts[at] is not None):
        return None
    guard = interlock.see_reading(shop, state.guard, at, value)
    tools = list(state.tools)
    tools[at] = tool
    return Outcome(replace(state, tools=tuple(tools), guard=guard))


def _what_is_overdue(context: Context) -> None:
    """What was over before the event came, tick or no tick. It commands nothing: the event may forbid it."""
    if context.no_start_before <= context.now:
        context.no_start_before = -inf
    detect.time_passes(context)
    gaps.time_passes(context)
    quiet = context.quiet
    for i, gate in zip(context.shop.each_gate, context.gates, strict=True):
        if gate.hand is not None:
            hands.time_passes(context, i)
        if not quiet and gates.travels(gate):
            gates.arrives(context, i)


def _time_passes(context: Context) -> None:
    """Everything that time alone changes, before the sequence looks."""
    _what_is_overdue(context)
    start.settled(context)
    if context.quiet:
        return
    for i, gate in zip(context.shop.each_gate, context.gates, strict=True):
        if gates.travels(gate):
            gates.time_passes(context, i)


def _finish(context: Context, event: ev.Event) -> Outcome:
    """Past the interlock and out; a veto means that the sequence erred, and holds the collector."""
    shop, now = context.shop, context.now
    for i in context.shop.each_gate if context.alarms else ():
        gates.end_old_alarm(context, i)
    ends.end_old(context)
    guard = interlock.observe(shop, context.start.guard, event, now)
    guard, passed, vetoes = _past_interlock(context, guard, tuple(context.commands))
    if vetoes:
        context.findings.extend(vetoes)
        context.commands.clear()
        for veto in vetoes:
            _unbelieve(context, veto)
        for name in {veto.collector for veto in vetoes if veto.collector is not None}:
            at = shop.collector_at(name)
            if at is not None and not collectors.is_held(context.collectors[at]):
                holds.hold(context, at, "interlock", vetoes[0].rule)
        guard, more, again = _past_interlock(context, guard, tuple(context.commands))
        passed += more
        context.findings.extend(again)
    new = context.state(guard)
    new = replace(new, wake_at=next_deadline(shop, new))
    return Outcome(new, passed, tuple(context.findings), context.decided)


def _unbelieve(context: Context, veto: Finding) -> None:
    """A command that did not leave changed nothing: its gate or collector is what it was before."""
    word = str(dict(veto.facts).get("command"))
    before = context.before.get((word, str(veto.collector if veto.gate is None else veto.gate)))
    match before:
        case int(at), GateState(move=move, reported=reported):
            context.set_gate(GateAt(at), move=move, reported=reported)
        case int(at), CollectorState() as fan:
            take_back(context, CollectorAt(at), fan)
        case None:
            pass
        case _:
            assert_never(before)


def _past_interlock(
    context: Context, guard: Guard, commands: tuple[Command, ...]
) -> tuple[Guard, tuple[Command, ...], tuple[Finding, ...]]:
    guard, passed, vetoes = interlock.judge(context.shop, guard, commands, context.now)
    guard, forced, why = interlock.enforce(context.shop, guard, context.now)
    return guard, passed + forced, vetoes + why


def _observe(context: Context, event: ev.Event) -> None:
    """Take the event in. What it leads to is the sequence's business."""
    if context.standstill:
        old = gaps.of_before(context, event)
        if old is None:
            return
        event = old
    shop = context.shop
    match event:
        case ev.Tick():
            pass
        case ev.Reading():
            _reading(context, event)
        case ev.MessageRejected():
            _rejected(context, event)
        case ev.GateReport(gate=name) if (gate := shop.gate_at(name)) is not None and shop.gates[gate].reports:
            _gate_report(context, gate, event)
        case ev.ButtonPressed(gate=name, retained=False) if (gate := shop.gate_at(name)) is not None:
            hands.button(context, gate)
        case ev.HandAsked(gate=name, retained=False) if (gate := shop.gate_at(name)) is not None:
            hands.ask(context, gate, on=event.on, who=holds.who(event.because, event.by))
        case ev.StopReport(stop=name) if (stop := shop.stop_at(name)) is not None:
            holds.stop(context, stop, active=event.active)
        case ev.StopUnclear(stop=name) if (stop := shop.stop_at(name)) is not None:
            holds.stop_unclear(context, stop, event.says)
        case ev.CollectorReport() | ev.CollectorReading() | ev.BinReport():
            _collector_event(context, event)
        case ev.ResetAsked() | ev.ResetButton() | ev.HoldAsked() | ev.OffAsked() | ev.HoldRemembered():
            _hold_event(context, event)
        case ev.DeviceOnline() if gaps.device(context, event):
            pass
        case ev.ButtonPressed() | ev.HandAsked():
            _ignore(context, event, retained=event.retained)
        case ev.GateReport() | ev.StopReport() | ev.StopUnclear() | ev.DeviceOnline():
            _ignore(context, event)
        case ev.BrokerConnected():
            start.connected(context)
        case ev.BrokerLost():
            start.lost(context, event.heard_at)
        case ev.StopsLost():
            gaps.stops_lost(context, event.why)
        case ev.StopsHeard():
            gaps.stops_heard(context)
        case ev.LoopStood():
            gaps.loop_stood(context, event.seconds)
        case ev.LoopCaughtUp():
            gaps.loop_caught_up(context)
        case ev.ShutdownAsked():
            start.shutdown(context)
        case _:
            assert_never(event)


def _ignore(context: Context, event: ev.Event, *, retained: bool = False) -> None:
    """A message that may not act: retained, or for something that is not there, or that has no such signal."""
    rule, facts = Rule.RETAINED if retained else Rule.UNKNOWN_NAME, {"what": type(event).__name__}
    gate, collector = getattr(event, "gate", None), getattr(event, "collector", None)
    context.say(Happened.MESSAGE_IGNORED, rule, facts, gate=gate, collector=collector)
    context.decide()


def _reading(context: Context, event: ev.Reading) -> None:
    at = context.shop.tool_at(event.tool)
    if at is None:
        _ignore(context, event)
    elif not event.retained:
        detect.hear(context, at, max(0.0, event.value), young=event.young)
    elif not readings.may_be_the_latest(context, at) or not detect.hear_old(context, at, max(0.0, event.value)):
        said = context.shop.tools[at].reading_fact(event.value)
        context.say(Happened.READING_REJECTED, Rule.RETAINED, said, tool=event.tool)


def _rejected(context: Context, event: ev.MessageRejected) -> None:
    rule = Rule.MAX_AGE if event.old else Rule.BAD_VALUE
    facts: dict[str, str] = {"why": event.why, "shown": event.shown, event.kind: event.name}
    context.say(Happened.READING_REJECTED, rule, {"more": event.more} if event.more else {}, **facts)


def _gate_report(context: Context, at: GateAt, event: ev.GateReport) -> None:
    if event.retained:
        gates.report_retained(context, at, event.position, event.says)
        return
    opened = gates.report(context, at, event.position, event.says) and not gates.is_exercised(context, at)
    hand = context.gates[at].hand
    if opened and hand is None and context.shop.gates[at].on_hand_open == "start":
        hands.start_hand(context, at, Rule.MOVED_BY_HAND, by_opening=True)
    elif event.position is Position.SHUT and hand is not None and hand.by_opening:
        hands.end_hand(context, at, Rule.MOVED_BY_HAND)


def _hold_event(
    context: Context, event: ev.ResetAsked | ev.ResetButton | ev.HoldAsked | ev.OffAsked | ev.HoldRemembered
) -> None:
    """A hold begins, or somebody wants it to end, or the collector off."""
    at = context.shop.collector_at(event.collector)
    if at is None:
        if not isinstance(event, ev.HoldRemembered):
            _ignore(context, event)
        return
    match event:
        case ev.ResetAsked(retained=False):
            holds.reset_asked(context, at, event.because, event.by)
        case ev.HoldAsked(retained=False):
            holds.ask_hold(context, at, event.because, event.by)
        case ev.OffAsked(retained=False):
            holds.ask_off(context, at, event.because, event.by)
        case ev.ResetButton(retained=True):
            holds.reset_button_retained(context, at, pressed=event.pressed)
        case ev.ResetButton():
            holds.reset_button(context, at, pressed=event.pressed)
        case ev.HoldRemembered():
            start.hold_remembered(context, at, event.why)
        case ev.ResetAsked() | ev.HoldAsked() | ev.OffAsked():
            if isinstance(event, ev.ResetAsked):
                holds.reset_heard(context, at)
            _ignore(context, event, retained=True)
        case _:
            assert_never(event)


def _collector_event(context: Context, event: ev.CollectorReport | ev.CollectorReading | ev.BinReport) -> None:
    at = context.shop.collector_at(event.collector)
    match event:
        case ev.CollectorReport() if at is not None and context.shop.collectors[at].reports:
            collectors.see(context, at, reported=event.on, live=not event.retained)
        case ev.CollectorReading() if at is not None and context.shop.collectors[at].senses_motor:
            drawing = event.value >= context.shop.collectors[at].turns_at
            collectors.see(context, at, drawing=drawing, value=event.value, live=not event.retained)
        case ev.BinReport() if at is not None and context.shop.collectors[at].tells_bin:
            collectors.see_bin(context, at, full=event.full)
        case _:
            _ignore(context, event)


def next_deadline(shop: Shop, state: State) -> float | None:
    """Monotonic seconds of the next deadline, or None. The caller steps with a `Tick` then; a late tick is harmless."""
    judged = state.connected and state.adopted
    acting = state.connected and state.settle_at is None and not state.stopping
    moments = [detect.wake_at(shop.tools, state.tools, state.doubts, judged=judged), gaps.wake_at(shop.timing, state)]
    for tool, each in zip(shop.tools, state.doubts, strict=False) if state.connected else ():
        if each is not None:
            moments.append(readings.believed_at(shop.timing, tool, each))
    if state.no_start_before > -inf:
        moments.append(state.no_start_before)
    for gate, gate_state in zip(shop.gates, state.gates, strict=True):
        if gate_state.hand is not None:
            moments.append(due(gate_state.hand.since, gate.hand_limit))
        if acting and isinstance(gate_state.move, GateTravels):
            moments.append(due(gate_state.move.since, gate.travel))
    if state.connected and state.settle_at is not None and not state.stopping:
        moments.append(state.settle_at)
    if acting:
        for collector, collector_state in zip(shop.collectors, state.collectors, strict=True):
            moments.append(collectors.wake_at(shop.timing, collector, collector_state, 0.0))
    first = min(moments)
    return None if first == inf else first
