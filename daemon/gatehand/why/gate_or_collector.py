"""A gate: why it did not move, or where it was. A collector: why it was off, or on, or did not obey."""

from dataclasses import replace
from itertools import islice
from typing import Final

from gatehand.journal.line import OwnEvent
from gatehand.journal.sentences import sentence, spoken, told
from gatehand.times import lasting, local_clock, local_text
from gatehand.why import verdict_table as words
from gatehand.why.moment import MINUTE_MS, NEAR_MS, SECOND_MS, Question, StartAttempt, TimedLine, end_of_cut, first
from gatehand.why.not_understood import could_not_be_used, gate_not_understood, last_rejected
from gatehand.why.state_at_moment import gone_since, next_for_switch, offline, offline_since, or_command
from gatehand.why.tool_start import ended_too_soon, tool_verdict
from gatehand.why.try_settings import around, gate_trials
from gatehand.why.verdicts import NOTHING, Verdict, verdict
from gatehand_rules.findings import Alarm, Happened, Rule

_AWAY: Final = (Happened.DEVICE_OFFLINE, Happened.GATE_UNHEARD)
"""What a gate can be without having done anything wrong."""
_TROUBLES: Final = (Happened.GATE_FAULT, Happened.COMMAND_VETOED, Happened.START_REFUSED, *_AWAY)
_MOVES: Final = (
    *(Happened.GATE_COMMANDED, Happened.GATE_OPEN, Happened.GATE_SHUT, Happened.GATE_BETWEEN),
    *(Happened.GATE_FAULT, Happened.GATE_UNHEARD),
)
_CUT_AFTER_MS: Final = 60_000
_SAME_MS: Final = 250
_RETRIED_MS: Final = 10_000
"""How long a command that was told again and raised no alarm is taken for unanswered."""
_LATE_WORD_MS: Final = 3000
"""A word of the switch that comes this soon after "off" may be late."""
_MOST_MOVES: Final = 6
_MOST_SWITCHED: Final = 8


def _far(context: Question, one: TimedLine) -> int:
    return context.distance(one.ms, one.ms)


def _near(context: Question, *events: str) -> list[TimedLine]:
    """The subject's lines of these events that are near the moment."""
    own = (one for one in context.lines if one.is_(*events) and one.text(context.kind) == context.name)
    return [one for one in own if _far(context, one) <= NEAR_MS]


def _nearest(context: Question, *events: str) -> TimedLine | None:
    """The nearest of them, if one is near."""
    return min(_near(context, *events), key=lambda one: (_far(context, one), -one.ms), default=None)


def _then(context: Question, *events: str) -> TimedLine | None:
    """Of these events the subject's last that was said in what is asked about, else the last that still went on."""
    near = _near(context, *events)
    going = [one for one in near if _went_on(context, one)]
    said = [one for one in near if context.is_asked(one.ms)]
    begun = [one for one in going if one.ms <= context.until_ms]
    return max(said or begun or going[:1], key=lambda one: one.ms, default=None)


def _lasted(context: Question, one: TimedLine) -> tuple[int, int]:
    """From and to when a trouble went on; a refused reset, a refused press and a veto are over at once."""
    whole = max(context.lines[-1].ms, context.until_ms)
    begun = one.ms - round(max(one.amount("lasted"), one.amount("waited")) * 1000)
    ended: TimedLine | None
    if one.is_(Happened.START_REFUSED) and one.text("tool"):
        return one.ms, end_of_cut(replace(context, kind="tool", name=one.text("tool")), one.ms)
    if one.is_(Happened.START_REFUSED) and _hand_start(context, one.text("gate"), one.ms):
        ended = first(context.following(one.ms), Happened.HAND_ENDED, gate=one.text("gate"))
        return one.ms, ended.ms if ended else whole
    if one.is_(Happened.GATE_FAULT):
        later = (line for line in context.following(one.ms) if _ends_fault(line, one.text("gate")))
        ended = next(later, None)
        return begun, ended.ms if ended else whole
    if one.is_(Happened.COLLECTOR_UNANSWERED, Happened.FAN_UNSAFE):
        return _fan_lasted(context, one, whole)
    return (begun, one.ms) if one.is_(Happened.START_MISSED) else (one.ms, one.ms)


