"""What ended a cut's air before the tool stopped: the collector off, its motor standing, the tool's only gate shut."""

from dataclasses import dataclass
from typing import Final

from gatehand.journal.sentences import sentence, spoken, told
from gatehand.past.recordings import readings_of
from gatehand.times import local_clock
from gatehand.why import verdict_table as words
from gatehand.why.moment import Question, StartAttempt, TimedLine, first
from gatehand_rules.findings import Fact, Happened, Rule

ENDED: Final = (Happened.COLLECTOR_OFF, Happened.COLLECTOR_HELD)
_SWITCHED: Final = (Happened.COLLECTOR_ON, *ENDED, Happened.COLLECTOR_ADOPTED)
_POSITIONS: Final = (Happened.GATE_OPEN, Happened.GATE_SHUT, Happened.GATE_BETWEEN, Happened.GATE_FAULT)
_SOON_MS: Final = 5000
"""A gate that is open this much after the fan was found on has let the air through all along, but for its travel."""


@dataclass(frozen=True, slots=True)
class Loss:
    """The line that says it, what took the air and when, and when it was there again."""

    line: TimedLine
    by: str
    back: str | None
    next_step: str = ""


@dataclass(frozen=True, slots=True)
class Stood:
    """A motor that ran and stopped while it was told to run. `switch`: what its switch said meanwhile."""

    fell_ms: int
    back: str | None
    switch: str | None


def fan_on(context: Question, ms: int) -> TimedLine | None:
    """The line that tells since when the collector was on at a moment; None where it was off, for all that is known."""
    own = [one for one in context.in_this_run(ms) if one.is_(*_SWITCHED) and one.text("collector") == context.collector]
    last = next((one for one in own if not one.is_refresh), None) or next(iter(own), None)
    return None if last is None or last.is_(*ENDED) else last


def had_air(context: Question, attempt: StartAttempt) -> TimedLine | None:
    """The line by which the collector was on, or was found on, for a tool that started nothing; None: it had no air."""
    on = fan_on(context, attempt.start_ms)
    if on is None:
        of_fan = (one for one in _meanwhile(context, attempt, attempt.start_ms) if not one.is_refresh)
        next_one = first(of_fan, *_SWITCHED, collector=context.collector)
        on = next_one if next_one is not None and next_one.text("rule") == Rule.ADOPTION else None
        if on is None or on.is_(*ENDED):
            return None
    return on if _gates_open(context, min(max(on.ms, attempt.start_ms) + _SOON_MS, attempt.end_ms)) else None


def lost(context: Question, attempt: StartAttempt, since_ms: int) -> Loss | None:
    """What took the air first that a cut had had since a moment; None: nothing did before the tool stopped."""
    lines = _meanwhile(context, attempt, attempt.start_ms)  # a gate opens before its collector starts
    off = _switched_off(context, [one for one in lines if one.ms > since_ms])
    found = [one for one in (off, _gate_shut(context, lines, since_ms)) if one is not None]
    return min(found, key=lambda one: one.line.ms, default=None)


def motor_stood(context: Question, attempt: StartAttempt, on_ms: int, unanswered: TimedLine) -> Stood | None:
    """When the motor stopped that had run since the collector was switched on; None where it was not seen to run."""
    name, table = context.collector, context.config.collector.get(context.collector)
    at = context.shop.collector_at(name)
    if table is None or at is None:
        return None
    threshold, until_ms = context.shop.collectors[at].turns_at, unanswered.ms
    end_ms = max(until_ms, attempt.end_ms)
    tracks = readings_of(context.folder, name, table.measure, on_ms, end_ms, motor=True)
    every = [(ms, ma / 1000 >= threshold) for one in tracks for ms, ma in zip(one.ms, one.ma, strict=True)]
    ran = max((ms for ms, runs in every if runs and ms <= until_ms), default=None)
    fell = None if ran is None else next((ms for ms, runs in every if ms > ran and not runs), None)
    if fell is None or fell > until_ms:
        return None
    back = next((ms for ms, runs in every if ms > until_ms and runs), None)
    return Stood(
        fell, None if back is None else local_clock(back), "on" if unanswered.line.get("reported_on") else None
    )


def reason_given(why: str) -> str:
    """Why somebody asked for a hold; the rules' own word for no reason is no reason."""
    return why if why not in {"", "asked for"} else "no reason given"


def _meanwhile(context: Question, attempt: StartAttempt, since_ms: int) -> list[TimedLine]:
    """The lines after a moment and before the tool stopped, of the run of the daemon that saw it."""
    run = attempt.origin.text("run")
    return [one for one in context.between(since_ms + 1, attempt.end_ms - 1) if one.text("run") == run]


def _gates_open(context: Question, ms: int) -> bool:
    """Whether all its gates were known open at a moment."""
    last = [first(context.in_this_run(ms), *_POSITIONS, gate=gate) for gate in context.gates()]
    return bool(last) and all(one is not None and one.is_(Happened.GATE_OPEN) for one in last)


def _switched_off(context: Question, lines: list[TimedLine]) -> Loss | None:
    off = first(lines, *ENDED, collector=context.collector)
    if off is None:
        return None
    rule, why = off.text("rule"), off.text("why")
    facts: dict[str, Fact] = {
        "off": off.clock,
        "said": sentence(off.line),
        "why": spoken(why) if rule == Rule.STOP_CONTACT else reason_given(why),
    }
    on = first(
        (one for one in lines if one.ms > off.ms and not one.is_refresh), *_SWITCHED, collector=context.collector
    )
    again = on is not None and not on.is_(*ENDED) and _gates_open(context, on.ms + _SOON_MS)
    back = on.clock if on is not None and again else None
    step = words.RESET_HOLD if rule in words.LOST_BY else ""
    return Loss(off, told(words.LOST_BY.get(rule, words.LOST_OTHERWISE), facts), back, step)


def _gate_shut(context: Question, lines: list[TimedLine], since_ms: int) -> Loss | None:
    """Of a tool that has one gate alone: it had opened for the cut, and has shut."""
    if len(context.gates()) != 1:
        return None
    moves = [one for one in lines if one.is_(*_POSITIONS) and one.text("gate") in context.gates()]
    opened = next((at for at, one in enumerate(moves) if one.is_(Happened.GATE_OPEN)), len(moves))
    shut = first((one for one in moves[opened:] if one.ms > since_ms), Happened.GATE_SHUT)
    if shut is None:
        return None
    again = first((one for one in moves if one.ms > shut.ms), Happened.GATE_OPEN)
    by = told(words.LOST_OTHERWISE, {"off": shut.clock, "said": sentence(shut.line)})
    return Loss(shut, by, again.clock if again else None, words.LOOK_AT_GATE)
