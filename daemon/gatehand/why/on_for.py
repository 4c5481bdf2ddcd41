"""For whom the collector was on already at a start that found it on, and since when."""

from typing import Final

from gatehand.journal.line import OwnEvent
from gatehand.journal.sentences import spoken, told
from gatehand.why import verdict_table as words
from gatehand.why.lost_air import ENDED
from gatehand.why.moment import MINUTE_MS, Question, StartAttempt, TimedLine, first
from gatehand_rules.findings import Fact, Happened, Rule

_WANTS_NO_MORE: Final = (
    *(Happened.TOOL_MUTED, Happened.TOOL_SILENT, Happened.START_REFUSED, Happened.RUN_ON_ENDED, Happened.HAND_ENDED),
)


def on_for(context: Question, attempt: StartAttempt, on: TimedLine) -> tuple[list[TimedLine], dict[str, Fact]]:
    """Since when the collector was on and for whom, at a start that found it on; and the lines that say so."""
    if on.is_(Happened.COLLECTOR_ADOPTED) and on.text("rule") == Rule.ADOPTION:
        daemon = first(context.in_this_run(on.ms), OwnEvent.DAEMON_STARTED) or on
        return [], {"adopted": daemon.timed(attempt.start_ms)}
    wanted = _wanted_by(context, on, attempt.start_ms)
    by_then = [one for one in wanted if one.ms <= on.ms]
    later = [] if by_then else wanted
    since_then = (one for one in context.in_this_run(attempt.start_ms) if one.ms >= on.ms)
    kept = None if wanted else first(since_then, Happened.COLLECTOR_KEPT_ON, collector=context.collector)
    facts: dict[str, Fact] = {
        "since": on.timed(attempt.start_ms),
        "wanted_by": " and ".join(map(_whom, by_then)) or None,
        "kept_for": " and ".join(map(_whom, later)) or (told(words.START_LIMIT, kept.line) if kept else None),
        "at_latest": None if on.is_(Happened.COLLECTOR_ON) and not on.is_refresh else "at the latest",
    }
    return [*by_then, *later, *([kept] if kept else [])], facts


def _wanted_by(context: Question, on: TimedLine, ms: int) -> list[TimedLine]:
    """Whose start wanted the collector, on since a line, at a later moment: in their order, and no start of that ms."""
    found: list[TimedLine] = []
    ended: set[tuple[str, str]] = set()
    for one in context.in_this_run(ms - 1):
        if one.ms < on.ms - MINUTE_MS or (one.is_(*ENDED) and one.text("collector") == context.collector):
            break
        whose = one.text("tool"), one.text("gate")
        if one.is_(*_WANTS_NO_MORE) or (
            one.is_(Happened.TOOL_STOPPED) and one.ms + round(one.amount("run_on") * 1000) <= ms
        ):
            ended.add(whose)
        elif (
            one.is_(Happened.TOOL_STARTED, Happened.HAND_STARTED)
            and whose not in ended
            and one.text("collector") == context.collector
        ):
            found.insert(0, one)
            ended.add(whose)  # its starts of before are over
    return found


def _whom(start: TimedLine) -> str:
    tool, gate = start.text("tool"), start.text("gate")
    return f"the {spoken(tool)}" if tool else f"a hand start of gate {spoken(gate)}"
