"""The answer in text and as JSON values."""

import textwrap
from collections.abc import Iterator
from typing import Any

from gatehand.journal.sentences import sentence
from gatehand.replay.compare import clock, rfc3339
from gatehand.why.ask import Answer

_WIDTH = 96


def text(answer: Answer) -> Iterator[str]:
    """The verdict first, then what would have changed it, then the lines that it rests on."""
    scene, verdict = answer.scene, answer.verdict
    yield f"{scene.kind} {scene.name}, {clock(scene.at_ms)[:19]}"
    yield ""
    yield from _paragraph(_capital(verdict.sentence) + ".")
    for trial in verdict.trials:
        yield from _paragraph(f"{_capital(trial)}.", "  - ")
    if verdict.next_step:
        yield from _paragraph(verdict.next_step, "  > ")
    for note in answer.notes:
        yield from _paragraph(f"Mind: {note}.")
    if answer.at_the_end:
        yield from _paragraph(f"As the log ends, {answer.at_the_end}.")
    if answer.story:
        yield ""
        yield "from the log:"
    for one in answer.story:
        yield f"  {clock(one.ms)[11:]}  {sentence(one.line)}"


def as_json(answer: Answer) -> dict[str, Any]:
    """The same facts: times in RFC 3339, currents in ampere, durations in seconds."""
    scene, verdict = answer.scene, answer.verdict
    return {
        "subject": scene.name,
        "kind": scene.kind,
        "at": rfc3339(scene.at_ms),
        "verdict": verdict.sentence,
        "case": verdict.case,
        "findings": verdict.findings,
        "would_have_started": verdict.would_have_started,
        "extra_starts": verdict.extra_starts,
        "trials": verdict.trials,
        "next_step": verdict.next_step or None,
        "notes": answer.notes,
        "at_the_end": answer.at_the_end or None,
        "story": [{"ts": rfc3339(one.ms), "text": sentence(one.line)} for one in answer.story],
    }


def _paragraph(words: str, mark: str = "") -> Iterator[str]:
    yield from textwrap.wrap(words, _WIDTH, initial_indent=mark, subsequent_indent=" " * len(mark))


def _capital(words: str) -> str:
    """A sentence's beginning; a key of the config keeps its small letter."""
    first = words.split(" ", 1)[0]
    return words if "_" in first or "=" in words[:24] else words[:1].upper() + words[1:]
