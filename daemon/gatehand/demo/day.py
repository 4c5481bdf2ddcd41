"""The working day of the demo, as data: at which second somebody does what, how it is told, and what must follow.

What Gatehand makes of it stands nowhere here; whether it was what is expected is judged in `verdict.py`.
"""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Final

from gatehand.journal.line import LogLine
from gatehand.simshop.gate import GateHabits
from gatehand.simshop.sim_shop import Habits
from gatehand.simshop.tool import ToolHabits
from gatehand_rules.findings import Alarm, Fact, Happened, Rule

COLLECTOR: Final = "main"
BLIND_GATE: Final = "carving_router"
"""It cannot report, so that Gatehand shuts it when it comes up; then the doors open."""
JAMMED: Final = "band_saw"
FAULT: Final = Alarm("gate", JAMMED, "fault")
MISSED_TOOL: Final = "carving_router"

HABITS: Final = Habits(
    tools={
        "band_saw": ToolHabits(running=6.2, every=0.5),
        "jointer": ToolHabits(running=7.4, every=0.5),
        # Its spindle has a drive of its own, which starts softly.
        "carving_router": ToolHabits(running=390.0, idle=9.0, inrush=None, every=0.5),
    },
    # Much quicker than the config allows, so that a busy computer does not make a fault of it.
    gates=dict.fromkeys(("band_saw", "planing", "carving_router", "sweep"), GateHabits(travel=0.3)),
)


@dataclass(frozen=True, slots=True)
class LoggedEvent:
    """An event of the log, known by these of its facts. `what`: it in words, where it is expected."""

    event: Happened
    what: str
    facts: Mapping[str, Fact]

    def fits(self, line: LogLine) -> bool:
        """Whether the line is such an event."""
        return line["event"] == self.event and all(line.get(key) == value for key, value in self.facts.items())


def logged(event: Happened, what: str = "", **facts: Fact) -> LoggedEvent:
    """The event with these facts."""
    return LoggedEvent(event, what, facts)


def first_missing(expected: Iterable[LoggedEvent], lines: Iterable[LogLine]) -> LoggedEvent | None:
    """What is not among the lines in its place; None: all came, in this order."""
    rest = iter(lines)
    return next((each for each in expected if not any(each.fits(line) for line in rest)), None)


@dataclass(frozen=True, slots=True)
class ShopEvent:
    """Something that happens in the shop `at` so many seconds after the doors open.

    It waits for what people in the shop would wait for, all that is expected between the happening before and it, so
    that a busy computer makes the day longer and not another one. What waits moves all that follows.
    """

    at: float
    text: str
    messages: Mapping[str, str]
    """Topic -> payload: people and mishaps are played as any client could (`simulated_devices.py`)."""


def _starts(why: str) -> LoggedEvent:
    return logged(Happened.COLLECTOR_ON, f"the collector starts for {why}", rule=Rule.DEMAND)


def _goes_off(when: str) -> LoggedEvent:
    return logged(Happened.COLLECTOR_OFF, f"the collector goes off {when}", rule=Rule.NO_DEMAND)


def _stopped(tool: str, **facts: Fact) -> LoggedEvent:
    return logged(Happened.TOOL_STOPPED, f"the {tool.replace('_', ' ')} is seen to stop", tool=tool, **facts)


