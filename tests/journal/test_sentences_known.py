"""A sentence is known again by its event: a screen shows the reason of what was wanted in vain, and of nothing else."""

import itertools

import pytest

from gatehand.journal.sentence_table import TABLE
from gatehand.journal.sentences import sentence, tells_of
from gatehand_rules import Happened
from gatehand_rules.findings import Fact

_FACTS: dict[str, Fact] = {
    "tool": "band_saw",
    "gate": "planing",
    "collector": "main",
    "amps": 6.2,
    "start_amps": 2.5,
    "gates": "planing",
}


def sentences(event: str) -> list[str]:
    """Of each of its rules one with many facts, and one with few."""
    by_rule = TABLE[event]
    rules = by_rule if isinstance(by_rule, dict) else {None: by_rule}
    lines: list[dict[str, Fact]] = [{"event": event, **({} if rule is None else {"rule": str(rule)})} for rule in rules]
    return [sentence({**line, **facts}) for line, facts in itertools.product(lines, (dict[str, Fact](), _FACTS))]


@pytest.mark.parametrize("event", sorted(TABLE))
def test_each_sentence_is_known_as_one_of_its_event(event: str) -> None:
    for text in sentences(event):
        assert tells_of(text, event), text


@pytest.mark.parametrize("wanted", [Happened.START_REFUSED, Happened.START_MISSED])
def test_no_other_events_sentence_is_taken_for_a_start_in_vain(wanted: Happened) -> None:
    for event in sorted(set(TABLE) - {wanted}):
        for text in sentences(event):
            assert not tells_of(text, wanted), text


def test_a_text_of_somebody_else_is_of_no_event() -> None:
    for text in ("", "x" * 2000, "nothing has happened since the daemon's start"):
        assert not tells_of(text, Happened.START_REFUSED)
    assert not tells_of("start refused", "no such event")
