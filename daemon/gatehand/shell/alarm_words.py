"""What each alarm says to a person: one sentence why it is raised, one what to do next.

A command that is part of the next step stands between `backquotes`, to be typed as it is; a test tries each of them.

Those of the rules are made from the finding that raised them and nothing else; a new one needs its entry in `WORDS`.
Those of the shell's own (config, log, broker, the daemon itself) are `own_alarms`.
"""

from collections import defaultdict
from collections.abc import Mapping
from typing import Final

from gatehand.config import Config
from gatehand.journal import witness_words
from gatehand.journal.sentences import BE, gates_named, offline, on_hold, spoken
from gatehand.measures import measured
from gatehand.shell.alarms import ShownAlarm
from gatehand_rules.findings import Alarm, Fact, Finding, Rule
from gatehand_rules.words import Measure

_NETWORK: Final = "Look at its power and its network."
_BY_HAND: Final = "until it speaks, use the gate's button, or `gatehand hand GATE`."
_POWER: Final = f"Look at the sensor's power and network; {_BY_HAND}"
_ONCE_MORE: Final = "Switch the {name} off and on again; only a start that is seen starts the collector."
_FREED: Final = (
    "ock the collector out, then free the gate and look at its end switch. `gatehand exercise {id}` moves "
    "it and measures "
    "its travel; if it is only slow, raise travel in [gate.{id}]."
)
_FREE: Final = f"L{_FREED}"
_ELSE_FREE: Final = f" Otherwise l{_FREED}"
_THEN_FREE: Final = f" If those are in order, l{_FREED}"
_MUTE_GATE: Final = (
    "The gate {name} was told to {wanted} and has not reported {wanted}, though its travel of {travel} s has passed on "
    "each try."
)
_MAX_OPEN: Final = (
    "{who} gets no air: max_open is {max_open}, used up by {taken}.",
    "Finish one of the cuts that have the air, or raise max_open if the fan can carry one more.",
)
_SHUT_BY_HAND: Final = ("{who} gets no air: {gates_are} shut.", "Open {the_gates} by hand.")
_NOT_HEARD_LIVE: Final = (
    "{who} gets no air: only an old message shows that {gates_are} open.",
    "Shut and open {the_gates} once by hand; Gatehand then hears the position.",
)
_NOT_PROVEN: Final = (
    "{who} gets no air: {gates_are} not proven open.",
    "Look at the gate and its report (`gatehand exercise {each_gate}`); nothing starts against shut gates.",
)
_RESET_THEN: Final = "Find out what happened and fix the cause; then `gatehand reset {id}`, and start the tool again."
_ON_HOLD: Final = "The collector {name} is {on_hold}."
_EXERCISE: Final = "`gatehand exercise` measures them"
_NOT_SHOWN: Final = "The collector {name} was switched {told}, but {shown}."
_EMPTY: Final = "Lock the collector out and empty the bin."


def _drew(when: str) -> tuple[str, str]:
    return f"The {{name}} was already running {when} ({{drew}}), so it starts nothing.", _ONCE_MORE


