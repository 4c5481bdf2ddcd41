"""An answer as text and as JSON: the same facts."""

from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from gatehand.journal.sentences import sentence
from gatehand.text import as_sentence
from gatehand.times import local_text, ms_stamp
from gatehand.why.ask import Explanation
from gatehand.why.moment import TimedLine

if TYPE_CHECKING:
    from gatehand.journal.line import LogLine


def text(answer: Explanation, *, everything: bool = False, hint: bool = True) -> Iterator[str]:
    """The verdict first, then what would have changed it, then the lines that it needs; each line in one piece.

    Args:
        answer: what is told.
        everything: all lines around it.
        hint: how to see them, for whoever types the command.
    """
    context, verdict = answer.context, answer.verdict
    yield f"{context.kind} {context.name}, {local_text(answer.about_ms)[:19]}"
    yield ""
    said = as_sentence(verdict.sentence)
    yield answer.lead + (verdict.sentence + "." if answer.lead else said)
    for trial in verdict.trials:
        yield f"  - {as_sentence(trial)}"
    if verdict.next_step:
        yield f"  > {verdict.next_step}"
    if verdict.nearest:
        yield f"The nearest trouble: {verdict.nearest}."
    for note in answer.notes:
        yield f"Mind: {note}."
    if answer.at_the_end:
        yield f"As the log ends, {answer.at_the_end}."
    lines = answer.story if everything else answer.shown
    if lines:
        yield ""
        yield (
            "from the log:" if everything or not answer.causes.unproven else f"from the log, {answer.causes.unproven}:"
        )
    for one in lines:
        yield f"  {local_text(one.ms)[11:]}  {sentence(one.line)}"
    if hint and not everything and len(answer.story) > len(lines):
        yield ""
        yield "All lines around it: --all"


def as_json(answer: Explanation, *, everything: bool = False) -> dict[str, Any]:
    """The same facts: times in RFC 3339, thresholds in the unit of their key, durations in seconds."""
    context, verdict = answer.context, answer.verdict
    own: list[LogLine] = [] if verdict.own is None else [verdict.own.line]
    return {
        "subject": context.name,
        "kind": context.kind,
        "at": ms_stamp(answer.about_ms),
        "lead": answer.lead or None,
        "verdict": verdict.sentence,
        "case": verdict.case,
        "findings": [*own, *(one.line for one in answer.causes.lines)],
        "causes": _told(answer.causes.lines),
        "not_proven": answer.causes.unproven or None,
        "would_have_started": verdict.would_have_started,
        "extra_starts": verdict.extra_starts,
        "trials": verdict.trials,
        "next_step": verdict.next_step or None,
        "nearest": verdict.nearest or None,
        "notes": answer.notes,
        "at_the_end": answer.at_the_end or None,
        "story": _told(answer.story if everything else answer.shown),
    }


def _told(lines: list[TimedLine]) -> list[dict[str, str | None]]:
    return [{"ts": ms_stamp(one.ms), "text": sentence(one.line)} for one in lines]
