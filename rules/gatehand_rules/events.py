"""What can happen, as frozen records. Values only: parsing and time stamps belong to the daemon.

`retained` is true on the copy that a broker sends for a new subscription: its age is unknown, so it counts for caution
and never for a start.
"""

from dataclasses import dataclass
from typing import Literal, TypeAlias

from gatehand_rules.words import Position


@dataclass(frozen=True, slots=True)
class Reading:
    """A tool's current in ampere, finite, within 1,000 A either way."""

    tool: str
    amps: float
    retained: bool = False


@dataclass(frozen=True, slots=True)
class MessageRejected:
    """A payload that is no value: `why` in a few words, `shown` a short safe excerpt of the payload."""

    kind: Literal["tool", "gate", "collector", "stop"]
    name: str
    why: str
    shown: str = ""


@dataclass(frozen=True, slots=True)
class GateReport:
    """A gate's position report."""

    gate: str
    position: Position
    retained: bool = False


@dataclass(frozen=True, slots=True)
class ButtonPressed:
    """A gate's button."""

    gate: str
    retained: bool = False


@dataclass(frozen=True, slots=True)
class HandAsked:
    """A hand start (or its end) asked for over MQTT."""

    gate: str
    on: bool
    retained: bool = False


@dataclass(frozen=True, slots=True)
class StopReport:
    """A stop contact became active or clear."""

    stop: str
    active: bool
    retained: bool = False


@dataclass(frozen=True, slots=True)
class CollectorReport:
    """The collector's switch reports back."""

    collector: str
    on: bool
    retained: bool = False


@dataclass(frozen=True, slots=True)
class CollectorCurrent:
    """The collector motor's current in ampere."""

    collector: str
    amps: float
    retained: bool = False


@dataclass(frozen=True, slots=True)
class BinReport:
    """The bin's level contact."""

    collector: str
    full: bool
    retained: bool = False


@dataclass(frozen=True, slots=True)
class DeviceOnline:
    """A device's own will: it is there, or it is gone."""

    kind: Literal["tool", "gate", "collector"]
    name: str
    online: bool
    retained: bool = False


@dataclass(frozen=True, slots=True)
class ResetAsked:
    """Somebody wants a hold to end."""

    collector: str
    retained: bool = False


@dataclass(frozen=True, slots=True)
class HoldAsked:
    """Somebody wants the collector kept off until a reset (commissioning, a filter change)."""

    collector: str
    because: str = ""
    retained: bool = False


@dataclass(frozen=True, slots=True)
class HoldRemembered:
    """The daemon's own retained status from before its restart says that the collector was held."""

    collector: str


@dataclass(frozen=True, slots=True)
class BrokerConnected:
    """Connected and subscribed; what the broker retains follows."""


@dataclass(frozen=True, slots=True)
class BrokerLost:
    """The connection is gone. `heard_at`: when the broker was last heard, monotonic seconds.

    Commands given after `heard_at` may not have arrived.
    """

    heard_at: float


@dataclass(frozen=True, slots=True)
class ShutdownAsked:
    """The daemon stops cleanly."""


@dataclass(frozen=True, slots=True)
class Tick:
    """Nothing but time."""


Event: TypeAlias = (
    Reading
    | MessageRejected
    | GateReport
    | ButtonPressed
    | HandAsked
    | StopReport
    | CollectorReport
    | CollectorCurrent
    | BinReport
    | DeviceOnline
    | ResetAsked
    | HoldAsked
    | HoldRemembered
    | BrokerConnected
    | BrokerLost
    | ShutdownAsked
    | Tick
)