def _ends_fault(line: TimedLine, gate: str) -> bool:
    cleared = line.is_(Happened.ALARM_CLEARED) and line.text("alarm") == Alarm("gate", gate, "fault").id
    return cleared or (line.is_(Happened.GATE_OPEN, Happened.GATE_SHUT) and line.text("gate") == gate)


def _fan_lasted(context: Question, one: TimedLine, whole: int) -> tuple[int, int]:
    """To the end of its alarm, or to when the fan was switched anew; a retry that helped ends without a word."""
    unanswered = one.is_(Happened.COLLECTOR_UNANSWERED)
    alarm = Alarm("collector", context.name, "no_answer" if unanswered else "shut_gates").id
    begun = one.ms - round(one.amount("told_ago") * 1000) if one.text("told") == "off" else one.ms
    end = whole
    for line in context.following(one.ms):
        cleared = line.is_(Happened.ALARM_CLEARED) and line.text("alarm") == alarm
        switched = line.is_(*_SWITCHED) and not line.is_refresh and line.text("collector") == context.name
        if cleared or (switched and line.ms > one.ms + _SAME_MS):  # what it was answered with is no new word
            end = line.ms
            break
    raised = (line for line in context.between(begun, end) if line.text("alarm") == alarm)
    if unanswered and first(raised, Happened.ALARM_RAISED) is None:
        end = min(end, one.ms + _RETRIED_MS)
    return begun, end


def _went_on(context: Question, one: TimedLine) -> bool:
    """Whether a trouble went on in what is asked about."""
    return context.distance(*_lasted(context, one)) == 0


def _hand_start(context: Question, gate: str, ms: int) -> TimedLine | None:
    """The gate's hand start that went on at a moment, or None."""
    last = first(context.in_this_run(ms), Happened.HAND_STARTED, Happened.HAND_ENDED, gate=gate)
    return last if last is not None and last.is_(Happened.HAND_STARTED) else None


def _with_nearest(context: Question, found: Verdict, *events: str) -> Verdict:
    """How it was at the moment, with the trouble nearest to that named beside it."""
    others = (one for one in _near(context, *events) if one.line not in found.findings)
    other = min(others, key=lambda one: (_far(context, one), -one.ms), default=None)
    if other is not None:
        found.nearest = other.timed_sentence(context.at_ms)
    return found


def _going_on(context: Question, found: Verdict, one: TimedLine) -> Verdict:
    """The verdict on a trouble, which lasted as long as the trouble did."""
    if found.span is not None and not context.is_asked(one.ms):
        found.span = found.span[0], max(found.span[1], _lasted(context, one)[1])
    return found


def gate_verdict(context: Question) -> Verdict:
    """The case of a gate at a moment."""
    trouble = _then(context, *_TROUBLES)
    if trouble is None or trouble.is_(*_AWAY):
        gone = offline(context, context.name, context.at_ms)
        if gone is not None:
            return gone
        if trouble is not None:
            return _was_away(context, trouble)
        now = _gate_now(context)
        if now.own is not None or (trouble := _nearest(context, *_TROUBLES)) is None:
            return _with_nearest(context, now, *_TROUBLES)
    return _going_on(context, _gate_trouble(context, trouble), trouble)


