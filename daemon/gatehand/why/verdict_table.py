"""The words of every case: what happened and by which rule, what to look at, what to set. No code decides here.

What is to be set stands in an `Advice`, never in a sentence: advice that is followed already is not given.
"""

from typing import Final

from gatehand.journal.sentence_table import Templates
from gatehand.why.advice import RETAIN, Advice, Way
from gatehand.why.verdicts import NOTHING, Words
from gatehand_rules.findings import Rule

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
    "Look at the computer's own journal for that time.",
)
BROKER_AWAY: Final = Words(
    "broker_away",
    "the broker was away from {since} {until}: no reading came in and no command could go out. What was commanded then "
    "is not delivered late",
    "Look at the broker and at the network between it and Gatehand.",
)
LOOK_AT_DEVICE: Final = "Look at its device's power and network."
_READS_NOTHING = "{heard_again}. A silent sensor starts nothing"
SILENT: Final = Words(
    "silent",
    (
        "by {since} the sensor of {tool} had sent no reading for {silent_after}, its silent_after[, and never one on "
        "{unheard}]; " + _READS_NOTHING
    ),
    "Look at the sensor's power and network[, and at the topic {topic}].",
    (Advice("For a sensor that speaks only on change set silent_after = 0 in {table}.", "silent_after", 0.0),),
)
OFFLINE: Final = Words(
    "offline",
    "the sensor of {tool} was offline from {since}, as its online topic said; " + _READS_NOTHING,
    LOOK_AT_DEVICE,
)
NOT_UNDERSTOOD: Final = Words(
    "not_understood",
    (
        "at {since} the sensor of {tool} was heard, but not understood: on {topic} it said {said} ({wanted}); "
        "{heard_again}. What is not understood starts nothing"
    ),
    "Look at what it publishes, and at {table} {key}: {keys}.",
)
UNKNOWN: Final = Words(
    "unknown",
    (
        (
            "since Gatehand started, the contact of {of_contact} has not been heard: it starts nothing until it has "
            "said once that {of_contact} has stopped"
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
    "{tool} was muted at {at}: it had run without a pause for its run_limit of {run_limit}, which is taken for "
    "a stuck sensor",
    "Look at the sensor.",
    (Advice("If the tool does run that long, raise run_limit in {table}.", "run_limit", None, Way.MORE),),
)
MUTED: Final = Words(
    "muted",
    (
        (
            "you pressed its gate's button at {at}, while {of_contact} ran: the tool is ignored until its contact says "
            "that it has stopped"
        ),
        (
            "you pressed its gate's button at {at}, while {tool} ran: the tool is ignored until it stops "
            "(falls below its "
            "{stop_threshold})"
        ),
    ),
    "Let the tool stop; its next start counts. A hand ranks above automation; no setting changes this.",
)
MUTED_UNTIL: Final = Words(
    "muted",
    "you pressed its gate's button at {at}, while {tool} ran: the tool was ignored until it stopped, at {stopped}",
    "Its next start counts. A hand ranks above automation; no setting changes this.",
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
            "according to its contact, {of_contact} ran at {begun}, but for {above_for} at the longest; its "
            "start_after wants {start_after}: it was not taken for running"
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
            "according to its contact, {of_contact} ran at {begun} for {above_for}; but its contact or the broker had "
            "been silent before, so this may have been an old message arriving late: it must last for 3 s then, or "
            "follow a live word that it had stopped"
        ),
        (
            "{tool} drew {peak} at {begun}, at or above its {start_threshold}, for {above_for}; but its sensor or the "
            "broker had been silent before, so this may have been an old reading arriving late. Nothing showed that "
            "it was new: no second reading a second later, no reading below the threshold a second before, no time "
            "stamp"
        ),
    ),
    (
        (
            "Have the device of {of_contact} report its state each time it comes back: a word that it has stopped, a "
            "second before, confirms the next start."
        ),
        "Have the sensor report once a second.",
    ),
    (
        Advice("Or give {table} {sensor} an at (when it was measured).", "at", True),
        Advice("Or give {table} {sensor} a poll, so that it is asked.", "poll", True),
        Advice("For a sensor that speaks only on change set silent_after = 0 in {table}.", "silent_after", 0.0),
    ),
)
RETAINED: Final = Words(
    "retained",
    "the reading of {tool} at {at}[ ({reading})] was one that the broker had kept[{more!}]: its age is unknown, so it "
    "is shown and starts nothing",
    (
        "The broker may well keep the word of {of_contact}: it shows how things were. The next live word counts.",
        "Have the sensor publish its readings without the retain flag; a live reading counts at once.",
    ),
)
TOO_OLD: Final = Words(
    "too_old",
    "the reading of {tool} at {at} was refused[{more!}]: {why}; what its device has held back starts nothing",
    "Look at the device's network.",
)
REJECTED: Final = Words(
    "rejected",
    "the reading of {tool} at {at} was rejected[{more!}]: on {topic} it said {found}: {why}; what cannot be read "
    "changes nothing and starts nothing",
    "Look at what the sensor publishes, and at {table} {key}: {wanted}.",
)
NOTHING_KNOWN: Final = Words(
    NOTHING,
    "there is nothing about {tool} around {at}: no line in the log, and no reading recorded",
    "Give another time with --at, or look at the log: gatehand log --tool {id}",
)
DID_NOT_RUN: Final = Words(
    NOTHING,
    (
        (
            "according to its contact, {of_contact} was not running around {at} ({count:message} in the two minutes "
            "before and after)"
        ),
        (
            "{tool} drew {peak} at most around {at} (at {when}, {count:reading} in the two minutes before and "
            "after); it counts as running from its {start_threshold} on: as far as its sensor says, it did not "
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
    "the sensor of {tool} speaks only on change and was silent around {at}; what it said last, at {when}, still held "
    "({last}): as far as it says, {tool} did not run",
    "If it did run, look at that sensor and its topic: gatehand exercise.",
)

# A start that was seen, and what came of it

_STARTED_AT = "{begun}[ ({reading}, at or above its {start_threshold})][ ({contact})]"
IT_STARTED: Final = "started at " + _STARTED_AT
_DREW = "{tool} " + IT_STARTED
LOOK_AT_GATE: Final = "Look at the gate, its power and its end switches: gatehand exercise."
_LOOK_AT_TOPIC = "Look at state in {gate_table} (topic, pointer), and at its device's power and network."
_FRESH_START = "then switch the tool off and on again."
_MUTED_BY = "[; you pressed its gate's button at {muted}: the tool was ignored from then until it stopped]"
_STARTED = (
    _DREW + "; the collector was switched on {later} later[, once gate {opened} was open]"
    "[ ({late_by!} after its travel of {travel})]"
)
STARTED: Final = Words("started", _STARTED + _MUTED_BY)
_ADOPTED = "the collector was on already (on when Gatehand started, at {adopted})"
_ON_SINCE = (
    "the collector was on already[, for {wanted_by!}], since {since}[ {at_latest!}][, and was kept on for {kept_for!}]"
)
START_LIMIT: Final = "its start limit ({starts_this_hour} of {starts_per_hour:start} in the last hour)"
"""What a fan is kept on for that nothing asks for."""
ALREADY_ON: Final = Words("already_on", (_DREW + "; " + _ADOPTED + _MUTED_BY, _DREW + "; " + _ON_SINCE + _MUTED_BY))
_FIRST_SEEN = "{tool} was already running when first seen, at {at}[ ({reading})], which starts nothing; but "
_STAYED_ON = ", and stayed on for the {tool}"
SEEN_AND_SERVED: Final = Words(
    "already_on", (_FIRST_SEEN + _ADOPTED + _STAYED_ON, _FIRST_SEEN + _ON_SINCE + _STAYED_ON)
)

# A cut that had air and lost it

_ONLY_UNTIL = "; the {tool} had air only until {air_until}[, and again from {back}]"
_LOST = "air_lost"
STARTED_AND_LOST: Final = Words(_LOST, _STARTED + _ONLY_UNTIL)
ALREADY_ON_AND_LOST: Final = Words(
    _LOST, (_DREW + "; " + _ADOPTED + _ONLY_UNTIL, _DREW + "; " + _ON_SINCE + _ONLY_UNTIL)
)
SEEN_AND_LOST: Final = Words(_LOST, (_FIRST_SEEN + _ADOPTED + _ONLY_UNTIL, _FIRST_SEEN + _ON_SINCE + _ONLY_UNTIL))
LOST_BY: Final[dict[str, Templates]] = {
    Rule.HOLD: "the hold at {off} ({why})",
    Rule.STOP_CONTACT: "stop contact {why} at {off}",
}
"""What took it, by the rule that switched the collector off."""
LOST_OTHERWISE: Final = "{off} ({said})"
TRIPPED: Final = Words(
    "no_answer",
    _DREW
    + "; the collector ran[ from {on}] to about {fell}, when its motor stopped[, though its switch says {word}: it "
    "may have tripped]"
    "[; its motor ran again from {back}]",
)
NO_ANSWER: Final = Words(
    "no_answer",
    _DREW
    + ", and the collector was switched on at {on}, but that was not confirmed: {shown}. It was switched on again at "
    "{again}",
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

# A start that was refused, or came to nothing: what had to come together for that

_BECAUSE = "{tool} {had_begun} and got no air, because "
ENDED_TOO_SOON: Final = Words(
    "gate_late",
    _BECAUSE + "it stopped at {ended}, before its gate was proven open ({waited} of waiting): a fan is not started "
    "for work that is over",
)
VETOED: Final = Words(
    "vetoed",
    _BECAUSE + "the interlock stepped in ({veto})",
    "This should not happen: please report it with the log around this time.",
)
_HELD = (
    _BECAUSE + "the collector had been on hold[ {what!}][ since {since}]; {reset}. On hold nothing starts it, and "
    "a start from that time is stale: only a fresh one counts"
)
RESET_HOLD: Final = "When the cause is gone, reset the hold; " + _FRESH_START
HELD: Final = Words("held", _HELD, RESET_HOLD)
STOP_CONTACT: Final = Words("stop_contact", _HELD, RESET_HOLD)
BIN_FULL: Final = Words(
    "bin_full",
    _BECAUSE + 'the bin had been full[ since {since}], and with on_bin_full = "refuse" nothing starts then',
    "Lock the collector out and empty the bin; " + _FRESH_START,
)
MAX_OPEN: Final = Words(
    "max_open",
    _BECAUSE + "{taken} had the air, and no more gates than max_open = {max_open} may be open at once: a tool that "
    "is cutting keeps its air",
    "Stop the other tool, or see with gatehand airflow whether the ducts bear one gate more.",
)
NONE_PROVEN: Final = Words(
    "gate_jammed",
    _BECAUSE + "none of its gates ({gates}) was proven open: the collector does not start against shut gates",
    LOOK_AT_GATE,
)
_NOT_REPORTED = (
    "gate {faulty} was told to open and had not reported open {waited} later (travel {travel}[, {retries}]), so it "
    "counts as faulty"
)
UNREACHED: Final = Words(
    "offline",
    _BECAUSE + "gate {faulty} could not be reached: its device had been offline[ since {since} ({lasted})], as its "
    "online topic said",
    LOOK_AT_DEVICE,
)
NEVER_HEARD: Final = Words(
    "gate_unheard",
    _BECAUSE + "gate {faulty} was told to open and {waited} later had not said where it is; "
    "the collector does not start against shut gates, and no other is known open",
    _LOOK_AT_TOPIC,
)
GATE_JAMMED: Final = Words(
    "gate_jammed",
    _BECAUSE + _NOT_REPORTED + "; the collector does not start against shut gates",
    LOOK_AT_GATE,
)
GATE_LATE: Final = Words(
    "gate_late",
    "{tool} got its air late, at {on}, {after} after its start at " + _STARTED_AT + ", because " + _NOT_REPORTED,
    LOOK_AT_GATE,
)
REFUSED: Final = Words("refused", (_BECAUSE + "{reason}", _BECAUSE + "the rule {rule} refused it"))
STOPS_UNHEARD: Final = Words(
    "stops_unheard",
    _BECAUSE + "it stopped at {ended}, before the stop contacts were heard ({waited} of waiting): nothing starts "
    "without them",
    "Look at the broker and at the network between it and Gatehand.",
)


_ONLY_FRESH = (
    "only a tool that is seen to go from idle to running starts the collector, so that nothing comes on by itself"
)
OFF_AND_ON: Final = "Switch the {tool} off and on again. No setting changes this."


def _not_fresh(when: str) -> Words:
    return Words(
        "not_fresh",
        "{tool} was already running[ ({reading})] when " + when + f" at {{at}}, so it got no air: {_ONLY_FRESH}",
        OFF_AND_ON,
    )


_FIRST_WORD = (
    "{tool} was already running when first seen, so it got no air: its first word since Gatehand's start, at {at}, "
    "said so[ ({reading})]; " + _ONLY_FRESH
)
FIRST_WORD: Final = Words("not_fresh", _FIRST_WORD, OFF_AND_ON)
FIRST_WORD_ON_CHANGE: Final = Words(
    "not_fresh",
    _FIRST_WORD + ". Its sensor speaks only on change (silent_after = 0), so nothing had told that the tool was idle",
    "Switch the {tool} off and on again.",
    (
        Advice(
            "So that the first cut after a start of the daemon counts too, add poll = { topic = ..., payload = ... } "
            "to {table} {sensor}.",
            "poll",
            True,
        ),
        Advice("Or have the device retain its word.", RETAIN, True),
    ),
)
BY_RULE: Final[dict[str, Words]] = {
    Rule.FIRST_SEEN_DRAWING: FIRST_WORD,
    Rule.NOT_FRESH: _not_fresh("the hold was reset"),
    Rule.OFF_ASKED: _not_fresh("the collector was switched off on request"),
    Rule.SWITCHED_BY_HAND: _not_fresh("the collector was switched off at its own switch"),
    Rule.GATE_BY_HAND_IS_SHUT: Words(
        "gate_by_hand_is_shut",
        _BECAUSE
        + "its {gates_were} shut, and only a hand moves {gates_them}: the collector does not start against shut "
        "gates",
        "Open {the_gates} by hand; the collector then starts, as long as the tool still runs.",
    ),
    Rule.NOT_HEARD_LIVE: Words(
        "gate_not_heard_live",
        _BECAUSE + "its {gates_are} moved by hand, and only an old message said open: the collector does not start on "
        "that",
        "Shut and open {the_gates} once by hand; the collector then starts.",
    ),
    Rule.MIN_OPEN: Words(
        "min_open",
        _BECAUSE + "too few gates were proven open: {proven_open}, and min_open = {min_open} must be before "
        "the fan may "
        "turn",
        "Look at why the others did not open: gatehand why GATE.",
    ),
}
"""Refused by a rule of which the line itself says it all."""

# A gate, a collector

GATE_FAULT: Final = Words(
    "gate_jammed",
    "gate {name} was told to {wanted} at {commanded} and had not reported it {waited} later (travel {travel}"
    "[, {retries}]): it counts as faulty",
    LOOK_AT_GATE,
)
GATE_NEVER_HEARD: Final = Words(
    "gate_unheard",
    "gate {name} was told to {wanted} at {commanded} and {waited} later had not said where it is: it counts as faulty, "
    "though it may have moved",
    _LOOK_AT_TOPIC,
)
GATE_UNHEARD: Final = Words(
    "gate_unheard",
    "gate {name} was told to {wanted} and by {at} had not said where it is; it may be {wanted} already",
    _LOOK_AT_TOPIC,
)
GATE_UNKNOWN: Final = Words(NOTHING, "there is nothing about gate {name} in the log up to {at}")
GATE_QUIET: Final = Words(NOTHING, "nothing asked gate {name} to move at {at}; the last about it: {last}")
GATE_MOVED: Final = Words(NOTHING, "at {at}: {moved}[; {before!:line} before that]")
COLLECTOR_UNKNOWN: Final = Words(NOTHING, "there is nothing about {whom} in the log up to {at}")
GATE_UNREACHED: Final = Words(
    "offline",
    "gate {name} was told to {wanted} at {commanded} and could not be reached: its device had been offline[ since "
    "{since} ({lasted})], as its online topic said",
    LOOK_AT_DEVICE,
)
GATE_OFFLINE: Final = Words(
    "offline",
    "the device of gate {name} was offline at {at}, since {since} ({lasted}), as its online topic said: no command "
    "reached it",
    LOOK_AT_DEVICE,
)
GATE_WAS_OFFLINE: Final = Words(
    "offline",
    "the device of gate {name} went offline at {since}, as its online topic said[; it was back at {back}]: no command "
    "reached it meanwhile",
    LOOK_AT_DEVICE,
)


def _still_offline(whose: str, meanwhile: str) -> Words:
    by = "as its online topic"
    return Words(
        "offline",
        (
            f"{whose} was offline when Gatehand stopped at {{stopped}}, since {{since}}, {by} had said",
            f"{whose} has been offline since {{since}}, {by} says: {meanwhile}",
        ),
        LOOK_AT_DEVICE,
    )


_NO_COMMAND: Final = "no command reaches it"
STILL_OFFLINE: Final = {
    "tool": _still_offline("the sensor of {tool}", "a silent sensor starts nothing"),
    "gate": _still_offline("the device of gate {name}", _NO_COMMAND),
    "collector": _still_offline("the device of collector {name}", _NO_COMMAND),
}
"""By the kind of the subject."""
COLLECTOR_HELD: Final = Words(
    "held", "{whom} had been on hold for {since}: {last}", "When the cause is gone, reset the hold."
)
NOT_ASKED: Final = "nothing asked for it since"
COLLECTOR_OFF: Final = Words(NOTHING, "{whom} had been off for {since}: {last}; {asked}")
COLLECTOR_RESET: Final = Words(NOTHING, "{whom} was off: {last}; {asked}")
COLLECTOR_BEFORE: Final = Words(
    NOTHING, "{whom} has not been switched since Gatehand started at {started}; the last before that: {last}"
)
COLLECTOR_ON: Final = Words("already_on", "{whom} had been on for {since}: {last}[; {reasons!}]")
SHUT_UNDER_FAN: Final = "Look at which gate shut under the running fan, and why."
ON_AGAINST_SHUT_GATES: Final = (
    "It came on at its own switch at {at} with {gates} open: open a gate before you switch it on there."
)
NEVER_HEARD_SINCE: Final = (
    "the topic is another, or the device is away",
    "the topic is another, the device is away, or it has not been pressed yet",
)
"""Why nothing was ever heard of a signal, and of one that comes when somebody presses."""
