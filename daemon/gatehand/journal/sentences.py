"""A line of the event log as a sentence that a woodworker reads. Made from the line's facts and nothing else.

A new event or rule gets its sentence in `sentence_table`; what has none yet is shown with its rule and numbers.
"""

import re
from collections.abc import Mapping

from gatehand.journal import witness_words
from gatehand.journal.line import FIXED, facts_of
from gatehand.journal.sentence_table import REASONS, TABLE, Templates
from gatehand.measures import UNITS, measured, threshold_key
from gatehand.text import listed, named, ordinal
from gatehand.times import lasting
from gatehand_rules.findings import DAEMON, Alarm, Fact, Finding
from gatehand_rules.words import MESSAGE, Measure

_OF = {
    f"{which}{measure}": measure
    for measure in Measure
    for which in ("", "start_", "stop_", "last_", *(("running_",) if measure is not Measure.RUNNING else ()))
}
"""What the facts that are named after a measure measure: a reading, its thresholds, the last reading."""
_SECONDS = frozenset(
    {
        *("start_after", "stop_after", "run_on", "silent_after", "run_limit", "ran_for", "lasted", "above_for"),
        *("silent_for", "coast_down", "travel", "took", "late_by", "waited", "hand_limit", "grace", "for_seconds"),
        *("heard_before", "stalled", "by_seconds", "quiet_for", "since_last", "quiet", "held_for", "shortest"),
        *("longest", "unheard_for", "stood_for", "coasts_for", "offline_for"),
    }
)
NO_REASON_GIVEN = "asked for"
"""What the rules write where somebody asked for a hold and did not say why."""
_IGNORED = {
    "ButtonPressed": "a button's press",
    "HandAsked": "a request for a hand start",
    "ResetAsked": "a reset",
    "ResetButton": "its reset button",
    "HoldAsked": "a request for a hold",
    "OffAsked": "a request to switch it off",
    "Reading": "a reading",
    "GateReport": "its report of where it is",
    "StopReport": "a stop contact's word",
    "StopUnclear": "a stop contact's word",
    "CollectorReport": "its switch's report",
    "CollectorReading": "its motor's reading",
    "BinReport": "its bin's word",
    "DeviceOnline": "its device's word that it is online or gone",
}
"""What a message was that could not act, by the name of its event."""
_NAMES = frozenset({"stop", "gates", "taken", "instead_of", "active"})
_PHRASES = frozenset(
    {
        *("offline", "never_heard", "ignored", "on_hold", "nth", "witnesses", "just_heard", "seen_to_run", "look_at"),
        *("not_turning", "config_in_short", "lost_numbers"),
    }
)
"""Fields that are made from several facts."""
BE = ("is", "are")
_VERBS = {"gates_are": BE, "gates_were": ("was", "were")}
_ALARMS = {"held": "on hold", "not_served": "no air"}
"""What an alarm is about, where people have another word for it."""
_CONFIG_ALARM = Alarm("daemon", DAEMON, "config").id
_CLAUSE_END = re.compile(r"[,:.] ")
_OPTIONAL = re.compile(r"\[([^\[\]]*)\]")
_FIELD = re.compile(r"\{(\w+)(!?)(?::([\w ]+))?\}")
_FIXED_WORDS = re.compile(r"\{[^{}]*\}|\0")
"""What stands between the words that each sentence of a template has."""


def sentence(line: Mapping[str, Fact]) -> str:
    """One sentence without its time and its full stop."""
    by_rule = TABLE.get(str(line.get("event")), ())
    if not isinstance(by_rule, dict):
        by_rule = {None: by_rule}
    choice = (*_several(by_rule.get(str(line.get("rule")), ())), *_several(by_rule.get(None, ())))
    return _chosen(choice, line) or _plain(line)


def sentence_of(finding: Finding) -> str:
    """The same for a finding that is no line yet."""
    return sentence(facts_of(finding))


def _chosen(choice: tuple[str, ...], line: Mapping[str, Fact]) -> str | None:
    """The first whose facts are all there, else the last, filled; None where there is none."""
    whole = (template for template in choice if _complete(_OPTIONAL.sub("", template), line))
    template = next(whole, choice[-1] if choice else None)
    return None if template is None else fill(template, line)


def told(templates: Templates, line: Mapping[str, Fact]) -> str:
    """Of several sentences the first whose facts are all there, else the last; filled."""
    return _chosen(_several(templates), line) or ""


def tells_of(text: str, event: str) -> bool:
    """Whether a sentence is one of this event's: it has the fixed words of one of its templates, in their order."""
    by_rule = TABLE.get(event, ())
    choices = by_rule.values() if isinstance(by_rule, dict) else (by_rule,)
    return any(_has_words(text, template) for choice in choices for template in _several(choice))


def _has_words(text: str, template: str) -> bool:
    first, *rest = (part for part in _FIXED_WORDS.split(_OPTIONAL.sub("\0", template)))
    at = len(first)
    if not text.startswith(first):
        return False
    for words in rest:
        at = text.find(words, at)
        if at < 0:
            return False
        at += len(words)
    return True


def _several(templates: Templates) -> tuple[str, ...]:
    return (templates,) if isinstance(templates, str) else templates


def _reason(line: Mapping[str, Fact]) -> str | None:
    return _chosen(_several(REASONS.get(str(line.get("rule")), ())), line)


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
    return _FIELD.sub(lambda found: _counted(found[3], line.get(found[1])) or _word(found[1], line) or "?", kept)


def _counted(noun: str | None, number: Fact) -> str | None:
    """`1 gate`, `2 gates`, `3rd`; None where the field counts nothing."""
    if noun is None or not isinstance(number, int | float):
        return None
    return ordinal(int(number)) if noun == "th" else named(int(number), noun)


