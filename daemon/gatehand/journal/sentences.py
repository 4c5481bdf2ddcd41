"""A line of the event log as a sentence that a woodworker reads. Made from the line's facts and nothing else.

A new event or rule gets its sentence in `sentence_table`; what has none yet is shown with its rule and numbers.
"""

import re
from collections.abc import Mapping

from gatehand.journal.line import FIXED, facts_of
from gatehand.journal.sentence_table import REASONS, TABLE, Templates
from gatehand.times import lasting
from gatehand_rules.findings import Alarm, Fact, Finding

_AMPS = frozenset({"amps", "start_amps", "stop_amps", "peak", "last_amps", "running_amps"})
_SECONDS = frozenset(
    {
        *("start_after", "stop_after", "run_on", "silent_after", "run_limit", "ran_for", "lasted", "above_for"),
        *("silent_for", "coast_down", "travel", "took", "late_by", "waited", "hand_limit", "grace", "for_seconds"),
        *("heard_before", "stalled", "by_seconds", "quiet_for", "since_last", "quiet", "held_for", "shortest"),
        *("longest", "unheard_for", "stood_for"),
    }
)
_NAMES = frozenset({"stop", "gates", "taken", "instead_of", "active"})
_OPTIONAL = re.compile(r"\[([^\[\]]*)\]")
_FIELD = re.compile(r"\{(\w+)(!?)\}")


def sentence(line: Mapping[str, Fact]) -> str:
    """One sentence without its time and its full stop."""
    by_rule = TABLE.get(str(line.get("event")), ())
    if not isinstance(by_rule, dict):
        by_rule = {None: by_rule}
    choice = (*_several(by_rule.get(str(line.get("rule")), ())), *_several(by_rule.get(None, ())))
    whole = (template for template in choice if _complete(_OPTIONAL.sub("", template), line))
    template = next(whole, choice[-1] if choice else None)
    return _plain(line) if template is None else fill(template, line)


def sentence_of(finding: Finding) -> str:
    """The same for a finding that is no line yet."""
    return sentence(facts_of(finding))


def _several(templates: Templates) -> tuple[str, ...]:
    return (templates,) if isinstance(templates, str) else templates


def _reason(line: Mapping[str, Fact]) -> str | None:
    words = REASONS.get(str(line.get("rule")))
    return None if words is None else fill(words, line)


def _plain(line: Mapping[str, Fact]) -> str:
    """What a line says that no table knows: its own text, else its event, rule and numbers."""
    subject = f"{named}: " if (named := _subject(line)) else ""
    if isinstance(line.get("text"), str):
        return f"{subject}{line['text']}"
    event = str(line.get("event", "an event without a name")).replace("_", " ")
    reason = _reason(line) or line.get("rule")
    numbers = ", ".join(f"{key} {shown(key, value)}" for key, value in line.items() if key not in FIXED)
    return f"{subject}{event}" + (f", {reason}" if reason else "") + (f" ({numbers})" if numbers else "")


def _named(line: Mapping[str, Fact], kind: str) -> str | None:
    """The tool by its name, gate and collector with their kind before it; the only one's kind alone for `main`."""
    name = line.get(kind)
    if not isinstance(name, str):
        return None
    if kind == "tool":
        return spoken(name)
    return kind if name == "main" else f"{kind} {spoken(name)}"


def _subject(line: Mapping[str, Fact]) -> str | None:
    """The first of tool, gate, collector that the line has, as people name it."""
    return _named(line, "tool") or _named(line, "gate") or _named(line, "collector")


def fill(template: str, line: Mapping[str, Fact]) -> str:
    """The sentence. A fact missing outside brackets is shown as a question mark."""
    kept = _OPTIONAL.sub(lambda part: part[1] if _complete(part[1], line) else "", template)
    return _FIELD.sub(lambda found: _word(found[1], line) or "?", kept)


def spoken(name: str) -> str:
    """`band_saw` is said band saw."""
    return name.replace("_", " ")


def spoken_alarm(alarm: str, line: Mapping[str, Fact] | None = None) -> str:
    """`gate.band_saw.fault` is said gate band saw fault; fault alone where `line` names the gate already."""
    found = Alarm.of(alarm)
    if found is None:
        return spoken(alarm)
    named = found.kind == "daemon" or (line is not None and line.get(found.kind) == found.name)
    return spoken(found.what if named else f"{found.kind} {found.name} {found.what}".removesuffix(" active"))


def shown(key: str, value: Fact) -> str:
    """A fact with its unit, as its name tells it."""
    if value is None:
        return "unknown"
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        if key in _AMPS:
            return f"{value:.4g} A"
        if key == "retries":
            return "1 retry" if value == 1 else f"{value:g} retries"
        return lasting(value) if key in _SECONDS else f"{value:g}"
    return spoken(value) if key in _NAMES else value


def _complete(part: str, line: Mapping[str, Fact]) -> bool:
    """Whether the line has every fact that the part wants."""
    return all(
        _word(key, line) is not None and (not strict or bool(line.get(key))) for key, strict in _FIELD.findall(part)
    )


def _word(key: str, line: Mapping[str, Fact]) -> str | None:
    found = line.get(key)
    match key:
        case "tool" | "gate" | "collector":
            return _named(line, key)
        case "subject":
            return _subject(line)
        case "reason":
            return _reason(line)
        case "alarm":  # as it is said, without the name of the line's own subject
            return spoken_alarm(found, line) if isinstance(found, str) else None
        case _:
            return None if found is None else shown(key, found)