SCRIPT: Final[tuple[ShopEvent | LoggedEvent, ...]] = (
    ShopEvent(0.5, "The band saw cuts a neck blank.", {"sim/band_saw/switch": "1"}),
    logged(Happened.TOOL_STARTED, "the first cut is noticed", tool="band_saw"),
    logged(Happened.GATE_OPEN, "the band saw's gate opens for it", gate="band_saw"),
    _starts("the first cut"),
    ShopEvent(2.5, "The cut is done.", {"sim/band_saw/switch": "0"}),
    _stopped("band_saw"),
    ShopEvent(3.2, "The jointer, at the other station, trues an edge.", {"sim/jointer/switch": "1"}),
    logged(Happened.TOOL_STARTED, "the jointer is noticed", tool="jointer"),
    logged(Happened.GATE_OPEN, "the planing gate opens at the change-over", gate="planing"),
    logged(Happened.GATE_SHUT, "only then the band saw's gate shuts", gate="band_saw"),
    ShopEvent(5.0, "The board is turned: a pause.", {"sim/jointer/switch": "0"}),
    _stopped("jointer"),
    ShopEvent(5.8, "A second pass, within the run-on.", {"sim/jointer/switch": "1"}),
    logged(Happened.TOOL_STARTED, "the second pass, within the run-on", tool="jointer"),
    ShopEvent(7.0, "The edge is true.", {"sim/jointer/switch": "0"}),
    _goes_off("after the run-on"),
    ShopEvent(
        9.8, "Somebody presses the button of the bench sweep, with no tool running.", {"shop/gate/sweep/button": "1"}
    ),
    logged(Happened.HAND_STARTED, "the button of the sweep starts by hand", gate="sweep"),
    logged(Happened.GATE_OPEN, "the sweep's gate opens", gate="sweep"),
    _starts("the sweep"),
    ShopEvent(11.4, "Swept. The button again.", {"shop/gate/sweep/button": "1"}),
    logged(Happened.HAND_ENDED, "the button ends the hand start", gate="sweep"),
    _goes_off("after the sweep"),
    ShopEvent(
        12.2,
        "The carving router takes a very light cut: 118 W, under its threshold.",
        {"sim/carving_router/watts": "118"},
    ),
    ShopEvent(13.8, "The light cut is done.", {"sim/carving_router/switch": "0"}),
    logged(Happened.START_MISSED, "the light cut is missed", tool=MISSED_TOOL),
    ShopEvent(14.2, "A chip wedges the band saw's gate.", {"sim/band_saw/jam": "1"}),
    ShopEvent(14.6, "The band saw is switched on.", {"sim/band_saw/switch": "1"}),
    logged(Happened.GATE_COMMANDED, "the jammed gate is told to open again", gate=JAMMED),
    logged(Happened.GATE_FAULT, "the jammed gate is faulty", gate=JAMMED),
    logged(Happened.ALARM_RAISED, "an alarm is active for it", alarm=FAULT.id),
    logged(Happened.START_REFUSED, "no start without an open gate", tool=JAMMED),
    ShopEvent(
        17.9,
        "No suction: the band saw is switched off, the chip pulled out.",
        {"sim/band_saw/switch": "0", "sim/band_saw/jam": "0"},
    ),
    _stopped("band_saw"),
    ShopEvent(18.8, "The band saw again.", {"sim/band_saw/switch": "1"}),
    logged(Happened.GATE_OPEN, "the freed gate opens at the next start", gate=JAMMED),
    logged(Happened.ALARM_CLEARED, "its alarm is over", alarm=FAULT.id),
    _starts("the freed gate"),
    ShopEvent(20.0, "Cut done.", {"sim/band_saw/switch": "0"}),
    _stopped("band_saw"),
    ShopEvent(20.8, "The carving router, a full cut.", {"sim/carving_router/switch": "1"}),
    logged(Happened.RUN_ON_ENDED, "the band saw's run-on is over", tool="band_saw"),
    ShopEvent(23.2, "Its program has ended. It wants the fan off at once.", {"sim/carving_router/switch": "0"}),
    _stopped("carving_router", run_on=0.0),
    _goes_off("with the carving router"),
    ShopEvent(24.6, "The drum sander starts.", {"sim/drum_sander/switch": "1"}),
    logged(Happened.TOOL_STARTED, "the drum sander is noticed", tool="drum_sander"),
    _starts("the drum sander"),
    ShopEvent(26.2, "EMERGENCY STOP. The sander still turns.", {"sim/emergency/press": "1"}),
    logged(Happened.STOP_ACTIVE, "the emergency stop is seen", stop="emergency"),
    logged(Happened.COLLECTOR_OFF, "the collector goes off at once", rule=Rule.STOP_CONTACT),
    logged(Happened.COLLECTOR_HELD, "the collector is on hold", collector=COLLECTOR),
    ShopEvent(27.4, "The stop button is pulled out again.", {"sim/emergency/press": "0"}),
    logged(Happened.STOP_CLEARED, "the stop is clear", stop="emergency"),
    ShopEvent(28.0, "Somebody resets the hold.", {"gatehand/collector/main/reset": "1"}),
    logged(Happened.HOLD_RESET, "the hold is reset", collector=COLLECTOR),
    logged(Happened.START_REFUSED, "the reset alone starts nothing", tool="drum_sander"),
    ShopEvent(29.2, "The sander is switched off ...", {"sim/drum_sander/switch": "0"}),
    _stopped("drum_sander"),
    ShopEvent(29.8, "... and on again: a fresh start.", {"sim/drum_sander/switch": "1"}),
    logged(Happened.TOOL_STARTED, "a fresh start of the drum sander is noticed", tool="drum_sander"),
    _starts("the fresh start"),
    ShopEvent(31.2, "The panel is flat. The day is over.", {"sim/drum_sander/switch": "0"}),
    _goes_off("at the end of the day"),
    logged(Happened.GATE_SHUT, "the last gate shuts", gate="planing"),
)
"""What happens, and after each what is expected of Gatehand before the next."""
DAY: Final = tuple(one for one in SCRIPT if isinstance(one, ShopEvent))
STORY: Final = tuple(one for one in SCRIPT if isinstance(one, LoggedEvent))
ENDS_AT: Final = 35.5
"""By then the last run-on and coast-down are over and the gates shut."""
