"""A gate: why it did not move, or where it was. A collector: why it was off, or on, or did not obey."""

from dataclasses import replace
from typing import Final

from gatehand.journal.line import OwnEvent
from gatehand.journal.sentences import sentence, spoken
from gatehand.times import lasting, local_clock, local_text
from gatehand.why import verdict_table as words
from gatehand.why.moment import MINUTE_MS, NEAR_MS, Question, StartAttempt, TimedLine, end_of_cut, first
from gatehand.why.not_understood import could_not_be_used, gate_not_understood, last_rejected
from gatehand.why.state_at_moment import gone_since, next_for_switch, offline, offline_since, or_command
from gatehand.why.tool_start import ended_too_soon, tool_verdict
from gatehand.why.try_settings import around, gate_trials
from gatehand.why.verdicts import Verdict, verdict
from gatehand_rules.findings import Happened, Rule

_AWAY: Final = (Happened.DEVICE_OFFLINE, Happened.GATE_UNHEARD)
"""What a gate can be without having done anything wrong."""
_TROUBLES: Final = (Happened.GATE_FAULT, Happened.COMMAND_VETOED, Happened.START_REFUSED, *_AWAY)
_MOVES: Final = (
    *(Happened.GATE_COMMANDED, Happened.GATE_OPEN, Happened.GATE_SHUT, Happened.GATE_BETWEEN),
    *(Happened.GATE_FAULT, Happened.GATE_UNHEARD),
)
_CUT_AFTER_MS: Final = 60_000
_SAME_MS: Final = 250


def _far(context: Question, one: TimedLine) -> int:
    return context.distance(one.ms, one.ms)


def _nearest(context: Question, *events: str) -> TimedLine | None:
    """The subject's line of these events that is nearest to the moment, if one is near."""
    own = [one for one in context.lines if one.is_(*events) and one.text(context.kind) == context.name]
    near = (one for one in own if _far(context, one) <= NEAR_MS)
    return min(near, key=lambda one: (_far(context, one), -one.ms), default=None)


def gate_verdict(context: Question) -> Verdict:
    """The case of a gate at a moment."""
    nearest = _nearest(context, *_TROUBLES)
    if nearest is None or nearest.is_(*_AWAY):
        gone = offline(context, context.name, context.at_ms)
        return gone or (_gate_now(context) if nearest is None else _was_away(context, nearest))
    if nearest.is_(Happened.GATE_FAULT):
        return _fault(context, nearest)
    case = "vetoed" if nearest.is_(Happened.COMMAND_VETOED) else nearest.text("rule") or "refused"
    return _said_by(nearest, case, f"at {nearest.clock}: {sentence(nearest.line)}", "")


def _was_away(context: Question, one: TimedLine) -> Verdict:
    """Near the moment, and not at it, its device was offline; or it was told to shut and has never been heard."""
    if one.is_(Happened.GATE_UNHEARD):
        found = verdict(context, words.GATE_UNHEARD, (one,), at=one.clock)
        found.next_step += or_command(context, one, "gate", context.name, "wanted")
    else:
        ended = first(context.following(one.ms), Happened.DEVICE_ONLINE, gate=context.name)
        back = ended.clock if ended else None
        found = verdict(context, words.GATE_WAS_OFFLINE, (one, ended), since=one.clock, back=back)
    found.span = (one.ms, one.ms)
    return found


def _said_by(one: TimedLine, case: str, text: str, step: str, *more: TimedLine) -> Verdict:
    """What one line says, as the verdict."""
    span = (one.ms, one.ms)
    return Verdict(case, text, [line.line for line in (one, *more)], next_step=step, own=one, span=span)


