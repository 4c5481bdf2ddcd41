"""`[gate.NAME]`: a blast gate, moved by command or by hand."""

from typing import Literal

from pydantic import Field

from gatehand.config.base import Table
from gatehand.config.signals import Button, Contact, GateCommand, GateState
from gatehand.config.values import Flag, NameOf, Retries, SomeSeconds


class Gate(Table):
    """A blast gate."""

    collector: NameOf | None = Field(
        None, description="The collector it belongs to; may be left out where there is one."
    )
    command: GateCommand | None = Field(
        None, description="Where it is told to move; without it the gate is moved by hand."
    )
    state: GateState | None = Field(None, description="Where it reports its position; needed without command.")
    travel: SomeSeconds = Field(1.5, description="Time allowed to move; then a gate with state is told again.")
    retries: Retries = Field(2, description="How often it is told again before it is a fault.")
    button: Button | None = Field(None, description="Its button: starts and ends a hand start.")
    hand_limit: SomeSeconds = Field(1800.0, description="The longest hand start.")
    relief: Flag = Field(False, description="Opens first when the fan turns against shut gates.")
    on_hand_open: Literal["start", "ignore"] | None = Field(
        None,
        description="Opened without our command: start the collector, or ignore; "
        "default: start for a gate without command that serves no tool, else ignore.",
    )
    online: Contact | None = Field(None, description="The gate's own will: active while it is there.")
