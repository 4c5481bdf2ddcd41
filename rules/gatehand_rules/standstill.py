"""A daemon that stood still, and what waited meanwhile: it may stop things, and starts, proves and confirms none (I6).

A frozen process reads on as if nothing had been when it thaws. Everything that comes until the broker has answered to
something asked afterwards may be as old as the standstill: a button pressed then, a gate that was open then.
"""

from typing import assert_never

from msgspec.structs import replace

from gatehand_rules import doubt, fan, resets
from gatehand_rules import events as ev
from gatehand_rules.draft import Draft
from gatehand_rules.findings import Happened, Rule
from gatehand_rules.hands import end_hand, outlast
from gatehand_rules.phases import Cause
from gatehand_rules.start import doubt_tools
from gatehand_rules.words import Position


def stood(draft: Draft, seconds: float) -> None:
    """It stood still until now."""
    if draft.stood_for is None or seconds > draft.stood_for:  # each connection tells of it
        draft.stood_for = seconds
        draft.say(Happened.DAEMON_STOOD_STILL, Rule.STANDSTILL, stood_for=seconds)
    for at in range(len(draft.collectors)):
        resets.begin_anew(draft, at)
        state = draft.collectors[at]
        due = fan.refresh_due(draft.shop.collectors[at], state)
        if due is not None and draft.now > due and not state.seen_on:
            # The switch's own time limit may have passed: "on" would be a start. A fresh demand gives it.
            draft.set_collector(at, told_on_at=None, answer=None)
    outlast(draft, Rule.STANDSTILL)


def caught_up(draft: Draft) -> None:
    """What waited has been read; what comes from now on is new, and has to confirm what was."""
    if draft.stood_for is None:
        return
    draft.say(Happened.DAEMON_CAUGHT_UP, Rule.STANDSTILL, stood_for=draft.stood_for)
    draft.stood_for = None
    doubt_tools(draft)
    doubt.nothing_was_lost(draft)
    for at, state in enumerate(draft.collectors):
        resets.begin_anew(draft, at)
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
    facts = {"what": what, "stood_for": draft.stood_for}
    draft.decide(Happened.MESSAGE_IGNORED, Rule.STANDSTILL, facts, gate=gate, collector=collector)


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
