"""The only door to the rules: `step(shop, state, event, now)`.

The caller's duties:

1. Give every event with the monotonic time at which it was received, in an order of rising time.
2. Step with a `Tick` at `wake_at` at the latest convenience; late and doubled ticks are harmless.
3. Write the findings to the log, and have them on disk, before the commands leave.
4. Carry the commands out in their order, or not at all when not connected; never later.
5. Keep the new state; step no old one again.
"""

from math import inf
from typing import assert_never

from msgspec import Struct
from msgspec.structs import replace

from gatehand_rules import detect, ends, fan, gaps, gates, hands, holds, interlock, readings, start
from gatehand_rules import events as ev
from gatehand_rules.commands import Command
from gatehand_rules.draft import Draft
from gatehand_rules.findings import Finding, Happened, Rule
from gatehand_rules.phases import take_back
from gatehand_rules.sequence import settle
from gatehand_rules.shop import CollectorAt, GateAt, Shop, ToolAt
from gatehand_rules.state import CollectorState, GateState, Guard, State
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
    draft = Draft(shop, state, now)
    if state.wake_at is not None and state.wake_at < now:
        _what_is_overdue(draft)
    _observe(draft, event)
    _time_passes(draft)
    settle(draft)
    return _finish(draft, event)


def _plain_reading(shop: Shop, state: State, event: ev.Reading, now: float) -> Outcome | None:
    """The common case: a live reading that decides nothing, with no deadline behind it."""
    at = shop.tool_at(event.tool)
    if at is None or event.retained or (state.wake_at is not None and state.wake_at <= now):
        return None
    if state.standstill:
        return None
    amps = max(0.0, event.amps)
    tool = readings.quick(shop.tools[at], state.tools[at], amps, now)
    if tool is None or (state.doubts and state.doubts[at] is not None):
        return None
    guard = interlock.see_reading(shop, state.guard, at, amps)
    tools = list(state.tools)
    tools[at] = tool
    return Outcome(replace(state, tools=tuple(tools), guard=guard))


def _what_is_overdue(draft: Draft) -> None:
    """What was over before the event came, tick or no tick. It commands nothing: the event may forbid it."""
    if draft.no_start_before <= draft.now:
        draft.no_start_before = -inf
    detect.time_passes(draft)
    gaps.time_passes(draft)
    quiet = draft.quiet
    for i, gate in zip(draft.shop.each_gate, draft.gates, strict=True):
        if gate.hand is not None:
            hands.time_passes(draft, i)
        if not quiet and gates.travels(gate):
            gates.arrives(draft, i)


def _time_passes(draft: Draft) -> None:
    """Everything that time alone changes, before the sequence looks."""
    _what_is_overdue(draft)
    start.settled(draft)
    if draft.quiet:
        return
    for i, gate in zip(draft.shop.each_gate, draft.gates, strict=True):
        if gates.travels(gate):
            gates.time_passes(draft, i)


def _finish(draft: Draft, event: ev.Event) -> Outcome:
    """Past the interlock and out; a veto means that the sequence erred, and holds the collector."""
    shop, now = draft.shop, draft.now
    for i in draft.shop.each_gate if draft.alarms else ():
        gates.end_old_alarm(draft, i)
    ends.end_old(draft)
    guard = interlock.observe(shop, draft.start.guard, event, now)
    guard, passed, vetoes = _past_interlock(draft, guard, tuple(draft.commands))
    if vetoes:
        draft.findings.extend(vetoes)
        draft.commands.clear()
        for veto in vetoes:
            _unbelieve(draft, veto)
        for name in {veto.collector for veto in vetoes if veto.collector is not None}:
            at = shop.collector_at(name)
            if at is not None and not fan.is_held(draft.collectors[at]):
                holds.hold(draft, at, "interlock", vetoes[0].rule)
        guard, more, again = _past_interlock(draft, guard, tuple(draft.commands))
        passed += more
        draft.findings.extend(again)
    new = draft.state(guard)
    new = replace(new, wake_at=next_deadline(shop, new))
    return Outcome(new, passed, tuple(draft.findings), draft.decided)


