"""What the observer saw, judged when it is over: in the broker's order, by the times at which things were said.

The observer is a thread among others and comes late to a message when the machine is busy, to one of two by more than
to the other. So nothing is judged by when it came to one: a command counts from the instant of its decision in the
daemon's log, a device's word from when the device sent it, both on the one monotonic clock of the machine; what came
first is what the broker passed on first.
"""

import json
from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import accumulate
from math import inf
from pathlib import Path

from support.monitor import Monitor

from gatehand.config import Config

LONGEST = 15.0
"""Seconds that a command may have been on its way: longer than a broker is frozen."""
ROUNDING = 0.01
"""Seconds by which the log's time may lie behind the command."""


@dataclass(frozen=True, slots=True)
class Seen:
    """A message that the broker passed on, or with `does` something else that the observer was told of.

    `at`: when the observer came to it, which is never too early. `sent`: when a device sent it, where one did;
    `keeps`: the broker keeps it for whoever comes.
    """

    at: float
    topic: str = ""
    payload: bytes = b""
    retained: bool = False
    keeps: bool = False
    sent: float | None = None
    does: Callable[[Monitor, float], None] | None = None


@dataclass(frozen=True, slots=True)
class Command:
    """A command that came through the broker. `decided` is None where the log has no decision for it."""

    came: float
    decided: float | None
    topic: str
    payload: str


@dataclass(frozen=True, slots=True)
class Verdict:
    """`monitor`: the monitor that judged, with its breaches."""

    monitor: Monitor
    commands: tuple[Command, ...]


def judge(config: Config, seen: Sequence[Seen], folder: Path) -> Verdict:
    """By the log of the daemons that ran in `folder`."""
    monitor, base = Monitor(config), f"{config.broker.base}/"
    decisions, commands, stamps = _decisions(folder), dict[int, Command](), list[float]()
    for place, each in enumerate(seen):
        if each.does is not None or _of_the_daemon(each.topic, base):
            here = each.topic == f"{base}online" and each.payload == b"1"
            since = _decided(decisions, ("online", "on"), each.at) if here else None
            # Of the others no more is known than what they came after.
            stamps.append(since or (stamps[-1] if stamps else each.at))
        elif each.topic in monitor.commands and each.payload and not each.retained:
            name, words = monitor.commands[each.topic]
            decided = _decided(decisions, (name, words[each.payload.decode()]), each.at)
            commands[place] = Command(each.at, decided, each.topic, each.payload.decode())
            stamps.append(each.at if decided is None else decided)
        else:
            stamps.append(each.at if each.sent is None else each.sent)
    still_to_come = list(accumulate(reversed(stamps), min))[::-1]
    kept: dict[str, bytes] = {}
    for place, (each, at) in enumerate(zip(seen, stamps, strict=True)):
        while monitor.next_at < still_to_come[place]:
            monitor.tick(monitor.next_at)
        if each.does is not None:
            each.does(monitor, at)
        elif place in commands:
            monitor.left(each.topic, each.payload, at, at)
        elif each.topic == f"{base}online":
            if each.payload == b"1":
                monitor.connected(at)
                for topic, payload in kept.items():  # it hears what is retained; so does the monitor
                    monitor.heard(topic, payload, at, retained=True)
            else:  # its will, or its goodbye
                monitor.lost(inf, at)
        elif each.topic not in monitor.commands and not _of_the_daemon(each.topic, base):
            if each.keeps:
                kept[each.topic] = each.payload
            # The daemon heard it before the command that follows from it, and perhaps no earlier.
            acted = next((stamps[later] for later in commands if later > place and stamps[later] >= at), at)
            monitor.heard(each.topic, each.payload, at, retained=each.retained, late=acted - at)
    return Verdict(monitor, tuple(commands.values()))


def _of_the_daemon(topic: str, base: str) -> bool:
    return topic.startswith(base) and not topic.endswith(("/reset", "/hold", "/hand"))


def _decisions(folder: Path) -> dict[tuple[str, str], list[float]]:
    """From the log, by whose it is and what was decided: when."""
    found: dict[tuple[str, str], list[float]] = defaultdict(list)
    for path in sorted((folder / "log").glob("events-*.jsonl")):
        for raw in path.read_bytes().splitlines():
            try:
                line = json.loads(raw)
            except ValueError:
                continue  # torn by a kill
            match line:
                case {"event": "broker_connected"}:
                    name, word = "online", "on"
                case {"event": "gate_commanded", "gate": name, "to": word}:
                    pass
                case {"event": "collector_on" | "collector_off" as word, "collector": name}:
                    word = word.removeprefix("collector_")
                case {"event": "collector_unanswered", "collector": name, "told": word}:
                    pass
                case {"event": "command_vetoed", "forced": True, "command": word}:
                    name = line.get("gate") or line["collector"]
                case _:
                    continue
            found[name, word].append(float(line["mono"]))
    return found


def _decided(decisions: dict[tuple[str, str], list[float]], what: tuple[str, str], came: float) -> float | None:
    """The last such decision before that came."""
    own = decisions.get(what, [])
    return next((at for at in reversed(own) if came - LONGEST <= at <= came + ROUNDING), None)
