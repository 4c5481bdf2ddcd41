"""Topics across tables: no two commands on one, none where something is heard, nothing within our own base.

And what a reading's own time needs, and whose the daemon's login is. A poll is no command: several signals may be
asked on one topic, yet never on one that moves something.
"""

from collections.abc import Iterator
from typing import Final

from msgspec import Struct

from gatehand.config import codes, signals
from gatehand.config.partial import Partial
from gatehand.config.problems import Fault, KeyPath, dotted
from gatehand.text import shown

_KINDS: Final = ("collector", "gate", "tool", "stop")
"""The order in which devices are named: of two on one topic, the later one is at fault."""


class _Use(Struct, frozen=True):
    """A topic and the key that names it."""

    path: KeyPath
    topic: str
    table: signals.TopicSource | signals.SwitchCommand | signals.GateCommand | signals.PollRequest

    @property
    def signal(self) -> str:
        """The table that it stands in, such as `gate.band_saw.state`."""
        return dotted(self.path[:-1])


def check_topics(partial: Partial) -> Iterator[Fault]:
    """Every fault of the topics."""
    every = sorted(partial.config.signals(), key=lambda one: _KINDS.index(one.kind))
    commands = [_Use((*one.path, "topic"), one.topic, one.table) for one in every if one.heard is None]
    heard = [_Use((*one.path, "topic"), one.topic, one.heard) for one in every if one.heard is not None]
    polls = [_Use((*one.path, "poll", "topic"), one.poll.topic, one.poll) for one in every if one.poll is not None]
    commanded, reported = ({use.topic: use for use in some} for some in (commands, heard))
    first: dict[str, _Use] = {}
    for use in commands:
        if (before := first.setdefault(use.topic, use)) is not use:
            text = f"{dotted(before.path[:2])} takes commands on {shown(use.topic)} too, so one command would move both"
            yield Fault(use.path, codes.SHARED_COMMAND, f"{text}; wanted a topic of its own")
    for use in heard:
        if (command := commanded.get(use.topic)) is not None:
            text = (
                f"{command.signal} sends commands to {shown(use.topic)}, so our own command would be taken "
                "for a report; wanted the topic that the device itself publishes to"
            )
            yield Fault(use.path, codes.REPORT_ON_COMMAND, text)
    yield from _heard_twice(heard)
    for use in polls:
        if (why := _not_to_be_asked(use, commanded, reported)) is not None:
            yield Fault(use.path, codes.POLL_TOPIC, f"{why}; wanted the topic on which the device takes questions")
    own = {"base": partial.config.broker.base}
    if partial.config.homie.enabled:
        own["homie.domain"] = f"{partial.config.homie.domain}/5"
    for use in (*commands, *heard, *polls):
        for key, base in own.items():
            if use.topic == base or use.topic.startswith(f"{base}/"):
                text = f"{shown(use.topic)} lies within {shown(base)} ({key}), where the daemon publishes"
                yield Fault(use.path, codes.OWN_TOPIC, f"{text}; wanted a topic outside")
        if use.topic.startswith("$") and not isinstance(use.table, signals.PollRequest):
            text = "topics that begin with $ belong to the broker, and devices rarely use them"
            yield Fault(use.path, codes.BROKER_TOPIC, text)
        if any(level != level.strip() for level in use.topic.split("/")):
            text = f"{shown(use.topic)} has a space at the edge of a level; it counts as part of the name"
            yield Fault(use.path, codes.BLANK_IN_TOPIC, text)


_OF_ONE_DEVICE: Final = {*signals.SENSORS, "state", "button", "reset", "suction"}
"""Keys of what only one device can say."""


def _heard_twice(heard: list[_Use]) -> Iterator[Fault]:
    """One value that would stand for two devices; a gateway's many values under one topic differ by pointer."""
    first: dict[tuple[object, ...], _Use] = {}
    for use in heard:
        if use.path[2] not in _OF_ONE_DEVICE or not isinstance(use.table, signals.TopicSource):
            continue
        words = (use.table.open, use.table.shut) if isinstance(use.table, signals.GatePosition) else ()
        words = (use.table.on, use.table.off) if isinstance(use.table, signals.SwitchState) else words
        words = (use.table.active, use.table.clear) if isinstance(use.table, signals.Contact) else words
        before = first.setdefault((use.topic, use.table.pointer, words, use.path[2]), use)
        if before is not use:
            text = f"{before.signal} reads the very same value of {shown(use.topic)}"
            yield Fault(use.path, codes.SAME_VALUE, f"{text}; one of the two is probably meant to be another")


def _not_to_be_asked(use: _Use, commanded: dict[str, _Use], reported: dict[str, _Use]) -> str | None:
    """Why a device cannot be asked on a poll's topic."""
    if (command := commanded.get(use.topic)) is not None:
        return f"{command.signal} sends commands to {shown(use.topic)}, so asking could move something"
    if (signal := reported.get(use.topic)) is not None:
        return f"{signal.signal} listens to {shown(use.topic)}, so our own question would be its answer"
    if use.topic.startswith("$"):
        return f"{shown(use.topic)} begins with $: the broker's own topics, where nobody else publishes"
    return None


_SUCH_AS: Final[dict[str | int, str]] = {"current": "amps", "power": "power", "suction": "suction"}


def check_ages(partial: Partial) -> Iterator[Fault]:
    """Every fault of `at` and `max_age`."""
    meters = [(one.path, one.table) for one in partial.config.signals() if isinstance(one.table, signals.Meter)]
    for path, meter in meters:
        if meter.at is None:
            if meter.max_age is not None and not partial.is_spoilt(*path, "at"):
                text = (
                    "nothing says how old a reading is: add at, the JSON pointer to when it was measured, "
                    'such as at = "/time"; or leave max_age out'
                )
                yield Fault((*path, "max_age"), codes.READING_AGE, text)
        elif not meter.pointer and not partial.is_spoilt(*path, "pointer"):
            text = (
                "the payload is the number itself, so it cannot say when it was measured too: "
                f'add pointer, the JSON pointer to the {path[-1]}, such as pointer = "/{_SUCH_AS[path[-1]]}"; '
                'or leave out "at"'
            )
            yield Fault((*path, "at"), codes.READING_AGE, text)
        elif meter.pointer == meter.at:
            text = f"found {shown(meter.at)}, which is the {path[-1]} itself (pointer); wanted the pointer to its time"
            yield Fault((*path, "at"), codes.READING_AGE, text)


_APART: Final = ("bin_full", "running", "reset")
"""Keys of a collector whose contacts may have a login of their own."""
_PEOPLE = {"viewer": "whoever may only look", "hands": "a screen with buttons"}


def check_login(partial: Partial) -> Iterator[Fault]:
    """A fault when it is a person's, a screen's or a device's: the access list would give those the daemon's rights."""
    username = partial.config.broker.username
    if username is None or partial.is_spoilt("broker", "username"):
        return
    whose = _PEOPLE.get(username)
    kind, _, name = username.partition("-")
    if kind in _KINDS and name in partial.declared(kind):
        whose = f"the device of [{kind}.{name}]"
    elif kind in _APART and name in partial.declared("collector"):
        whose = f"a board for {kind} of [collector.{name}]"
    if whose is not None:
        text = (
            f"found {shown(username)}, the login of {whose} in the broker's access list: "
            'wanted one that only the daemon has, such as "gatehand"'
        )
        yield Fault(("broker", "username"), codes.LOGIN_TAKEN, text)
