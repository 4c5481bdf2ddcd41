"""Gaps in what the daemon hears: a device that is gone, the stop contacts' own connection, a daemon that stood still.

While the stop contacts are not heard nobody knows whether one is pressed, and nothing starts. What waits for it is the
sequence's business, that a reset waits too is that of the holds; here is how long it has been gone, and the alarm.

A frozen process reads on as if nothing had been when it thaws. Everything that comes until the broker has answered to
something asked afterwards may be as old as the standstill: a button pressed then, a gate that was open then. It may
stop things, and starts, proves and confirms none (I6).
"""

from typing import Final, assert_never

from msgspec.structs import replace

from gatehand_rules import detect, fan, holds, readings
from gatehand_rules import events as ev
from gatehand_rules.alarms import DAEMON, Alarm
from gatehand_rules.draft import Draft
from gatehand_rules.findings import Happened, Rule
from gatehand_rules.hands import end_hand, outlast
from gatehand_rules.phases import Cause
from gatehand_rules.shop import Collector, Gate, Shop, Tool, ToolAt
from gatehand_rules.start import doubt_tools
from gatehand_rules.state import GateOpen, GateShut, GateUnknown, State, ToolSilent
from gatehand_rules.timing import Timing, due, reached
from gatehand_rules.words import Position

ALARM: Final = Alarm("daemon", DAEMON, "stops_unheard")


def stops_lost(draft: Draft, why: str) -> None:
    """It is gone, or is to be read anew. `why` is empty where nothing broke."""
    _forget_presses(draft)
    if draft.stops_lost_at is None:
        draft.stops_lost_at = draft.now
    if why:
        draft.say(Happened.STOPS_LOST, Rule.STOPS_UNHEARD, why=why)


def stops_heard(draft: Draft) -> None:
    """It stands, and what is retained has been read: what waited may start."""
    if draft.stops_lost_at is None:
        return
    draft.say(Happened.STOPS_HEARD, Rule.STOPS_UNHEARD, unheard_for=round(draft.now - draft.stops_lost_at, 3))
    draft.stops_lost_at = None
    _forget_presses(draft)
    draft.clear_alarm(ALARM, Rule.STOPS_UNHEARD)


def _forget_presses(draft: Draft) -> None:
    for at in draft.shop.each_collector:
        holds.begin_presses_anew(draft, at)


def time_passes(draft: Draft) -> None:
    """It has been gone for long enough to tell somebody."""
    if draft.stops_lost_at is not None and reached(draft.now, draft.stops_lost_at, draft.shop.timing.stops_patience):
        unheard_for = round(draft.now - draft.stops_lost_at, 3)
        draft.raise_alarm(ALARM, Rule.STOPS_UNHEARD, unheard_for=unheard_for)


def wake_at(timing: Timing, state: State) -> float | None:
    """When the alarm is due, or None."""
    if state.stops_lost_at is None or ALARM in state.alarms:
        return None
    return due(state.stops_lost_at, timing.stops_patience)


def loop_stood(draft: Draft, seconds: float) -> None:
    """It stood still until now."""
    if draft.stood_for is None or seconds > draft.stood_for:  # each connection tells of it
        draft.stood_for = seconds
        draft.say(Happened.DAEMON_STOOD_STILL, Rule.STANDSTILL, stood_for=seconds)
    for at in draft.shop.each_collector:
        holds.begin_presses_anew(draft, at)
        state = draft.collectors[at]
        refresh = fan.refresh_due(draft.shop.collectors[at], state)
        if refresh is not None and draft.now > refresh and not state.seen_on:
            # The switch's own time limit may have passed: "on" would be a start. A fresh demand gives it.
            draft.set_collector(at, told_on_at=None, answer=None)
    outlast(draft, Rule.STANDSTILL)


def loop_caught_up(draft: Draft) -> None:
    """What waited has been read; what comes from now on is new, and has to confirm what was."""
    if draft.stood_for is None:
        return
    draft.say(Happened.DAEMON_CAUGHT_UP, Rule.STANDSTILL, stood_for=draft.stood_for)
    draft.stood_for = None
    doubt_tools(draft)
    readings.nothing_was_lost(draft)
    for at, state in zip(draft.shop.each_collector, draft.collectors, strict=True):
        holds.begin_presses_anew(draft, at)
        if state.on_phase and state.reported_on is False and not state.report_live:
            fan.tell_off(
                draft, at, Rule.STANDSTILL, Cause.NOT_CONTINUED
            )  # it went off meanwhile: "on" would be a start


