"""Which lines of the log a verdict needs: without what they tell, it would have been another. Proven, never guessed.

A line is put back to the word that it tells (a reading, a report, a press, a connection); the recorded run is replayed
without that word; if the verdict's own line then still comes, the line is not needed. What time alone or the shell has
brought about tells no word, so it is shown only where it is the verdict.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Final, TypeAlias

from gatehand.journal.line import LogLine
from gatehand.past.account import is_refresh
from gatehand.why.moment import Question, TimedLine
from gatehand.why.replayed import RecordedRun, Said, Step
from gatehand_rules import Finding, Happened, Rule
from gatehand_rules import events as ev

SAME_MS: Final = 250
"""A line that comes this much earlier or later is the same line."""
_AFTER_MS: Final = 30_000
"""How long after a line something must stay away, where a verdict says that it did."""
MOST_TRIED: Final = 40
"""Words left out, one after the other, each with a replay."""
FEW_TRIED: Final = 4
"""The same where all went well: nobody waits long to hear that."""
_MOST_OF_ONE: Final = 2
"""The last words of one device that are tried."""
_Key: TypeAlias = tuple[str, ...]

NOT_RECORDED: Final = "not proven: the readings from that time are not recorded"

_H: Final = Happened
_TELLS: Final[dict[type[ev.Event], tuple[Happened, ...]]] = {
    ev.Reading: (
        *(_H.TOOL_STARTED, _H.TOOL_STOPPED, _H.TOOL_HEARD, _H.START_MISSED, _H.START_REFUSED, _H.READING_REJECTED),
    ),
    ev.MessageRejected: (_H.READING_REJECTED,),
    ev.GateReport: (_H.GATE_OPEN, _H.GATE_SHUT, _H.GATE_BETWEEN),
    ev.ButtonPressed: (_H.TOOL_MUTED, _H.HAND_STARTED, _H.HAND_ENDED, _H.RUN_ON_ENDED),
    ev.HandAsked: (_H.TOOL_MUTED, _H.HAND_STARTED, _H.HAND_ENDED, _H.RUN_ON_ENDED),
    ev.StopReport: (_H.COLLECTOR_HELD, _H.STOP_ACTIVE, _H.STOP_CLEARED),
    ev.StopUnclear: (_H.COLLECTOR_HELD,),
    ev.CollectorReport: (_H.COLLECTOR_ADOPTED, _H.COLLECTOR_OFF, _H.COLLECTOR_RUNNING, _H.COLLECTOR_STOOD),
    ev.CollectorReading: (_H.COLLECTOR_ADOPTED, _H.COLLECTOR_OFF, _H.COLLECTOR_RUNNING, _H.COLLECTOR_STOOD),
    ev.BinReport: (_H.BIN_FULL, _H.BIN_CLEARED),
    ev.DeviceOnline: (_H.DEVICE_OFFLINE, _H.DEVICE_ONLINE),
    ev.ResetAsked: (_H.HOLD_RESET, _H.RESET_REFUSED),
    ev.ResetButton: (_H.HOLD_RESET, _H.RESET_REFUSED),
    ev.HoldAsked: (_H.COLLECTOR_HELD,),
    ev.HoldRemembered: (_H.COLLECTOR_HELD,),
    ev.OffAsked: (_H.COLLECTOR_OFF,),
    ev.BrokerConnected: (_H.BROKER_CONNECTED,),
    ev.BrokerLost: (_H.BROKER_LOST,),
    ev.StopsLost: (_H.STOPS_LOST,),
    ev.StopsHeard: (_H.STOPS_HEARD,),
    ev.LoopStood: (_H.DAEMON_STOOD_STILL,),
    ev.LoopCaughtUp: (_H.DAEMON_CAUGHT_UP,),
}
"""Of each kind of word the lines that tell it, the most telling first."""

_AT_REST: Final = frozenset(
    {
        *(_H.BROKER_CONNECTED, _H.STOPS_HEARD, _H.DAEMON_CAUGHT_UP, _H.DEVICE_ONLINE, _H.TOOL_HEARD),
        _H.COLLECTOR_STOOD,
    }
)
"""How things mostly are: nobody asks why the broker was there or the fan off, but where it is the matter."""
_MATTERS_TO: Final[dict[Happened, frozenset[str]]] = {
    _H.HOLD_RESET: frozenset({_H.RESET_REFUSED, Rule.NOT_FRESH}),
    _H.STOP_CLEARED: frozenset({_H.RESET_REFUSED}),
    _H.GATE_SHUT: frozenset({_H.GATE_COMMANDED, _H.FAN_UNSAFE, _H.COMMAND_VETOED, Rule.MIN_OPEN}),
    _H.TOOL_STOPPED: frozenset(
        {_H.COLLECTOR_OFF, _H.GATE_COMMANDED, _H.GATE_SHUT, Rule.CUT_ENDED_BEFORE_GATE, Rule.STOPS_UNHEARD}
    ),
}
"""What ended, each with the events and rules of verdicts that may be about just that.

