"""A tool: why it did not start the collector, or how it did. One function for each case."""

from operator import itemgetter
from typing import TYPE_CHECKING, Final

from gatehand.journal.sentences import spoken
from gatehand.past.recordings import readings_of
from gatehand.times import lasting, local_clock
from gatehand.why.moment import (
    NOTHING,
    Context,
    StartAttempt,
    TimedLine,
    Verdict,
    aftermath,
    amps,
    first,
    lines_of,
    nearest,
)
from gatehand.why.refused_start import drew, gate_case, recorded, refused
from gatehand.why.state_at_moment import (
    blind,
    could_not_be_used,
    last_rejected,
    muted,
    muted_by,
    next_for_switch,
    silent,
)
from gatehand.why.try_settings import gate_trials
from gatehand.why.try_thresholds import catch_the_cut
from gatehand_rules.findings import Happened, Rule

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping


_LOOKED_MS: Final = 120_000
_MOST_GATES: Final = 12


def tool_verdict(context: Context) -> Verdict:
    """The case of a tool at a moment."""
    return silent(context) or _by_attempt(context) or muted(context) or blind(context) or _quiet(context)


def _by_attempt(context: Context) -> Verdict | None:
    attempt = nearest(context)
    if attempt is None:
        return None
    origin = attempt.origin
    if origin.is_(Happened.START_MISSED):
        missed: Mapping[str, Callable[[Context, StartAttempt], Verdict]] = {
            Rule.SHORTER_THAN_START_AFTER: _too_short,
            Rule.NOT_CONFIRMED: _not_confirmed,
        }
        return missed.get(origin.text("rule"), _under)(context, attempt)
    case_of: Mapping[str, Callable[[Context, StartAttempt], Verdict]] = {
        Happened.START_REFUSED: refused,
        Happened.TOOL_STARTED: started,
        Happened.TOOL_MUTED: lambda context, attempt: muted_by(context, attempt.origin),
        Happened.READING_REJECTED: _rejected,
    }
    return case_of[str(origin.line["event"])](context, attempt)


def _under(context: Context, attempt: StartAttempt) -> Verdict:
    """It drew, and less than its start threshold."""
    origin = attempt.origin
    peak, start = origin.amount("peak"), origin.amount("start_amps")
    found = Verdict(
        "under_threshold",
        f"{spoken(context.name)} drew {amps(peak)} at most from {local_clock(attempt.start_ms)} to "
        f"{local_clock(attempt.end_ms)} ({lasting(origin.amount('lasted'))}), {amps(start - peak)} below its "
        f"start_amps of {amps(start)}: it was not taken for running, no gate was told and the collector stayed as it "
        "was",
        lines_of(origin),
    )
    catch_the_cut(context, attempt, found)
    return found


def _too_short(context: Context, attempt: StartAttempt) -> Verdict:
    """It reached its threshold, and not for long enough."""
    origin = attempt.origin
    above, wanted = origin.amount("above_for"), origin.amount("start_after")
    found = Verdict(
        "too_short",
        f"{spoken(context.name)} drew {amps(origin.amount('peak'))} at {local_clock(attempt.start_ms)}, above its "
        f"start_amps of {amps(origin.amount('start_amps'))}, but for {lasting(above)} at the longest; its start_after "
        f"wants {lasting(wanted)}: it was not taken for running",
        lines_of(origin),
    )
    catch_the_cut(context, attempt, found)
    return found


def _not_confirmed(context: Context, attempt: StartAttempt) -> Verdict:
    """It reached its threshold after a silence, and what it said could have been held back since before."""
    origin = attempt.origin
    return Verdict(
        "not_confirmed",
        f"{spoken(context.name)} drew {amps(origin.amount('peak'))} at {local_clock(attempt.start_ms)}, at or above "
        f"its start_amps of {amps(origin.amount('start_amps'))}, for {lasting(origin.amount('above_for'))}; but its "
        "sensor or the broker had been silent before, so that this could have been held back since, and no second "
        "reading a second later, none below it a second before and no time of its own showed that it was new",
        lines_of(origin),
        next_step=f"Let the sensor speak once a second, or give [tool.{context.name}] current an at (when it was "
        "measured) or a poll; for a sensor that speaks only on change set silent_after = 0.",
    )


