"""Signals: where a device is told something or says something, by topic and payload. No device kinds in here."""

from typing import Self

from pydantic import Field, model_validator

from gatehand.config.base import Table
from gatehand.config.shown import shown
from gatehand.config.topics import Payload, Pointer, Topic
from gatehand.config.values import Scale, fail


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


class Heard(Table):
    """A topic that is listened to, and where in a JSON payload the value stands."""

    topic: Topic = Field(description="Topic to listen to.")
    pointer: Pointer | None = Field(
        None, description='JSON pointer (RFC 6901) to the value, such as "/amps"; without it the payload is the value.'
    )


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


class Current(Heard):
    """A current sensor."""

    scale: Scale = Field(1.0, description="Factor from the payload's number to ampere, such as 0.001 for milliampere.")