WORDS: Final[Mapping[tuple[str, str, str], tuple[str, str]]] = {
    # kind and what of the alarm, then the `_case`, the rule, or "" for any: because and next, with the finding's facts
    ("tool", "not_fresh", Rule.SWITCHED_BY_HAND): (
        "The {name} still runs, but the collector was switched off at its own switch.",
        "Switch the {name} off and on again to start the collector, or use the gate's button (`gatehand hand GATE`).",
    ),
    ("tool", "not_fresh", Rule.FIRST_SEEN_DRAWING): _drew("when first seen"),
    ("tool", "not_fresh", Rule.OFF_ASKED): _drew("when the collector was switched off on request"),
    ("tool", "not_fresh", Rule.HOLD): _drew("while the collector was on hold"),
    ("tool", "not_fresh", Rule.BIN_FULL): _drew("while the bin was full"),
    ("tool", "not_fresh", ""): _drew("when the hold was reset"),
    ("tool", "silent", "says"): (
        "The {name}'s sensor is heard, but not understood: on {topic} it said {says!r} ({wanted}).",
        (
            "Correct {key} in [tool.{id}] of the config (topic, pointer), or what the sensor sends; then "
            "`gatehand exercise {id}`."
        ),
    ),
    ("tool", "silent", "beside"): (
        (
            "The {name}'s device is heard, but without its {key} for {silent_after} s: "
            "on {topic} it said {beside!r} ({wanted})."
        ),
        (
            "Correct {key} in [tool.{id}] of the config (topic, pointer), or what the sensor sends; then "
            "`gatehand exercise {id}`."
        ),
    ),
    ("tool", "silent", Rule.OFFLINE): ("The {name}'s sensor has gone offline.", _POWER),
    ("tool", "silent", "never_heard"): (
        "The {name}'s sensor has never been heard: nothing has come on {topic}.",
        f"Look at the topic in [tool.{{id}}], and at the sensor's power and network; {_BY_HAND}",
    ),
    ("tool", "silent", "topic"): (
        "There has been no reading from the {name}'s sensor on {topic} for {silent_after} s.",
        _POWER,
    ),
    ("tool", "silent", ""): ("There has been no reading from the {name}'s sensor for {silent_after} s.", _POWER),
    ("tool", "run_limit", ""): (
        "The {name} has run for {run_limit} s without a pause: its sensor is probably stuck.",
        (
            "Switch the {name} off; `gatehand exercise {id}` tries its sensor. If the tool does run that long, "
            "raise its run_limit."
        ),
    ),
    ("tool", "max_open", ""): _MAX_OPEN,
    ("tool", "not_served", Rule.GATE_BY_HAND_IS_SHUT): _SHUT_BY_HAND,
    ("tool", "not_served", Rule.NOT_HEARD_LIVE): _NOT_HEARD_LIVE,
    ("tool", "not_served", ""): _NOT_PROVEN,
    ("tool", "offline", ""): ("The {name}'s sensor has left the network.", _NETWORK),
    ("gate", "fault", "says"): (
        _MUTE_GATE + " Its last word was {says!r}, which is neither the open nor the shut of its state.",
        "If the gate means open or shut by that word, write it into [gate.{id}] state in the config." + _ELSE_FREE,
    ),
    ("gate", "fault", "offline"): (
        "The gate {name} was told to {wanted} and has not reported {wanted}: {offline}.",
        "Look at the power and the network of the gate {name}; `gatehand why {id}` says what it was told and when.",
    ),
    ("gate", "fault", "said"): (
        _MUTE_GATE + " It is heard, but not understood: on {topic} it said {said!r} ({wanted_there}).",
        "Correct [gate.{id}] in the config (state: topic, pointer, words), or what the gate says." + _THEN_FREE,
    ),
    ("gate", "fault", "never_heard"): (
        "The gate {name} was told to {wanted} and has not said where it is.{nothing_on}",
        "Look at the topic of its state in [gate.{id}] of the config, and at its power and network." + _THEN_FREE,
    ),
    ("gate", "fault", ""): (_MUTE_GATE, _FREE),
    ("gate", "max_open", ""): _MAX_OPEN,
    ("gate", "not_served", Rule.GATE_BY_HAND_IS_SHUT): _SHUT_BY_HAND,
    ("gate", "not_served", Rule.NOT_HEARD_LIVE): _NOT_HEARD_LIVE,
    ("gate", "not_served", ""): _NOT_PROVEN,
    ("gate", "offline", ""): ("The gate {name} has left the network.", _NETWORK),
    ("collector", "held", Rule.STOP_CONTACT): (
        "The collector {name} is on hold by stop contact {why}.",
        _RESET_THEN,
    ),
    ("collector", "held", Rule.HOLD): (
        _ON_HOLD,
        "Once its reason is gone and it is safe to start, `gatehand reset {id}`; then start the tool again.",
    ),
    ("collector", "held", ""): (_ON_HOLD, _RESET_THEN),
    ("collector", "no_answer", "offline"): (
        _NOT_SHOWN + " And {offline}.",
        "Look at the power and the network of its switch; it may still be on.",
    ),
    ("collector", "no_answer", "welded"): (
        _NOT_SHOWN,
        "Switch it off at its own switch or breaker and have the relay looked at: it may be welded.",
    ),
    ("collector", "no_answer", "off"): (
        _NOT_SHOWN,
        (
            "Look at the fan. If it turns, switch it off at its own switch or breaker and have the relay looked at; "
            "if it has stopped, look at its switch's report and at the sensor on its motor, if it has one."
        ),
    ),
    ("collector", "no_answer", "tripped"): (
        "The collector {name} does not turn, though it was switched on: {witnesses}.",
        "Lock it out, then {look_at}; `gatehand why {id}` says what it was told and when.",
    ),
    ("collector", "no_answer", "late"): (
        _NOT_SHOWN,
        (
            "Look at the fan: what watches its motor has not spoken since. If it does not turn, lock it out, then look "
            "at its overload and its breaker."
        ),
    ),
    ("collector", "no_answer", "turns"): (
        _NOT_SHOWN,
        "The motor runs: {look_at}, and at state in [collector.{id}] (topic, pointer, on, off).",
    ),
    ("collector", "no_answer", ""): (
        _NOT_SHOWN,
        (
            "Lock it out, then look at its switch, its breaker and its overload; `gatehand why {id}` says what it was "
            "told and when."
        ),
    ),
    ("collector", "shut_gates", ""): (
        ("The fan of {name} turned with {few_gates} proven open; min_open is {min_open}. It was switched off."),
        f"Look at the gates and their reports ({_EXERCISE}); it starts again at the next cut.",
    ),
    ("collector", "too_few_gates", ""): (
        "The collector {name} did not start: {few_gates} {few_are} proven open; min_open is {min_open}.",
        f"Look at the gates that do not open ({_EXERCISE}), or lower min_open if the fan bears it.",
    ),
    ("collector", "bin_full", "refuse"): ("The bin of {name} is full; nothing starts.", _EMPTY),
    ("collector", "bin_full", ""): ("The bin of {name} is full; the collector starts all the same.", _EMPTY),
    ("collector", "offline", ""): (
        "The switch of the collector {name} has left the network.",
        "Look at its power and its network; it may still be on.",
    ),
    ("stop", "active", ""): (
        "The stop contact {name} is active.",
        "Fix the cause and release the contact; then `gatehand reset` ends the hold of its collector.",
    ),
    ("stop", "unclear", ""): (
        "The stop contact {name} says {says!r}, which is neither its active word nor its clear word: it stops nothing.",
        "Write the words that it uses into [stop.{stop}] in the config; then `gatehand exercise {stop}` tries it.",
    ),
    ("stop", "offline", ""): (
        "The stop contact {name} has left the network: when it becomes active, Gatehand does not hear it.",
        (
            "Look at its power and its network. The stop itself must be wired to the contactor, and only that wiring "
            "stops the collector until it is back; Gatehand stops nothing and refuses no start for this."
        ),
    ),
    ("daemon", "stops_unheard", ""): (
        (
            "The stop contacts have not been heard for {unheard_for} s: their own connection to the broker is "
            "down, or their topics are refused. Nothing starts until they are heard."
        ),
        (
            "Look at the broker and its log: it must let the daemon in twice, the second time with the client id that "
            "ends in -stops, and let it read the stop contacts' topics (`gatehand access` prints the list)."
        ),
    ),
}


