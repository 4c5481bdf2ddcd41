"""Signals: where a device is told something or says something, by topic and payload.

The tables that describe one, and `Signal`, one of them with its owner: `Config.signals()` names each of a shop's.
"""

from collections.abc import Mapping
from typing import Final, Literal, Self, TypeAlias

from msgspec import Struct
from pydantic import Field, field_validator, model_validator

from gatehand.config import codes
from gatehand.config.values import PayloadText, Pointer, Scale, SomeSeconds, TomlTable, Topic, fail, unknown_word
from gatehand.text import shown
from gatehand_air.properties import METRIC, US
from gatehand_rules.words import Measure

_WORDS: Final = ("on", "off", "open", "shut", "active", "clear", "pressed", "released")

MAX_AGE: Final = 5.0
"""Seconds; the oldest that a reading may be where `max_age` is not given."""


class _Words(TomlTable):
    """A table with payload words of its own, which must differ: keys that hold a `PayloadText`."""

    @model_validator(mode="after")
    def _told_apart(self) -> Self:
        payloads = [(key, getattr(self, key)) for key in _WORDS if hasattr(self, key)]
        if len(payloads) > 1 and payloads[0][1] == payloads[1][1]:
            (first, word), (second, _) = payloads
            raise fail(
                codes.SAME_PAYLOADS, f"{first} and {second} are both {shown(word)}; wanted two different payloads"
            )
        return self


class SwitchCommand(_Words):
    """Where a switch takes its commands."""

    topic: Topic = Field(description="Topic to publish to; never retained.")
    on: PayloadText = Field(description="Payload for on.")
    off: PayloadText = Field(description="Payload for off.")


class GateCommand(_Words):
    """Where a gate is told to move."""

    topic: Topic = Field(description="Topic to publish to; never retained.")
    open: PayloadText = Field(description="Payload that opens the gate.")
    shut: PayloadText = Field(description="Payload that shuts the gate.")


class PollRequest(TomlTable):
    """What a device is asked, so that it reports its state now: for one that speaks only on change."""

    topic: Topic = Field(description="Topic to publish to, on each connection; never retained.")
    payload: PayloadText = Field(description="Payload that asks.")


class TopicSource(_Words):
    """A topic that is listened to, and where in a JSON payload the value stands."""

    topic: Topic = Field(description="Topic to listen to.")
    pointer: Pointer | None = None
    """JSON pointer (RFC 6901) to the value, such as "/amps"; without it the payload is the value."""
    poll: PollRequest | None = None
    """Asks the device to say it now; default: it is never asked."""


class SwitchState(TopicSource):
    """A switch reports on or off."""

    on: PayloadText = Field(description="Value that means on.")
    off: PayloadText = Field(description="Value that means off.")


class GatePosition(TopicSource):
    """A gate reports its position; any other value counts as in between."""

    open: PayloadText = Field(description="Value that means open.")
    shut: PayloadText = Field(description="Value that means shut.")


class Contact(TopicSource):
    """A contact is active or clear: an emergency stop, a full bin, a device's own online/offline message."""

    active: PayloadText = Field(description="Value that means active.")
    clear: PayloadText = Field(description="Value that means clear.")


class Button(TopicSource):
    """A button."""

    pressed: PayloadText = Field(description="Value that means pressed.")


class ResetInput(TopicSource):
    """A button that ends a hold: its press counts on its release."""

    pressed: PayloadText = Field(description="Value that means pressed.")
    released: PayloadText = Field(description="Value that means released.")


class Meter(TopicSource):
    """What measures: a number, and maybe when it was measured."""

    scale: Scale = 1.0
    """Factor from the payload's number to amps or watts, such as 0.001 for milliamps."""
    at: Pointer | None = None
    """JSON pointer (RFC 6901) to when it was measured: seconds or milliseconds of any clock that rises, or an RFC 3339
    text; default: a reading counts as of the moment it comes.
    """
    max_age: SomeSeconds | None = None
    """With at: a reading older than this is refused; default: 5 s."""

    @property
    def oldest(self) -> float:
        """Seconds; how old a reading may be at most, where `at` tells its age."""
        return MAX_AGE if self.max_age is None else self.max_age


