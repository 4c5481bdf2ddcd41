"""What an answer says: the words of every case, and the verdict that they are filled into.

The words are a table, filled from the facts of the line that a verdict rests on as `journal.sentences` fills those of
the log: `{key}` is a fact with its unit, `{reading}` and `{start_threshold}` are whatever the sensor measures, what
stands in square brackets is left out when a fact within is missing, and of several sentences the first counts whose
facts are all there, else the last.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Final, NamedTuple

from gatehand.config.signals import KEY_OF
from gatehand.journal.line import LogLine
from gatehand.journal.sentence_table import Templates
from gatehand.journal.sentences import spoken, told
from gatehand.why.moment import Question, TimedLine
from gatehand_rules.findings import Fact, Rule
from gatehand_rules.words import Measure

NOTHING: Final = "nothing_in_the_log"


class Words(NamedTuple):
    """A case's id, what happened and by which rule, what to do about it."""

    case: str
    sentence: Templates
    next_step: Templates = ""


@dataclass(slots=True)
class Verdict:
    """`case`: its id; `sentence`: what happened and by which rule; `next_step`: what to do about it."""

    case: str
    sentence: str
    findings: list[LogLine] = field(default_factory=list)
    would_have_started: dict[str, float | str] = field(default_factory=dict)
    """Settings, each of which alone would have started it, as a replay has shown."""
    trials: list[str] = field(default_factory=list)
    """The same in sentences, with what it would have cost elsewhere."""
    extra_starts: dict[str, int] = field(default_factory=dict)
    """By setting: starts that the change would have added elsewhere in what was looked at."""
    next_step: str = ""

    @property
    def is_no(self) -> bool:
        """Something that was wanted did not happen."""
        return self.case not in {"started", "already_on", NOTHING}


def verdict(context: Question, words: Words, lines: Iterable[TimedLine | None] = (), **facts: Fact) -> Verdict:
    """The verdict of a case. It rests on those of the lines that there are; the first one's facts are known too.

    Known besides: the subject by its kind, its `id`, its `name` as it is said, its `table` in the config and in it the
    key of its `sensor`; a tool's thresholds, and `of_contact`, the name of one whose sensor is a contact.
    """
    found = [one.line for one in lines if one is not None]
    tool = context.tool_then
    known = {
        **({} if tool is None else tool.start_fact() | tool.stop_fact()),
        **(found[0] if found else {}),
        context.kind: context.name,
        "id": context.name,
        "name": spoken(context.name),
        "table": f"[{context.kind}.{context.name}]",
        "sensor": KEY_OF[context.measure],
        "of_contact": spoken(context.name) if context.measure is Measure.RUNNING else None,
        **facts,
    }
    return Verdict(words.case, told(words.sentence, known), found, next_step=told(words.next_step, known))


# Whatever the subject did: the daemon, the broker, the sensor

