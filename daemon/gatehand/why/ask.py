"""Asks: from a subject and a moment, or from neither, to the verdict, its causes and the lines around it.

Without a moment it is the last thing that should have happened and did not.
"""

from dataclasses import dataclass
from datetime import timedelta
from itertools import islice, takewhile
from pathlib import Path
from typing import TYPE_CHECKING, Final

from gatehand.config import Config
from gatehand.journal.line import LogLine, OwnEvent
from gatehand.journal.reader import EventReader
from gatehand.journal.sentences import sentence, spoken
from gatehand.times import from_ms, local_clock, stamp_ms, to_ms
from gatehand.why.gate_or_collector import ANSWERS_FOR, collector_now, collector_verdict, gate_verdict
from gatehand.why.moment import MINUTE_MS, SECOND_MS, Asked, Question, SubjectKind, TimedLine, gather_context
from gatehand.why.needed import FEW_TRIED, MOST_TRIED, Causes, Outcome, causes
from gatehand.why.state_at_moment import broker_away, last_will, not_running, notes, still_offline
from gatehand.why.tool_start import tool_verdict
from gatehand.why.verdicts import Verdict
from gatehand_rules import Happened, Rule, Shop

if TYPE_CHECKING:
    from collections.abc import Container

NOT_HAPPENED: Final = frozenset(
    {
        Happened.START_MISSED,
        Happened.START_REFUSED,
        Happened.GATE_FAULT,
        Happened.COLLECTOR_UNANSWERED,
        Happened.FAN_UNSAFE,
        Happened.READING_REJECTED,
        Happened.RESET_REFUSED,
        Happened.TOOL_SILENT,
    }
)
"""Events that say so."""
_CUTS: Final = frozenset({Happened.TOOL_STARTED, Happened.TOOL_STOPPED, Happened.TOOL_MUTED, Happened.TOOL_SILENT})
_FARTHEST: Final = 200_000
"""Lines looked at, newest first."""
NEAR: Final = timedelta(minutes=5)
_STORY_BEFORE_MS: Final = 30_000
_STORY_AFTER_MS: Final = 20_000
_NEAR_MS: Final = 600_000
_LONGEST: Final = 24


def last_missed(
    config: Config, reader: EventReader, subject: tuple[SubjectKind, str] | None
) -> tuple[SubjectKind, str, LogLine] | None:
    """The subject and line of the last thing that did not happen: of this subject, or of any."""
    of_fan: LogLine | None = None
    for line in islice(reader.backwards(), _FARTHEST):
        found = whose(config, line)
        if subject is not None and of_fan is not None and found == subject and line["event"] in _CUTS:
            if line["event"] == Happened.TOOL_STARTED:
                return (*subject, of_fan)
            of_fan = None  # the fan was wanted for another tool
        if subject is not None and subject[0] == "tool" and _is_of_fan(config, line, subject[1]):
            of_fan = of_fan or line
            continue
        if found is None or not (did_not_happen(line) or _is_never_heard(line, subject)):
            continue
        if subject is None or _concerns(config, line, subject):
            return (*(subject or found), line)
    return None


def nearest_missed(config: Config, reader: EventReader, asked: Asked) -> tuple[SubjectKind, str] | None:
    """Whose start, or whatever else, did not happen nearest to a moment; None when all went well around it."""
    begin, end = to_ms(asked.at), to_ms(asked.at) + asked.lasts_ms - 1
    near = reader.lines(asked.at - NEAR, from_ms(end) + NEAR)
    lines = [line for line in near if did_not_happen(line) and whose(config, line) is not None]

    def far(line: LogLine) -> int:
        return max(0, begin - moment_ms(line), moment_ms(line) - end)

    nearest = min(lines, key=far, default=None)
    return None if nearest is None else whose(config, nearest)


def did_not_happen(line: LogLine) -> bool:
    """Whether the line says that something did not happen that was wanted."""
    vetoed = line["event"] == Happened.COMMAND_VETOED and line.get("forced") is not True
    return vetoed or line["event"] in NOT_HAPPENED


def _is_never_heard(line: LogLine, subject: tuple[SubjectKind, str] | None) -> bool:
    """A gate told to shut that may well be shut: only who asks about that gate wants to hear of it."""
    return line["event"] == Happened.GATE_UNHEARD and subject is not None and subject[0] == "gate"


def whose(config: Config, line: LogLine) -> tuple[SubjectKind, str] | None:
    """The subject that a line is about, if the config has it."""
    tables: dict[SubjectKind, Container[str]] = {
        "tool": config.tool,
        "gate": config.gate,
        "collector": config.collector,
    }
    for kind, names in tables.items():
        name = line.get(kind)
        if isinstance(name, str) and name in names:
            return kind, name
    return None


