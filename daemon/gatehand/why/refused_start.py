"""A start that was seen and refused: by which rule, and what would have had to be otherwise."""

from collections.abc import Callable, Mapping
from typing import Final

from gatehand.journal.sentences import spoken
from gatehand.times import lasting, local_clock
from gatehand.why.moment import (
    Context,
    StartAttempt,
    TimedLine,
    Verdict,
    aftermath,
    amps,
    first,
    lines_of,
    retries,
    served_until,
)
from gatehand.why.state_at_moment import gate_not_understood
from gatehand.why.try_settings import Around, around, gate_trials, with_collector
from gatehand_rules.findings import Happened, Rule


def recorded(context: Context, attempt: StartAttempt) -> tuple[Around | None, tuple[int, int]]:
    """What was recorded around a cut, and the window in which the collector would have had to start."""
    window = (attempt.start_ms, served_until(context, attempt))
    return around(context.folder, window[0], window[1]), window


def drew(context: Context, attempt: StartAttempt) -> str:
    """The opening of such a sentence."""
    current = attempt.origin.number("amps")
    how_much = f" and drew {amps(current)}" if current is not None else ""
    return f"{spoken(context.name)} started at {local_clock(attempt.start_ms)}{how_much}"


def held(context: Context, attempt: StartAttempt) -> Verdict:
    """A stop contact or somebody keeps the collector off."""
    hold = first(context.in_this_run(attempt.start_ms), Happened.COLLECTOR_HELD, collector=context.collector)
    reset = first(context.following(attempt.start_ms), Happened.HOLD_RESET)
    by_contact = hold is not None and hold.text("rule") == Rule.STOP_CONTACT
    why = hold.text("why") if hold else ""
    what = f"by the stop contact {spoken(why)}" if by_contact else f"({why})" if why else ""
    since = f" since {local_clock(hold.ms)}" if hold else ""
    ended = f"; it was reset at {local_clock(reset.ms)}" if reset else "; it was not reset in the time looked at"
    return Verdict(
        "stop_contact" if by_contact else "held",
        f"{drew(context, attempt)}, but the collector was held off {what}{since}{ended}. While it is held nothing "
        "starts it, and a start from that time is stale: only a fresh one counts",
        lines_of(attempt.origin, hold, reset),
        next_step="When the cause is gone, reset the hold; then switch the tool off and on again.",
    )


def bin_full(context: Context, attempt: StartAttempt) -> Verdict:
    """Its bin is full and `on_bin_full` says to refuse."""
    full = first(context.in_this_run(attempt.start_ms), Happened.BIN_FULL)
    since = f" since {local_clock(full.ms)}" if full else ""
    found = Verdict(
        "bin_full",
        f'{drew(context, attempt)}, but the bin has been full{since}, and on_bin_full = "refuse" starts nothing then',
        lines_of(attempt.origin, full),
        next_step="Isolate the collector and empty the bin; then switch the tool off and on again.",
    )
    here, window = recorded(context, attempt)
    if here is not None and here.starts(
        with_collector(here.shop, context.collector, on_bin_full="warn"), context.collector, window
    ):
        found.would_have_started["on_bin_full"] = "warn"
        found.trials.append('on_bin_full = "warn" would have started it, into a full bin')
    return found


def not_fresh(context: Context, attempt: StartAttempt) -> Verdict:
    """It drew already: at the daemon's start, at a reset, or when the collector was switched off by hand."""
    rule, name = attempt.origin.text("rule"), spoken(context.name)
    when = {
        Rule.FIRST_SEEN_DRAWING: "when it was first seen after Gatehand's start",
        Rule.NOT_FRESH: "when the hold was reset",
        Rule.OFF_ASKED: "when somebody asked for the collector to be off",
        Rule.SWITCHED_BY_HAND: "when the collector was switched off at its own switch",
    }.get(Rule(rule), "before")
    return Verdict(
        "not_fresh",
        f"{name} drew {amps(attempt.origin.amount('amps'))} already {when}, at {local_clock(attempt.origin.ms)}: only "
        "a tool that is seen to go from idle to running starts the collector, so that nothing comes on by itself",
        lines_of(attempt.origin),
        next_step=f"Switch the {name} off and on again. No setting changes this.",
    )


def max_open(context: Context, attempt: StartAttempt) -> Verdict:
    """As many gates as may were in use."""
    origin = attempt.origin
    limit, taken = origin.amount("max_open"), origin.text("taken")
    found = Verdict(
        "max_open",
        f"{spoken(context.name)} started at {local_clock(attempt.start_ms)}, but no more gates than max_open = "
        f"{limit:g} may stand open at once, and {spoken(taken)} had the air: a tool that cuts is not robbed of it for "
        "another",
        lines_of(origin),
        next_step="Stop the other tool, or see with gatehand airflow whether the ducts bear one gate more.",
    )
    here, window = recorded(context, attempt)
    if here is not None:
        at = here.shop.tool_at(context.name)
        gates = len(here.shop.tools[at].gates) if at is not None else 1
        for most in range(int(limit) + 1, int(limit) + gates + 2):
            served = _served(here, context, most, window)
            if served:
                found.would_have_started["max_open"] = most
                found.trials.append(f"max_open = {most} would have served it")
                break
    return found