def spoken(name: str) -> str:
    """`band_saw` is said band saw."""
    return name.replace("_", " ")


def spoken_alarm(alarm: str, line: Mapping[str, Fact] | None = None) -> str:
    """`gate.band_saw.fault` is said gate band saw fault; fault alone where `line` names the gate already."""
    found = Alarm.of(alarm)
    if found is None:
        return spoken(alarm)
    named = found.kind == "daemon" or (line is not None and line.get(found.kind) == found.name)
    what = _ALARMS.get(found.what, found.what)
    return spoken(what if named else f"{found.kind} {found.name} {what}".removesuffix(" active"))


def shown(key: str, value: Fact) -> str:
    """A fact with its unit, as its name tells it."""
    if value is None:
        return "unknown"
    if isinstance(value, int | float) and (measure := _OF.get(key)) is not None:
        return measured(measure, value)
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        if key == "retries":
            return "1 retry" if value == 1 else f"{value:g} retries"
        return lasting(value) if key in _SECONDS else f"{value:g}"
    return spoken(value) if key in _NAMES else value


def _complete(part: str, line: Mapping[str, Fact]) -> bool:
    """Whether the line has every fact that the part wants."""
    return all(
        _word(key, line) is not None and (not strict or bool(line.get(key))) for key, strict, _ in _FIELD.findall(part)
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
        case "was":  # a tool before it fell silent; "unknown" says nothing
            return {"unknown": None, "runon": "in its run-on"}.get(str(found), None if found is None else str(found))
        case "by":
            return None if found is None else "a message" if found == MESSAGE else str(found)
        case "the_gates" | "gates_are" | "gates_were":
            gates = line.get("gates")
            return gates_named(gates, _VERBS.get(key)) if isinstance(gates, str) else None
        case "gates_them":
            gates = line.get("gates")
            return ("them" if ", " in gates else "it") if isinstance(gates, str) else None
        case "peak":  # in the unit of the threshold that it did not reach for long enough
            return None if found is None else shown(start_threshold(line)[0], found)
        case _ if key in _PHRASES:
            return _phrase(key, line) or None
        case "contact":
            return _reading(line, "") if Measure.RUNNING in line else None
        case "reading" | "last_reading":
            return _reading(line, "last_" if key == "last_reading" else "")
        case "start_threshold" | "stop_threshold":
            name = next((name for name in _OF if name.startswith(key[: key.index("_") + 1]) and name in line), None)
            return None if name is None else f"{name} of {shown(name, line[name])}"
        case _:
            return None if found is None else shown(key, found)


def _phrase(key: str, line: Mapping[str, Fact]) -> str:
    """A part of a sentence that is made from several facts; "" where they say nothing."""
    match key:
        case "offline":
            return offline(line)
        case "never_heard":
            return "has not said where it is" if line.get("never_heard") else ""
        case "ignored":
            return _IGNORED.get(str(line.get("what")), "")
        case "on_hold":
            return on_hold(str(line.get("why") or ""))
        case "nth":
            tries = line.get("tries")
            return ordinal(int(tries) + 1) if isinstance(tries, int) else ""
        case "witnesses":
            return witness_words.witnesses(line)
        case "not_turning":
            return witness_words.witnesses(line) if witness_words.has_tripped(line) else ""
        case "just_heard":
            return witness_words.just_heard(line)
        case "seen_to_run":
            return witness_words.seen_to_run(line)
        case "config_in_short":  # the line before has told all its mistakes
            because = str(line.get("because") or "") if line.get("alarm") == _CONFIG_ALARM else ""
            clause = _CLAUSE_END.split(because, maxsplit=1)[0]
            return clause[:1].lower() + clause[1:]
        case "lost_numbers":
            first, last = line.get("first_lost"), line.get("last_lost")
            return "" if None in {first, last} else f"number {first}" if first == last else f"numbers {first} to {last}"
        case _:
            return witness_words.look_at(line)


def offline(facts: Mapping[str, Fact], age: str = "has been offline for {}") -> str:
    """That a device has said that it is off the network, and for how long, where that is known; "" where it has not."""
    if not facts.get("offline"):
        return ""
    since = facts.get("offline_for")
    if not isinstance(since, int | float):
        return "its device is offline"
    return f"its device {age.format(lasting(since, whole=True))}"


def gates_named(gates: str, verb: tuple[str, str] | None = None) -> str:
    """`band_saw, planing` is said gates band saw and planing; `verb`: after one, after several."""
    names = spoken(gates).split(", ")
    several = len(names) > 1
    said = f"{'gates' if several else 'gate'} {listed(names, last='and')}"
    return said if verb is None else f"{said} {verb[several]}"


def on_hold(why: str, *, stop: bool = False) -> str:
    """A hold by its reason; `stop`: that is the name of a stop contact."""
    if stop:
        return f"on hold by stop contact {spoken(why)}"
    return f"on hold ({'no reason given' if why in {'', NO_REASON_GIVEN} else spoken(why)})"


def start_threshold(line: Mapping[str, Fact]) -> tuple[Measure, float]:
    """The start threshold that a line names, and of what; 0 A where it names none."""
    for measure in UNITS:
        if isinstance(value := line.get(threshold_key("start", measure)), int | float):
            return measure, value
    return Measure.AMPS, 0.0


def _reading(line: Mapping[str, Fact], which: str) -> str | None:
    """What the sensor read, by whatever it measures."""
    name = next((f"{which}{measure}" for measure in Measure if line.get(f"{which}{measure}") is not None), None)
    if name is None:
        return None
    said = shown(name, line[name])
    return f"its contact says {said}" if name == Measure.RUNNING else said
