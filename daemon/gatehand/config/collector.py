"""`[collector.NAME]`: a fan with its filter and bin, its switch and its motor."""

from typing import Literal

from pydantic import Field

from gatehand.config.base import Table
from gatehand.config.signals import Contact, Current, ResetButton, SwitchCommand, SwitchState
from gatehand.config.values import Amps, Count, Seconds, SomeCount


class Collector(Table):
    """A dust collector."""

    command: SwitchCommand = Field(description="Where its switch is told on and off.")
    state: SwitchState | None = Field(None, description="Where its switch reports back.")
    current: Current | None = Field(None, description="Its motor's current: proves that it turns.")
    running_amps: Amps = Field(2.0, description="At or above this current the motor counts as turning.")
    full_load_amps: Amps | None = Field(None, description="From the motor's plate; only circuits need it.")
    spin_up: Seconds = Field(3.0, description="Until the air moves at full flow.")
    coast_down: Seconds = Field(8.0, description="The fan still moves air for this long after off.")
    refresh: Seconds = Field(
        20.0, description="Repeats the command, so that a switch with its own time limit fails safe; 0 = never."
    )
    min_open: Count = Field(1, description="Gates that must be proven open before it starts; 0 = a hose without gate.")
    max_open: SomeCount | None = Field(None, description="Most gates told to stand open at once; default: no limit.")
    starts_per_hour: SomeCount | None = Field(
        None, description="Starts an hour that the motor bears, kept by running on for longer; default: no limit."
    )
    bin_full: Contact | None = Field(None, description="The bin's level contact.")
    on_bin_full: Literal["refuse", "warn"] = Field(
        "refuse", description="With a full bin: refuse starts, or only warn."
    )
    rest: Literal["shut", "leave"] = Field(
        "shut", description="Its gates after coast-down: shut, or leave (fewer movements)."
    )
    reset: ResetButton | None = Field(
        None, description="A button that ends a hold: released, pressed for 0.1 to 2 s, once its cause is gone."
    )
    online: Contact | None = Field(None, description="The switch's own will: active while it is there.")