_TOLD: Final = {("collector", "no_answer"): "told", ("gate", "fault"): "wanted"}
"""Alarms that a wrong command may be behind, and the fact that says which it was."""
_SPEAKS: Final = frozenset({"says", "said", "switch_said", "motor_said"})
"""Facts of a device that speaks: then it is not its command that is wrong."""


def words(alarm: Alarm, rule: Rule, facts: Mapping[str, Fact]) -> tuple[str, str]:
    """The (because, next) of one of the rules' alarms, two sentences, from the finding that raised it."""
    kind, what = alarm.kind, alarm.what
    any_case = WORDS.get((kind, what, ""))
    if any_case is None:
        return f"The rule {rule} raised it.", "Look at the event log around this time: `gatehand log`."
    because, then = WORDS.get((kind, what, _case(what, rule, facts)), any_case)
    # One that is missing is no reason to say nothing.
    shown = defaultdict(lambda: "None", {key: _shown(key, value) for key, value in facts.items()})
    gates = str(facts.get("gates", ""))
    shown.update(name=spoken(alarm.name), id=alarm.name, drew=_drawn(facts), each_gate=gates.replace(", ", " "))
    shown.update(the_gates=gates_named(gates), gates_are=gates_named(gates, BE))
    shown.update(who=f"{'The hand start at gate' if kind == 'gate' else 'The'} {spoken(alarm.name)}")
    shown.update(on_hold=on_hold(str(facts.get("why") or "")), offline=offline(facts, "had been offline for {}"))
    witnesses = witness_words.witnesses(facts, "{} before this alarm")
    shown.update(
        witnesses=witnesses, shown=f"that is not confirmed: {witnesses}" if witnesses else "nothing confirms it"
    )
    shown.update(nothing_on=f" Nothing has come on {facts['topic']}." if "topic" in facts else "")
    shown.update(look_at=witness_words.look_at(facts))
    open_now = facts.get("proven_open")
    shown.update(few_gates=f"only {open_now} of its gates" if open_now else "none of its gates")
    shown.update(few_are="is" if open_now in {0, 1} else "are")
    return because.format_map(shown), then.format_map(shown)