_NOT_RUNNING = "daemon_not_running"
NOT_YET: Final = Words(
    _NOT_RUNNING, "the log begins at {begun}: at {at} no Gatehand had run here yet, or its log is gone"
)
STOPPED: Final = Words(
    _NOT_RUNNING,
    "Gatehand was not running at {at}: it was stopped at {last}[ ({why!})][; it started again at {again}]; nothing was "
    "watched in between",
    "Start it as a service (deploy/), so that it comes back by itself.",
)
DIED: Final = Words(
    _NOT_RUNNING,
    "Gatehand was not running at {at}: it was last heard of at {last} and ended without a word (a power cut, or it was "
    "killed)[; it started again at {again}]; nothing was watched in between",
    "Look at the machine's own journal for that time.",
)
BROKER_AWAY: Final = Words(
    "broker_away",
    "the broker was away from {since} {until}: no reading came in and no command could go out. What was commanded then "
    "is not delivered late",
    "Look at the broker and at the network between it and Gatehand.",
)
SILENT: Final = Words(
    "silent",
    "the sensor of {tool} was silent from {since}: {by}; {until}. A silent sensor starts nothing",
    "Look at the sensor's power and network; a sensor that speaks only on change wants silent_after = 0.",
)
UNKNOWN: Final = Words(
    "unknown",
    (
        (
            "since Gatehand started, the contact of {of_contact} has said nothing: it starts nothing until it has said "
            "once that {of_contact} stands"
        ),
        (
            "since Gatehand started, no live reading of {tool} has told whether it runs ({heard}): it starts nothing "
            "until it has been seen below its {stop_threshold}"
        ),
    ),
    "Look at what its sensor publishes: gatehand watch.",
)
RUN_LIMIT: Final = Words(
    "run_limit",
    "{tool} was muted at {at}: it had run without a pause for its run_limit, which is taken for a stuck sensor",
    "Look at the sensor; if the tool does run that long, raise run_limit in {table}.",
)
MUTED: Final = Words(
    "muted",
    (
        (
            "{of_contact} was muted by hand at {at}: somebody pressed a gate's button while it ran, so it is not "
            "served until its contact says that it has stopped"
        ),
        (
            "{tool} was muted by hand at {at}: somebody pressed a gate's button while it ran, so it is not served "
            "until it has fallen below its {stop_threshold}"
        ),
    ),
    "Let the tool stop; its next start counts. A hand ranks above automation; no setting changes this.",
)

# A rise that was no start, a message that was none

UNDER: Final = Words(
    "under_threshold",
    "{tool} drew {peak} at most from {begun} to {ended} ({lasted}), {below} below its {start_threshold}: it "
    "was not taken for running, no gate was told and the collector stayed as it was",
)
TOO_SHORT: Final = Words(
    "too_short",
    (
        (
            "{of_contact} ran by its contact at {begun}, but for {above_for} at the longest; its start_after wants "
            "{start_after}: it was not taken for running"
        ),
        (
            "{tool} drew {peak} at {begun}, above its {start_threshold}, but for {above_for} at the longest; its "
            "start_after wants {start_after}: it was not taken for running"
        ),
    ),
)
NOT_CONFIRMED: Final = Words(
    "not_confirmed",
    (
        (
            "{of_contact} ran by its contact at {begun} for {above_for}; but its contact or the broker had been silent "
            "before, so that this could have been held back since: it must last for 3 s then, or follow a live word "
            "that it stood"
        ),
        (
            "{tool} drew {peak} at {begun}, at or above its {start_threshold}, for {above_for}; but its sensor or the "
            "broker had been silent before, so that this could have been held back since, and no second reading a "
            "second later, none below it a second before and no time of its own showed that it was new"
        ),
    ),
    (
        (
            "Let the device of {of_contact} say how things stand each time it comes back: a word that it stands, a "
            "second before, confirms the next start."
        ),
        (
            "Let the sensor speak once a second, or give {table} {sensor} an at (when it was measured) or a poll; for "
            "a sensor that speaks only on change set silent_after = 0."
        ),
    ),
)
RETAINED: Final = Words(
    "retained",
    "the reading of {tool} at {at}[ ({reading})] was one that the broker had kept[{more!}]: its age is unknown, so it "
    "is shown and starts nothing",
    (
        "That the broker keeps the word of {of_contact} is well: it shows how things stood. The next live word counts.",
        "Let the sensor publish its readings without the retain flag; a live reading counts at once.",
    ),
)
TOO_OLD: Final = Words(
    "too_old",
    "the reading of {tool} at {at} was refused[{more!}]: {why}; what its device has held back starts nothing",
    "Look at the device's network; max_age of {table} {key} says how old one may be.",
)
REJECTED: Final = Words(
    "rejected",
    "the reading of {tool} at {at} was rejected[{more!}]: {why}[, found {found}]; what cannot be read changes nothing "
    "and starts nothing",
    "Look at what the sensor publishes, and at {table} {key}: {wanted}.",
)
NOTHING_KNOWN: Final = Words(
    NOTHING,
    "nothing is known of {tool} around {at}: no event in the log, and no reading recorded",
    "Give another time with --at, or look at the log: gatehand log --tool {id}",
)
DID_NOT_RUN: Final = Words(
    NOTHING,
    (
        (
            "{of_contact} stood by its contact around {at}, by each of its words from two minutes before to two "
            "minutes after ({count}): as far as its contact says, it did not run"
        ),
        (
            "{tool} drew {peak} at most around {at} (at {when}, {count} readings from two minutes before to two "
            "minutes after); it counts as running from its {start_threshold} on: as far as its sensor says, it did not "
            "run"
        ),
    ),
    (
        (
            "If {of_contact} did run, its contact sits elsewhere, or its words active and clear are exchanged: "
            "gatehand exercise."
        ),
        "If it did run, its sensor sits on the wrong wire or answers on another topic: gatehand exercise.",
    ),
)
LAST_HEARD: Final = Words(
    NOTHING,
    "the sensor of {tool} speaks only on change and said nothing around {at}; what it said last, at {when}, still held "
    "({last}): as far as it says, {tool} did not run",
    "If it did run, look at that sensor and its topic: gatehand exercise.",
)

