"""The working day of the demo, as data: at which second somebody does what, and how the timeline tells it.

What Gatehand makes of it stands nowhere here; what is expected of it stands in `verdict.py`.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from gatehand.demo.floor import Floor
from gatehand.journal.line import Line
from gatehand.simshop import GateHabits, Habits, ToolHabits, Trouble
from gatehand_rules.findings import Happened

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
class Once:
    """An event of the log: its name and whose it is."""

    event: Happened
    name: str

    def fits(self, line: Line) -> bool:
        """Whether the line is such an event."""
        whose = (line.get("tool"), line.get("gate"), line.get("collector"), line.get("stop"))
        return line["event"] == self.event and self.name in whose


@dataclass(frozen=True, slots=True)
class Happening:
    """Something that happens in the shop `at` so many seconds after the doors open.

    It waits for what people in the shop would wait for, so that a busy computer makes the day longer and not another
    one: `once` has been seen since the happening before. What waits moves all that follows.
    """

    at: float
    text: str
    act: Callable[[Floor, float], None]
    once: Once | None = None


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


def _free_and_off(floor: Floor, now: float) -> None:
    floor.shop.tools[JAMMED].switch(on=False, at=now)
    floor.shop.gates[JAMMED].suffer(None, now)


_ON: Final = Once(Happened.COLLECTOR_ON, COLLECTOR)
_OFF: Final = Once(Happened.COLLECTOR_OFF, COLLECTOR)


def _stopped(tool: str) -> Once:
    return Once(Happened.TOOL_STOPPED, tool)


DAY: Final[tuple[Happening, ...]] = (
    Happening(0.5, "The band saw cuts a neck blank.", _on("band_saw")),
    Happening(2.5, "The cut is done.", _off("band_saw"), _ON),
    Happening(3.2, "The jointer, at the other station, trues an edge.", _on("jointer"), _stopped("band_saw")),
    Happening(4.8, "The board is turned: a pause.", _off("jointer"), Once(Happened.GATE_OPEN, "planing")),
    Happening(5.8, "A second pass, within the run-on.", _on("jointer"), _stopped("jointer")),
    Happening(7.0, "The edge is true.", _off("jointer"), Once(Happened.TOOL_STARTED, "jointer")),
    Happening(9.8, "Somebody presses the button of the bench sweep, with no tool running.", _press("sweep"), _OFF),
    Happening(11.4, "Swept. The button again.", _press("sweep"), _ON),
    Happening(
        12.2,
        "The carving router takes a very light cut: 1.1 A, under its threshold.",
        _on(MISSED_TOOL, MISSED_AMPS),
        _OFF,
    ),
    Happening(13.8, "The light cut is done.", _off(MISSED_TOOL)),
    Happening(
        14.2,
        "A chip wedges the band saw's gate.",
        _suffer(JAMMED, Trouble.JAM),
        Once(Happened.START_MISSED, MISSED_TOOL),
    ),
    Happening(14.6, "The band saw is switched on.", _on("band_saw")),
    Happening(
        17.9,
        "No suction: the band saw is switched off, the chip pulled out.",
        _free_and_off,
        Once(Happened.GATE_FAULT, JAMMED),
    ),
    Happening(18.8, "The band saw again.", _on("band_saw"), _stopped("band_saw")),
    Happening(20.0, "Cut done.", _off("band_saw"), _ON),
    Happening(20.8, "The carving router, a full cut.", _on("carving_router"), _stopped("band_saw")),
    Happening(
        23.2,
        "Its program has ended. It wants the fan off at once.",
        _off("carving_router"),
        Once(Happened.RUN_ON_ENDED, "band_saw"),
    ),
    Happening(24.6, "The drum sander starts.", _on("drum_sander"), _OFF),
    Happening(26.2, "EMERGENCY STOP. The sander still turns.", _stop(pressed=True), _ON),
    Happening(
        27.4, "The stop button is pulled out again.", _stop(pressed=False), Once(Happened.COLLECTOR_HELD, COLLECTOR)
    ),
    Happening(28.0, "Somebody resets the hold.", _reset, Once(Happened.STOP_CLEARED, "emergency")),
    Happening(29.2, "The sander is switched off ...", _off("drum_sander"), Once(Happened.START_REFUSED, "drum_sander")),
    Happening(29.8, "... and on again: a fresh start.", _on("drum_sander"), _stopped("drum_sander")),
    Happening(31.2, "The panel is flat. The day is over.", _off("drum_sander"), _ON),
)
ENDS_AT: Final = 35.5
"""By then the last run-on and coast-down are over and the gates shut."""