class Current(Meter):
    """A current sensor, in amps."""


class Power(Meter):
    """A meter of power, in watts."""


PASCALS: Final[Mapping[str, float]] = {each.pressure_word: each.pressure for each in (METRIC, US)}
"""Units of pressure that may be named, and what one of each is in Pa."""


class Suction(Meter):
    """A pressure sensor in the duct at the collector's inlet. Below the room or above it: suction is shown positive."""

    unit: str = Field(
        description='Unit of the value, once scaled: "Pa" or "in.w.g.".', json_schema_extra={"enum": [*PASCALS]}
    )
    scale: Scale = 1.0
    """Factor from the payload's number to the unit, such as 100 for a sensor that says hectopascals."""

    @field_validator("unit", mode="before")
    @classmethod
    def _known_unit(cls, value: object) -> str:
        if not isinstance(value, str) or value not in PASCALS:
            raise unknown_word(str(value), PASCALS, "unit of pressure")
        return value

    @property
    def to_pascals(self) -> float:
        """Factor from the payload's number to Pa."""
        return self.scale * PASCALS[self.unit]

    def in_unit(self, pascals: float) -> float:
        """A pressure in its unit, with as many digits as are worth showing."""
        return round(pascals / PASCALS[self.unit], 0 if PASCALS[self.unit] == 1 else 2)


Sensor: TypeAlias = Current | Power | Contact
"""By which a tool says that it works, or a motor that it turns."""
SENSORS: Final[Mapping[str, Measure]] = {
    "current": Measure.AMPS,
    "power": Measure.WATTS,
    "running": Measure.RUNNING,
}
"""The keys of the three, and what each measures."""
KEY_OF: Final[Mapping[Measure, str]] = {measure: key for key, measure in SENSORS.items()}


class Sensed(TomlTable):
    """A table with at most one sensor, under its key of `SENSORS`."""

    @property
    def sensor_key(self) -> str | None:
        """The key of its sensor; None: it has none."""
        return next((key for key in SENSORS if getattr(self, key) is not None), None)

    @property
    def motor_sensor(self) -> Sensor | None:
        """Its sensor; None: it has none."""
        key = self.sensor_key
        found: Sensor | None = None if key is None else getattr(self, key)
        return found

    @property
    def measure(self) -> Measure:
        """What its sensor measures; ampere where it has none."""
        return SENSORS.get(self.sensor_key or "", Measure.AMPS)


DeviceKind: TypeAlias = Literal["stop", "gate", "collector", "tool"]


class Signal(Struct, frozen=True):
    """One thing that a device of the shop says, or is told, as its table in the config has it."""

    kind: DeviceKind
    name: str
    """Of the device."""
    key: str
    """In the device's table; "contact" for a stop, whose table is the signal itself."""
    table: TopicSource | SwitchCommand | GateCommand

    @property
    def path(self) -> tuple[str, ...]:
        """Its own table's key path."""
        return (self.kind, self.name) if self.is_stop else (self.kind, self.name, self.key)

    @property
    def topic(self) -> str:
        """Where it is said."""
        return self.table.topic

    @property
    def whose(self) -> tuple[DeviceKind, str, str]:
        """Whose it is, and which of its values."""
        return self.kind, self.name, self.key

    @property
    def place(self) -> str:
        """Where its value is said: the topic and, behind a "#" (no topic holds one), the pointer if there is one."""
        pointer = None if self.heard is None else self.heard.pointer
        return self.topic if pointer is None else f"{self.topic}#{pointer}"

    @property
    def is_stop(self) -> bool:
        """Whether it is a stop contact's own word, which holds its collectors."""
        return self.kind == "stop" and self.key == "contact"

    @property
    def is_press(self) -> bool:
        """Whether it speaks of a moment and not of how things stand."""
        return isinstance(self.table, Button | ResetInput)

    @property
    def heard(self) -> TopicSource | None:
        """How it is said by the device; None for a command, which the device hears."""
        return self.table if isinstance(self.table, TopicSource) else None

    @property
    def poll(self) -> PollRequest | None:
        """How the device is asked for it."""
        return None if self.heard is None else self.heard.poll
