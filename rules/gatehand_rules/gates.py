"""One gate: telling it, its travel, its reports, retries and fault. Which gates to tell is the zone's business."""

from math import inf
from typing import assert_never

from msgspec.structs import replace

from gatehand_rules import collectors
from gatehand_rules import state as st
from gatehand_rules.commands import OpenGate, Poll, ShutGate
from gatehand_rules.context import Context
from gatehand_rules.findings import Alarm, Fact, Happened, Rule
from gatehand_rules.shop import Gate, GateAt
from gatehand_rules.timing import due, reached
from gatehand_rules.words import EXERCISE, Position

ROUSED_TRIES = 2
"""A gate that was shut and opened once has had as many tellings as two retries."""


def is_proven(state: st.GateState) -> bool:
    """Proven open: reported open, or commanded open at least its travel ago (I1)."""
    return isinstance(state.move, st.GateOpen)


def is_stuck_open(move: st.GateMove) -> bool:
    """It did not shut when it was told to."""
    return isinstance(move, st.GateFault) and move.wanted is Position.SHUT


def is_told_shut_in_vain(move: st.GateMove) -> bool:
    """The same, or it was never heard and has not said that it did."""
    return is_stuck_open(move) or (isinstance(move, st.GateUnknown) and move.unheard)


def failed_to_open(move: st.GateMove) -> bool:
    """It did not open when it was told to."""
    return isinstance(move, st.GateFault) and move.wanted is Position.OPEN


def tell_open(context: Context, at: GateAt, rule: Rule, instead_of: tuple[str, ...] = ()) -> None:
    """Command the gate open and start its travel."""
    gate, now = context.shop.gates[at], context.now
    reported = context.gates[at].reported
    _ask(context, at)
    context.tell(OpenGate(gate.name, instead_of), at)
    tries = ROUSED_TRIES if context.gates[at].roused else 0
    was_shut = reported is Position.SHUT
    move = st.GateOpening(now, now, tries, said_shut=was_shut and not context.gates[at].live)
    context.set_gate(at, move=move, reported=None if was_shut else reported)
    context.say_of_gate(
        at, Happened.GATE_COMMANDED, rule, to="open", travel=gate.travel, instead_of=", ".join(instead_of) or None
    )


def _ask(context: Context, at: GateAt) -> None:
    """A gate that was not heard live yet is asked where it stands: what it answers is live."""
    if context.shop.gates[at].polled and not context.gates[at].live:
        context.commands.append(Poll("gate", context.shop.gates[at].name))


def ensure_open(context: Context, at: GateAt, rule: Rule, instead_of: tuple[str, ...] = ()) -> None:
    """Command it open unless it is open, on its way, or given up."""
    move = context.gates[at].move
    if is_stuck_open(move) or isinstance(move, (st.GateUnknown, st.GateShut, st.GateShutting)):
        tell_open(context, at, rule, instead_of)


def tell_shut(context: Context, at: GateAt, rule: Rule) -> None:
    """Command the gate shut and start its travel."""
    gate, now = context.shop.gates[at], context.now
    reported = context.gates[at].reported
    unheard = _is_unheard(context.gates[at])
    context.tell(ShutGate(gate.name), at)
    move = st.GateShutting(now, now, unheard=gate.reports and unheard)
    context.set_gate(at, move=move, reported=None if reported is Position.OPEN else reported)
    context.say_of_gate(at, Happened.GATE_COMMANDED, rule, to="shut", travel=gate.travel)


def rouse(context: Context, at: GateAt) -> None:
    """Shut it once: a device that speaks only on change, and stood open already, has had nothing to say."""
    tell_shut(context, at, Rule.NOT_HEARD_LIVE)
    context.set_gate(at, move=st.GateShutting(context.now, context.now, then_open=True), roused=True)


def _is_unheard(state: st.GateState) -> bool:
    """Nothing was heard of it since the daemon's start, not even an old word, nor was it told to open."""
    move = state.move
    untried = isinstance(move, st.GateUnknown) or (isinstance(move, st.GateShutting) and move.unheard)
    return untried and state.reported is None and not state.live


def keeps(context: Context, at: GateAt) -> bool:
    """Open by an old word alone, which may keep a fan that turned at the daemon's start until it is off."""
    gate, state = context.shop.gates[at], context.gates[at]
    if not _home(context, at).found_on or not isinstance(state.move, st.GateUnknown):
        return False
    told = state.move.kept is not None or not gate.commanded
    return told and state.reported is Position.OPEN and not state.live


