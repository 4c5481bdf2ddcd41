"""A tool: why it did not start the collector, by which rule its start was refused, or how it did start."""

from collections.abc import Callable
from operator import itemgetter
from typing import Final

from gatehand.journal.sentences import offline, spoken, start_threshold, told
from gatehand.journal.witness_words import witnesses
from gatehand.measures import measured
from gatehand.past.recordings import readings_of
from gatehand.times import lasting, local_clock, local_text
from gatehand.why import not_understood as odd
from gatehand.why import state_at_moment as then
from gatehand.why import verdict_table as words
from gatehand.why.advice import Way
from gatehand.why.lost_air import Loss, fan_on, had_air, lost, motor_stood, reason_given
from gatehand.why.moment import (
    Question,
    StartAttempt,
    TimedLine,
    aftermath,
    first,
    nearest_line,
    served_until,
)
from gatehand.why.on_for import on_for
from gatehand.why.try_settings import Around, around, catch_the_cut, gate_trials, with_collector
from gatehand.why.verdicts import Trial, Verdict, Words, verdict
from gatehand_rules.findings import Fact, Happened, Rule
from gatehand_rules.state import speaking
from gatehand_rules.words import Measure

_LOOKED_MS: Final = 120_000
_MOST_GATES: Final = 12


def tool_verdict(context: Question) -> Verdict:
    """The case of a tool at a moment."""
    attempt = nearest_line(context)
    found = None if attempt is None else _CASE_OF[str(attempt.origin.line["event"])](context, attempt)
    if found is not None and attempt is not None and context.is_asked(attempt.origin.ms):
        return found
    return then.silent(context) or found or then.muted(context) or then.blind(context) or _quiet(context)


def _say(context: Question, attempt: StartAttempt, case: Words, *lines: TimedLine | None, **facts: Fact) -> Verdict:
    """The verdict on an attempt: it rests on the line that says it, and on these."""
    origin = attempt.origin
    begun, ended = local_clock(attempt.start_ms), local_clock(attempt.end_ms)
    started = first(context.between(attempt.start_ms, attempt.start_ms), Happened.TOOL_STARTED, tool=context.name)
    reading = {} if started is None else {str(key): started.line[key] for key in Measure if key in started.line}
    known: dict[str, Fact] = {"at": origin.clock, "begun": begun, "ended": ended, **reading, **facts}
    known["had_begun"] = "was running" if started is None else told(words.IT_STARTED, started.line | known)
    found = verdict(context, case, (origin, *lines), **known)
    found.span = (attempt.start_ms, max(attempt.end_ms, origin.ms))
    return found


def _missed(context: Question, attempt: StartAttempt) -> Verdict:
    """It drew less than its start threshold, or not for long enough, or nothing bore its start out."""
    origin = attempt.origin
    if origin.text("rule") == Rule.NOT_CONFIRMED:
        return _say(context, attempt, words.NOT_CONFIRMED)
    case = words.TOO_SHORT if origin.text("rule") == Rule.SHORTER_THAN_START_AFTER else words.UNDER
    measure, threshold = start_threshold(origin.line)
    found = _say(context, attempt, case, below=measured(measure, threshold - origin.amount("peak")))
    catch_the_cut(context, attempt, found)
    return found


def _rejected(context: Question, attempt: StartAttempt) -> Verdict:
    """Its message could not be used."""
    origin = attempt.origin
    others = sum(1 for one in context.lines if one.text("tool") == context.name and one.is_(Happened.READING_REJECTED))
    more = f", {others} times within the time looked at" if others > 1 else None
    shown = origin.text("shown")
    by_rule: dict[str, Words] = {Rule.RETAINED: words.RETAINED, Rule.MAX_AGE: words.TOO_OLD}
    case, key = by_rule.get(origin.text("rule"), words.REJECTED), odd.key_of(origin)
    return _say(
        context,
        attempt,
        case,
        more=more,
        found=repr(shown) if shown else "something",
        topic=odd.topic_of(context, "tool", context.name, key),
        why=odd.wanted_of(origin),
        key=key,
        wanted=odd.keys_within(key),
    )