def _gate_trouble(context: Question, trouble: TimedLine) -> Verdict:
    if trouble.is_(*_AWAY):
        return _was_away(context, trouble)
    if trouble.is_(Happened.GATE_FAULT):
        return _fault(context, trouble)
    case = "vetoed" if trouble.is_(Happened.COMMAND_VETOED) else trouble.text("rule") or "refused"
    return _said_by(trouble, case, f"at {trouble.clock}: {sentence(trouble.line)}", "")


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
    """No trouble then: what it did in what is asked about, else where it was and since when."""
    at = context.asked.said
    moved = (*_MOVES, Happened.HAND_STARTED, Happened.HAND_ENDED)
    asked = [
        one
        for one in context.between(context.at_ms, context.until_ms)
        if one.is_(*moved) and one.text("gate") == context.name and not one.is_refresh
    ]
    if asked:
        shown = asked[-_MOST_MOVES:]
        minute = context.asked.lasts_ms > SECOND_MS
        said = "; ".join(one.timed_sentence(context.at_ms) if minute else sentence(one.line) for one in shown)
        before = len(asked) - len(shown)
        return verdict(context, words.GATE_MOVED, reversed(shown), at=at, moved=said, before=before)
    last = first(context.upto(context.at_ms), *_MOVES, gate=context.name)
    if last is None:
        return verdict(context, words.GATE_UNKNOWN, at=at)
    command = first(context.upto(last.ms), Happened.GATE_COMMANDED, gate=context.name)
    lines = [last] if command is None or command is last else [command, last]
    hand = first(context.in_this_run(context.at_ms), Happened.HAND_STARTED, Happened.HAND_ENDED, gate=context.name)
    if hand is not None and (hand.is_(Happened.HAND_STARTED) or hand.ms >= lines[0].ms):
        lines = sorted([hand, *lines], key=lambda one: (one.ms, one.number("seq") or 0.0))
    said = "; ".join(one.timed_sentence(context.at_ms) for one in lines)
    found = verdict(context, words.GATE_QUIET, lines, at=at, last=said)
    found.own = lines[-1]
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
    now = collector_now(context)
    trouble, wanted = _then(context, *_OWN), _then(context, *_WANTED)
    if trouble is not None and _is_overtaken(context, trouble, now):
        trouble = None
    if wanted is not None and not context.is_asked(wanted.ms) and not _was_off(now):
        wanted = None  # somebody waited for air in vain, and yet the fan was on, or on hold
    if trouble is None and wanted is None and now.own is None:
        # Nothing tells how it was: what is near is all that there is to say.
        trouble, wanted = _nearest(context, *_OWN), _nearest(context, *_WANTED)
    if trouble is not None and (wanted is None or _outranks(context, trouble, wanted)):
        return _going_on(context, _trouble(context, trouble), trouble)
    if wanted is not None:
        # What the collector did not do, it did not do for a tool.
        tool = wanted.text("tool")
        return tool_verdict(replace(context, kind="tool", name=tool)) if tool else _called_off(context, wanted)
    return _with_nearest(context, now, *_OWN, *_WANTED)


def _is_overtaken(context: Question, trouble: TimedLine, now: Verdict) -> bool:
    """A reset was refused since nothing was on hold, and in what is asked about it has been put on hold since."""
    if not trouble.is_(Happened.RESET_REFUSED) or trouble.text("rule") != Rule.HOLD:
        return False
    later = context.between(trouble.ms, context.until_ms)
    return now.case == "held" or first(later, Happened.COLLECTOR_HELD, collector=context.name) is not None


def _outranks(context: Question, trouble: TimedLine, wanted: TimedLine) -> bool:
    """The fan's own trouble comes first, but for what was said at the very moment."""
    nearer = _far(context, trouble) <= _far(context, wanted)
    return nearer or (_went_on(context, trouble) and not context.is_asked(wanted.ms))


def _was_off(now: Verdict) -> bool:
    """Off and not on hold, or not known to be on."""
    return now.own is None or now.case == NOTHING


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
    if one.is_(Happened.FAN_UNSAFE):
        return _against_shut_gates(context, one)
    unanswered = one.is_(Happened.COLLECTOR_UNANSWERED) and one.line.get("reported_on") is not (
        one.text("told") != "off"
    )
    rejected = last_rejected(context, "collector", context.name, one.ms) if unanswered else None
    case, step = {
        Happened.COLLECTOR_UNANSWERED: ("no_answer", next_for_switch(context, one, rejected)),
        Happened.RESET_REFUSED: ("held", _RESET_AGAIN.get(one.text("rule"), "Clear the cause first; then reset.")),
        Happened.COMMAND_VETOED: ("vetoed", ""),
    }[Happened(str(one.line["event"]))]
    text = f"at {one.clock}: {sentence(one.line)}" + (f"; {could_not_be_used(context, rejected)}" if rejected else "")
    return _said_by(one, case, text, step, *([rejected] if rejected else []))