def is_roused(state: st.GateState) -> bool:
    """Being shut so that it can be opened and speak."""
    return isinstance(state.move, st.GateShutting) and state.move.then_open


def may_shut(context: Context, at: GateAt) -> bool:
    """Whether the fan can spare the gate: it stands still, or enough others are proven open (I2)."""
    shop = context.shop
    home = shop.home_of(at)
    if not collectors.may_turn(context.collectors[home], context.now):
        return True
    others = sum(1 for i in shop.gates_of(home) if i != at and is_proven(context.gates[i]))
    return others >= shop.collectors[home].min_open


def tell_again(context: Context, at: GateAt, *, tries: int, rule: Rule, counts: bool = True) -> None:
    """Command once more what the gate was told already; a gate that the fan cannot spare any more is left alone.

    `counts`: it is one of the gate's retries, and is said as that.
    """
    gate, now = context.shop.gates[at], context.now
    move = context.gates[at].move
    if not isinstance(move, st.GateTravels):
        return
    opens = isinstance(move, st.GateOpening)
    if not opens and not may_shut(context, at):
        context.set_gate(at, move=st.GateUnknown(shutting=True))
        return
    if opens:
        _ask(context, at)
    context.tell(OpenGate(gate.name) if opens else ShutGate(gate.name), at)
    context.set_gate(at, move=replace(move, since=now, first=move.first if tries else now, tries=tries))
    if opens and not tries and context.gates[at].reported is Position.SHUT:
        context.set_gate(at, reported=None)
    to, retries = "open" if opens else "shut", gate.retries if counts else None
    context.say_of_gate(at, Happened.GATE_COMMANDED, rule, to=to, travel=gate.travel, tries=tries, retries=retries)


def forget_fault(context: Context, at: GateAt) -> None:
    """A fresh demand tries a gate again that would not open, and rouses anew one that has said nothing live."""
    move = context.gates[at].move
    if not isinstance(move, st.GateTravels):
        context.set_gate(at, roused=False)
    if failed_to_open(move):
        context.set_gate(at, move=st.GateUnknown())


def travels(state: st.GateState) -> bool:
    """Told to go, and not known to have arrived."""
    return isinstance(state.move, st.GateTravels)


def time_passes(context: Context, at: GateAt) -> None:
    """Travel that has run out: proof for a gate that cannot report, a retry or a fault for one that can."""
    move = _overdue(context, at)
    if move is None:
        return
    gate, state, wanted = context.shop.gates[at], context.gates[at], _goal(move)
    if _is_proof(gate, state, move):
        _arrive(context, at, wanted, Rule.TRAVEL)
    elif is_roused(state):
        context.set_gate(at, move=st.GateUnknown(shutting=True))  # it is opened now, if it is still wanted
    elif isinstance(move, st.GateOpening) and not state.live and _not_heard(context, at, move):
        pass
    elif move.tries < gate.retries:
        tell_again(context, at, tries=move.tries + 1, rule=Rule.RETRY)
    elif isinstance(move, st.GateShutting) and move.unheard and _is_unheard(state):
        context.set_gate(at, move=st.GateUnknown(shutting=True, unheard=True))
        context.say_of_gate(at, Happened.GATE_UNHEARD, Rule.NOT_HEARD_LIVE, wanted="shut", travel=gate.travel)
    else:
        context.set_gate(at, move=st.GateFault(wanted, move.first))
        _say_fault(context, at, wanted, move)


def _say_fault(context: Context, at: GateAt, wanted: Position, move: st.GateTravels) -> None:
    """It did not go where it was told to. One that did not open, and then does not say it is shut, is told of once."""
    gate, state = context.shop.gates[at], context.gates[at]
    alarm = Alarm("gate", gate.name, "fault")
    if wanted is Position.SHUT and alarm in context.alarms:
        return
    said: dict[str, Fact] = {**_said(state.says if state.reported is Position.BETWEEN else "")}
    if isinstance(move, st.GateOpening) and not move.said_shut and state.reported is None and not state.live:
        said["never_heard"] = True
    if Alarm("gate", gate.name, "offline") in context.alarms:
        said["offline"] = True
    context.say_of_gate(
        at,
        Happened.GATE_FAULT,
        Rule.TRAVEL,
        wanted=str(wanted),
        reported=None if state.reported is None else str(state.reported),
        travel=gate.travel,
        retries=None if state.roused else gate.retries,
        waited=round(context.now - move.first, 3),
        **said,
    )
    context.raise_alarm(alarm, Rule.TRAVEL, wanted=str(wanted), travel=gate.travel, **said)