def _quiet(context: Question) -> Verdict:
    """No rise worth a finding: what the readings say."""
    span = context.at_ms - _LOOKED_MS, context.at_ms + _LOOKED_MS
    tracks = readings_of(context.folder, context.name, context.measure, *span)
    peaks = [max(zip(track.ms, track.ma, strict=True), key=itemgetter(1)) for track in tracks]
    tool, moment = context.tool_then, local_clock(context.at_ms)
    if not peaks or tool is None:
        return _last_heard(context, moment) or verdict(context, words.NOTHING_KNOWN, at=moment)
    when_ms, highest = max(peaks, key=itemgetter(1))
    peak, count, when = max(0, highest) / 1000, sum(map(len, tracks)), local_clock(when_ms)
    under = peak < tool.start_at and tool.measure is not Measure.RUNNING
    case = words.DID_NOT_RUN._replace(case="under_threshold") if under else words.DID_NOT_RUN
    return verdict(context, case, at=moment, peak=peak, when=when, count=count)


def _last_heard(context: Question, moment: str) -> Verdict | None:
    """A sensor that speaks only on change: its last word below the threshold holds until the next."""
    known = None if context.state_then is None else context.state_then.tool(context.name)
    if context.state_then is None or known is None:
        return None
    tool, state = known[0], speaking(known[1])
    if tool.silent_after > 0 or state.value is None or state.value >= tool.stop_at:
        return None
    heard_ms = round(state.heard_at * 1000) + context.state_then.offset_ms
    rejected = odd.last_rejected(context, "tool", context.name, context.at_ms)
    if rejected is not None and rejected.ms > heard_ms:
        return then.not_understood(context, rejected)
    when = local_text(heard_ms)[:19]
    reading = "its contact says stopped" if tool.measure is Measure.RUNNING else measured(tool.measure, state.value)
    return verdict(context, words.LAST_HEARD, at=moment, when=when, last=reading)


def _started(context: Question, attempt: StartAttempt) -> Verdict:
    """It was taken for running: what became of it."""
    # What a later run of the daemon said of it is another attempt.
    run = attempt.origin.text("run")
    lines = [one for one in aftermath(context, attempt) if one.text("run") == run]
    refusal = first(lines, Happened.START_REFUSED, tool=context.name)
    if refusal is not None:
        return _refused(context, StartAttempt(refusal, attempt.start_ms, attempt.end_ms))
    return _came_of_it(context, attempt, lines)


def _came_of_it(context: Question, attempt: StartAttempt, lines: list[TimedLine]) -> Verdict:
    """What the lines after its start say, which are no refusal."""
    fault = first(lines, Happened.GATE_FAULT)
    on = first((one for one in lines if not one.is_refresh), Happened.COLLECTOR_ON)
    unanswered = first(lines, Happened.COLLECTOR_UNANSWERED, told="on")
    if on is not None and unanswered is not None and (found := _no_answer(context, attempt, on, unanswered)):
        return found
    if on is not None:
        opened = first(lines, Happened.GATE_OPEN)
        late = {key: opened.line.get(key) for key in ("late_by", "travel")} if opened else {}
        gate = spoken(opened.text("gate")) if opened else None
        later, muted = lasting((on.ms - attempt.start_ms) / 1000), _muted(context, attempt)
        loss, facts = lost(context, attempt, on.ms), {"later": later, "opened": gate, "muted": muted, **late}
        if loss is not None:
            return _lost(context, attempt, words.STARTED_AND_LOST, loss, opened, on, **facts)
        return _owned(_say(context, attempt, words.STARTED, opened, on, **facts), on)
    if fault is not None:
        return _gate_fault(context, attempt, fault)
    missed = first(lines, Happened.START_MISSED)
    if missed is not None:
        return ended_too_soon(context, attempt, missed)
    return _neither(context, attempt, lines)


def _muted(context: Question, attempt: StartAttempt) -> str | None:
    """When a button in mid-cut ended this cut for Gatehand."""
    last = first(context.between(attempt.start_ms, attempt.end_ms), Happened.TOOL_MUTED, tool=context.name)
    return None if last is None or last.text("rule") != Rule.BUTTON else last.clock


def _lost(
    context: Question, attempt: StartAttempt, case: Words, loss: Loss, *lines: TimedLine | None, **facts: Fact
) -> Verdict:
    """It had air, and lost it before it stopped."""
    found = _say(context, attempt, case, *lines, loss.line, air_until=loss.by, back=loss.back, **facts)
    found.next_step = loss.next_step
    return _owned(found, loss.line)


