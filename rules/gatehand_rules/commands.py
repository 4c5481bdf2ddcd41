"""What the rules want done. The order within a step has a meaning: the daemon carries them out in that order."""

from dataclasses import dataclass
from typing import TypeAlias


@dataclass(frozen=True, slots=True)
class OpenGate:
    """Tell a gate to open. `instead_of`: gates that will be told to shut once this one is proven open."""

    gate: str
    instead_of: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class ShutGate:
    """Tell a gate to shut."""

    gate: str


@dataclass(frozen=True, slots=True)
class CollectorOn:
    """Tell the collector's switch on."""

    collector: str


@dataclass(frozen=True, slots=True)
class CollectorOff:
    """Tell the collector's switch off."""

    collector: str


@dataclass(frozen=True, slots=True)
class RaiseAlarm:
    """An alarm stands from now on. `alarm` is its id, fit for one topic level."""

    alarm: str


@dataclass(frozen=True, slots=True)
class ClearAlarm:
    """The alarm no longer stands."""

    alarm: str


Command: TypeAlias = OpenGate | ShutGate | CollectorOn | CollectorOff | RaiseAlarm | ClearAlarm
