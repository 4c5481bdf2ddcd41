"""What an alarm of the rules says to a person: one sentence why it stands, one what to do next.

Made from the finding that raised it and nothing else. A new alarm of the rules needs its entry in `_WORDS`.
"""

from collections.abc import Callable
from typing import Final, TypeAlias

from gatehand_rules.alarms import Alarm
from gatehand_rules.findings import Fact, Finding, Rule

Facts: TypeAlias = dict[str, Fact]
Words: TypeAlias = Callable[[str, Facts, Rule], tuple[str, str]]


def words(alarm: Alarm, finding: Finding) -> tuple[str, str]:
    """The alarm's (because, next), two sentences. `finding` is the one that raised it."""
    say = _WORDS.get((alarm.kind, alarm.what))
    if say is not None:
        return say(plain(alarm.name), dict(finding.facts), finding.rule)
    return f"The rule {finding.rule} raised it.", "Look at the event log around this time: gatehand log."


def plain(name: str) -> str:
    """A name as one says it."""
    return name.replace("_", " ")


def _n(value: Fact) -> str:
    return f"{value:g}" if isinstance(value, float | int) and not isinstance(value, bool) else str(value)


def _not_fresh(name: str, facts: Facts, rule: Rule) -> tuple[str, str]:
    if rule is Rule.SWITCHED_BY_HAND:
        return (
            f"The {name} still draws, but the collector was switched off at its own switch.",
            f"Switch the {name} off and on again to start the collector, or use the gate's button.",
        )
    when = {
        Rule.FIRST_SEEN_DRAWING: "when it was first seen",
        Rule.OFF_ASKED: "when somebody asked for the collector to be off",
        Rule.HOLD: "while the collector was held",
        Rule.BIN_FULL: "while the bin was full",
    }.get(rule, "when the hold was reset")
    return (
        f"The {name} drew {_n(facts.get('amps'))} A {when}, so it starts nothing.",
        f"Switch the {name} off and on again; only a start that is seen starts the collector.",
    )


def silent(name: str, facts: Facts, rule: Rule) -> tuple[str, str]:
    """Of a tool's sensor. A sensor that speaks and is not understood is not called silent."""
    topic, table = facts.get("topic"), f"[tool.{name.replace(' ', '_')}]"
    if (says := facts.get("says")) is not None:
        why = (
            f"The {plain(name)}'s sensor speaks and is not understood: on {topic} it said {says!r} "
            f"({facts.get('wanted')})."
        )
        return why, f"Mend {facts.get('key')} in {table} of the config (topic, pointer), or what the sensor says."
    if rule is Rule.OFFLINE:
        why = f"The {plain(name)}'s sensor says that it is gone."
    elif facts.get("never_heard"):
        return (
            f"The {plain(name)}'s sensor has never been heard: nothing has come on {topic}.",
            f"Look at the topic in {table}, and at the sensor's power and network; until it speaks, use the button.",
        )
    else:
        on = "" if topic is None else f" on {topic}"
        why = f"The {plain(name)}'s sensor has said nothing{on} for {_n(facts.get('silent_after'))} s."
    return why, "Look at the sensor's power and network; until it speaks, use the gate's button."


def _run_limit(name: str, facts: Facts, _rule: Rule) -> tuple[str, str]:
    return (
        f"The {name} has drawn for {_n(facts.get('run_limit'))} s without a pause: more likely a stuck sensor.",
        f"Switch the {name} off; when it draws in earnest for so long, raise its run_limit.",
    )


def _max_open(name: str, facts: Facts, _rule: Rule) -> tuple[str, str]:
    taken = plain(str(facts.get("taken")))
    return (
        f"The {name} gets no air: max_open is {_n(facts.get('max_open'))}, used up by {taken}.",
        "Finish one of the cuts that have the air, or raise max_open if the fan can carry one more.",
    )


def _not_served(name: str, facts: Facts, rule: Rule) -> tuple[str, str]:
    gates = plain(str(facts.get("gates")))
    if rule is Rule.GATE_BY_HAND_IS_SHUT:
        return (f"The {name} runs and its gate is shut: {gates}.", f"Open it by hand: {gates}.")
    if rule is Rule.NOT_HEARD_LIVE:
        return (
            f"The {name} runs, and only an old message says that its gate is open: {gates}.",
            f"Shut it and open it once: {gates}. Gatehand then hears where it stands.",
        )
    return (
        f"None of the {name}'s gates could be proven open: {gates}.",
        "Look at the gate and its report; the collector does not start against shut gates.",
    )


def _tool_offline(name: str, _facts: Facts, _rule: Rule) -> tuple[str, str]:
    return f"The {name}'s sensor has left the network.", "Look at its power and its network."


