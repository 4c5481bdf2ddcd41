"""A line of the event log as a sentence that a woodworker reads. Made from the line's facts and nothing else.

A new event or rule gets its sentence in the table of its kind (`tools`, `gates`, `collectors`, `daemon`), in the words
of `reasons`; what has none yet is shown with its rule and numbers.
"""

from collections.abc import Mapping

from gatehand.journal.line import FIXED, facts_of
from gatehand.journal.sentences import collectors, daemon, gates, tools
from gatehand.journal.sentences.fill import Subject, Table, fill, is_whole, shown
from gatehand.journal.sentences.reasons import REASONS
from gatehand_rules.findings import Fact, Finding

TABLE: Table = tools.TABLE | gates.TABLE | collectors.TABLE | daemon.TABLE


def sentence(line: Mapping[str, Fact]) -> str:
    """One sentence without its time and its full stop."""
    own = TABLE.get(str(line.get("event")), {})
    rule = line.get("rule")
    reason = _reason(line)
    choice = own.get(rule, ()) if isinstance(rule, str) else ()
    choice += own.get(None, ())
    for template in choice:
        if is_whole(template, line, reason):
            return fill(template, line, reason)
    return fill(choice[-1], line, reason) if choice else _plain(line)


def sentence_of(finding: Finding) -> str:
    """The same for a finding that is no line yet."""
    return sentence(facts_of(finding))


def _reason(line: Mapping[str, Fact]) -> str | None:
    rule = line.get("rule")
    words = REASONS.get(rule) if isinstance(rule, str) else None
    return None if words is None else fill(words, line, None)


def _plain(line: Mapping[str, Fact]) -> str:
    """What a line says that no table knows: its own text, else its event, rule and numbers."""
    subject = Subject(line).whatever()
    if isinstance(line.get("text"), str):
        return f"{subject}: {line['text']}" if subject else str(line["text"])
    event = str(line.get("event", "an event without a name")).replace("_", " ")
    reason = _reason(line) or line.get("rule")
    numbers = ", ".join(f"{key} {shown(key, value)}" for key, value in line.items() if key not in FIXED)
    return "".join(
        (
            f"{subject}: {event}" if subject else event,
            f", {reason}" if reason else "",
            f" ({numbers})" if numbers else "",
        )
    )
