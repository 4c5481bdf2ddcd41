"""Signals: where a device is told something or says something, by topic and payload. No device kinds in here."""

from typing import Final, Self

from pydantic import Field, model_validator

from gatehand.config.base import Table
from gatehand.config.topics import Payload, Pointer, Topic
from gatehand.config.values import Scale, SomeSeconds, fail
from gatehand.text import shown

MAX_AGE: Final = 5.0
"""Seconds; the oldest that a reading may be where `max_age` is not given."""


def _differ(first: tuple[str, str], second: tuple[str, str]) -> None:
    if first[1] == second[1]:
        raise fail(f"{first[0]} and {second[0]} are both {shown(first[1])}; wanted two different payloads")


class SwitchCommand(Table):
    """Where a switch is told on and off."""

    topic: Topic = Field(description="Topic to publish to; never retained.")
    on: Payload = Field(description="Payload for on.")
    off: Payload = Field(description="Payload for off.")

    @model_validator(mode="after")
    def _told_apart(self) -> Self:
        _differ(("on", self.on), ("off", self.off))
        return self


class GateCommand(Table):
    """Where a gate is told to move."""

    topic: Topic = Field(description="Topic to publish to; never retained.")
    open: Payload = Field(description="Payload that opens the gate.")
    shut: Payload = Field(description="Payload that shuts the gate.")

    @model_validator(mode="after")
    def _told_apart(self) -> Self:
        _differ(("open", self.open), ("shut", self.shut))
        return self


class Poll(Table):
    """What a device is asked, so that it says how things stand now: for one that speaks only on change."""

    topic: Topic = Field(description="Topic to publish to, on each connection; never retained.")
    payload: Payload = Field(description="Payload that asks.")


class Heard(Table):
    """A topic that is listened to, and where in a JSON payload the value stands."""

    topic: Topic = Field(description="Topic to listen to.")
    pointer: Pointer | None = Field(
        None, description='JSON pointer (RFC 6901) to the value, such as "/amps"; without it the payload is the value.'
    )
    poll: Poll | None = Field(None, description="Asks the device to say it now; default: it is never asked.")


class SwitchState(Heard):
    """A switch reports on or off."""

    on: Payload = Field(description="Value that means on.")
    off: Payload = Field(description="Value that means off.")

    @model_validator(mode="after")
    def _told_apart(self) -> Self:
        _differ(("on", self.on), ("off", self.off))
        return self


class GateState(Heard):
    """A gate reports its position; any other value counts as in between."""

    open: Payload = Field(description="Value that means open.")
    shut: Payload = Field(description="Value that means shut.")

    @model_validator(mode="after")
    def _told_apart(self) -> Self:
        _differ(("open", self.open), ("shut", self.shut))
        return self


class Contact(Heard):
    """A contact is active or clear: an emergency stop, a full bin, a device's own will."""

    active: Payload = Field(description="Value that means active.")
    clear: Payload = Field(description="Value that means clear.")

    @model_validator(mode="after")
    def _told_apart(self) -> Self:
        _differ(("active", self.active), ("clear", self.clear))
        return self


class Button(Heard):
    """A button."""

    pressed: Payload = Field(description="Value that means pressed.")


class ResetButton(Heard):
    """A button that ends a hold: its press counts on its release."""

    pressed: Payload = Field(description="Value that means pressed.")
    released: Payload = Field(description="Value that means released.")

    @model_validator(mode="after")
    def _told_apart(self) -> Self:
        _differ(("pressed", self.pressed), ("released", self.released))
        return self


class Current(Heard):
    """A current sensor."""

    scale: Scale = Field(1.0, description="Factor from the payload's number to ampere, such as 0.001 for milliampere.")
    at: Pointer | None = Field(
        None,
        description="JSON pointer (RFC 6901) to when it was measured: seconds or milliseconds of any clock that rises, "
        "or an RFC 3339 text; default: a reading counts as of the moment it comes.",
    )
    max_age: SomeSeconds | None = Field(
        None, description="With at: a reading older than this is refused; default: 5 s."
    )

    @property
    def oldest(self) -> float:
        """Seconds; how old a reading may be at most, where `at` tells its age."""
        return MAX_AGE if self.max_age is None else self.max_age
