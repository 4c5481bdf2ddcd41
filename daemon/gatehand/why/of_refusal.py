"""A start that was seen and refused: by which rule, and what would have had to be otherwise."""

from collections.abc import Callable, Mapping
from typing import Final, TypeAlias

from gatehand.journal.sentences.fill import lasting, spoken
from gatehand.why.around import Around, around, with_collector
from gatehand.why.attempt import Attempt, aftermath, served_until
from gatehand.why.of_gate import gate_trials, not_understood, retries
from gatehand.why.scene import Scene, Stamped
from gatehand.why.verdict import Verdict, amps, at_clock
from gatehand_rules.findings import Happened, Rule

Case: TypeAlias = Callable[[Scene, Attempt], Verdict]


def recorded(scene: Scene, attempt: Attempt) -> tuple[Around | None, tuple[int, int]]:
    """What was recorded around a cut, and the window in which the collector would have had to start."""
    window = (attempt.start_ms, served_until(scene, attempt))
    return around(scene.folder, window[0], window[1]), window


def drew(scene: Scene, attempt: Attempt) -> str:
    """The opening of such a sentence."""
    current = attempt.head.number("amps")
    how_much = f" and drew {amps(current)}" if current is not None else ""
    return f"{spoken(scene.name)} started at {at_clock(attempt.start_ms)}{how_much}"


def held(scene: Scene, attempt: Attempt) -> Verdict:
    """A stop contact or somebody keeps the collector off."""
    hold = next(
        (
            one
            for one in scene.in_this_run(attempt.start_ms)
            if one.is_(Happened.COLLECTOR_HELD) and one.text("collector") == scene.collector
        ),
        None,
    )
    reset = next((one for one in scene.lines if one.ms > attempt.start_ms and one.is_(Happened.HOLD_RESET)), None)
    by_contact = hold is not None and hold.text("rule") == Rule.STOP_CONTACT
    why = hold.text("why") if hold else ""
    what = f"by the stop contact {spoken(why)}" if by_contact else f"({why})" if why else ""
    since = f" since {at_clock(hold.ms)}" if hold else ""
    ended = f"; it was reset at {at_clock(reset.ms)}" if reset else "; it was not reset in the time looked at"
    return Verdict(
        "stop_contact" if by_contact else "held",
        f"{drew(scene, attempt)}, but the collector was held off {what}{since}{ended}. While it is held nothing "
        f"starts it, "
        "and a start from that time is stale: only a fresh one counts",
        [attempt.head.line, *([hold.line] if hold else []), *([reset.line] if reset else [])],
        next_step="When the cause is gone, reset the hold; then switch the tool off and on again.",
    )


def bin_full(scene: Scene, attempt: Attempt) -> Verdict:
    """Its bin is full and `on_bin_full` says to refuse."""
    full = next((one for one in scene.in_this_run(attempt.start_ms) if one.is_(Happened.BIN_FULL)), None)
    since = f" since {at_clock(full.ms)}" if full else ""
    found = Verdict(
        "bin_full",
        f'{drew(scene, attempt)}, but the bin has been full{since}, and on_bin_full = "refuse" starts nothing then',
        [attempt.head.line, *([full.line] if full else [])],
        next_step="Isolate the collector and empty the bin; then switch the tool off and on again.",
    )
    here, window = recorded(scene, attempt)
    if here is not None and here.starts(
        with_collector(here.shop, scene.collector, on_bin_full="warn"), scene.collector, window
    ):
        found.would_have_started["on_bin_full"] = "warn"
        found.trials.append('on_bin_full = "warn" would have started it, into a full bin')
    return found


def not_fresh(scene: Scene, attempt: Attempt) -> Verdict:
    """It drew already: at the daemon's start, at a reset, or when the collector was switched off by hand."""
    rule, name = attempt.head.text("rule"), spoken(scene.name)
    when = {
        Rule.FIRST_SEEN_DRAWING: "when it was first seen after Gatehand's start",
        Rule.NOT_FRESH: "when the hold was reset",
        Rule.OFF_ASKED: "when somebody asked for the collector to be off",
        Rule.SWITCHED_BY_HAND: "when the collector was switched off at its own switch",
    }.get(Rule(rule), "before")
    return Verdict(
        "not_fresh",
        f"{name} drew {amps(attempt.head.number('amps') or 0.0)} already {when}, at {at_clock(attempt.head.ms)}: "
        f"only a "
        "tool that is seen to go from idle to running starts the collector, so that nothing comes on by itself",
        [attempt.head.line],
        next_step=f"Switch the {name} off and on again. No setting changes this.",
    )


def max_open(scene: Scene, attempt: Attempt) -> Verdict:
    """As many gates as may were in use."""
    head = attempt.head
    limit, taken = head.number("max_open") or 0, head.text("taken")
    found = Verdict(
        "max_open",
        f"{spoken(scene.name)} started at {at_clock(attempt.start_ms)}, but no more gates than max_open = {limit:g} "
        f"may stand open at once, and {spoken(taken)} had the air: a tool that cuts is not robbed of it for another",
        [head.line],
        next_step="Stop the other tool, or see with gatehand airflow whether the ducts bear one gate more.",
    )
    here, window = recorded(scene, attempt)
    if here is not None:
        at = here.shop.tool_at(scene.name)
        gates = len(here.shop.tools[at].gates) if at is not None else 1
        for most in range(int(limit) + 1, int(limit) + gates + 2):
            served = _served(here, scene, most, window)
            if served:
                found.would_have_started["max_open"] = most
                found.trials.append(f"max_open = {most} would have served it")
                break
    return found