def _against_shut_gates(context: Question, unsafe: TimedLine) -> Verdict:
    """No gate has shut under a fan that was switched on at its own switch."""
    text = f"at {unsafe.clock}: {sentence(unsafe.line)}"
    unasked = _switched_on_unasked(context, unsafe)
    if unasked is None:
        return _said_by(unsafe, "fan_against_shut_gates", text, words.SHUT_UNDER_FAN)
    off, began = unasked
    gates = "too few gates" if unsafe.amount("proven_open") else "no gate"
    step = told(words.ON_AGAINST_SHUT_GATES, {"at": began.clock, "gates": gates})
    found = _said_by(unsafe, "fan_against_shut_gates", text, step)
    found.since_ms = off.ms
    return found


def collector_now(context: Question) -> Verdict:
    """Off or on, since when and by which rule; of a minute, how it was at its end."""
    minute = context.asked.lasts_ms > SECOND_MS
    lines = (one for one in context.upto(context.until_ms) if one.text("collector") == context.name)
    switched = (one for one in lines if one.is_(*_SWITCHED, Happened.HOLD_RESET) and not one.is_refresh)
    own = list(islice(switched, _MOST_SWITCHED))
    last = next((one for one in own if not one.is_(Happened.HOLD_RESET)), None)
    whom = "the collector" if context.name == "main" else f"collector {spoken(context.name)}"
    if last is None:
        return verdict(context, words.COLLECTOR_UNKNOWN, whom=whom, at=context.asked.said)
    last = _hold(own, last) or last
    until = context.until_ms if minute else max(context.at_ms, own[0].ms)
    said, run = last.timed_sentence(context.at_ms), first(context.in_this_run(until), OwnEvent.DAEMON_STARTED)
    if run is not None and run.text("run") != last.text("run"):
        # Nobody has watched it between the two runs, and a new one says what it finds on.
        started = local_text(run.ms)[:19]
        return verdict(context, words.COLLECTOR_BEFORE, (last, run), whom=whom, started=started, last=said)
    seconds = round((until - last.ms) / 1000)
    since = lasting(float(seconds)) if seconds else "less than a second"
    facts = {"whom": whom, "since": since, "last": said}
    if last.is_(Happened.COLLECTOR_OFF, Happened.COLLECTOR_HELD):
        found = _off_now(context, last, own[0], facts, until)
    else:
        stood = next((one.ms for one in own if one.is_(Happened.COLLECTOR_OFF, Happened.COLLECTOR_HELD)), 0)
        behind = _wanted_then(context, max(last.ms - MINUTE_MS, stood, run.ms if run else 0), until)[-3:]
        behind += _seen_to_stand(context, last, until)
        reasons = "; ".join(one.timed_sentence(context.at_ms) for one in behind)
        found = verdict(context, words.COLLECTOR_ON, (last, *behind), reasons=reasons, **facts)
    before = next((one for one in own if one.ms < last.ms), None)
    if minute and context.is_asked(last.ms) and before is not None:
        found.sentence += f"; before that: {before.timed_sentence(context.at_ms)}"
    return found


def _seen_to_stand(context: Question, on: TimedLine, until: int) -> list[TimedLine]:
    """The line that says that the fan stood all the same, if that was the last that was seen of it."""
    since = [one for one in context.between(on.ms, until) if one.text("collector") == context.name]
    seen = first(reversed(since), Happened.COLLECTOR_RUNNING, Happened.COLLECTOR_STOOD)
    return [] if seen is None or seen.is_(Happened.COLLECTOR_RUNNING) else [seen]


def _hold(own: list[TimedLine], last: TimedLine) -> TimedLine | None:
    """The hold that still is, newest lines first: an "off" after it ends it no more than another run of the daemon."""
    for one in own:
        if one.text("run") != last.text("run") or not one.is_(Happened.COLLECTOR_OFF, Happened.COLLECTOR_HELD):
            return None
        if one.is_(Happened.COLLECTOR_HELD):
            return one
    return None