# A start that was seen, and what came of it

_DREW = "{tool} started at {begun}[ and drew {amps}][ and drew {watts}]"
_LOOK_AT_GATE = "Look at the gate, its power and its end switches: gatehand exercise."
STARTED: Final = Words(
    "started",
    _DREW + "; the collector was switched on {later} later[, once gate {opened} was open]"
    "[ ({late_by!} after its travel of {travel})]",
)
ALREADY_ON: Final = Words("already_on", _DREW + "; the collector was on already, since {since} at the latest")
NO_ANSWER: Final = Words(
    "no_answer",
    _DREW + ", and the collector was switched on at {on}, but it did not answer: {shown}. It was told again at {again}",
)
ENDED_TOO_SOON: Final = Words(
    "gate_late",
    _DREW + " and had stopped at {ended}, before its gate was proven open ({waited} of waiting): a fan is not started "
    "for work that is over",
)
VETOED: Final = Words(
    "vetoed",
    _DREW + ", but the interlock held the command back ({veto})",
    "This should not happen: please report it with the log around this time.",
)
START_GAP: Final = Words(
    "start_gap",
    _DREW + "; the collector waited {for_seconds} with its start, so that two inrushes on one circuit do not meet",
)
WAITING: Final = Words(
    "waiting",
    _DREW + "; neither a start of the collector nor a refusal followed while it ran (to {ended}): its gates were still "
    "on their way",
)

# A start that was refused

_HELD = (
    _DREW
    + ", but the collector was held off[ {what!}][ since {since}]; {reset}. While it is held nothing starts it, and "
    "a start from that time is stale: only a fresh one counts"
)
_RESET_HOLD = "When the cause is gone, reset the hold; then switch the tool off and on again."
HELD: Final = Words("held", _HELD, _RESET_HOLD)
STOP_CONTACT: Final = Words("stop_contact", _HELD, _RESET_HOLD)
BIN_FULL: Final = Words(
    "bin_full",
    _DREW + ', but the bin has been full[ since {since}], and on_bin_full = "refuse" starts nothing then',
    "Isolate the collector and empty the bin; then switch the tool off and on again.",
)
MAX_OPEN: Final = Words(
    "max_open",
    "{tool} started at {begun}, but no more gates than max_open = {max_open} may stand open at once, and {taken} had "
    "the air: a tool that cuts is not robbed of it for another",
    "Stop the other tool, or see with gatehand airflow whether the ducts bear one gate more.",
)
NONE_PROVEN: Final = Words(
    "gate_jammed",
    _DREW + ", but none of its gates ({gates}) is proven open, and the collector does not start against shut gates",
    _LOOK_AT_GATE,
)
_FAULT = (
    _DREW
    + "; gate {faulty} was told to open and had not reported open {waited} later (travel {travel}, {retries}), so "
    "it counted as faulty"
)
GATE_JAMMED: Final = Words(
    "gate_jammed", _FAULT + ", and the collector does not start against shut gates", _LOOK_AT_GATE
)
GATE_LATE: Final = Words(
    "gate_late",
    _FAULT + ". Only at {on}, {after} after the start, was the collector switched on",
    _LOOK_AT_GATE,
)
REFUSED: Final = Words("refused", _DREW + ", and was refused by the rule {rule}")


