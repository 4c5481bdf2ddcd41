"""The words of the trade that state, log and status topics share. One word for one thing; no behaviour."""

from enum import StrEnum
from typing import Final

from msgspec import Struct

EXERCISE: Final = "exercise"
MESSAGE: Final = "message"
"""Who asks: `gatehand exercise`, which moves gates under its hold; a message that does not say who sent it."""


class Record(Struct, frozen=True, tag=True, forbid_unknown_fields=True):
    """What is recorded for a replay: written with its class's name, and read again only where every field is known.

    A class that gets another name keeps its old one in the files with `tag="OldName"`.
    """


class Measure(StrEnum):
    """What a sensor measures. The word is the reading's name in the log and in a status."""

    AMPS = "amps"
    WATTS = "watts"
    RUNNING = "running"
    """A contact, or a controller's output: it runs, or it does not."""


class ToolWord(StrEnum):
    """What is known of a tool."""

    UNKNOWN = "unknown"
    """No live reading yet that tells idle from running."""
    IDLE = "idle"
    RUNNING = "running"
    RUN_ON = "run_on"
    SILENT = "silent"
    """Its sensor says nothing."""
    MUTED = "muted"
    """It draws, and a hand (or its run limit) said not to serve it until it has stopped."""


class GateWord(StrEnum):
    """What is known of a gate."""

    UNKNOWN = "unknown"
    SHUT = "shut"
    OPENING = "opening"
    OPEN = "open"
    SHUTTING = "shutting"
    FAULT = "fault"


class CollectorWord(StrEnum):
    """The collector's phase."""

    OFF = "off"
    OPENING = "opening"
    """Gates travel; the fan is still switched off."""
    SPIN_UP = "spin_up"
    RUNNING = "running"
    RUN_ON = "run_on"
    COAST_DOWN = "coast_down"
    HELD = "held"
    """Kept off until somebody resets it."""


class Position(StrEnum):
    """What a gate's position report says."""

    SHUT = "shut"
    OPEN = "open"
    BETWEEN = "between"
    """Neither: it moves, has stopped half-way, or says a word the config does not name."""
