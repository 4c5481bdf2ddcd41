"""What the day must have come to, checked against the event log and the devices; and the summary of it.

Reads log lines, never the rules' state: what a user could check too.
"""

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from gatehand.demo.day import COLLECTOR, JAMMED, MISSED_TOOL
from gatehand.journal.line import Line
from gatehand.journal.sentences import spoken, spoken_alarm
from gatehand.text import named
from gatehand_rules.alarms import Alarm
from gatehand_rules.findings import Fact, Happened, Rule
from gatehand_rules.words import GateWord


@dataclass(frozen=True, slots=True)
class Expected:
    """An event that must come after those before it. `what` says it for a person."""

    what: str
    event: str
    facts: Mapping[str, Fact] = field(default_factory=dict)

    def fits(self, line: Line) -> bool:
        """Whether the line is this event."""
        return line["event"] == self.event and all(line.get(key) == value for key, value in self.facts.items())


def _tool(what: str, event: Happened, tool: str) -> Expected:
    return Expected(what, event, {"tool": tool})


def _gate(what: str, event: Happened, gate: str) -> Expected:
    return Expected(what, event, {"gate": gate})


def _on(what: str) -> Expected:
    return Expected(what, Happened.COLLECTOR_ON, {"rule": Rule.DEMAND})


def _off(what: str) -> Expected:
    return Expected(what, Happened.COLLECTOR_OFF, {"rule": Rule.NO_DEMAND})


FAULT: Final = Alarm("gate", JAMMED, "fault")
STORY: tuple[Expected, ...] = (
    _tool("the first cut is noticed", Happened.TOOL_STARTED, "band_saw"),
    _gate("the band saw's gate opens for it", Happened.GATE_OPEN, "band_saw"),
    _on("the collector starts for the first cut"),
    _tool("the jointer is noticed", Happened.TOOL_STARTED, "jointer"),
    _gate("the planing gate opens at the change-over", Happened.GATE_OPEN, "planing"),
    _gate("only then the band saw's gate shuts", Happened.GATE_SHUT, "band_saw"),
    _tool("the second pass, within the run-on", Happened.TOOL_STARTED, "jointer"),
    _off("the collector goes off after the run-on"),
    _gate("the button of the sweep starts by hand", Happened.HAND_STARTED, "sweep"),
    _gate("the sweep's gate opens", Happened.GATE_OPEN, "sweep"),
    _on("the collector starts for the sweep"),
    _gate("the button ends the hand start", Happened.HAND_ENDED, "sweep"),
    _tool("the light cut is missed", Happened.START_MISSED, MISSED_TOOL),
    _gate("the jammed gate is told again", Happened.GATE_COMMANDED, JAMMED),
    _gate("the jammed gate is a fault", Happened.GATE_FAULT, JAMMED),
    Expected("an alarm stands for it", Happened.ALARM_RAISED, {"alarm": FAULT.id}),
    _tool("no start without an open gate", Happened.START_REFUSED, JAMMED),
    _gate("the freed gate opens at the next start", Happened.GATE_OPEN, JAMMED),
    Expected("its alarm is over", Happened.ALARM_CLEARED, {"alarm": FAULT.id}),
    _on("the collector starts for the freed gate"),
    Expected("the carving router's cut ends", Happened.TOOL_STOPPED, {"tool": "carving_router", "run_on": 0.0}),
    _off("the collector goes off with the carving router"),
    _tool("the drum sander is noticed", Happened.TOOL_STARTED, "drum_sander"),
    _on("the collector starts for the drum sander"),
    Expected("the emergency stop is seen", Happened.STOP_ACTIVE, {"stop": "emergency"}),
    Expected("the collector goes off at once", Happened.COLLECTOR_OFF, {"rule": Rule.STOP_CONTACT}),
    Expected("the collector is held", Happened.COLLECTOR_HELD, {"collector": COLLECTOR}),
    Expected("the stop is clear", Happened.STOP_CLEARED, {"stop": "emergency"}),
    Expected("the hold is reset", Happened.HOLD_RESET, {"collector": COLLECTOR}),
    _tool("the reset alone starts nothing", Happened.START_REFUSED, "drum_sander"),
    _tool("a fresh start of the drum sander is noticed", Happened.TOOL_STARTED, "drum_sander"),
    _on("the collector starts for the fresh start"),
    _off("the collector goes off at the end of the day"),
    _gate("the last gate shuts", Happened.GATE_SHUT, "planing"),
)
STARTS = sum(1 for each in STORY if each.event == Happened.COLLECTOR_ON)
SOON = 0.2
"""Seconds within which "at once" must have been."""