_ONLY_FRESH = (
    "only a tool that is seen to go from idle to running starts the collector, so that nothing comes on by itself"
)


def _not_fresh(when: str) -> Words:
    rest = f" already {when}, at {{at}}: {_ONLY_FRESH}"
    return Words(
        "not_fresh",
        ("{of_contact} ran by its contact" + rest, "{tool} drew[ {reading}]" + rest),
        "Switch the {tool} off and on again. No setting changes this.",
    )


_FIRST_WORD = (
    "the first word of {tool} since Gatehand's start, at {at}, already said that it ran[ ({reading})]: " + _ONLY_FRESH
)
FIRST_WORD: Final = Words(
    "not_fresh",
    _FIRST_WORD,
    "Switch the {tool} off and on again. No threshold changes this.",
)
FIRST_WORD_ON_CHANGE: Final = Words(
    "not_fresh",
    _FIRST_WORD
    + ". Its sensor speaks only on change (silent_after = 0) and has no poll, so nothing had told that the tool was "
    "idle",
    "Switch the {tool} off and on again. So that the first cut after a start of the daemon counts too, add poll = "
    "{ topic = ..., payload = ... } to {table} {sensor}, or let the device retain its word.",
)
BY_RULE: Final[dict[str, Words]] = {
    Rule.FIRST_SEEN_DRAWING: FIRST_WORD,
    Rule.NOT_FRESH: _not_fresh("when the hold was reset"),
    Rule.OFF_ASKED: _not_fresh("when somebody asked for the collector to be off"),
    Rule.SWITCHED_BY_HAND: _not_fresh("when the collector was switched off at its own switch"),
    Rule.GATE_BY_HAND_IS_SHUT: Words(
        "gate_by_hand_is_shut",
        _DREW + ", but its gate {gates} is moved by hand and was shut, and the collector does not start against shut "
        "gates",
        "Open the gate {gates} by hand; the collector then starts, as long as the tool still runs.",
    ),
    Rule.NOT_HEARD_LIVE: Words(
        "gate_not_heard_live",
        _DREW + ", but its gate {gates} is moved by hand and has said nothing since Gatehand's start: that it is open "
        "is an old message, and the collector does not start on one",
        "Shut the gate {gates} and open it once by hand; the collector then starts.",
    ),
    Rule.MIN_OPEN: Words(
        "min_open",
        _DREW + "; {proven_open} gates were proven open and min_open = {min_open} are wanted before the fan may turn",
        "Look at why the others did not open: gatehand why GATE.",
    ),
}
"""Refused by a rule of which the line itself says it all."""

# A gate, a collector

GATE_FAULT: Final = Words(
    "gate_jammed",
    "gate {name} was told to {wanted} at {commanded} and had not reported it {waited} later (travel {travel}, "
    "{retries}): it counts as faulty",
    _LOOK_AT_GATE,
)
GATE_UNKNOWN: Final = Words(NOTHING, "the log knows nothing of gate {name} up to {at}")
GATE_QUIET: Final = Words(NOTHING, "nothing asked gate {name} to move at {at}; the last of it: {last}")
COLLECTOR_UNKNOWN: Final = Words(NOTHING, "the log knows nothing of {whom} up to {at}")
COLLECTOR_HELD: Final = Words(
    "held", "{whom} had been off for {since}: {last}", "When the cause is gone, reset the hold."
)
COLLECTOR_OFF: Final = Words(NOTHING, "{whom} had been off for {since}: {last}; nothing asked for it since")
COLLECTOR_ON: Final = Words("already_on", "{whom} had been on for {since}: {last}[; {reasons!}]")