def _not_heard(context: Context, at: GateAt, move: st.GateOpening) -> bool:
    """Nothing live came from a gate told open. True: its fan may keep it, or it is shut and opened once (I2)."""
    home = _home(context, at)
    if home.found_on and context.gates[at].reported is Position.OPEN:
        context.set_gate(at, move=st.GateUnknown(kept=move.first))
    elif context.gates[at].roused or move.said_shut or not _is_wanted(home):
        return False  # it was shut, and a slow one would only turn round; or nothing asks for it
    elif may_shut(context, at):
        rouse(context, at)
    elif home.on_phase or home.seen_on:
        return False
    else:  # the fan coasts down: that does not count against the gate
        tell_again(context, at, tries=max(1, move.tries), rule=Rule.RETRY, counts=False)
    return True


def _is_wanted(home: st.CollectorState) -> bool:
    return home.on_phase or isinstance(home.phase, st.Opening)


def _home(context: Context, at: GateAt) -> st.CollectorState:
    return context.collectors[context.shop.home_of(at)]


def arrives(context: Context, at: GateAt) -> None:
    """Travel that has run out, where it is proof: nothing is commanded by it."""
    move = _overdue(context, at)
    if move is not None and _is_proof(context.shop.gates[at], context.gates[at], move):
        _arrive(context, at, _goal(move), Rule.TRAVEL)


def _is_proof(gate: Gate, state: st.GateState, move: st.GateTravels) -> bool:
    """Time alone proves a gate that cannot report, or whose last report says so already.

    A word of unknown age is no proof of being open; of being shut it is good enough: what may be shut, is shut.
    """
    if not gate.reports:
        return True
    return state.reported is _goal(move) and (state.live or isinstance(move, st.GateShutting))


def _overdue(context: Context, at: GateAt) -> st.GateTravels | None:
    """The gate's move, when its travel has run out."""
    move, travel = context.gates[at].move, context.shop.gates[at].travel
    if isinstance(move, st.GateTravels) and reached(context.now, move.since, travel):
        return move
    return None


def _goal(move: st.GateTravels) -> Position:
    return Position.OPEN if isinstance(move, st.GateOpening) else Position.SHUT


def _arrive(context: Context, at: GateAt, where: Position, rule: Rule) -> None:
    """The gate is where it was told to be."""
    gate, move = context.shop.gates[at], context.gates[at].move
    told = first = context.now
    if isinstance(move, st.GateTravels):
        told, first = move.since, move.first
    elif isinstance(move, st.GateFault):
        told = first = move.first
    elif isinstance(move, st.GateUnknown) and move.kept is not None:
        told = first = move.kept
    late = round(context.now - due(first, gate.travel), 3)
    took = round(context.now - first, 3)
    _stands(context, at, where, rule, told, took=took, travel=gate.travel, late_by=late if late > 0 else None)


def _stands(context: Context, at: GateAt, where: Position, rule: Rule, since: float, **facts: Fact) -> None:
    opened = where is Position.OPEN
    context.set_gate(at, move=st.GateOpen(since) if opened else st.GateShut(since))
    context.say_of_gate(at, Happened.GATE_OPEN if opened else Happened.GATE_SHUT, rule, **facts)
    clear_fault(context, at, rule)


def clear_fault(context: Context, at: GateAt, rule: Rule) -> None:
    """The alarm of a fault ends: it is known where the gate stands, or nothing is expected of it any more."""
    name = context.shop.gates[at].name
    context.clear_alarm(Alarm("gate", name, "fault"), rule)


def end_old_alarm(context: Context, at: GateAt) -> None:
    """A gate that is neither faulty nor being tried after one has no alarm of a fault."""
    if isinstance(context.gates[at].move, (st.GateUnknown, st.GateShut, st.GateOpen)):
        clear_fault(context, at, Rule.NO_DEMAND)


