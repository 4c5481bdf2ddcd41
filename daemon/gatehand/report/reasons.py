"""The rules' reasons for a start that did not happen, in a few words, for tables. Sentences are the journal's."""

from typing import Final

from gatehand_rules.findings import Rule

_WORDS: Final[dict[str, str]] = {
    Rule.BELOW_START_THRESHOLD: "drew less than start_amps",
    Rule.SHORTER_THAN_START_AFTER: "drew for less than start_after",
    Rule.NOT_CONFIRMED: "not confirmed after a silence",
    Rule.CUT_ENDED_BEFORE_GATE: "the cut was over before a gate was open",
    Rule.FIRST_SEEN_DRAWING: "drew already when first seen",
    Rule.NOT_FRESH: "drew already at the reset",
    Rule.HOLD: "the collector was held",
    Rule.BIN_FULL: "the bin was full",
    Rule.MAX_OPEN: "max_open gates were in use",
    Rule.MIN_OPEN: "too few gates were open",
    Rule.NO_GATE_PROVEN: "its gate did not open",
    Rule.GATE_BY_HAND_IS_SHUT: "its gate, moved by hand, was shut",
    Rule.NOT_HEARD_LIVE: "its gate, moved by hand, had said nothing yet",
    Rule.SWITCHED_BY_HAND: "the collector was switched off at its own switch",
    Rule.STOP_CONTACT: "a stop contact was active",
}


def reason(rule: str) -> str:
    """A rule's reason; its id, readable, for one that has no words here."""
    return _WORDS.get(rule, rule.replace("_", " "))