def _fault(context: Question, fault: TimedLine) -> Verdict:
    commanded_ms = fault.ms - round(fault.amount("waited") * 1000)
    commanded, span = local_clock(commanded_ms), (commanded_ms, fault.ms)
    gone = offline_since(context, context.name, fault.ms)
    if gone is not None or fault.line.get("offline") is True:
        since = gone_since(gone, fault.ms)
        found = verdict(context, words.GATE_UNREACHED, (fault, gone), commanded=commanded, **since)
        found.span = span
        return found
    unheard = fault.line.get("never_heard") is True
    case = words.GATE_NEVER_HEARD if unheard else words.GATE_FAULT
    found = verdict(context, case, (fault,), commanded=commanded)
    found.span = span
    found.next_step += or_command(context, fault, "gate", context.name, "wanted")
    if gate_not_understood(context, fault, found) or unheard:
        return found
    until = _answers_until(context, fault)
    here = around(context.folder, commanded_ms, until)
    if here is not None and fault.text("wanted") == "open":
        # A tool that starts with the command is refused or served with it.
        started = first(context.between(commanded_ms, commanded_ms), Happened.TOOL_STARTED)
        tool = started.text("tool") if started else ""
        gate_trials(context, here, context.name, (tool, context.collector), (commanded_ms, until), found=found)
    return found


def _answers_until(context: Question, fault: TimedLine) -> int:
    """To when a report still answers the command that ended in this fault."""
    until = fault.ms + _CUT_AFTER_MS
    later = first(context.between(fault.ms + 1, until), Happened.GATE_COMMANDED, gate=context.name)
    return later.ms - 1 if later else until


def _gate_now(context: Question) -> Verdict:
    """No trouble near: where it is and since when."""
    last = first(context.upto(context.at_ms), *_MOVES, gate=context.name)
    at = local_clock(context.at_ms)
    if last is None:
        return verdict(context, words.GATE_UNKNOWN, at=at)
    command = first(context.upto(last.ms), Happened.GATE_COMMANDED, gate=context.name)
    shown = (last,) if command is None or command is last else (command, last)
    said = "; ".join(one.timed_sentence(context.at_ms) for one in shown)
    found = verdict(context, words.GATE_QUIET, shown, at=at, last=said)
    found.own = last
    return found


_OWN: Final = (Happened.COLLECTOR_UNANSWERED, Happened.FAN_UNSAFE, Happened.COMMAND_VETOED, Happened.RESET_REFUSED)
_RESET_AGAIN: Final[dict[str, str]] = {
    Rule.HOLD: "",
    Rule.RESET_PRESS: "",
    Rule.RESET_REPEATED: "",
    Rule.STOP_UNREAD: "",
    Rule.STOPS_UNHEARD: "Look at the broker and its log: the stop contacts must be heard first.",
}
"""What to do after a refused reset where its line does not say it already, or nothing is to be done."""
_WANTED: Final = (Happened.START_MISSED, Happened.START_REFUSED)
ANSWERS_FOR: Final = frozenset((*_OWN, *_WANTED))
"""What it answers for; what a gate or a sensor of its did not do is asked of that."""
_SWITCHED: Final = (Happened.COLLECTOR_ON, Happened.COLLECTOR_OFF, Happened.COLLECTOR_ADOPTED, Happened.COLLECTOR_HELD)


def collector_verdict(context: Question) -> Verdict:
    """The case of a collector at a moment."""
    trouble, wanted = _nearest(context, *_OWN), _nearest(context, *_WANTED)
    if trouble is not None and (wanted is None or _far(context, trouble) <= _far(context, wanted)):
        return _trouble(context, trouble)
    if wanted is not None:
        # What the collector did not do, it did not do for a tool.
        tool = wanted.text("tool")
        return tool_verdict(replace(context, kind="tool", name=tool)) if tool else _called_off(context, wanted)
    return collector_now(context)