def of_before(draft: Draft, event: ev.Event) -> ev.Event | None:
    """What an event that waited may still do, as an event; None: nothing. Whoever asked for something is told."""
    match event:
        case ev.Reading():
            return replace(event, retained=True) if event.retained or _is_low(draft, event) else None
        case ev.ButtonPressed(gate=name, retained=False) | ev.HandAsked(gate=name, on=True, retained=False):
            _ignore(draft, "a button's press" if isinstance(event, ev.ButtonPressed) else "a hand start", gate=name)
            return None
        case ev.ResetAsked(collector=name, retained=False) | ev.ResetButton(collector=name, retained=False):
            if not (isinstance(event, ev.ResetButton) and not event.pressed):
                _ignore(draft, "a reset", collector=name)
            return None
        case ev.GateReport():
            _end_by_shutting(draft, event)
            return replace(event, retained=True)
        case ev.CollectorReport() | ev.CollectorCurrent() | ev.BinReport() | ev.DeviceOnline():
            return replace(event, retained=True)
        case ev.ButtonPressed() | ev.HandAsked() | ev.ResetAsked() | ev.ResetButton():
            return event
        case ev.MessageRejected() | ev.StopReport() | ev.StopUnclear():
            return event
        case ev.HoldAsked() | ev.HoldRemembered() | ev.OffAsked():
            return event
        case ev.BrokerConnected() | ev.BrokerLost() | ev.StopsLost() | ev.StopsHeard():
            return event
        case ev.LoopStood() | ev.LoopCaughtUp() | ev.ShutdownAsked() | ev.Tick():
            return event
        case _:
            assert_never(event)


def _ignore(draft: Draft, what: str, *, gate: str | None = None, collector: str | None = None) -> None:
    event, rule = Happened.MESSAGE_IGNORED, Rule.STANDSTILL
    draft.decide(event, rule, {"what": what, "stood_for": draft.stood_for}, gate=gate, collector=collector)


def _is_low(draft: Draft, event: ev.Reading) -> bool:
    """Below its stop threshold: it may end what the tool does. Anything else says nothing."""
    at = draft.shop.tool_at(event.tool)
    return at is not None and event.amps < draft.shop.tools[at].stop_amps


def _end_by_shutting(draft: Draft, event: ev.GateReport) -> None:
    """A hand start that began by opening the gate ends with a shut gate, however late we hear of it."""
    at = draft.shop.gate_at(event.gate)
    if at is None or event.position is not Position.SHUT:
        return
    hand = draft.gates[at].hand
    if hand is not None and hand.by_opening:
        end_hand(draft, at, Rule.MOVED_BY_HAND)


def devices(shop: Shop) -> dict[str, tuple[Tool | Gate | Collector, ...]]:
    """What may say that it is there, by the kind of it."""
    return {"tool": shop.tools, "gate": shop.gates, "collector": shop.collectors}


def device(draft: Draft, event: ev.DeviceOnline) -> bool:
    """A device's own will. Gone: its sensor is silent, its gate at rest is of unknown position. False: it has none."""
    shop = draft.shop
    if not any(one.tells_online for one in devices(shop)[event.kind] if one.name == event.name):
        return False
    tool = shop.tool_at(event.name) if event.kind == "tool" else None
    gate = shop.gate_at(event.name) if event.kind == "gate" else None
    alarm = Alarm(event.kind, event.name, "offline")
    named = {event.kind: event.name}
    if event.online:
        if alarm in draft.alarms:
            draft.say(Happened.DEVICE_ONLINE, Rule.OFFLINE, **named)
            draft.clear_alarm(alarm, Rule.OFFLINE)
            if tool is not None:
                speaks_on_change(draft, tool)
        return True
    if draft.raise_alarm(alarm, Rule.OFFLINE):
        draft.say(Happened.DEVICE_OFFLINE, Rule.OFFLINE, **named)
    if tool is not None:
        detect.fall_silent(draft, tool, Rule.OFFLINE, draft.now)
    elif gate is not None and not fan.may_turn(draft.collectors[shop.home_of(gate)], draft.now):
        move = draft.gates[gate].move
        draft.set_gate(gate, move=GateUnknown() if isinstance(move, (GateOpen, GateShut)) else move, reported=None)
    return True


def speaks_on_change(draft: Draft, at: ToolAt) -> None:
    """A sensor that speaks only on change is back and may say nothing for long: it is what it was, if it was idle."""
    tool, state = draft.shop.tools[at], draft.tools[at]
    if tool.silent_after > 0 or not isinstance(state, ToolSilent):
        return
    if detect.is_at_rest(state.was):
        draft.tools[at] = state.was
        draft.clear_alarm(Alarm("tool", tool.name, "silent"), Rule.OFFLINE)