def shut_after_all(context: Context, at: GateAt) -> None:
    """It did not open, and nobody asks for it any more: if it says that it is shut, that is as is wanted."""
    if context.gates[at].reported is Position.SHUT:
        _arrive(context, at, Position.SHUT, Rule.NO_DEMAND)


def report_retained(context: Context, at: GateAt, position: Position, says: str) -> None:
    """A report of unknown age: it can take a proof away, and can give none."""
    state = context.gates[at]
    move: st.GateMove = state.move
    if position is Position.OPEN:
        if isinstance(move, st.GateShut):
            move = st.GateUnknown()
    elif isinstance(move, st.GateOpen):
        move = st.GateUnknown()
        context.say_of_gate(at, Happened.GATE_BETWEEN, Rule.RETAINED, says=str(position))
    elif position is Position.SHUT and (isinstance(move, st.GateUnknown) or is_stuck_open(move)):
        move = st.GateShut()
        clear_fault(context, at, Rule.RETAINED)
    elif isinstance(move, st.GateUnknown) and move.kept is not None:
        move = st.GateUnknown()
    context.set_gate(at, move=move, reported=position, says=says, live=state.live and state.reported is position)


def report(context: Context, at: GateAt, position: Position, says: str) -> bool:
    """A live report. True when the gate was opened by hand or by itself from its shut position."""
    if not context.quiet:
        arrives(context, at)  # a travel that ends in this very instant is over: what is said now is of after it
    state = context.gates[at]
    context.set_gate(at, reported=position, says=says, live=True, roused=False)
    match position:
        case Position.OPEN:
            return _report_open(context, at, state.move)
        case Position.SHUT:
            _report_shut(context, at, state.move)
        case Position.BETWEEN:
            if isinstance(state.move, st.GateUnknown) and state.move.kept is not None:
                context.set_gate(at, move=st.GateUnknown())
            if isinstance(state.move, (st.GateOpen, st.GateShut)):
                context.set_gate(at, move=st.GateUnknown(from_shut=isinstance(state.move, st.GateShut)))
                context.say_of_gate(at, Happened.GATE_BETWEEN, Rule.REPORT, **_said(says))
        case _:
            assert_never(position)
    return False


def _said(says: str) -> dict[str, str]:
    """The fact of a word that is neither open nor shut, where there is one."""
    return {"says": says} if says else {}


def _report_open(context: Context, at: GateAt, move: st.GateMove) -> bool:
    match move:
        case st.GateOpening() | st.GateFault(wanted=Position.OPEN):
            _arrive(context, at, Position.OPEN, Rule.REPORT)
        case st.GateUnknown(shutting=True):
            pass
        case st.GateUnknown(kept=told) if told is not None:
            _arrive(context, at, Position.OPEN, Rule.REPORT)
        case st.GateUnknown(from_shut=from_shut):
            _moved(context, at, Position.OPEN)
            return from_shut
        case st.GateShut():
            _moved(context, at, Position.OPEN)
            return True
        case st.GateOpen() | st.GateShutting() | st.GateFault():
            pass  # open already, or not yet on its way, or stuck open
        case _:
            assert_never(move)
    return False


def _report_shut(context: Context, at: GateAt, move: st.GateMove) -> None:
    match move:
        case st.GateShutting() | st.GateFault(wanted=Position.SHUT) | st.GateUnknown(shutting=True):
            _arrive(context, at, Position.SHUT, Rule.REPORT)
        case st.GateUnknown() | st.GateOpen():
            _moved(context, at, Position.SHUT)
        case st.GateShut() | st.GateOpening() | st.GateFault():
            pass  # shut already, or not yet on its way, or stuck shut
        case _:
            assert_never(move)


def _moved(context: Context, at: GateAt, where: Position) -> None:
    """It stands where the rules did not tell it to go: a hand moved it, or an exercise did under its own hold."""
    who: dict[str, Fact] = {"by": EXERCISE} if is_exercised(context, at) else {}
    _stands(context, at, where, Rule.MOVED_BY_HAND, -inf, **who)


def is_exercised(context: Context, at: GateAt) -> bool:
    """`gatehand exercise` moves this gate, for all that is known: it asked last for its collector's hold."""
    phase = context.collectors[context.shop.home_of(at)].phase
    return isinstance(phase, st.Held) and phase.by == EXERCISE and context.shop.gates[at].commanded