def _drawn(facts: Mapping[str, Fact]) -> str:
    """What a tool's sensor had read, in the past tense."""
    for measure in Measure:
        if isinstance(value := facts.get(measure), int | float):
            return "its contact said running" if measure is Measure.RUNNING else f"it drew {measured(measure, value)}"
    return "its sensor said so"


def _case(what: str, rule: Rule, facts: Mapping[str, Fact]) -> str:
    """Which of an alarm's sentences it is."""
    match what:
        case "no_answer":
            return _of_fan(facts)
        case "bin_full":
            return str(facts.get("then"))
        case "fault" if facts.get("offline"):
            return "offline"
        case "fault" | "silent" if facts.get("says") is not None:
            return "says"
        case "fault" if facts.get("said") is not None:
            return "said"
        case "fault":
            return "never_heard" if facts.get("never_heard") else ""
        case "silent" if facts.get("beside") is not None:
            return "beside"
        case "silent" if rule is not Rule.OFFLINE:
            return "never_heard" if facts.get("never_heard") else "topic" if facts.get("topic") is not None else ""
        case _:
            return rule


def _of_fan(facts: Mapping[str, Fact]) -> str:
    """Which of the sentences about a fan that has not shown what it was told."""
    if facts.get("told") == "off":
        return "welded" if witness_words.says_on(facts) else "offline" if facts.get("offline") else "off"
    if facts.get("offline"):
        return "offline"
    if witness_words.turns_unreported(facts):
        return "turns"
    if witness_words.motor_is_late(facts):
        return "late"
    return "tripped" if witness_words.is_tripped(facts) else ""


def _shown(key: str, value: Fact) -> str:
    if key in {"gates", "taken", "why"}:
        return spoken(str(value))
    return f"{value:g}" if isinstance(value, float | int) and not isinstance(value, bool) else str(value)


def shown(alarm: Alarm, finding: Finding, config: Config) -> ShownAlarm:
    """An alarm of the rules as people are shown it; `finding` is the one that raised it, `config` that in force."""
    return of_facts(alarm, finding.rule, {key: value for key, value in finding.facts if key != "alarm"}, config)


def of_facts(alarm: Alarm, rule: Rule, facts: Mapping[str, Fact], config: Config) -> ShownAlarm:
    """The same, from the facts by themselves."""
    because, then = words(alarm, rule, facts)
    key = _TOLD.get((alarm.kind, alarm.what))
    obeyed = facts.get("told") == "on" and _of_fan(facts) in {"turns", "late"}
    wordless = _SPEAKS & facts.keys() or facts.get("offline") or obeyed
    told = None if key is None or wordless else str(facts.get(key))
    how = None if told is None else config.told_how(alarm.kind, alarm.name, told, facts.get("reported_on"))
    then = f"{then} If the device itself is in order, look at {how}." if how else then
    then = f"{then}{_correct(alarm, facts)}"
    return ShownAlarm(alarm, because, then, str(rule), tuple(facts.items()))


def _correct(alarm: Alarm, facts: Mapping[str, Fact]) -> str:
    """What to correct, where something that watches a fan speaks and is not understood."""
    keys = [str(facts.get(f"{which}_key")) for which in ("switch", "motor") if f"{which}_said" in facts]
    if not keys:
        return ""
    return f" Correct {' and '.join(keys)} in [collector.{alarm.name}] of the config, or what the device says there."
