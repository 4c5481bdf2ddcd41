"""The working day of the demo, as data: at which second somebody does what, and how the timeline tells it.

What Gatehand makes of it stands nowhere here; what is expected of it stands in `verdict.py`.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from gatehand.journal.line import Line
from gatehand.simshop import GateHabits, Habits, ToolHabits
from gatehand_rules.findings import Fact, Happened

COLLECTOR: Final = "main"
BLIND_GATE: Final = "carving_router"
"""It cannot report, so that Gatehand shuts it when it comes up; then the doors open."""
JAMMED: Final = "band_saw"
MISSED_TOOL: Final = "carving_router"

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
class LoggedEvent:
    """An event of the log, known by these of its facts."""

    event: Happened
    facts: Mapping[str, Fact]

    def fits(self, line: Line) -> bool:
        """Whether the line is such an event."""
        return line["event"] == self.event and all(line.get(key) == value for key, value in self.facts.items())


def logged(event: Happened, **facts: Fact) -> LoggedEvent:
    """The event with these facts."""
    return LoggedEvent(event, facts)


@dataclass(frozen=True, slots=True)
class Happening:
    """Something that happens in the shop `at` so many seconds after the doors open.

    It waits for what people in the shop would wait for, so that a busy computer makes the day longer and not another
    one: `once` has been seen since the happening before. What waits moves all that follows.
    """

    at: float
    text: str
    messages: Mapping[str, str]
    """Topic -> payload: people and mishaps are played as any client could (`simulated_devices.py`)."""
    once: LoggedEvent | None = None


_ON: Final = logged(Happened.COLLECTOR_ON, collector=COLLECTOR)
_OFF: Final = logged(Happened.COLLECTOR_OFF, collector=COLLECTOR)


def _stopped(tool: str) -> LoggedEvent:
    return logged(Happened.TOOL_STOPPED, tool=tool)


DAY: Final[tuple[Happening, ...]] = (
    Happening(0.5, "The band saw cuts a neck blank.", {"sim/band_saw/switch": "1"}),
    Happening(2.5, "The cut is done.", {"sim/band_saw/switch": "0"}, _ON),
    Happening(
        3.2, "The jointer, at the other station, trues an edge.", {"sim/jointer/switch": "1"}, _stopped("band_saw")
    ),
    Happening(
        4.8, "The board is turned: a pause.", {"sim/jointer/switch": "0"}, logged(Happened.GATE_OPEN, gate="planing")
    ),
    Happening(5.8, "A second pass, within the run-on.", {"sim/jointer/switch": "1"}, _stopped("jointer")),
    Happening(7.0, "The edge is true.", {"sim/jointer/switch": "0"}, logged(Happened.TOOL_STARTED, tool="jointer")),
    Happening(
        9.8,
        "Somebody presses the button of the bench sweep, with no tool running.",
        {"shop/gate/sweep/button": "1"},
        _OFF,
    ),
    Happening(11.4, "Swept. The button again.", {"shop/gate/sweep/button": "1"}, _ON),
    Happening(
        12.2,
        "The carving router takes a very light cut: 1.1 A, under its threshold.",
        {"sim/carving_router/amps": "1.1"},
        _OFF,
    ),
    Happening(13.8, "The light cut is done.", {"sim/carving_router/switch": "0"}),
    Happening(
        14.2,
        "A chip wedges the band saw's gate.",
        {"sim/band_saw/jam": "1"},
        logged(Happened.START_MISSED, tool=MISSED_TOOL),
    ),
    Happening(14.6, "The band saw is switched on.", {"sim/band_saw/switch": "1"}),
    Happening(
        17.9,
        "No suction: the band saw is switched off, the chip pulled out.",
        {"sim/band_saw/switch": "0", "sim/band_saw/jam": "0"},
        logged(Happened.GATE_FAULT, gate=JAMMED),
    ),
    Happening(18.8, "The band saw again.", {"sim/band_saw/switch": "1"}, _stopped("band_saw")),
    Happening(20.0, "Cut done.", {"sim/band_saw/switch": "0"}, _ON),
    Happening(20.8, "The carving router, a full cut.", {"sim/carving_router/switch": "1"}, _stopped("band_saw")),
    Happening(
        23.2,
        "Its program has ended. It wants the fan off at once.",
        {"sim/carving_router/switch": "0"},
        logged(Happened.RUN_ON_ENDED, tool="band_saw"),
    ),
    Happening(24.6, "The drum sander starts.", {"sim/drum_sander/switch": "1"}, _OFF),
    Happening(26.2, "EMERGENCY STOP. The sander still turns.", {"sim/emergency/press": "1"}, _ON),
    Happening(
        27.4,
        "The stop button is pulled out again.",
        {"sim/emergency/press": "0"},
        logged(Happened.COLLECTOR_HELD, collector=COLLECTOR),
    ),
    Happening(
        28.0,
        "Somebody resets the hold.",
        {"gatehand/collector/main/reset": "1"},
        logged(Happened.STOP_CLEARED, stop="emergency"),
    ),
    Happening(
        29.2,
        "The sander is switched off ...",
        {"sim/drum_sander/switch": "0"},
        logged(Happened.START_REFUSED, tool="drum_sander"),
    ),
    Happening(29.8, "... and on again: a fresh start.", {"sim/drum_sander/switch": "1"}, _stopped("drum_sander")),
    Happening(31.2, "The panel is flat. The day is over.", {"sim/drum_sander/switch": "0"}, _ON),
)
ENDS_AT: Final = 35.5
"""By then the last run-on and coast-down are over and the gates shut."""