To others it is how things were left: without it the hold or another tool's cut would go on, which nobody asks about.
"""
_AFTER_A_GAP: Final = frozenset(
    {
        *(Rule.AFTER_SILENCE, Rule.NOT_CONFIRMED, Rule.FIRST_SEEN_DRAWING, Rule.BROKER, Rule.STOPS_UNHEARD),
        *(Rule.STANDSTILL, Rule.NOT_HEARD_LIVE, Rule.ADOPTION),
    }
)
"""Rules that compare with what was before a silence."""
_UNDONE: Final[dict[Happened, tuple[Happened, ...]]] = {
    _H.TOOL_STOPPED: (_H.TOOL_STARTED, _H.START_MISSED),
    _H.GATE_SHUT: (_H.GATE_OPEN,),
    _H.STOP_CLEARED: (_H.STOP_ACTIVE,),
    _H.BIN_CLEARED: (_H.BIN_FULL,),
    _H.COLLECTOR_STOOD: (_H.COLLECTOR_RUNNING,),
}
"""Back to rest, and what ends that: a new start needs the last stop only as every start does."""


@dataclass(frozen=True, slots=True)
class Outcome:
    """What a verdict rests on: its own line, and what it says did not follow."""

    own: TimedLine
    without: tuple[Happened, str] | None = None
    """An event, and its collector, that did not come."""
    since_ms: int = 0
    """Wall ms; no line from before that is asked for."""


@dataclass(slots=True)
class Causes:
    """The lines that a verdict needs, by time; its own is not among them."""

    lines: list[TimedLine] = field(default_factory=list)
    unproven: str = ""
    """Why nothing could be proven; empty where all was."""


def causes(context: Question, outcome: Outcome, likely: Iterable[LogLine], *, most: int = MOST_TRIED) -> Causes:
    """The lines without whose word the verdict would be another. `likely`: those that it rests on.

    `most`: how many words are tried, the newest.

    Where the run was not recorded, the likely ones, unproven.
    """
    own = outcome.own
    if own.line["event"] not in frozenset(Happened):
        return Causes()  # the daemon's own line: no word of a device has brought it about
    mono, run = own.number("mono"), own.text("run")
    until = round((mono or 0.0) * 1000) + (_AFTER_MS if outcome.without else SAME_MS)
    recorded = None if mono is None else RecordedRun.of(context.folder, run, own.ms + SAME_MS, until)
    if recorded is None or not _comes(outcome, recorded.found()):
        lines = sorted((TimedLine.of(one) for one in likely if one is not own.line), key=lambda one: one.ms)
        return Causes([one for one in lines if one.ms <= own.ms], NOT_RECORDED)
    told = [one for one in _told(context, recorded, own, most) if one[0].ms >= outcome.since_ms]
    oldest_first = sorted(told, key=lambda each: each[1][0])  # each replay goes on from where the one before began
    needed = [one for one, said in oldest_first if not _comes(outcome, recorded.found_without([said]))]
    return Causes(sorted(needed, key=lambda one: (one.ms, one.number("seq") or 0.0)))


def _key(line: LogLine) -> _Key:
    return tuple(str(line.get(one)) for one in ("event", "rule", "tool", "gate", "collector"))


def _key_of(finding: Finding) -> _Key:
    return (
        *(str(finding.event), str(finding.rule)),
        *(str(finding.tool), str(finding.gate), str(finding.collector)),
    )


def _comes(outcome: Outcome, found: list[tuple[int, Finding]]) -> bool:
    """Whether the verdict is the same by these findings."""
    at, key = round(outcome.own.amount("mono") * 1000), _key(outcome.own.line)
    if not any(abs(ms - at) <= SAME_MS and _key_of(one) == key for ms, one in found):
        return False
    if outcome.without is None:
        return True
    event, collector = outcome.without
    later = [one for ms, one in found if ms >= at - SAME_MS and one.event is event and one.collector == collector]
    return all(is_refresh(one.event, one.rule) or _ran_already(one) for one in later)


def _ran_already(on: Finding) -> bool:
    """An "on" to a fan that ran: no start of it."""
    return dict(on.facts).get("starts_this_hour", 0) is None


def _told(context: Question, recorded: RecordedRun, own: TimedLine, most: int) -> list[tuple[TimedLine, Said]]:
    """The lines that may be needed, newest first, each with the word that it tells. Each word once."""
    at = round(own.amount("mono") * 1000)
    by_time = _lines_of(context, own, recorded.files[0].start_ms)
    found: list[tuple[TimedLine, Said]] = []
    counts: dict[tuple[str, str], int] = {}
    after = {(own.line["event"], own.text("tool"))}
    """Events, and whose, that came later."""
    ended: set[str] = set()
    """Tools that had stopped again by then."""
    for step in reversed([one for one in recorded.steps if one.ms <= at]):
        line = _telling(step, by_time)
        if line is None or line.line is own.line:
            continue
        if line.is_(_H.TOOL_STOPPED):
            ended.add(line.text("tool"))
        over = line.is_(_H.TOOL_STARTED) and line.text("tool") in ended and _is_of_another(context, line, own)
        if over or _goes_without_saying(line, own):
            continue
        event, whose = Happened(str(line.line["event"])), _subject(step.event)
        if any((undone, whose) in after for undone in _UNDONE.get(event, ())):
            continue
        after.add((event, whose))
        kind = type(step.event).__name__, whose
        counts[kind] = counts.get(kind, 0) + 1
        if counts[kind] <= _MOST_OF_ONE:
            found.append((line, (step.ms, step.event)))
        if len(found) == most:
            break
    return found


def _lines_of(context: Question, own: TimedLine, since_ms: int) -> dict[tuple[int, _Key], TimedLine]:
    """The lines of the same run up to the verdict's own, by their rule time and what they say."""
    found: dict[tuple[int, _Key], TimedLine] = {}
    for one in context.in_this_run(own.ms):
        ms = round(one.amount("mono") * 1000)
        if one.text("run") == own.text("run"):
            if ms < since_ms:
                break
            found[ms, _key(one.line)] = one
    return found


