"""The working day of the demo, as data: at which second somebody does what, and how the timeline tells it.

What Gatehand makes of it stands nowhere here; what is expected of it stands in `verdict.py`.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from gatehand.demo.floor import Floor
from gatehand.simshop import GateHabits, Habits, ToolHabits, Trouble

COLLECTOR: Final = "main"
BLIND_GATE: Final = "carving_router"
"""It cannot report, so that Gatehand shuts it when it comes up; then the doors open."""
JAMMED: Final = "band_saw"
MISSED_TOOL: Final = "carving_router"
MISSED_AMPS: Final = 1.1
"""Under the carving router's start threshold, above half of it."""

HABITS: Final = Habits(
    tools={
        "band_saw": ToolHabits(running_amps=6.2, every=0.5),
        "jointer": ToolHabits(running_amps=7.4, every=0.5),
        "drum_sander": ToolHabits(running_amps=8.1, every=0.5),
        # Its spindle has a drive of its own, which starts softly.
        "carving_router": ToolHabits(running_amps=2.6, inrush=None, every=0.5),
    },
    # Much quicker than the config allows, so that a busy computer does not make a fault of it.
    gates=dict.fromkeys(("band_saw", "planing", "carving_router", "sweep"), GateHabits(travel=0.3)),
)


@dataclass(frozen=True, slots=True)
class Happening:
    """Something that happens in the shop `at` so many seconds after the doors open."""

    at: float
    text: str
    act: Callable[[Floor, float], None]


def _on(tool: str, amps: float | None = None) -> Callable[[Floor, float], None]:
    return lambda floor, now: floor.shop.tools[tool].switch(on=True, at=now, amps=amps)


def _off(tool: str) -> Callable[[Floor, float], None]:
    return lambda floor, now: floor.shop.tools[tool].switch(on=False, at=now)


def _press(gate: str) -> Callable[[Floor, float], None]:
    return lambda floor, now: floor.shop.gates[gate].press(now)


def _suffer(gate: str, trouble: Trouble | None) -> Callable[[Floor, float], None]:
    return lambda floor, now: floor.shop.gates[gate].suffer(trouble, now)


def _stop(*, pressed: bool) -> Callable[[Floor, float], None]:
    return lambda floor, now: floor.shop.stops["emergency"].set(active=pressed, at=now)


def _reset(floor: Floor, _now: float) -> None:
    floor.publish(f"gatehand/collector/{COLLECTOR}/reset", "1")


DAY: Final[tuple[Happening, ...]] = (
    Happening(0.5, "The band saw cuts a neck blank.", _on("band_saw")),
    Happening(2.5, "The cut is done.", _off("band_saw")),
    Happening(3.2, "The jointer, at the other station, trues an edge.", _on("jointer")),
    Happening(4.8, "The board is turned: a pause.", _off("jointer")),
    Happening(5.8, "A second pass, within the run-on.", _on("jointer")),
    Happening(7.0, "The edge is true.", _off("jointer")),
    Happening(9.8, "Somebody presses the button of the bench sweep, with no tool running.", _press("sweep")),
    Happening(11.4, "Swept. The button again.", _press("sweep")),
    Happening(
        12.2, "The carving router takes a very light cut: 1.1 A, under its threshold.", _on(MISSED_TOOL, MISSED_AMPS)
    ),
    Happening(13.8, "The light cut is done.", _off(MISSED_TOOL)),
    Happening(14.2, "A chip wedges the band saw's gate.", _suffer(JAMMED, Trouble.JAM)),
    Happening(14.6, "The band saw is switched on.", _on("band_saw")),
    Happening(17.9, "No suction: the band saw is switched off, the chip pulled out.", _off("band_saw")),
    Happening(18.1, "", _suffer(JAMMED, None)),
    Happening(18.8, "The band saw again.", _on("band_saw")),
    Happening(20.0, "Cut done.", _off("band_saw")),
    Happening(20.8, "The carving router, a full cut.", _on("carving_router")),
    Happening(23.2, "Its program has ended. It wants the fan off at once.", _off("carving_router")),
    Happening(24.6, "The drum sander starts.", _on("drum_sander")),
    Happening(26.2, "EMERGENCY STOP. The sander still turns.", _stop(pressed=True)),
    Happening(27.4, "The stop button is pulled out again.", _stop(pressed=False)),
    Happening(28.0, "Somebody resets the hold.", _reset),
    Happening(29.2, "The sander is switched off ...", _off("drum_sander")),
    Happening(29.8, "... and on again: a fresh start.", _on("drum_sander")),
    Happening(31.2, "The panel is flat. The day is over.", _off("drum_sander")),
)
ENDS_AT: Final = 35.5
"""By then the last run-on and coast-down are over and the gates shut."""