def _no_answer(context: Question, attempt: StartAttempt, on: TimedLine, unanswered: TimedLine) -> Verdict | None:
    """The collector was commanded on and did not show it, or its motor stood later; None: it ran for all of the cut."""
    stood = motor_stood(context, attempt, on.ms, unanswered)
    if stood is not None and stood.fell_ms >= attempt.end_ms:
        return None
    if stood is not None:
        begun = on.clock if on.ms >= attempt.start_ms else None
        facts = {"on": begun, "fell": local_clock(stood.fell_ms), "back": stood.back, "word": stood.switch}
        found = _say(context, attempt, words.TRIPPED, on, unanswered, **facts)
        found.next_step = then.next_for_switch(context, unanswered, None)
        return _owned(found, unanswered)
    says_on = unanswered.line.get("reported_on")
    seen = (witnesses(unanswered.line, "{} before"), offline(unanswered.line))
    shown = "; ".join(filter(None, seen)) or "nothing has reported it"
    rejected = None if says_on is True else odd.last_rejected(context, "collector", context.collector, unanswered.ms)
    if rejected is not None:
        shown = odd.could_not_be_used(context, rejected)
    lines = (on, unanswered, rejected)
    found = _say(context, attempt, words.NO_ANSWER, *lines, on=on.clock, shown=shown, again=unanswered.clock)
    found.next_step = then.next_for_switch(context, unanswered, rejected)
    return _owned(found, unanswered)


def ended_too_soon(context: Question, attempt: StartAttempt, missed: TimedLine) -> Verdict:
    """The cut was over before its gate was open, or before the stop contacts were heard."""
    unheard = missed.text("rule") == Rule.STOPS_UNHEARD
    case = words.STOPS_UNHEARD if unheard else words.ENDED_TOO_SOON
    found = _owned(_say(context, attempt, case, missed, waited=missed.amount("waited")), missed)
    if unheard:
        return found
    here, window = _recorded(context, attempt)
    if here is not None:
        for name in context.gates()[:_MOST_GATES]:
            gate_trials(context, here, name, (context.name, context.collector), window, found=found)
    return found


def _neither(context: Question, attempt: StartAttempt, lines: list[TimedLine]) -> Verdict:
    """No "on" followed and no refusal: it ran already, it waits, or a command was held back."""
    veto = first(lines, Happened.COMMAND_VETOED)
    if veto is not None:
        return _owned(_say(context, attempt, words.VETOED, veto, veto=spoken(veto.text("rule"))), veto)
    waits = first(lines, Happened.COLLECTOR_WAITED)
    if waits is not None:
        return _owned(_say(context, attempt, words.START_GAP, waits, for_seconds=waits.amount("for_seconds")), waits)
    last = fan_on(context, attempt.start_ms)
    if last is None:
        return _say(context, attempt, words.WAITING)
    unanswered = first(lines, Happened.COLLECTOR_UNANSWERED, told="on")
    if unanswered is not None and last.is_(Happened.COLLECTOR_ON):
        found = _no_answer(context, attempt, last, unanswered)
        if found is not None:
            return found
    shown, facts = on_for(context, attempt, last)
    loss = lost(context, attempt, attempt.start_ms)
    if loss is not None:
        return _lost(context, attempt, words.ALREADY_ON_AND_LOST, loss, last, *shown, **facts)
    found = _say(context, attempt, words.ALREADY_ON, last, *shown, muted=_muted(context, attempt), **facts)
    found.without = Happened.COLLECTOR_ON, context.collector
    return found


def _owned(found: Verdict, own: TimedLine) -> Verdict:
    """The verdict, with this line for its own."""
    found.own = own
    return found