def _served(here: Around, context: Context, most: int, window: tuple[int, int]) -> bool:
    """With so many gates allowed, no refusal is left (the collector may be on already for the other tool)."""
    return not here.refused(with_collector(here.shop, context.collector, max_open=most), context.name, window)


def no_gate(context: Context, attempt: StartAttempt) -> Verdict:
    """None of its gates came to be known open."""
    lines = aftermath(context, attempt)
    fault = first(lines, Happened.GATE_FAULT)
    return gate_case(context, attempt, fault)


def gate_case(context: Context, attempt: StartAttempt, fault: TimedLine | None) -> Verdict:
    """A gate in fault: jammed, or later than it was given time for."""
    gates = attempt.origin.text("gates") or ", ".join(context.gates())
    own = (one for one in context.upto(attempt.end_ms) if one.text("gate") in context.gates())
    earlier = fault or first(own, Happened.GATE_FAULT)
    here, window = recorded(context, attempt)
    if earlier is None:
        return Verdict(
            "gate_jammed",
            f"{drew(context, attempt)}, but none of its gates ({spoken(gates)}) is proven open, and the collector does "
            "not start against shut gates",
            lines_of(attempt.origin),
            next_step="Look at the gate, its power and its end switches: gatehand exercise.",
        )
    travel, waited = earlier.amount("travel"), earlier.amount("waited")
    on = _on_after(context, attempt, earlier.ms)
    then = (
        f". Only at {local_clock(on.ms)}, {lasting((on.ms - attempt.start_ms) / 1000)} after the start, was the "
        "collector told on"
        if on is not None
        else ", and the collector does not start against shut gates"
    )
    found = Verdict(
        "gate_late" if on is not None else "gate_jammed",
        f"{drew(context, attempt)}; gate {spoken(earlier.text('gate'))} was told to open and had not reported open "
        f"{lasting(waited)} later (travel {lasting(travel)}, {retries(earlier)}), so it counted as in fault{then}",
        lines_of(attempt.origin, earlier, on),
        next_step="Look at the gate, its power and its end switches: gatehand exercise.",
    )
    if not gate_not_understood(context, earlier, found) and here is not None:
        gate_trials(here, earlier.text("gate"), (context.name, context.collector), window, found)
    return found


def _on_after(context: Context, attempt: StartAttempt, ms: int) -> TimedLine | None:
    """The start of the collector that followed after all, for this cut or its run-on."""
    lines = (one for one in context.between(ms, served_until(context, attempt)) if not one.is_refresh)
    return first(lines, Happened.COLLECTOR_ON, collector=context.collector)


_CASES: Final[Mapping[str, Callable[[Context, StartAttempt], Verdict]]] = {
    Rule.HOLD: held,
    Rule.STOP_CONTACT: held,
    Rule.BIN_FULL: bin_full,
    Rule.FIRST_SEEN_DRAWING: not_fresh,
    Rule.NOT_FRESH: not_fresh,
    Rule.OFF_ASKED: not_fresh,
    Rule.SWITCHED_BY_HAND: not_fresh,
    Rule.MAX_OPEN: max_open,
    Rule.NO_GATE_PROVEN: no_gate,
}
_WORDED: Final[Mapping[str, tuple[str, str, str]]] = {
    Rule.GATE_BY_HAND_IS_SHUT: (
        "gate_by_hand_is_shut",
        ", but its gate {gates} is moved by hand and was shut, and the collector does not start against shut gates",
        "Open the gate {gates} by hand; the collector then starts, as long as the tool still runs.",
    ),
    Rule.NOT_HEARD_LIVE: (
        "gate_not_heard_live",
        (
            ", but its gate {gates} is moved by hand and has said nothing since Gatehand's start: that it is open is "
            "an old message, and the collector does not start on one"
        ),
        "Shut the gate {gates} and open it once by hand; the collector then starts.",
    ),
    Rule.MIN_OPEN: (
        "min_open",
        "; {proven_open:g} gates were proven open and min_open = {min_open:g} are wanted before the fan may turn",
        "Look at why the others did not open: gatehand why GATE.",
    ),
}
"""By rule, where the line itself says it all: the case, how its sentence goes on after what was drawn, what to do."""


def refused(context: Context, attempt: StartAttempt) -> Verdict:
    """The case of a refused start."""
    origin = attempt.origin
    rule = origin.text("rule")
    if rule in _CASES:
        return _CASES[rule](context, attempt)
    case, words, step = _WORDED.get(rule, (rule or "refused", ", and was refused by the rule {rule}", ""))
    facts = {key: origin.amount(key) for key in ("proven_open", "min_open")}
    texts = {"gates": spoken(origin.text("gates")), "rule": rule}
    said = drew(context, attempt) + words.format(**facts, **texts)
    return Verdict(case, said, lines_of(origin), next_step=step.format(**facts, **texts))