def _served(here: Around, scene: Scene, most: int, window: tuple[int, int]) -> bool:
    """With so many gates allowed, no refusal is left (the collector may be on already for the other tool)."""
    return not here.refused(with_collector(here.shop, scene.collector, max_open=most), scene.name, window)


def no_gate(scene: Scene, attempt: Attempt) -> Verdict:
    """None of its gates came to be known open."""
    lines = aftermath(scene, attempt)
    fault = next((one for one in lines if one.is_(Happened.GATE_FAULT)), None)
    return gate_case(scene, attempt, fault)


def gate_case(scene: Scene, attempt: Attempt, fault: Stamped | None) -> Verdict:
    """A gate in fault: jammed, or later than it was given time for."""
    gates = attempt.head.text("gates") or ", ".join(scene.gates())
    earlier = fault or next(
        (
            one
            for one in scene.upto(attempt.end_ms)
            if one.is_(Happened.GATE_FAULT) and one.text("gate") in scene.gates()
        ),
        None,
    )
    here, window = recorded(scene, attempt)
    if earlier is None:
        return Verdict(
            "gate_jammed",
            f"{drew(scene, attempt)}, but none of its gates ({spoken(gates)}) is proven open, and the "
            "collector does not start against shut gates",
            [attempt.head.line],
            next_step="Look at the gate, its power and its end switches: gatehand exercise.",
        )
    travel, waited = earlier.number("travel") or 0.0, earlier.number("waited") or 0.0
    on = _on_after(scene, attempt, earlier.ms)
    then = (
        f". Only at {at_clock(on.ms)}, {lasting((on.ms - attempt.start_ms) / 1000)} after the start, was the "
        f"collector told on"
        if on is not None
        else ", and the collector does not start against shut gates"
    )
    found = Verdict(
        "gate_late" if on is not None else "gate_jammed",
        f"{drew(scene, attempt)}; gate {spoken(earlier.text('gate'))} was told to open and had not reported open "
        f"{lasting(waited)} later (travel {lasting(travel)}, {retries(earlier)}), so it counted as in "
        f"fault{then}",
        [attempt.head.line, earlier.line, *([on.line] if on is not None else [])],
        next_step="Look at the gate, its power and its end switches: gatehand exercise.",
    )
    if not not_understood(scene, earlier, found) and here is not None:
        gate_trials(here, earlier.text("gate"), (scene.name, scene.collector), window, found)
    return found


def _on_after(scene: Scene, attempt: Attempt, ms: int) -> Stamped | None:
    """The start of the collector that followed after all, for this cut or its run-on."""
    return next(
        (
            one
            for one in scene.between(ms, served_until(scene, attempt))
            if one.is_(Happened.COLLECTOR_ON)
            and one.text("collector") == scene.collector
            and one.text("rule") != Rule.REFRESH
        ),
        None,
    )


def gate_by_hand(scene: Scene, attempt: Attempt) -> Verdict:
    """A gate that a hand moves was shut."""
    gates = spoken(attempt.head.text("gates"))
    return Verdict(
        "gate_by_hand_is_shut",
        f"{drew(scene, attempt)}, but its gate {gates} is moved by hand and was shut, and "
        "the collector does not start against shut gates",
        [attempt.head.line],
        next_step=f"Open the gate {gates} by hand; the collector then starts, as long as the tool still runs.",
    )


def gate_not_heard(scene: Scene, attempt: Attempt) -> Verdict:
    """Only an old word says that the gate is open, and nobody but a hand can move it."""
    gates = spoken(attempt.head.text("gates"))
    return Verdict(
        "gate_not_heard_live",
        f"{drew(scene, attempt)}, but its gate {gates} is moved by hand and has said nothing since Gatehand's start: "
        "that it is open is an old message, and the collector does not start on one",
        [attempt.head.line],
        next_step=f"Shut the gate {gates} and open it once by hand; the collector then starts.",
    )


def min_open(scene: Scene, attempt: Attempt) -> Verdict:
    """Too few gates for the fan."""
    head = attempt.head
    return Verdict(
        "min_open",
        f"{drew(scene, attempt)}; {head.number('proven_open') or 0:g} gates were proven open and min_open = "
        f"{head.number('min_open') or 0:g} are wanted before the fan may turn",
        [head.line],
        next_step="Look at why the others did not open: gatehand why GATE.",
    )


def refused_otherwise(scene: Scene, attempt: Attempt) -> Verdict:
    """A rule without words of its own here."""
    rule = attempt.head.text("rule")
    return Verdict(
        rule or "refused", f"{drew(scene, attempt)}, and was refused by the rule {rule}", [attempt.head.line]
    )


REFUSED: Final[Mapping[str, Case]] = {
    Rule.HOLD: held,
    Rule.STOP_CONTACT: held,
    Rule.BIN_FULL: bin_full,
    Rule.FIRST_SEEN_DRAWING: not_fresh,
    Rule.NOT_FRESH: not_fresh,
    Rule.OFF_ASKED: not_fresh,
    Rule.SWITCHED_BY_HAND: not_fresh,
    Rule.MAX_OPEN: max_open,
    Rule.NO_GATE_PROVEN: no_gate,
    Rule.GATE_BY_HAND_IS_SHUT: gate_by_hand,
    Rule.NOT_HEARD_LIVE: gate_not_heard,
    Rule.MIN_OPEN: min_open,
}