def _concerns(config: Config, line: LogLine, subject: tuple[SubjectKind, str]) -> bool:
    kind, name = subject
    if line.get(kind) == name:
        return kind != "collector" or line["event"] in ANSWERS_FOR
    # A tool's start is also missed through its gates and its collector's lines that name no other tool.
    if kind != "tool" or line.get("tool"):
        return False
    if line.get("gate") in config.tool[name].gates:
        return line.get("wanted") != "shut"
    return (
        line.get("collector") == config.tool_collector(name)
        and not line.get("gate")
        and line.get("rule") == Rule.CUT_ENDED_BEFORE_GATE
    )


def _is_of_fan(config: Config, line: LogLine, tool: str) -> bool:
    """The tool's collector did not answer, be it for this tool or for another."""
    unanswered = line["event"] == Happened.COLLECTOR_UNANSWERED and line.get("rule") == Rule.ANSWER
    return unanswered and line.get("collector") == config.tool_collector(tool)


def moment_ms(line: LogLine) -> int:
    """The moment that a line is about: a missed rise ended when the line was written."""
    wall_ms = stamp_ms(str(line["ts"]))
    lasted = line.get("lasted") if line["event"] == Happened.START_MISSED else None
    return wall_ms - round(lasted * 500) if isinstance(lasted, int | float) else wall_ms


@dataclass(slots=True)
class Explanation:
    """What `why` says."""

    context: Question
    verdict: Verdict
    lead: str
    """What is said first, where the answer is about another moment than was asked; empty elsewhere."""
    causes: Causes
    story: list[TimedLine]
    """All that the log says around it."""
    notes: list[str]
    at_the_end: str
    """Of a collector asked about without a time: how it is where the log ends."""
    about_ms: int
    """The moment that the answer is about."""

    @property
    def shown(self) -> list[TimedLine]:
        """The verdict's own line and those that it needs, by time."""
        own = [] if self.verdict.own is None else [self.verdict.own]
        return sorted((*self.causes.lines, *own), key=lambda one: (one.ms, one.number("seq") or 0.0))


def ask(
    config: Config, shop: Shop, folder: Path, subject: tuple[SubjectKind, str] | None, asked: Asked | None
) -> Explanation | None:
    """The answer; None when no moment was given and nothing in the log failed to happen.

    A collector asked about without a moment also says how it is, which is often what is wanted; whoever else is asked
    about, or nobody, is told of a hold that still is.
    """
    at_the_end, given, held, gone = "", asked, None, None
    if asked is None:
        found = last_missed(config, EventReader(folder), subject)
        gone = None if subject is None else _gone(folder, subject, None if found is None else found[2])
        if subject is not None and gone is not None:
            found = (*subject, gone.line)
        ends = _end_of_log(folder) if subject is not None and subject[0] == "collector" else None
        if found is not None and _is_overtaken(config, folder, subject, found[2]):
            found = None  # it is on hold since, which is what is wanted
        if found is not None:
            kind, name, line = found
            if ends is not None:
                at_the_end = collector_now(gather_context(config, shop, folder, (kind, name), ends)).sentence
            held = _held(config, folder, subject) if ends is None else None
            subject, asked = (kind, name), Asked(from_ms(moment_ms(line)), SECOND_MS)
        elif ends is not None:
            asked = ends
        else:
            if (held := _held(config, folder, subject)) is None:
                return None
            subject, asked = ("collector", held.text("collector")), Asked(from_ms(held.ms), SECOND_MS)
    chosen = (
        subject or nearest_missed(config, EventReader(folder), asked) or ("collector", next(iter(config.collector)))
    )
    context = gather_context(config, shop, folder, chosen, asked)
    last = next(EventReader(folder).backwards(), None)
    verdict = still_offline(context, gone, TimedLine.of(last)) if gone is not None and last else _verdict(context)
    if held is not None and subject is not None and subject[0] != "collector" and held.clock not in verdict.sentence:
        at_the_end = f"{sentence(held.line)} (since {held.clock})"
    needed = Causes()
    if verdict.own is not None:
        most = MOST_TRIED if verdict.is_no else FEW_TRIED
        outcome = Outcome(verdict.own, verdict.without, verdict.since_ms)
        needed = causes(context, outcome, verdict.findings, most=most)
    return Explanation(
        context,
        verdict,
        "" if given is None else _lead(context, verdict, named=subject is not None),
        needed,
        _story(context, verdict),
        list(notes(context, of_hold=verdict.case in {"held", "stop_contact"})),
        at_the_end,
        context.at_ms if given is not None or verdict.span is None else verdict.span[0],
    )


