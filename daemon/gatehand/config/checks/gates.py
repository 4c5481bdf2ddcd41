"""Gates: can each be moved or at least seen, and does anything ever open it?"""

from collections.abc import Iterator

from gatehand.config.gate import Gate
from gatehand.config.partial import Partial
from gatehand.config.problems import Fault, Level
from gatehand.times import written

LONG_TRAVEL = 60.0


def check(partial: Partial) -> Iterator[Fault]:
    """Every fault of the gates."""
    used = partial.mentioned_gates()
    for name, gate in partial.config.gate.items():
        yield from _one(partial, name, gate)
        if name not in used and not partial.is_spoilt("tool"):
            yield from _unused(partial, name, gate)


def _one(partial: Partial, name: str, gate: Gate) -> Iterator[Fault]:
    path = ("gate", name)
    blind = gate.state is None and not partial.is_spoilt(*path, "state")
    by_hand = gate.command is None and not partial.is_spoilt(*path, "command")
    if blind and by_hand:
        text = "has neither command nor state: give it a command to be moved, or a state when it is moved by hand"
        yield Fault(path, text, at_key=True)
    elif blind and gate.on_hand_open == "start":
        yield Fault(
            (*path, "on_hand_open"), 'found "start"; a gate without state cannot be seen to open: add its state'
        )
    if by_hand and gate.relief:
        yield Fault((*path, "relief"), "a gate without command cannot be opened in time: wanted a gate with command")
    if gate.travel > LONG_TRAVEL:
        text = f"{written(gate.travel)} is long for a blast gate: a start waits for as long"
        yield Fault((*path, "travel"), text, Level.WARNING)


def _unused(partial: Partial, name: str, gate: Gate) -> Iterator[Fault]:
    path = ("gate", name)
    opened_by_hand = gate.on_hand_open == "start" or (gate.on_hand_open is None and gate.command is None)
    unsure = any(partial.is_spoilt(*path, key) for key in ("button", "on_hand_open", "command", "relief"))
    if gate.button is None and not opened_by_hand and not gate.relief and not unsure:
        text = (
            "nothing ever opens it: no tool names it and it has no button; "
            'add it to a tool\'s gates, give it a button, or set on_hand_open = "start"'
        )
        yield Fault(path, text, at_key=True)