def _gate_offline(name: str, _facts: Facts, _rule: Rule) -> tuple[str, str]:
    return f"The gate {name} has left the network.", "Look at its power and its network."


def _collector_offline(name: str, _facts: Facts, _rule: Rule) -> tuple[str, str]:
    return (
        f"The switch of the collector {name} has left the network.",
        "Look at its power and its network; it may still be on.",
    )


def _gate_fault(name: str, facts: Facts, _rule: Rule) -> tuple[str, str]:
    why = (
        f"The gate {name} was told {facts.get('wanted')} and has not reported it, though its travel of "
        f"{_n(facts.get('travel'))} s has passed for each telling."
    )
    then = (
        "Free the gate and look at its end switch; lock the collector out before you reach in. "
        "If it is only slow, raise its travel."
    )
    if (says := facts.get("says")) is not None:
        why += f" Its last word was {says!r}, which is neither the open nor the shut of its state."
        then = f"If that is how the gate says it, write that word into its state in the config. Else: {then}"
    return why, then


def _held(name: str, facts: Facts, rule: Rule) -> tuple[str, str]:
    why = f"the stop contact {facts.get('why')}" if rule is Rule.STOP_CONTACT else str(facts.get("why"))
    return (
        f"The collector {name} is held off by {plain(why)}.",
        "See to the cause; then reset the hold, and start the tool anew.",
    )


def _no_answer(name: str, facts: Facts, _rule: Rule) -> tuple[str, str]:
    told = facts.get("told")
    seen = "it still turns" if told == "off" else "nothing shows that it turns"
    hint = (
        "Switch it off at its own switch or breaker and have the relay looked at: it may be welded."
        if told == "off"
        else "Look at its switch, its breaker and its overload."
    )
    return f"The collector {name} was told {told} and {seen}.", hint


def _shut_gates(name: str, facts: Facts, _rule: Rule) -> tuple[str, str]:
    why = (
        f"The fan of {name} turned with {_n(facts.get('proven_open'))} of its gates proven open; "
        f"{_n(facts.get('min_open'))} must be. It was told off."
    )
    return why, "Look at the gates and their reports; it starts again with the next cut."


def _too_few(name: str, facts: Facts, _rule: Rule) -> tuple[str, str]:
    why = (
        f"The collector {name} did not start: {_n(facts.get('proven_open'))} of its gates proven open; "
        f"{_n(facts.get('min_open'))} must be."
    )
    return why, "Look at the gates that do not open, or lower min_open if the fan bears it."


def _bin_full(name: str, facts: Facts, _rule: Rule) -> tuple[str, str]:
    then = "nothing starts" if facts.get("then") == "refuse" else "it starts all the same"
    return f"The bin of {name} is full; {then}.", "Lock the collector out and empty the bin."


def _stop(name: str, _facts: Facts, _rule: Rule) -> tuple[str, str]:
    return (
        f"The stop contact {name} is active.",
        "See to the cause, release the contact, then reset the hold of its collectors.",
    )


def _stop_unclear(name: str, facts: Facts, _rule: Rule) -> tuple[str, str]:
    why = f"The stop contact {plain(name)} says {facts.get('says')!r}, which is neither its active nor its clear"
    table = f"[stop.{facts.get('stop')}]"
    then = f"Write the words that it uses into {table} in the config; then press it and see the collector held."
    return f"{why}: it stops nothing.", then


def _stops_unheard(_name: str, facts: Facts, _rule: Rule) -> tuple[str, str]:
    why = (
        f"The stop contacts have not been heard for {_n(facts.get('unheard_for'))} s: their own connection to the "
        "broker does not stand, or their topics are refused. Nothing starts until it stands."
    )
    then = (
        "Look at the broker and its log: it must let the daemon in twice, the second time with the client id that ends "
        "in -stops, and let it read the stop contacts' topics."
    )
    return why, then


_WORDS: Final[dict[tuple[str, str], Words]] = {
    ("tool", "not_fresh"): _not_fresh,
    ("tool", "silent"): silent,
    ("tool", "run_limit"): _run_limit,
    ("tool", "max_open"): _max_open,
    ("tool", "not_served"): _not_served,
    ("tool", "offline"): _tool_offline,
    ("gate", "fault"): _gate_fault,
    ("gate", "max_open"): _max_open,
    ("gate", "not_served"): _not_served,
    ("gate", "offline"): _gate_offline,
    ("collector", "held"): _held,
    ("collector", "no_answer"): _no_answer,
    ("collector", "shut_gates"): _shut_gates,
    ("collector", "too_few_gates"): _too_few,
    ("collector", "bin_full"): _bin_full,
    ("collector", "offline"): _collector_offline,
    ("stop", "active"): _stop,
    ("stop", "unclear"): _stop_unclear,
    ("daemon", "stops_unheard"): _stops_unheard,
}
