"""A line of the event log as a sentence that a woodworker reads. Made from the line's facts and nothing else.

A new event or rule gets its sentence in `sentence_table`; what has none yet is shown with its rule and numbers.
"""

import re
from collections.abc import Mapping

from gatehand.journal.line import FIXED, facts_of
from gatehand.journal.sentence_table import REASONS, TABLE
from gatehand.times import lasting
from gatehand_rules.alarms import Alarm
from gatehand_rules.findings import Fact, Finding

_AMPS = frozenset({"amps", "start_amps", "stop_amps", "peak", "last_amps", "running_amps"})
_SECONDS = frozenset(
    {
        *("start_after", "stop_after", "run_on", "silent_after", "run_limit", "ran_for", "lasted", "above_for"),
        *("silent_for", "coast_down", "travel", "took", "late_by", "waited", "hand_limit", "grace", "for_seconds"),
        *("heard_before", "stalled", "by_seconds", "quiet_for"),
        *("since_last", "quiet", "held_for", "shortest", "longest"),
        *("unheard_for", "stood_for"),
    }
)
_NAMES = frozenset({"stop", "gates", "taken", "instead_of", "active"})
_OPTIONAL = re.compile(r"\[([^\[\]]*)\]")
_FIELD = re.compile(r"\{(\w+)(!?)\}")


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


class Subject:
    """Names a line's tool, gate and collector as people do."""

    def __init__(self, line: Mapping[str, Fact]) -> None:
        self._line = line

    def named(self, kind: str) -> str | None:
        """The tool by its name, gate and collector with their kind before it; the only one's kind alone for `main`."""
        name = self._line.get(kind)
        if not isinstance(name, str):
            return None
        if kind == "tool":
            return spoken(name)
        return kind if name == "main" else f"{kind} {spoken(name)}"

    def whatever(self) -> str | None:
        """The first of tool, gate, collector that the line has."""
        return self.named("tool") or self.named("gate") or self.named("collector")


def fill(template: str, line: Mapping[str, Fact], reason: str | None) -> str:
    """The sentence. A fact missing outside brackets is shown as a question mark."""
    kept = _OPTIONAL.sub(lambda part: part[1] if _complete(part[1], line, reason) else "", template)
    return _FIELD.sub(lambda found: _word(found[1], line, reason) or "?", kept)


def is_whole(template: str, line: Mapping[str, Fact], reason: str | None) -> bool:
    """Whether the line has every fact that stands outside brackets."""
    return _complete(_OPTIONAL.sub("", template), line, reason)


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


def _alarm(line: Mapping[str, Fact]) -> str | None:
    """The alarm's id as it is said, without the name of the line's own subject."""
    found = line.get("alarm")
    return spoken_alarm(found, line) if isinstance(found, str) else None


def _complete(part: str, line: Mapping[str, Fact], reason: str | None) -> bool:
    return all(
        _word(key, line, reason) is not None and (not strict or bool(line.get(key)))
        for key, strict in _FIELD.findall(part)
    )


def _word(key: str, line: Mapping[str, Fact], reason: str | None) -> str | None:
    match key:
        case "tool" | "gate" | "collector":
            return Subject(line).named(key)
        case "subject":
            return Subject(line).whatever()
        case "reason":
            return reason
        case "alarm":
            return _alarm(line)
        case _:
            return None if line.get(key) is None else shown(key, line[key])