def _called_off(context: Question, missed: TimedLine) -> Verdict:
    """The collector was to start and did not, since whoever wanted it had stopped: a tool, or a hand."""
    begun = missed.ms - round(missed.amount("waited") * 1000)
    wanted = (one for one in context.between(begun - _SAME_MS, begun + _SAME_MS) if one.is_(Happened.TOOL_STARTED))
    for one in wanted:
        of_tool = replace(context, kind="tool", name=one.text("tool"))
        if of_tool.collector == context.name:
            return ended_too_soon(of_tool, StartAttempt(one, one.ms, end_of_cut(of_tool, one.ms)), missed)
    return _said_by(missed, missed.text("rule"), f"at {missed.clock}: {sentence(missed.line)}", "")


def _trouble(context: Question, one: TimedLine) -> Verdict:
    unanswered = one.is_(Happened.COLLECTOR_UNANSWERED) and one.line.get("reported_on") is not (
        one.text("told") != "off"
    )
    rejected = last_rejected(context, "collector", context.name, one.ms) if unanswered else None
    case, step = {
        Happened.COLLECTOR_UNANSWERED: ("no_answer", next_for_switch(context, one, rejected)),
        Happened.FAN_UNSAFE: ("fan_against_shut_gates", "Look at which gate shut under the running fan, and why."),
        Happened.RESET_REFUSED: ("held", _RESET_AGAIN.get(one.text("rule"), "Clear the cause first; then reset.")),
        Happened.COMMAND_VETOED: ("vetoed", ""),
    }[Happened(str(one.line["event"]))]
    text = f"at {one.clock}: {sentence(one.line)}" + (f"; {could_not_be_used(context, rejected)}" if rejected else "")
    return _said_by(one, case, text, step, *([rejected] if rejected else []))


def collector_now(context: Question) -> Verdict:
    """Off or on, since when and by which rule."""
    lines = (one for one in context.upto(context.at_ms) if one.text("collector") == context.name)
    own = (one for one in lines if one.is_(*_SWITCHED))
    last = next((one for one in own if not one.is_refresh), None)
    whom = "the collector" if context.name == "main" else f"collector {spoken(context.name)}"
    if last is None:
        return verdict(context, words.COLLECTOR_UNKNOWN, whom=whom, at=local_clock(context.at_ms))
    said, run = last.timed_sentence(context.at_ms), first(context.in_this_run(context.at_ms), OwnEvent.DAEMON_STARTED)
    if run is not None and run.text("run") != last.text("run"):
        # Nobody has watched it between the two runs, and a new one says what it finds on.
        started = local_text(run.ms)[:19]
        return verdict(context, words.COLLECTOR_BEFORE, (last, run), whom=whom, started=started, last=said)
    seconds = round((context.at_ms - last.ms) / 1000)
    since = lasting(float(seconds)) if seconds else "less than a second"
    facts = {"whom": whom, "since": since, "last": said}
    if last.is_(Happened.COLLECTOR_OFF, Happened.COLLECTOR_HELD):
        held = last.is_(Happened.COLLECTOR_HELD) or last.text("rule") in {Rule.HOLD, Rule.STOP_CONTACT}
        return verdict(context, words.COLLECTOR_HELD if held else words.COLLECTOR_OFF, (last,), **facts)
    stood = next((one.ms for one in own if one.is_(Happened.COLLECTOR_OFF, Happened.COLLECTOR_HELD)), 0)
    began = (Happened.TOOL_STARTED, Happened.HAND_STARTED, Happened.COLLECTOR_KEPT_ON)
    since_then = context.between(max(last.ms - MINUTE_MS, stood), context.at_ms)
    refused = {(one.ms, one.text("tool")) for one in since_then if one.is_(Happened.START_REFUSED)}
    behind = [
        one
        for one in since_then
        if one.text("collector") == context.name and one.is_(*began) and (one.ms, one.text("tool")) not in refused
    ][-3:]
    reasons = "; ".join(one.timed_sentence(context.at_ms) for one in behind)
    return verdict(context, words.COLLECTOR_ON, (last, *behind), reasons=reasons, **facts)