def _rejected(context: Context, attempt: StartAttempt) -> Verdict:
    """Its message could not be used."""
    origin = attempt.origin
    others = sum(1 for one in context.lines if one.text("tool") == context.name and one.is_(Happened.READING_REJECTED))
    more = f", {others} times within the time looked at" if others > 1 else ""
    if origin.text("rule") == Rule.RETAINED:
        return Verdict(
            "retained",
            f"the reading of {spoken(context.name)} at {local_clock(origin.ms)} ({amps(origin.amount('amps'))}) was "
            f"one that the broker had kept{more}: its age is unknown, so it is shown and starts nothing",
            lines_of(origin),
            next_step="Let the sensor publish its readings without the retain flag; a live reading counts at once.",
        )
    if origin.text("rule") == Rule.MAX_AGE:
        return Verdict(
            "too_old",
            f"the reading of {spoken(context.name)} at {local_clock(origin.ms)} was refused{more}: "
            f"{origin.text('why')}; what its device has held back starts nothing",
            lines_of(origin),
            next_step=f"Look at the device's network; max_age of [tool.{context.name}] current says how old one may "
            "be.",
        )
    return Verdict(
        "rejected",
        f"the reading of {spoken(context.name)} at {local_clock(origin.ms)} was rejected{more}: {origin.text('why')}"
        + (f", found {origin.text('shown')!r}" if origin.text("shown") else "")
        + "; what cannot be read changes nothing and starts nothing",
        lines_of(origin),
        next_step=f"Look at what the sensor publishes, and at [tool.{context.name}] current: topic, pointer, scale.",
    )


def _quiet(context: Context) -> Verdict:
    """No rise worth a finding: what the readings say."""
    name = spoken(context.name)
    tracks = readings_of(context.folder, context.name, context.at_ms - _LOOKED_MS, context.at_ms + _LOOKED_MS)
    peaks = [max(zip(track.ms, track.ma, strict=True), key=itemgetter(1)) for track in tracks]
    at = context.shop.tool_at(context.name)
    start = context.shop.tools[at].start_amps if at is not None else 0.0
    if not peaks:
        return Verdict(
            NOTHING,
            f"nothing is known of {name} around {local_clock(context.at_ms)}: no event in the log, and no reading "
            "recorded",
            next_step=f"Give another time with --at, or look at the log: gatehand log --tool {context.name}",
        )
    when, highest = max(peaks, key=itemgetter(1))
    peak, count = max(0, highest) / 1000, sum(map(len, tracks))
    return Verdict(
        "under_threshold" if peak < start else NOTHING,
        f"{name} drew {amps(peak)} at most around {local_clock(context.at_ms)} (at {local_clock(when)}, {count} "
        f"readings from two minutes before to two minutes after); its start_amps is {amps(start)}: as far as its "
        "sensor says, it did not run",
        next_step="If it did run, its sensor sits on the wrong wire or answers on another topic: gatehand exercise.",
    )


def started(context: Context, attempt: StartAttempt) -> Verdict:
    """It was taken for running: what became of it."""
    lines = aftermath(context, attempt)
    refusal = first(lines, Happened.START_REFUSED, tool=context.name)
    if refusal is not None:
        again = StartAttempt(refusal, attempt.start_ms, attempt.end_ms)
        return refused(context, again)
    fault = first(lines, Happened.GATE_FAULT)
    on = first((one for one in lines if not one.is_refresh), Happened.COLLECTOR_ON)
    unanswered = first(lines, Happened.COLLECTOR_UNANSWERED, told="on")
    if on is not None and unanswered is not None:
        return no_answer(context, attempt, on, unanswered)
    if on is not None:
        return _was_on(context, attempt, on, lines)
    if fault is not None:
        return gate_case(context, attempt, fault)
    missed = first(lines, Happened.START_MISSED)
    if missed is not None:
        return ended_too_soon(context, attempt, missed)
    return _neither(context, attempt, lines)


