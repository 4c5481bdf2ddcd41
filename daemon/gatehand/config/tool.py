"""`[tool.NAME]`: a machine whose current is watched, and the thresholds that tell cutting from standing."""

from typing import Any

from pydantic import Field

from gatehand.config.base import Table
from gatehand.config.signals import Contact, Current
from gatehand.config.values import Amps, NameOf, Seconds

STOP_SHARE = 0.7
"""`stop_amps` where it is not given, as a share of `start_amps`: common practice, no published source."""


def _stop_amps(given: dict[str, Any]) -> float:
    return round(STOP_SHARE * float(given["start_amps"]), 3)


class Tool(Table):
    """A tool."""

    gates: tuple[NameOf, ...] = Field((), description="Gates that it needs open.")
    assist: tuple[NameOf, ...] = Field(
        (), description="Gates opened with its own to keep the main moving; never waited for."
    )
    collector: NameOf | None = Field(
        None, description="Its collector; only for a tool without gates, where there are several."
    )
    current: Current = Field(description="Its current sensor.")
    start_amps: Amps = Field(description="Start threshold: at or above this it is running.")
    stop_amps: Amps = Field(
        default_factory=_stop_amps, description="Stop threshold: below this it has stopped; default: 0.7 x start_amps."
    )
    start_after: Seconds = Field(0.0, description="It must draw start_amps for this long.")
    stop_after: Seconds = Field(0.0, description="It must stay below stop_amps for this long.")
    run_on: Seconds = Field(10.0, description="The collector runs on for this long after the tool has stopped.")
    silent_after: Seconds = Field(
        30.0, description="Silence that counts as a lost sensor; 0 = it speaks only on change."
    )
    run_limit: Seconds = Field(8 * 3600.0, description="Drawing for longer is a stuck sensor: muted; 0 = no limit.")
    full_load_amps: Amps | None = Field(None, description="From the motor's plate; only circuits need it.")
    online: Contact | None = Field(None, description="The sensor's own will: active while it is there.")
