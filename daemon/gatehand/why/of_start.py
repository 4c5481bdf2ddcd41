"""A start that was seen: what became of it, and if nothing did, why."""

from typing import Final

from gatehand.journal.sentences.fill import lasting, spoken
from gatehand.why.attempt import Attempt, aftermath
from gatehand.why.not_understood import could_not_be_used, last_rejected, next_for_switch
from gatehand.why.of_gate import gate_trials
from gatehand.why.of_refusal import REFUSED, drew, gate_case, recorded, refused_otherwise
from gatehand.why.scene import Scene, Stamped
from gatehand.why.verdict import Verdict, at_clock
from gatehand_rules.findings import Happened, Rule

_MOST_GATES: Final = 12


def started(scene: Scene, attempt: Attempt) -> Verdict:
    """It was taken for running: what became of it."""
    lines = aftermath(scene, attempt)
    refusal = next((one for one in lines if one.is_(Happened.START_REFUSED) and one.text("tool") == scene.name), None)
    if refusal is not None:
        again = Attempt(refusal, attempt.start_ms, attempt.end_ms)
        return REFUSED.get(refusal.text("rule"), refused_otherwise)(scene, again)
    fault = next((one for one in lines if one.is_(Happened.GATE_FAULT)), None)
    on = next((one for one in lines if one.is_(Happened.COLLECTOR_ON) and one.text("rule") != Rule.REFRESH), None)
    unanswered = next(
        (one for one in lines if one.is_(Happened.COLLECTOR_UNANSWERED) and one.text("told") == "on"), None
    )
    if on is not None and unanswered is not None:
        return no_answer(scene, attempt, on, unanswered)
    if on is not None:
        return _was_on(scene, attempt, on, lines)
    if fault is not None:
        return gate_case(scene, attempt, fault)
    missed = next((one for one in lines if one.is_(Happened.START_MISSED)), None)
    if missed is not None:
        return ended_too_soon(scene, attempt, missed)
    return _neither(scene, attempt, lines)


def no_answer(scene: Scene, attempt: Attempt, on: Stamped, unanswered: Stamped) -> Verdict:
    """The collector was told on and did not show it."""
    said = unanswered.line.get("reported_on")
    shown = "its switch says off" if said is False else "its switch says nothing"
    if said is True:
        shown = "its switch says on, and its motor draws no current"
    rejected = None if said is True else last_rejected(scene, "collector", scene.collector, unanswered.ms)
    if rejected is not None:
        shown = could_not_be_used(rejected)
    return Verdict(
        "no_answer",
        f"{drew(scene, attempt)}, and the collector was told on at {at_clock(on.ms)}, but it did not answer: "
        f"{shown}. It "
        f"was told again at {at_clock(unanswered.ms)}",
        [attempt.head.line, on.line, unanswered.line, *([rejected.line] if rejected else [])],
        next_step=next_for_switch(scene, rejected),
    )


def _was_on(scene: Scene, attempt: Attempt, on: Stamped, lines: list[Stamped]) -> Verdict:
    """It did start; how long it took."""
    took = (on.ms - attempt.start_ms) / 1000
    opened = next((one for one in lines if one.is_(Happened.GATE_OPEN)), None)
    late = opened.number("late_by") if opened else None
    gate = f", once gate {spoken(opened.text('gate'))} was open" if opened else ""
    slow = (
        f" ({lasting(late)} after its travel of {lasting(opened.number('travel') or 0.0)})" if opened and late else ""
    )
    return Verdict(
        "started",
        f"{drew(scene, attempt)}; the collector was told on {lasting(took) or 'at once'} later{gate}{slow}",
        [attempt.head.line, *([opened.line] if opened else []), on.line],
    )


def ended_too_soon(scene: Scene, attempt: Attempt, missed: Stamped) -> Verdict:
    """The cut was over before its gate was open."""
    waited = missed.number("waited") or 0.0
    found = Verdict(
        "gate_late",
        f"{drew(scene, attempt)} and had stopped at {at_clock(attempt.end_ms)}, before its gate was proven open "
        f"({lasting(waited)} of waiting): a fan is not started for work that is over",
        [attempt.head.line, missed.line],
    )
    here, window = recorded(scene, attempt)
    if here is not None:
        for name in scene.gates()[:_MOST_GATES]:
            gate_trials(here, name, (scene.name, scene.collector), window, found)
    return found


def _neither(scene: Scene, attempt: Attempt, lines: list[Stamped]) -> Verdict:
    """No "on" followed and no refusal: it ran already, it waits, or a command was held back."""
    veto = next((one for one in lines if one.is_(Happened.COMMAND_VETOED)), None)
    if veto is not None:
        return Verdict(
            "vetoed",
            f"{drew(scene, attempt)}, but the interlock held the command back ({spoken(veto.text('rule'))})",
            [attempt.head.line, veto.line],
            next_step="This should not happen: please report it with the log around this time.",
        )
    waits = next((one for one in lines if one.is_(Happened.COLLECTOR_WAITED)), None)
    if waits is not None:
        return Verdict(
            "start_gap",
            f"{drew(scene, attempt)}; the collector waited {lasting(waits.number('for_seconds') or 0.0)} with its "
            f"start, so "
            "that two inrushes on one circuit do not meet",
            [attempt.head.line, waits.line],
        )
    last = next(
        (
            one
            for one in scene.upto(attempt.start_ms)
            if one.text("collector") == scene.collector
            and one.is_(Happened.COLLECTOR_ON, Happened.COLLECTOR_OFF, Happened.COLLECTOR_ADOPTED)
        ),
        None,
    )
    if last is not None and not last.is_(Happened.COLLECTOR_OFF):
        return Verdict(
            "already_on",
            f"{drew(scene, attempt)}; the collector was on already, since {at_clock(last.ms)} at the latest",
            [attempt.head.line, last.line],
        )
    return Verdict(
        "waiting",
        f"{drew(scene, attempt)}; neither a start of the collector nor a refusal followed while it ran "
        f"(to {at_clock(attempt.end_ms)}): its gates were still on their way",
        [attempt.head.line],
    )