def _refused(context: Question, attempt: StartAttempt) -> Verdict:
    """A start that was seen and refused: by which rule, and what would have had to be otherwise."""
    rule = attempt.origin.text("rule")
    match rule:
        case Rule.HOLD | Rule.STOP_CONTACT:
            return _held(context, attempt)
        case Rule.BIN_FULL:
            return _bin_full(context, attempt)
        case Rule.MAX_OPEN:
            return _max_open(context, attempt)
        case Rule.NOT_FRESH | Rule.OFF_ASKED | Rule.SWITCHED_BY_HAND if found := _stale_in_mid_cut(context, attempt):
            return found
        case Rule.FIRST_SEEN_DRAWING if (found := _served_all_the_same(context, attempt)) is not None:
            return found
        case Rule.FIRST_SEEN_DRAWING if _first_cut_unseen(context):
            return _say(context, attempt, words.FIRST_WORD_ON_CHANGE)
        case Rule.NO_GATE_PROVEN:
            return _gate_fault(context, attempt, first(aftermath(context, attempt), Happened.GATE_FAULT))
        case _:
            return _say(context, attempt, words.BY_RULE.get(rule, words.REFUSED._replace(case=rule or "refused")))


def _stale_in_mid_cut(context: Question, attempt: StartAttempt) -> Verdict | None:
    """Its start had been served before it counted no more; None where it had no air before either."""
    start = first(context.between(attempt.start_ms, attempt.start_ms), Happened.TOOL_STARTED, tool=context.name)
    at_the_reset = attempt.origin.text("rule") == Rule.NOT_FRESH and context.until_ms >= attempt.origin.ms
    if start is None or at_the_reset:  # whoever asks from then on wants to know why the reset did not start it
        return None
    begun = StartAttempt(start, attempt.start_ms, attempt.end_ms)
    run = start.text("run")
    lines = [one for one in aftermath(context, begun) if one.text("run") == run and not _is_refusal(context, one)]
    found = _came_of_it(context, begun, lines)
    if found.case != words.STARTED_AND_LOST.case:
        return None
    found.next_step = found.next_step or told(words.OFF_AND_ON, {"tool": context.name})
    return _owned(found, attempt.origin)


def _is_refusal(context: Question, one: TimedLine) -> bool:
    return one.is_(Happened.START_REFUSED) and one.text("tool") == context.name


def _served_all_the_same(context: Question, attempt: StartAttempt) -> Verdict | None:
    """Its start counted for nothing, but the fan was on and stayed on for it; None where it had no air."""
    on = had_air(context, attempt)
    if on is None:
        return None
    shown, facts = on_for(context, attempt, on)
    loss = lost(context, attempt, on.ms)
    if loss is not None:
        return _owned(_lost(context, attempt, words.SEEN_AND_LOST, loss, on, *shown, **facts), attempt.origin)
    return _say(context, attempt, words.SEEN_AND_SERVED, on, *shown, **facts)


def _first_cut_unseen(context: Question) -> bool:
    """Its meter says nothing until the tool is switched on, and cannot be asked: what `check` warns of as first-cut."""
    tool, table = context.tool_then, context.config.tool.get(context.name)
    asked = table is not None and table.sensor.poll is not None
    return tool is not None and tool.silent_after == 0 and not asked


def _recorded(context: Question, attempt: StartAttempt) -> tuple[Around | None, tuple[int, int]]:
    """What was recorded around a cut, and the window in which the collector would have had to start."""
    window = (attempt.start_ms, served_until(context, attempt))
    return around(context.folder, window[0], window[1]), window


def _held(context: Question, attempt: StartAttempt) -> Verdict:
    """A stop contact or somebody keeps the collector off."""
    names = context.collector_names()
    lines = (one for one in context.in_this_run(attempt.start_ms) if one.text("collector") in names)
    hold = first(lines, Happened.COLLECTOR_HELD)
    reset = first(context.following(attempt.start_ms), Happened.HOLD_RESET, collector=context.collector)
    by_contact = hold is not None and hold.text("rule") == Rule.STOP_CONTACT
    why = hold.text("why") if hold else ""
    what = f"by stop contact {spoken(why)}" if by_contact else f"({reason_given(why)})"
    return _say(
        context,
        attempt,
        words.STOP_CONTACT if by_contact else words.HELD,
        hold,
        what=what if hold else None,
        since=hold.clock if hold else None,
        reset=f"it was reset at {reset.clock}" if reset else "it was not reset in the time looked at",
    )


