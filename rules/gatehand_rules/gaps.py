"""Gaps in what the daemon hears: a device that is gone, the stop contacts' own connection, a daemon that stood still.

While the stop contacts are not heard nobody knows whether one is pressed, and nothing starts. What waits for it is the
sequence's business, that a reset waits too is that of the holds; here is how long it has been gone, and the alarm.

A frozen process reads on as if nothing had been when it thaws. Everything that comes until the broker has answered to
something asked afterwards may be as old as the standstill: a button pressed then, a gate that was open then. It may
stop things, and starts, proves and confirms none (I6).
"""

from math import inf
from typing import Final, assert_never

from msgspec.structs import replace

from gatehand_rules import collectors, detect, holds, readings
from gatehand_rules import events as ev
from gatehand_rules.context import Context
from gatehand_rules.findings import DAEMON, Alarm, Happened, Rule
from gatehand_rules.hands import end_hand, outlast
from gatehand_rules.phases import Cause
from gatehand_rules.shop import Collector, Gate, Shop, StopContact, Tool, ToolAt
from gatehand_rules.start import doubt_tools
from gatehand_rules.state import Doubt, GateOpen, GateShut, GateUnknown, State, ToolSilent
from gatehand_rules.timing import Timing, due, reached
from gatehand_rules.words import Position

ALARM: Final = Alarm("daemon", DAEMON, "stops_unheard")


def stops_lost(context: Context, why: str) -> None:
    """It is gone, or is to be read anew. `why` is empty where nothing broke."""
    holds.begin_presses_anew(context)
    if context.stops_lost_at is None:
        context.stops_lost_at = context.now
    if why:
        context.say(Happened.STOPS_LOST, Rule.STOPS_UNHEARD, why=why)


def stops_heard(context: Context) -> None:
    """It stands, and what is retained has been read: what waited may start."""
    if context.stops_lost_at is None:
        return
    context.say(Happened.STOPS_HEARD, Rule.STOPS_UNHEARD, unheard_for=round(context.now - context.stops_lost_at, 3))
    context.stops_lost_at = None
    holds.begin_presses_anew(context)
    context.clear_alarm(ALARM, Rule.STOPS_UNHEARD)


def time_passes(context: Context) -> None:
    """It has been gone for long enough to tell somebody."""
    if context.stops_lost_at is not None and reached(
        context.now, context.stops_lost_at, context.shop.timing.stops_patience
    ):
        unheard_for = round(context.now - context.stops_lost_at, 3)
        context.raise_alarm(ALARM, Rule.STOPS_UNHEARD, unheard_for=unheard_for)


def wake_at(timing: Timing, state: State) -> float:
    """When the alarm is due; inf: never."""
    if state.stops_lost_at is None or ALARM in state.alarms:
        return inf
    return due(state.stops_lost_at, timing.stops_patience)


def loop_stood(context: Context, seconds: float) -> None:
    """It stood still until now."""
    if context.stood_for is None or seconds > context.stood_for:  # each connection tells of it
        context.stood_for = seconds
        context.say(Happened.DAEMON_STOOD_STILL, Rule.STANDSTILL, stood_for=seconds)
    holds.begin_presses_anew(context)
    for at in context.shop.each_collector:
        collectors.forget_lapsed(context, at)
    outlast(context, Rule.STANDSTILL)


def loop_caught_up(context: Context) -> None:
    """What waited has been read; what comes from now on is new, and has to confirm what was."""
    if context.stood_for is None:
        return
    context.say(Happened.DAEMON_CAUGHT_UP, Rule.STANDSTILL, stood_for=context.stood_for)
    context.stood_for = None
    said = readings.borne_out(context)
    doubt_tools(context)
    for tool in said:  # nothing was lost: it stands until its sensor says otherwise
        context.doubts[tool] = Doubt(high_at=context.now)
    holds.begin_presses_anew(context)
    for at, state in zip(context.shop.each_collector, context.collectors, strict=True):
        if state.on_phase and state.reported_on is False and not state.report_live:
            # It went off meanwhile: "on" would be a start.
            collectors.tell_off(context, at, Rule.STANDSTILL, Cause.NOT_CONTINUED)