def is_over(lines: Sequence[Line]) -> bool:
    """Whether the whole story has been seen."""
    return _first_missing(lines) is None


def complaints(lines: Sequence[Line]) -> list[str]:
    """What did not go as scripted, in sentences; empty when all went well."""
    found: list[str] = []
    missing = _first_missing(lines)
    if missing is not None:
        found.append(f"Expected, and not in the log in its place: {missing.what} ({missing.event}).")
    starts = [line for line in lines if _on("").fits(line)]
    if len(starts) != STARTS:
        found.append(f"The collector was started {len(starts)} times; {STARTS} were scripted.")
    found += _starts_without_open_gate(lines)
    found += _late_offs(lines)
    vetoes = [line for line in lines if line["event"] == Happened.COMMAND_VETOED]
    if vetoes:
        found.append(f"The interlock had to hold back {len(vetoes)} commands; the sequence should never ask for such.")
    return found


def _first_missing(lines: Sequence[Line]) -> Expected | None:
    rest = iter(lines)
    for each in STORY:
        if not any(each.fits(line) for line in rest):
            return each
    return None


def _starts_without_open_gate(lines: Sequence[Line]) -> Iterator[str]:
    """Followed in the log alone: which gates were proven open at each start."""
    standing: set[str] = set()
    for line in lines:
        gate = line.get("gate")
        if line["event"] == Happened.GATE_OPEN:
            standing.add(str(gate))
        elif line["event"] in {Happened.GATE_SHUT, Happened.GATE_FAULT} or line.get("to") == GateWord.SHUT:
            standing.discard(str(gate))
        elif _on("").fits(line) and not standing:
            yield f"The collector was started at {line['ts']} with no gate proven open."


def _late_offs(lines: Sequence[Line]) -> Iterator[str]:
    """The carving router and the emergency stop want the fan off at once."""
    causes: tuple[tuple[Happened, dict[str, Fact], Rule], ...] = (
        (Happened.TOOL_STOPPED, {"tool": "carving_router", "run_on": 0.0}, Rule.NO_DEMAND),
        (Happened.STOP_ACTIVE, {"stop": "emergency"}, Rule.STOP_CONTACT),
    )
    for cause, facts, rule in causes:
        began = next((line for line in lines if Expected("", cause, facts).fits(line)), None)
        if began is None:
            continue
        off = Expected("", Happened.COLLECTOR_OFF, {"rule": rule})
        ended = next((line for line in lines if off.fits(line) and _mono(line) >= _mono(began)), None)
        if ended is None or _mono(ended) - _mono(began) > SOON:
            yield f"The collector should have gone off within {SOON:g} s of {cause} at {began['ts']}."


def _mono(line: Line) -> float:
    value = line.get("mono")
    return float(value) if isinstance(value, int | float) else math.nan


def summary(lines: Sequence[Line]) -> list[str]:
    """Starts, the missed cut, alarms: a line each."""
    starts = sum(1 for line in lines if _on("").fits(line))
    by_hand = sum(1 for line in lines if line["event"] == Happened.HAND_STARTED)
    said = [f"{named(starts, 'start')} of the collector, {by_hand} of them by hand."]
    said += [_missed(line) for line in lines if line["event"] == Happened.START_MISSED]
    refused = [line for line in lines if line["event"] == Happened.START_REFUSED]
    said.append(f"{named(len(refused), 'start')} refused: " + "; ".join(_refused(line) for line in refused) + ".")
    raised = [str(line["alarm"]) for line in lines if line["event"] == Happened.ALARM_RAISED]
    over = [str(line["alarm"]) for line in lines if line["event"] == Happened.ALARM_CLEARED]
    left = [spoken_alarm(alarm) for alarm in raised if raised.count(alarm) > over.count(alarm)]
    said.append(f"{named(len(raised), 'alarm')}, {', '.join(left) + ' still stand' if left else 'all over again'}.")
    return said


def _missed(line: Line) -> str:
    tool, peak, start_amps = spoken(str(line.get("tool"))), line.get("peak"), line.get("start_amps")
    if not isinstance(peak, int | float) or not isinstance(start_amps, int | float):
        return f"1 cut missed: the {tool}'s."
    caught = math.floor(peak * 10) / 10
    return (
        f"1 cut missed: the {tool}'s, {peak:.3g} A at most, under its start_amps of {start_amps:g}. "
        f"start_amps = {caught:g} would have caught it."
    )


def _refused(line: Line) -> str:
    why = {Rule.NO_GATE_PROVEN: "its gate was jammed", Rule.NOT_FRESH: "a reset alone starts nothing"}
    return f"the {spoken(str(line.get('tool')))}, {why.get(Rule(str(line.get('rule'))), str(line.get('rule')))}"