def _telling(step: Step, lines: dict[tuple[int, _Key], TimedLine]) -> TimedLine | None:
    """The line that tells what came in at a step; None where none does, as where only time was up."""
    tells, whose = _TELLS.get(type(step.event), ()), _subject(step.event)
    for event in tells:
        for one in step.outcome.findings:
            if one.event is event and (not whose or _is_about(step.event, one)):
                line = lines.get((step.ms, _key_of(one)))
                if line is not None:
                    return line
    return None


def _subject(event: ev.Event) -> str:
    """The name of whatever said it; empty for the broker and the daemon."""
    for key in ("tool", "gate", "collector", "stop", "name"):
        if (name := getattr(event, key, None)) is not None:
            return str(name)
    return ""


def _is_about(event: ev.Event, finding: Finding) -> bool:
    """Whether a finding is about the device whose word it was; a button, and a stop contact, act on others too."""
    name = _subject(event)
    of_stop = isinstance(event, ev.DeviceOnline) and event.kind == "stop"
    if of_stop or isinstance(event, ev.StopReport | ev.StopUnclear):
        return name in dict(finding.facts).values()
    if isinstance(event, ev.ButtonPressed | ev.HandAsked) and finding.event in {_H.TOOL_MUTED, _H.RUN_ON_ENDED}:
        return True
    if isinstance(event, ev.MessageRejected):
        return (event.kind, name) in ((kind, getattr(finding, kind, None)) for kind in ("tool", "gate", "collector"))
    return name in {finding.tool, finding.gate, finding.collector}


def _is_of_another(context: Question, line: TimedLine, own: TimedLine) -> bool:
    """Whether a cut is of another tool than the verdict, which is neither about taken air nor about a fan that was on.

    With its start alone left out the switch's recorded answers would come unasked, and so change what follows.
    """
    tool, gate, table = line.text("tool"), own.text("gate"), context.config.tool.get(line.text("tool"))
    if own.text("rule") == Rule.MAX_OPEN or own.is_(_H.TOOL_STARTED):
        return False
    if own.text("tool"):
        return own.text("tool") != tool
    return bool(gate) and table is not None and gate not in table.gates


def _goes_without_saying(line: TimedLine, own: TimedLine) -> bool:
    event, rule = Happened(str(line.line["event"])), own.text("rule")
    if event in _AT_REST:
        return rule not in _AFTER_A_GAP
    if event not in _MATTERS_TO or any(line.text(kind) == own.text(kind) != "" for kind in ("tool", "gate")):
        return False
    told_off = own.text("told") == "off" or own.text("wanted") == "shut"
    return not _MATTERS_TO[event] & {own.line["event"], rule} and not (event is _H.TOOL_STOPPED and told_off)