def of_before(context: Context, event: ev.Event) -> ev.Event | None:
    """What an event that waited may still do, as an event; None: nothing. Whoever asked for something is told."""
    match event:
        case ev.Reading():
            return replace(event, retained=True) if event.retained or _is_low(context, event) else None
        case ev.ButtonPressed(gate=name, retained=False) | ev.HandAsked(gate=name, on=True, retained=False):
            _ignore(context, "a button's press" if isinstance(event, ev.ButtonPressed) else "a hand start", gate=name)
            return None
        case ev.ResetAsked(collector=name, retained=False) | ev.ResetButton(collector=name, retained=False):
            if not (isinstance(event, ev.ResetButton) and not event.pressed):
                _ignore(context, "a reset", collector=name)
            return None
        case ev.GateReport():
            _end_by_shutting(context, event)
            return replace(event, retained=True)
        case ev.CollectorReport() | ev.CollectorReading() | ev.BinReport() | ev.DeviceOnline():
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


def _ignore(context: Context, what: str, *, gate: str | None = None, collector: str | None = None) -> None:
    facts = {"what": what, "stood_for": context.stood_for}
    context.say(Happened.MESSAGE_IGNORED, Rule.STANDSTILL, facts, gate=gate, collector=collector)
    context.decide()


def _is_low(context: Context, event: ev.Reading) -> bool:
    """Below its stop threshold: it may end what the tool does. Anything else says nothing."""
    at = context.shop.tool_at(event.tool)
    return at is not None and event.value < context.shop.tools[at].stop_at


def _end_by_shutting(context: Context, event: ev.GateReport) -> None:
    """A hand start that began by opening the gate ends with a shut gate, however late we hear of it."""
    at = context.shop.gate_at(event.gate)
    if at is None or event.position is not Position.SHUT:
        return
    hand = context.gates[at].hand
    if hand is not None and hand.by_opening:
        end_hand(context, at, Rule.MOVED_BY_HAND)


def devices(shop: Shop) -> dict[str, tuple[Tool | Gate | Collector | StopContact, ...]]:
    """What may say that it is there, by the kind of it."""
    return {"tool": shop.tools, "gate": shop.gates, "collector": shop.collectors, "stop": shop.stops}


def device(context: Context, event: ev.DeviceOnline) -> bool:
    """A device's own will. Gone: its sensor is silent, its gate at rest is of unknown position. False: it has none.

    A stop contact that is gone is told, and no more: what it said last stands, active or clear, and nothing is refused.
    """
    shop = context.shop
    if not any(one.tells_online for one in devices(shop)[event.kind] if one.name == event.name):
        return False
    tool = shop.tool_at(event.name) if event.kind == "tool" else None
    gate = shop.gate_at(event.name) if event.kind == "gate" else None
    alarm = Alarm(event.kind, event.name, "offline")
    named: dict[str, str] = {event.kind: event.name}
    if event.online:
        if alarm in context.alarms:
            context.say(Happened.DEVICE_ONLINE, Rule.OFFLINE, **named)
            context.clear_alarm(alarm, Rule.OFFLINE)
            if tool is not None:
                speaks_on_change(context, tool)
        return True
    if context.raise_alarm(alarm, Rule.OFFLINE):
        context.say(Happened.DEVICE_OFFLINE, Rule.OFFLINE, **named)
    if tool is not None:
        detect.fall_silent(context, tool, Rule.OFFLINE, context.now)
    elif gate is not None and not collectors.may_turn(context.collectors[shop.home_of(gate)], context.now):
        move = context.gates[gate].move
        context.set_gate(gate, move=GateUnknown() if isinstance(move, (GateOpen, GateShut)) else move, reported=None)
    return True


def speaks_on_change(context: Context, at: ToolAt) -> None:
    """A sensor that speaks only on change is back and may say nothing for long: it is what it was, if it was idle."""
    tool, state = context.shop.tools[at], context.tools[at]
    if tool.silent_after > 0 or not isinstance(state, ToolSilent):
        return
    if detect.is_at_rest(state.was):
        context.tools[at] = state.was
        context.clear_alarm(Alarm("tool", tool.name, "silent"), Rule.OFFLINE)