def _unbelieve(draft: Draft, veto: Finding) -> None:
    """A command that did not leave changed nothing: its gate or collector is what it was before."""
    word = str(dict(veto.facts).get("command"))
    before = draft.before.get((word, str(veto.collector if veto.gate is None else veto.gate)))
    match before:
        case int(at), GateState(move=move, reported=reported):
            draft.set_gate(GateAt(at), move=move, reported=reported)
        case int(at), CollectorState() as fan:
            take_back(draft, CollectorAt(at), fan)
        case None:
            pass
        case _:
            assert_never(before)


def _past_interlock(
    draft: Draft, guard: Guard, commands: tuple[Command, ...]
) -> tuple[Guard, tuple[Command, ...], tuple[Finding, ...]]:
    guard, passed, vetoes = interlock.judge(draft.shop, guard, commands, draft.now)
    guard, forced, why = interlock.enforce(draft.shop, guard, draft.now)
    return guard, passed + forced, vetoes + why


def _observe(draft: Draft, event: ev.Event) -> None:
    """Take the event in. What it leads to is the sequence's business."""
    if draft.standstill:
        old = gaps.of_before(draft, event)
        if old is None:
            return
        event = old
    shop = draft.shop
    match event:
        case ev.Tick():
            pass
        case ev.Reading():
            _reading(draft, event)
        case ev.MessageRejected():
            _rejected(draft, event)
        case ev.GateReport(gate=name) if (gate := shop.gate_at(name)) is not None and shop.gates[gate].reports:
            _gate_report(draft, gate, event)
        case ev.ButtonPressed(gate=name, retained=False) if (gate := shop.gate_at(name)) is not None:
            hands.button(draft, gate)
        case ev.HandAsked(gate=name, retained=False) if (gate := shop.gate_at(name)) is not None:
            hands.ask(draft, gate, on=event.on, who=holds.who(event.because, event.by))
        case ev.StopReport(stop=name) if (stop := shop.stop_at(name)) is not None:
            holds.stop(draft, stop, active=event.active)
        case ev.StopUnclear(stop=name) if (stop := shop.stop_at(name)) is not None:
            holds.stop_unclear(draft, stop, event.says)
        case ev.CollectorReport() | ev.CollectorCurrent() | ev.BinReport():
            _collector_event(draft, event)
        case ev.ResetAsked() | ev.ResetButton() | ev.HoldAsked() | ev.OffAsked() | ev.HoldRemembered():
            _hold_event(draft, event)
        case ev.DeviceOnline() if gaps.device(draft, event):
            pass
        case ev.ButtonPressed() | ev.HandAsked():
            _ignore(draft, event, retained=event.retained)
        case ev.GateReport() | ev.StopReport() | ev.StopUnclear() | ev.DeviceOnline():
            _ignore(draft, event)
        case ev.BrokerConnected():
            start.connected(draft)
        case ev.BrokerLost():
            start.lost(draft, event.heard_at)
        case ev.StopsLost():
            gaps.stops_lost(draft, event.why)
        case ev.StopsHeard():
            gaps.stops_heard(draft)
        case ev.LoopStood():
            gaps.loop_stood(draft, event.seconds)
        case ev.LoopCaughtUp():
            gaps.loop_caught_up(draft)
        case ev.ShutdownAsked():
            start.shutdown(draft)
        case _:
            assert_never(event)


def _ignore(draft: Draft, event: ev.Event, *, retained: bool = False) -> None:
    """A message that may not act: retained, or for something that is not there, or that has no such signal."""
    rule, facts = Rule.RETAINED if retained else Rule.UNKNOWN_NAME, {"what": type(event).__name__}
    gate, collector = getattr(event, "gate", None), getattr(event, "collector", None)
    draft.decide(Happened.MESSAGE_IGNORED, rule, facts, gate=gate, collector=collector)


def _reading(draft: Draft, event: ev.Reading) -> None:
    at = draft.shop.tool_at(event.tool)
    if at is None:
        _ignore(draft, event)
    elif not event.retained:
        detect.hear(draft, at, max(0.0, event.amps), young=event.young)
    elif not _may_be_the_latest(draft, at) or not detect.hear_old(draft, at, max(0.0, event.amps)):
        draft.say(Happened.READING_REJECTED, Rule.RETAINED, tool=event.tool, amps=event.amps)


def _may_be_the_latest(draft: Draft, at: ToolAt) -> bool:
    """Nothing newer of the tool has come: no live reading since the silence; in a standstill all comes in its order."""
    return draft.standstill or readings.nothing_heard(draft, at)