def _off_now(context: Question, last: TimedLine, newest: TimedLine, facts: dict[str, str], until: int) -> Verdict:
    """On hold, or off, and whether anybody asked for it since."""
    asked = [
        one
        for one in context.between(newest.ms + 1, until)
        if one.is_(*_WANTED) and one.text("collector") == context.name and not one.number("lasted")
    ]  # what lasted and did not count as running asked for nothing
    since = f"the last that asked for it: {asked[-1].timed_sentence(context.at_ms)}" if asked else words.NOT_ASKED
    if newest.is_(Happened.HOLD_RESET):
        reset = {**facts, "last": newest.timed_sentence(context.at_ms)}
        return verdict(context, words.COLLECTOR_RESET, (newest, *asked[-1:]), asked=since, **reset)
    if last.is_(Happened.COLLECTOR_HELD) or last.text("rule") in {Rule.HOLD, Rule.STOP_CONTACT}:
        return verdict(context, words.COLLECTOR_HELD, (last,), **facts)
    stood = _stood_late(context, last, until)
    if stood is not None:
        late = {
            "since": lasting(float(round((until - stood.ms) / 1000))),
            "last": f"{facts['last']}; {stood.clock} {sentence(stood.line)}",
        }
        return verdict(context, words.COLLECTOR_OFF, (last, stood, *asked[-1:]), asked=since, **{**facts, **late})
    return verdict(context, words.COLLECTOR_OFF, (last, *asked[-1:]), asked=since, **facts)


def _stood_late(context: Question, off: TimedLine, until: int) -> TimedLine | None:
    """When a fan had stopped that had not at once."""
    since = [one for one in context.between(off.ms, until) if one.text("collector") == context.name]
    unanswered = first(reversed(since), Happened.COLLECTOR_UNANSWERED)
    return None if unanswered is None else first(reversed(since), Happened.COLLECTOR_STOOD)


def _wanted_then(context: Question, since: int, until: int) -> list[TimedLine]:
    """Why it was on: of each tool and each hand start that still wanted it then the last word, and what kept it on."""
    found: dict[tuple[str, str], TimedLine] = {}
    for one in context.between(since, until):
        if one.text("collector") != context.name and not one.is_(Happened.TOOL_MUTED):
            continue
        whose = one.text("tool"), one.text("gate")
        if one.is_(Happened.RUN_ON_ENDED, Happened.HAND_ENDED, Happened.TOOL_MUTED, Happened.START_REFUSED):
            found.pop(whose, None)
        elif one.is_(Happened.TOOL_STARTED, Happened.HAND_STARTED, Happened.COLLECTOR_KEPT_ON) or (
            one.is_(Happened.TOOL_STOPPED) and whose in found
        ):
            found.pop(whose, None)
            found[whose] = one
    return list(found.values())


def _switched_on_unasked(context: Question, unsafe: TimedLine) -> tuple[TimedLine, TimedLine] | None:
    """When Gatehand had switched off a fan that turns against shut gates, and when it came on all the same."""
    began: TimedLine | None = None
    for one in context.in_this_run(unsafe.ms):
        if one.text("collector") != context.name or one.ms > unsafe.ms or one.is_refresh:
            continue
        number, own = one.number("seq") or 0.0, unsafe.number("seq") or 0.0
        if one.ms == unsafe.ms and number > own:
            continue
        if began is None:
            if one.is_(Happened.COLLECTOR_ON, Happened.COLLECTOR_ADOPTED, Happened.COLLECTOR_STOOD):
                return None
            if one.is_(Happened.COLLECTOR_RUNNING) and one.text("rule") == Rule.REPORT:
                began = one
        elif one.is_(*_SWITCHED):
            off = one.is_(Happened.COLLECTOR_OFF, Happened.COLLECTOR_HELD)
            return (one, began) if off and began.ms - one.ms > _LATE_WORD_MS else None
    return None
