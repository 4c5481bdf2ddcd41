"""What the rules want done. The order within a step has a meaning: the daemon carries them out in that order."""

from typing import Literal, TypeAlias

from msgspec import Struct

from gatehand_rules.findings import Alarm


class OpenGate(Struct, frozen=True):
    """Tell a gate to open. `instead_of`: gates that will be told to shut once this one is proven open."""

    gate: str
    instead_of: tuple[str, ...] = ()


class ShutGate(Struct, frozen=True):
    """Tell a gate to shut."""

    gate: str


class CollectorOn(Struct, frozen=True):
    """Tell the collector's switch on."""

    collector: str


class CollectorOff(Struct, frozen=True):
    """Tell the collector's switch off."""

    collector: str


class RaiseAlarm(Struct, frozen=True):
    """From now on there is this alarm."""

    alarm: Alarm


class ClearAlarm(Struct, frozen=True):
    """Its cause is gone."""

    alarm: Alarm


class Poll(Struct, frozen=True):
    """Ask a device how things stand. Nothing leaves for one that cannot be asked."""

    kind: Literal["tool", "gate", "collector", "stop"]
    name: str


Command: TypeAlias = OpenGate | ShutGate | CollectorOn | CollectorOff | RaiseAlarm | ClearAlarm | Poll
