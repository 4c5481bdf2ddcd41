"""`[circuit.NAME]`: what hangs on one breaker, for a warning and for keeping two inrushes apart."""

from pydantic import Field

from gatehand.config.base import Table
from gatehand.config.values import Amps, NameOf, Seconds, Volts

COLLECTOR_MEMBER = "collector."
"""What a member begins with that is a collector and no tool."""


class Circuit(Table):
    """A breaker and the machines behind it. A check of arithmetic; wiring is a licensed electrician's."""

    amps: Amps = Field(description="Rating of the breaker.")
    members: tuple[NameOf, ...] = Field(description='Tools by name, collectors as "collector.NAME".')
    start_gap: Seconds = Field(
        0.0, description="Least time between a tool's start and the collector's, so that inrushes do not meet."
    )
    voltage: Volts | None = Field(None, description="Voltage of the circuit, for reports of power.")