def no_answer(context: Context, attempt: StartAttempt, on: TimedLine, unanswered: TimedLine) -> Verdict:
    """The collector was commanded on and did not show it."""
    said = unanswered.line.get("reported_on")
    shown = "its switch says off" if said is False else "its switch says nothing"
    if said is True:
        shown = "its switch says on, and its motor draws no current"
    rejected = None if said is True else last_rejected(context, "collector", context.collector, unanswered.ms)
    if rejected is not None:
        shown = could_not_be_used(rejected)
    return Verdict(
        "no_answer",
        f"{drew(context, attempt)}, and the collector was told on at {local_clock(on.ms)}, but it did not answer: "
        f"{shown}. It was told again at {local_clock(unanswered.ms)}",
        lines_of(attempt.origin, on, unanswered, rejected),
        next_step=next_for_switch(context, rejected),
    )


def _was_on(context: Context, attempt: StartAttempt, on: TimedLine, lines: list[TimedLine]) -> Verdict:
    """It did start; how long it took."""
    took = (on.ms - attempt.start_ms) / 1000
    opened = first(lines, Happened.GATE_OPEN)
    late = opened.number("late_by") if opened else None
    gate = f", once gate {spoken(opened.text('gate'))} was open" if opened else ""
    slow = f" ({lasting(late)} after its travel of {lasting(opened.amount('travel'))})" if opened and late else ""
    return Verdict(
        "started",
        f"{drew(context, attempt)}; the collector was told on {lasting(took) or 'at once'} later{gate}{slow}",
        lines_of(attempt.origin, opened, on),
    )


def ended_too_soon(context: Context, attempt: StartAttempt, missed: TimedLine) -> Verdict:
    """The cut was over before its gate was open."""
    waited = missed.amount("waited")
    found = Verdict(
        "gate_late",
        f"{drew(context, attempt)} and had stopped at {local_clock(attempt.end_ms)}, before its gate was proven open "
        f"({lasting(waited)} of waiting): a fan is not started for work that is over",
        lines_of(attempt.origin, missed),
    )
    here, window = recorded(context, attempt)
    if here is not None:
        for name in context.gates()[:_MOST_GATES]:
            gate_trials(here, name, (context.name, context.collector), window, found)
    return found


def _neither(context: Context, attempt: StartAttempt, lines: list[TimedLine]) -> Verdict:
    """No "on" followed and no refusal: it ran already, it waits, or a command was held back."""
    veto = first(lines, Happened.COMMAND_VETOED)
    if veto is not None:
        return Verdict(
            "vetoed",
            f"{drew(context, attempt)}, but the interlock held the command back ({spoken(veto.text('rule'))})",
            lines_of(attempt.origin, veto),
            next_step="This should not happen: please report it with the log around this time.",
        )
    waits = first(lines, Happened.COLLECTOR_WAITED)
    if waits is not None:
        return Verdict(
            "start_gap",
            f"{drew(context, attempt)}; the collector waited {lasting(waits.amount('for_seconds'))} with its start, so "
            "that two inrushes on one circuit do not meet",
            lines_of(attempt.origin, waits),
        )
    switched = (Happened.COLLECTOR_ON, Happened.COLLECTOR_OFF, Happened.COLLECTOR_ADOPTED)
    last = first(context.upto(attempt.start_ms), *switched, collector=context.collector)
    if last is not None and not last.is_(Happened.COLLECTOR_OFF):
        return Verdict(
            "already_on",
            f"{drew(context, attempt)}; the collector was on already, since {local_clock(last.ms)} at the latest",
            lines_of(attempt.origin, last),
        )
    return Verdict(
        "waiting",
        f"{drew(context, attempt)}; neither a start of the collector nor a refusal followed while it ran (to "
        f"{local_clock(attempt.end_ms)}): its gates were still on their way",
        lines_of(attempt.origin),
    )
