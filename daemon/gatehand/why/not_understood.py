"""What a device said and was not understood: on which topic, which words, what was wanted."""

from typing import Final

from gatehand.config.signals import SENSORS
from gatehand.why.moment import Question, SubjectKind, TimedLine
from gatehand.why.verdicts import Verdict
from gatehand_rules.findings import Happened, Rule

_SPOKE: Final = {
    "gate": (Happened.GATE_OPEN, Happened.GATE_SHUT, Happened.GATE_BETWEEN),
    "collector": (Happened.COLLECTOR_RUNNING, Happened.COLLECTOR_STOOD, Happened.COLLECTOR_ADOPTED),
}
"""Events that show that a device was understood."""
_TELLING: Final = ("state", *SENSORS)
"""Keys by which a device says what it does; what its button says is another matter."""


def last_rejected(context: Question, kind: SubjectKind, name: str, ms: int) -> TimedLine | None:
    """The last thing that this device said up to a moment of this run, if it could not be used."""
    for one in context.in_this_run(ms):
        if one.text(kind) != name:
            continue
        if one.is_(Happened.READING_REJECTED) and one.text("rule") == Rule.BAD_VALUE and key_of(one) in _TELLING:
            return one
        if one.is_(*_SPOKE.get(kind, ())) and one.text("rule") != Rule.TRAVEL:
            return None
    return None


def could_not_be_used(context: Question, one: TimedLine) -> str:
    """In words, without a full stop: where it was said, what was, and what was wanted."""
    kind: SubjectKind = next(kind for kind in ("tool", "gate", "collector") if one.text(kind))
    key, shown = key_of(one), one.text("shown")
    said = f"it said {shown!r}" if shown else "it said something"
    topic = topic_of(context, kind, one.text(kind), key)
    return f"on {topic} {said} at {one.clock}, which could not be used: {wanted_of(one)}"


def wanted_of(rejected: TimedLine) -> str:
    """What was wrong with it and what was wanted."""
    return rejected.text("why").removeprefix(f"{key_of(rejected)}: ")


def key_of(rejected: TimedLine) -> str:
    """The key of the config by which it was heard."""
    return rejected.text("why").split(":", 1)[0]


def keys_within(key: str) -> str:
    """What stands in that key's table and says how it is read."""
    words = {"state": "on, off", "running": "active, clear", "online": "active, clear"}
    return f"topic, pointer, {words.get(key, 'scale')}"


def topic_of(context: Question, kind: str, name: str, key: str) -> str:
    """The topic on which the device says it by the config; what the key is called, where the config has it no more."""
    for one in context.config.signals():
        if (one.kind, one.name, one.key) == (kind, name, key):
            return one.topic
    return f"the topic of its {key}"


def gate_not_understood(context: Question, fault: TimedLine, found: Verdict) -> bool:
    """Whether the gate did speak, and what it said could not be used: then the config or its device wants fixing."""
    name = fault.text("gate")
    says, state = fault.text("says"), context.config.gate[name].state if name in context.config.gate else None
    if says:
        wanted = "" if state is None else f": wanted {state.open!r} or {state.shut!r}"
        found.sentence += f"; its last word on {topic_of(context, 'gate', name, 'state')} was {says!r}{wanted}"
    else:
        last = last_rejected(context, "gate", name, fault.ms)
        if last is None:
            return False
        found.sentence += f"; {could_not_be_used(context, last)}"
        found.findings.append(last.line)
    found.case = "gate_not_understood"
    found.next_step = f"Look at what the gate publishes, and at [gate.{name}] state: topic, pointer, open, shut."
    return True
