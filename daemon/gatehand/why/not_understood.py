"""A device that spoke and was not understood: its last word before a moment, where that could not be used."""

from typing import Final

from gatehand.why.scene import Kind, Scene, Stamped
from gatehand.why.verdict import at_clock
from gatehand_rules.findings import Happened, Rule

_SPOKE: Final = {
    "gate": (Happened.GATE_OPEN, Happened.GATE_SHUT, Happened.GATE_BETWEEN),
    "collector": (Happened.COLLECTOR_RUNNING, Happened.COLLECTOR_STOOD, Happened.COLLECTOR_ADOPTED),
}
"""Events that show that a device was understood."""
_TELLING: Final = ("state", "current")
"""Keys by which a device says what it does; what its button says is another matter."""


def last_rejected(scene: Scene, kind: Kind, name: str, ms: int) -> Stamped | None:
    """The last thing that this device said up to a moment of this run, if it could not be used."""
    for one in scene.in_this_run(ms):
        if one.text(kind) != name:
            continue
        if one.is_(Happened.READING_REJECTED) and _key(one) in _TELLING:
            return one
        if one.is_(*_SPOKE.get(kind, ())) and one.text("rule") != Rule.TRAVEL:
            return None
    return None


def could_not_be_used(one: Stamped) -> str:
    """In words, without a full stop."""
    shown = one.text("shown")
    return f"what it said at {at_clock(one.ms)} could not be used: {one.text('why')}" + (
        f", found {shown!r}" if shown else ""
    )


def next_for_switch(scene: Scene, rejected: Stamped | None) -> str:
    """What to do about a collector that has not answered."""
    if rejected is None:
        return "Look at the collector's switch, its power, its breaker and its overload."
    wanted = "topic, pointer, on, off" if _key(rejected) == "state" else "topic, pointer, scale"
    return f"Look at what is published there, and at [collector.{scene.collector}] {_key(rejected)}: {wanted}."


def _key(rejected: Stamped) -> str:
    """The key of the config by which it was heard."""
    return rejected.text("why").split(":", 1)[0]
