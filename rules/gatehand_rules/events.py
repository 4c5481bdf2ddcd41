"""What can happen, as frozen records. Values only: parsing and time stamps belong to the daemon.

`retained` is true on the copy that a broker sends for a new subscription: its age is unknown, so it counts for caution
and never for a start.
"""

from typing import Literal, TypeAlias

from msgspec import field

from gatehand_rules.words import Position, Record


class Reading(Record, frozen=True):
    """What a tool's sensor reads: finite, in the unit of its measure; of a contact, 1 for running and 0 for not."""

    tool: str
    value: float = field(name="amps")
    retained: bool = False
    young: bool = False
    """Surely measured just now: its own time proves it, or it answers a question that was asked just now."""


class MessageRejected(Record, frozen=True):
    """A payload that is no value, or too old a one: `why` in a few words, `shown` a short safe excerpt of it."""

    kind: Literal["tool", "gate", "collector", "stop"]
    name: str
    why: str
    shown: str = ""
    old: bool = False
    """It could be read, and was measured too long ago."""
    more: int = 0
    """It stands for so many like it, which became no events of their own."""


class GateReport(Record, frozen=True):
    """A gate's position report."""

    gate: str
    position: Position
    retained: bool = False
    says: str = ""
    """Its word, where that is neither its open nor its shut: whoever misspelt one wants to read it."""


class ButtonPressed(Record, frozen=True):
    """A gate's button."""

    gate: str
    retained: bool = False


class HandAsked(Record, frozen=True):
    """A hand start (or its end) asked for over MQTT. `because` and `by`: what the message says of why and who."""

    gate: str
    on: bool
    retained: bool = False
    because: str = ""
    by: str = ""


class StopReport(Record, frozen=True):
    """A stop contact became active or clear."""

    stop: str
    active: bool
    retained: bool = False


class StopUnclear(Record, frozen=True):
    """A stop contact says a word that is neither its active nor its clear."""

    stop: str
    says: str


class CollectorReport(Record, frozen=True):
    """The collector's switch reports back."""

    collector: str
    on: bool
    retained: bool = False


class CollectorReading(Record, frozen=True, tag="CollectorCurrent"):
    """What the sensor at the collector's motor reads, as `Reading`."""

    collector: str
    value: float = field(name="amps")
    retained: bool = False


class BinReport(Record, frozen=True):
    """The bin's level contact."""

    collector: str
    full: bool
    retained: bool = False


class DeviceOnline(Record, frozen=True):
    """A device's own will: it is there, or it is gone."""

    kind: Literal["tool", "gate", "collector", "stop"]
    name: str
    online: bool
    retained: bool = False


class ResetAsked(Record, frozen=True):
    """A message wants a hold to end. It counts where none came shortly before it."""

    collector: str
    retained: bool = False
    because: str = ""
    by: str = ""


class ResetButton(Record, frozen=True):
    """The collector's reset button was pressed or released. A press counts when it is released in time."""

    collector: str
    pressed: bool
    retained: bool = False


class HoldAsked(Record, frozen=True):
    """Somebody wants the collector kept off until a reset (commissioning, a filter change)."""

    collector: str
    because: str = ""
    retained: bool = False
    by: str = ""


class OffAsked(Record, frozen=True):
    """Somebody wants the collector off, and nothing that asks for it now to switch it on again."""

    collector: str
    retained: bool = False
    because: str = ""
    by: str = ""


class HoldRemembered(Record, frozen=True):
    """The collector was held before the daemon's start: its own file or its retained status says so, and `why`."""

    collector: str
    why: str = ""


class BrokerConnected(Record, frozen=True):
    """Connected and subscribed; what the broker retains follows."""


class BrokerLost(Record, frozen=True):
    """The connection is gone. `heard_at`: when the broker was last heard, monotonic seconds.

    Commands given after `heard_at` may not have arrived.
    """

    heard_at: float


class StopsLost(Record, frozen=True):
    """The stop contacts' own connection is gone, or what the broker retains on their topics is still to be read.

    `why`: how it was lost; empty where nothing was lost, as at the daemon's start.
    """

    why: str = ""


class StopsHeard(Record, frozen=True):
    """The stop contacts' own connection stands, and what the broker retains on their topics has been read."""


class LoopStood(Record, frozen=True):
    """The daemon stood still for `seconds`: what it is given until `LoopCaughtUp` may be as old as that."""

    seconds: float


class LoopCaughtUp(Record, frozen=True):
    """What had waited through the standstill has been read; what follows is new."""


class ShutdownAsked(Record, frozen=True):
    """The daemon stops cleanly."""


class Tick(Record, frozen=True):
    """Nothing but time."""


Event: TypeAlias = (
    Reading
    | MessageRejected
    | GateReport
    | ButtonPressed
    | HandAsked
    | StopReport
    | StopUnclear
    | CollectorReport
    | CollectorReading
    | BinReport
    | DeviceOnline
    | ResetAsked
    | ResetButton
    | HoldAsked
    | OffAsked
    | HoldRemembered
    | BrokerConnected
    | BrokerLost
    | StopsLost
    | StopsHeard
    | LoopStood
    | LoopCaughtUp
    | ShutdownAsked
    | Tick
)