def _rejected(draft: Draft, event: ev.MessageRejected) -> None:
    rule, facts = Rule.MAX_AGE if event.old else Rule.BAD_VALUE, {"why": event.why, "shown": event.shown}
    if event.kind == "stop":
        draft.leave(Happened.READING_REJECTED, rule, {**facts, "stop": event.name})
    else:
        draft.leave(Happened.READING_REJECTED, rule, facts, **{event.kind: event.name})


def _gate_report(draft: Draft, at: GateAt, event: ev.GateReport) -> None:
    if event.retained:
        gates.report_retained(draft, at, event.position, event.says)
        return
    opened = gates.report(draft, at, event.position, event.says)
    hand = draft.gates[at].hand
    if opened and hand is None and draft.shop.gates[at].on_hand_open == "start":
        hands.start_hand(draft, at, Rule.MOVED_BY_HAND, by_opening=True)
    elif event.position is Position.SHUT and hand is not None and hand.by_opening:
        hands.end_hand(draft, at, Rule.MOVED_BY_HAND)


def _hold_event(
    draft: Draft, event: ev.ResetAsked | ev.ResetButton | ev.HoldAsked | ev.OffAsked | ev.HoldRemembered
) -> None:
    """A hold begins, or somebody wants it to end, or the collector off."""
    at = draft.shop.collector_at(event.collector)
    if at is None:
        if not isinstance(event, ev.HoldRemembered):
            _ignore(draft, event)
        return
    match event:
        case ev.ResetAsked(retained=False):
            holds.reset_asked(draft, at, event.because, event.by)
        case ev.HoldAsked(retained=False):
            holds.ask_hold(draft, at, event.because, event.by)
        case ev.OffAsked(retained=False):
            holds.ask_off(draft, at, event.because, event.by)
        case ev.ResetButton(retained=True):
            holds.reset_button_retained(draft, at, pressed=event.pressed)
        case ev.ResetButton():
            holds.reset_button(draft, at, pressed=event.pressed)
        case ev.HoldRemembered():
            start.hold_remembered(draft, at, event.why)
        case ev.ResetAsked() | ev.HoldAsked() | ev.OffAsked():
            if isinstance(event, ev.ResetAsked):
                holds.reset_heard(draft, at)
            _ignore(draft, event, retained=True)
        case _:
            assert_never(event)


def _collector_event(draft: Draft, event: ev.CollectorReport | ev.CollectorCurrent | ev.BinReport) -> None:
    at = draft.shop.collector_at(event.collector)
    match event:
        case ev.CollectorReport() if at is not None and draft.shop.collectors[at].reports:
            fan.see(draft, at, reported=event.on, live=not event.retained)
        case ev.CollectorCurrent() if at is not None and draft.shop.collectors[at].senses_current:
            drawing = event.amps >= draft.shop.collectors[at].running_amps
            fan.see(draft, at, drawing=drawing, live=not event.retained)
        case ev.BinReport() if at is not None and draft.shop.collectors[at].tells_bin:
            fan.see_bin(draft, at, full=event.full)
        case _:
            _ignore(draft, event)


def next_deadline(shop: Shop, state: State) -> float | None:
    """Monotonic seconds of the next deadline, or None. The caller steps with a `Tick` then; a late tick is harmless."""
    moments: list[float | None] = []
    judged = state.connected and state.adopted
    acting = state.connected and state.settle_at is None and not state.stopping
    moments.append(detect.wake_at(shop.tools, state.tools, state.doubts, judged=judged))
    if state.connected:
        for tool, each in zip(shop.tools, state.doubts, strict=False):
            if each is not None:
                moments.append(readings.doubt_wake_at(shop.timing, each, tool.silent_after))
    if state.no_start_before > -inf:
        moments.append(state.no_start_before)
    moments.append(gaps.wake_at(shop.timing, state))
    for gate, gate_state in zip(shop.gates, state.gates, strict=True):
        if gate_state.hand is not None:
            moments.append(hands.wake_at(gate.hand_limit, gate_state))
        if acting and gates.travels(gate_state):
            moments.append(gates.wake_at(gate, gate_state))
    if state.connected and state.settle_at is not None and not state.stopping:
        moments.append(state.settle_at)
    if acting:
        for collector, collector_state in zip(shop.collectors, state.collectors, strict=True):
            moments.append(fan.wake_at(shop.timing, collector, collector_state, 0.0))
    return min((moment for moment in moments if moment is not None), default=None)
