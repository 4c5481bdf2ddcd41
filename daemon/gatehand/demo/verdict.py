"""What the day must have come to, checked against the event log and the devices; and the summary of it.

Reads log lines, never the rules' state: what a user could check too.
"""

import math
from collections.abc import Iterator, Sequence
from typing import Final

from gatehand.demo.day import STORY, first_missing, logged
from gatehand.journal.line import LogLine
from gatehand.journal.sentences import spoken, spoken_alarm, start_threshold
from gatehand.measures import measured, threshold_key
from gatehand.text import named
from gatehand_rules import GateWord, Happened, Rule
from gatehand_rules.words import Measure

START: Final = logged(Happened.COLLECTOR_ON, rule=Rule.DEMAND)
STARTS: Final = sum(1 for each in STORY if each.event is Happened.COLLECTOR_ON)
SOON = 0.2
"""Seconds within which "at once" must have been."""


def is_over(lines: Sequence[LogLine]) -> bool:
    """Whether the whole story has been seen."""
    return first_missing(STORY, lines) is None


def complaints(lines: Sequence[LogLine]) -> list[str]:
    """What did not go as scripted, in sentences; empty when all went well."""
    found: list[str] = []
    missing = first_missing(STORY, lines)
    if missing is not None:
        found.append(f"Expected, and not in the log in its place: {missing.what} ({missing.event}).")
    starts = [line for line in lines if START.fits(line)]
    if len(starts) != STARTS:
        found.append(f"The collector was started {named(len(starts), 'time')}; {STARTS} were scripted.")
    found += _starts_without_open_gate(lines)
    found += _late_offs(lines)
    vetoes = [line for line in lines if line["event"] == Happened.COMMAND_VETOED]
    if vetoes:
        held_back = named(len(vetoes), "command")
        found.append(f"The interlock had to hold back {held_back}; the sequence should never ask for such.")
    return found


def _starts_without_open_gate(lines: Sequence[LogLine]) -> Iterator[str]:
    """Followed in the log alone: which gates were proven open at each start."""
    standing: set[str] = set()
    for line in lines:
        gate = line.get("gate")
        if line["event"] == Happened.GATE_OPEN:
            standing.add(str(gate))
        elif line["event"] in {Happened.GATE_SHUT, Happened.GATE_FAULT} or line.get("to") == GateWord.SHUT:
            standing.discard(str(gate))
        elif START.fits(line) and not standing:
            yield f"The collector was started at {line['ts']} with no gate proven open."


def _late_offs(lines: Sequence[LogLine]) -> Iterator[str]:
    """The carving router and the emergency stop want the fan off at once."""
    causes = (
        (logged(Happened.TOOL_STOPPED, tool="carving_router", run_on=0.0), Rule.NO_DEMAND),
        (logged(Happened.STOP_ACTIVE, stop="emergency"), Rule.STOP_CONTACT),
    )
    for cause, rule in causes:
        began = next(filter(cause.fits, lines), None)
        if began is None:
            continue
        off = logged(Happened.COLLECTOR_OFF, rule=rule)
        ended = next((line for line in lines if off.fits(line) and _mono(line) >= _mono(began)), None)
        if ended is None or _mono(ended) - _mono(began) > SOON:
            yield f"The collector should have gone off within {SOON:g} s of {cause.event} at {began['ts']}."


def _mono(line: LogLine) -> float:
    value = line.get("mono")
    return float(value) if isinstance(value, int | float) else math.nan


def summary(lines: Sequence[LogLine]) -> list[str]:
    """Starts, the missed cut, alarms: a line each."""
    starts = sum(1 for line in lines if START.fits(line))
    by_hand = sum(1 for line in lines if line["event"] == Happened.HAND_STARTED)
    said = [f"{named(starts, 'start')} of the collector, {by_hand} of them by hand."]
    said += [_missed(line) for line in lines if line["event"] == Happened.START_MISSED]
    refused = [line for line in lines if line["event"] == Happened.START_REFUSED]
    said.append(f"{named(len(refused), 'start')} refused: " + "; ".join(_refused(line) for line in refused) + ".")
    raised = [str(line["alarm"]) for line in lines if line["event"] == Happened.ALARM_RAISED]
    over = [str(line["alarm"]) for line in lines if line["event"] == Happened.ALARM_CLEARED]
    left = [spoken_alarm(alarm) for alarm in raised if raised.count(alarm) > over.count(alarm)]
    said.append(f"{named(len(raised), 'alarm')}, {', '.join(left) + ' still active' if left else 'all cleared'}.")
    return said


def _missed(line: LogLine) -> str:
    tool, peak, (measure, threshold) = spoken(str(line.get("tool"))), line.get("peak"), start_threshold(line)
    if not isinstance(peak, int | float):
        return f"1 cut missed: the {tool}'s."
    key, digits = threshold_key("start", measure), 10 if measure is Measure.AMPS else 1
    most, under = measured(measure, peak), measured(measure, threshold)
    caught = math.floor(peak * digits) / digits
    cut = f"1 cut missed: the {tool}'s, {most} at most, under its {key} of {under}"
    return f"{cut}. {key} = {caught:g} would have caught it."


def _refused(line: LogLine) -> str:
    why = {Rule.NO_GATE_PROVEN: "its gate was jammed", Rule.NOT_FRESH: "a reset alone starts nothing"}
    return f"the {spoken(str(line.get('tool')))}, {why.get(Rule(str(line.get('rule'))), str(line.get('rule')))}"