def _bin_full(context: Question, attempt: StartAttempt) -> Verdict:
    """Its bin is full and `on_bin_full` says to refuse."""
    full = first(context.in_this_run(attempt.start_ms), Happened.BIN_FULL)
    found = _say(context, attempt, words.BIN_FULL, full, since=full.clock if full else None)
    here, window = _recorded(context, attempt)
    if here is not None and here.starts(
        with_collector(here.shop, context.collector, on_bin_full="warn"), context.collector, window
    ):
        trial = Trial("on_bin_full", "warn", Way.IS, " would have started it, into a full bin")
        found.tried(context, ("collector", context.collector), trial)
    return found


def _max_open(context: Question, attempt: StartAttempt) -> Verdict:
    """As many gates as may were in use."""
    found = _say(context, attempt, words.MAX_OPEN)
    here, window = _recorded(context, attempt)
    if here is None:
        return found
    limit, at = int(attempt.origin.amount("max_open")), here.shop.tool_at(context.name)
    gates = len(here.shop.tools[at].gates) if at is not None else 1
    for most in range(limit + 1, limit + gates + 2):
        # No refusal is left: the collector may be on already for the other tool.
        if not here.refused(with_collector(here.shop, context.collector, max_open=most), context.name, window):
            trial = Trial("max_open", most, Way.LEAST, " would have given it air")
            found.tried(context, ("collector", context.collector), trial)
            break
    return found


def _gate_fault(context: Question, attempt: StartAttempt, fault: TimedLine | None) -> Verdict:
    """None of its gates came to be known open: one jammed, or was later than it was given time for."""
    of_gates = (one for one in context.upto(attempt.end_ms) if one.text("gate") in context.gates())
    fault = fault or first(of_gates, Happened.GATE_FAULT)
    if fault is None:
        gates = attempt.origin.text("gates") or ", ".join(context.gates())
        return _unreached(context, attempt, attempt.origin) or _say(context, attempt, words.NONE_PROVEN, gates=gates)
    on = _on_after(context, attempt, fault.ms)
    own = fault if attempt.origin.is_(Happened.TOOL_STARTED) else attempt.origin
    if on is None and (unreached := _unreached(context, attempt, own, fault)) is not None:
        return unreached
    unheard = on is None and fault.line.get("never_heard") is True
    found = _say(
        context,
        attempt,
        words.NEVER_HEARD if unheard else words.GATE_JAMMED if on is None else words.GATE_LATE,
        fault,
        on,
        faulty=spoken(fault.text("gate")),
        gate_table=f"[gate.{fault.text('gate')}]",
        on=on.clock if on else None,
        after=lasting((on.ms - attempt.start_ms) / 1000) if on else None,
        **{key: fault.line.get(key) for key in ("travel", "waited", "retries")},
    )
    found.own = own
    found.next_step += then.or_command(context, fault, "gate", fault.text("gate"), "wanted")
    here, window = _recorded(context, attempt)
    if not odd.gate_not_understood(context, fault, found) and here is not None and not unheard:
        gate_trials(context, here, fault.text("gate"), (context.name, context.collector), window, found=found)
    return found


def _unreached(
    context: Question, attempt: StartAttempt, own: TimedLine, fault: TimedLine | None = None
) -> Verdict | None:
    """A gate's device was offline, so that nothing about the gate is jammed for all that is known."""
    for gate in context.gates() if fault is None else (fault.text("gate"),):
        gone = then.offline_since(context, gate, own.ms)
        if gone is not None or (fault is not None and fault.line.get("offline") is True):
            since = then.gone_since(gone, own.ms)
            return _owned(_say(context, attempt, words.UNREACHED, gone, faulty=spoken(gate), **since), own)
    return None


def _on_after(context: Question, attempt: StartAttempt, ms: int) -> TimedLine | None:
    """The start of the collector that followed after all, for this cut or its run-on."""
    lines = (one for one in context.between(ms, served_until(context, attempt)) if not one.is_refresh)
    return first(lines, Happened.COLLECTOR_ON, collector=context.collector)


_CASE_OF: Final[dict[str, Callable[[Question, StartAttempt], Verdict]]] = {
    Happened.START_MISSED: _missed,
    Happened.START_REFUSED: _refused,
    Happened.TOOL_STARTED: _started,
    Happened.TOOL_MUTED: lambda context, attempt: then.muted_by(context, attempt.origin),
    Happened.READING_REJECTED: _rejected,
}