def _verdict(context: Question) -> Verdict:
    """What was said at the very moment counts before how things were: a daemon may have started in that second."""
    found = {"tool": tool_verdict, "gate": gate_verdict, "collector": collector_verdict}[context.kind](context)
    said_then = found.is_no and found.span is not None and found.own is not None and context.is_asked(found.own.ms)
    return found if said_then else not_running(context) or broker_away(context) or found


def _held(config: Config, folder: Path, subject: tuple[SubjectKind, str] | None) -> TimedLine | None:
    """The line that put the subject's collector (or any) on hold, if it still is: whoever asks may mean that."""
    wanted = set(config.collector)
    if subject is not None:
        kind, name = subject
        whose_collector = {"tool": config.tool_collector, "gate": config.gate_collector}
        wanted = {name if kind == "collector" else whose_collector[kind](name)}
    for line in map(TimedLine.of, islice(EventReader(folder).backwards(), _FARTHEST)):
        name = line.text("collector")
        if name in wanted and line.is_(Happened.COLLECTOR_HELD):
            return line
        if line.is_(Happened.HOLD_RESET, Happened.COLLECTOR_ON):
            wanted.discard(name)
        if not wanted:
            break
    return None


def _is_overtaken(config: Config, folder: Path, subject: tuple[SubjectKind, str] | None, missed: LogLine) -> bool:
    """A reset was refused since nothing was on hold, and the collector has been put on hold since."""
    if missed["event"] != Happened.RESET_REFUSED or missed.get("rule") != Rule.HOLD:
        return False
    held = _held(config, folder, subject)
    return held is not None and held.ms > moment_ms(missed)


def _gone(folder: Path, subject: tuple[SubjectKind, str], missed: LogLine | None) -> TimedLine | None:
    """The line by which the subject's own device went offline, if it still is where the log ends.

    None also where what was `missed` came later: that says more, but for a sensor's silence, which is the same.
    """
    lines = map(TimedLine.of, islice(EventReader(folder).backwards(), _FARTHEST))
    gone = last_will(takewhile(lambda one: not one.is_(OwnEvent.DAEMON_STARTED), lines), subject)
    if gone is None or missed is None:
        return gone
    silent = missed["event"] == Happened.TOOL_SILENT and missed.get("rule") == Rule.OFFLINE
    return gone if silent or moment_ms(missed) < gone.ms else None


def _end_of_log(folder: Path) -> Asked | None:
    last = next(EventReader(folder).backwards(), None)
    return None if last is None else Asked(from_ms(stamp_ms(str(last["ts"]))), SECOND_MS)


def _lead(context: Question, verdict: Verdict, *, named: bool) -> str:
    """No answer is about something more than a minute from the moment without saying so first."""
    if verdict.span is None:
        return ""
    (begin, end), at, said = verdict.span, context.at_ms, context.asked.said
    if begin > at + MINUTE_MS or (begin < at - MINUTE_MS and end < at):
        whom = f" to {_whom(context)}" if named else ""
        return f"Nothing happened{whom} at {said}; the nearest is at {local_clock(begin)}: "
    if begin < at - MINUTE_MS:
        return f"What went on at {said} had begun at {local_clock(begin)}: "
    return ""


def _whom(context: Question) -> str:
    """The subject in the middle of a sentence."""
    if context.kind == "tool":
        return f"the {spoken(context.name)}"
    only = context.kind == "collector" and len(context.config.collector) == 1
    return "the collector" if only else f"{context.kind} {spoken(context.name)}"


def _story(context: Question, verdict: Verdict) -> list[TimedLine]:
    """The lines around what the verdict rests on, and around the moment, that are about it."""
    times = [stamp_ms(str(line["ts"])) for line in verdict.findings]
    near = [ms for ms in times if abs(ms - context.at_ms) <= _NEAR_MS] or [context.at_ms]
    start, end = min(near) - _STORY_BEFORE_MS, max(near) + _STORY_AFTER_MS
    kept = [one for one in context.between(start, end) if _is_about(context, one)]
    if len(kept) > _LONGEST:
        middle = min(near)
        nearest = sorted(kept, key=lambda one: abs(one.ms - middle))[:_LONGEST]
        kept = sorted(nearest, key=lambda one: one.ms)  # those of one instant stay in the log's order
    return kept


def _is_about(context: Question, one: TimedLine) -> bool:
    if one.is_refresh:
        return False
    tool, gate = one.text("tool"), one.text("gate")
    if context.kind == "tool" and tool:
        return tool == context.name
    if context.kind in {"tool", "gate"} and gate:
        return gate in context.gates()
    return not one.text("collector") or one.text("collector") == context.collector
