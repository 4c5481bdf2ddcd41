"""What was so at the moment, whatever its subject did: the daemon or the broker away, a sensor silent, a tool muted.

Also what was never heard, and what was said and not understood.
"""

from collections.abc import Iterable, Iterator
from typing import Final

from gatehand.journal.line import OwnEvent
from gatehand.journal.witness_words import is_tripped, look_at, motor_is_late, says_on, turns_unreported
from gatehand.text import named
from gatehand.times import lasting, local_clock, local_text
from gatehand.why import verdict_table as words
from gatehand.why.moment import Question, SubjectKind, TimedLine, first
from gatehand.why.not_understood import could_not_be_used, key_of, keys_within, last_rejected, topic_of, wanted_of
from gatehand.why.verdicts import Verdict, verdict
from gatehand_rules.findings import Alarm, Happened, Rule
from gatehand_rules.state import ToolMuted, ToolSilent, ToolState, ToolUnknown

_LATE: Final = "Look at the fan: what watches its motor has not spoken since."
_WELDED: Final = "Switch it off at its own switch or breaker and have the relay looked at: it may be welded."
_STILL_TURNS: Final = (
    "Look at the fan. If it turns, switch it off at its own switch or breaker and have the relay looked at; if it has "
    "stopped, look at what has not said so."
)
_PRESSED: Final = ("button", "reset")
"""Signals that come when somebody presses."""
ALIVE_MS = 10_000
"""The daemon records a tick every second: silence for longer than this means that it was not there."""


def not_running(context: Question) -> Verdict | None:
    """The daemon did not run at the moment."""
    before, after = next(context.upto(context.at_ms), None), context.next_line()
    at = local_text(context.at_ms)[:19]
    if before is None:
        begun = local_text(after.ms)[:19] if after else None
        return verdict(context, words.NOT_YET, (after,), at=at, begun=begun) if after else None
    stopped = before.is_(OwnEvent.DAEMON_STOPPED)
    if not stopped and not _died(context, before, after):
        return None
    last_ms = max(before.ms, context.state_then.last_ms if context.state_then and not stopped else before.ms)
    back = after if after and after.is_(OwnEvent.DAEMON_STARTED) else None
    again = local_text(back.ms)[:19] if back else None
    case = words.STOPPED if stopped else words.DIED
    found = verdict(context, case, (before, back), at=at, last=local_text(last_ms)[:19], again=again)
    found.own = before if stopped else back
    return found


def _died(context: Question, before: TimedLine, after: TimedLine | None) -> bool:
    """The run that was alive before the moment had ended by then, without saying so."""
    state_then = context.state_then
    if after is not None and after.text("run") == before.text("run"):
        return False  # it went on, though perhaps its recording did not
    if state_then is not None and state_then.run == before.text("run"):
        return context.at_ms - state_then.last_ms > ALIVE_MS
    # Without a recording only a new start tells, and then only that it was some time in between.
    return after is not None and after.is_(OwnEvent.DAEMON_STARTED) and after.ms - before.ms > ALIVE_MS


def broker_away(context: Question) -> Verdict | None:
    """The broker was away at the moment."""
    state = context.state_then.state if context.state_then else None
    last = first(
        context.in_this_run(context.at_ms), Happened.BROKER_LOST, Happened.BROKER_CONNECTED, OwnEvent.DAEMON_STARTED
    )
    if last is None or not last.is_(Happened.BROKER_LOST) or (state is not None and state.connected):
        return None
    again = first(context.following(context.at_ms), Happened.BROKER_CONNECTED)
    until = "and was not back within the time looked at"
    if again:
        until = f"until {again.clock} ({lasting((again.ms - last.ms) / 1000)})"
    return verdict(context, words.BROKER_AWAY, (last, again), since=last.clock, until=until)


def notes(context: Question, *, of_hold: bool) -> Iterator[str]:
    """Remarks, each without a full stop: on the clock, on the log, on what was never heard.

    A reset that was never heard matters only to an answer about a hold.
    """
    if (one := first(context.lines, OwnEvent.CLOCK_STEPPED)) is not None:
        by = one.amount("by_seconds")
        way = "forward" if by > 0 else "back"
        yield (
            f"the wall clock stepped {way} by {lasting(abs(by))} at {one.clock}: a time that you remember may "
            "be that much off in the log. Nothing is timed by that clock"
        )
    if (one := first(context.lines, OwnEvent.LOG_GAP)) is not None:
        lost = one.amount("lost")
        yield f"the log lost {named(int(lost), 'line')} before {one.clock}: what follows may be less than all"
    yield from _unheard(context, of_hold=of_hold)


def _state(context: Question) -> ToolState | None:
    then = None if context.state_then is None else context.state_then.tool(context.name)
    return None if then is None else then[1]


def _last(context: Question, *events: str) -> TimedLine | None:
    """The tool's last line of these events at or before the moment."""
    return first(context.in_this_run(context.at_ms), *events, tool=context.name)


def silent(context: Question) -> Verdict | None:
    """Its sensor said nothing at the moment."""
    state = _state(context)
    if state is not None and not isinstance(state, ToolSilent):
        return None
    if context.state_then is None and not _silent_by_log(context):
        return None
    fell = _last(context, Happened.TOOL_SILENT)
    if fell is None:
        return None
    again = first(context.following(context.at_ms), Happened.TOOL_HEARD, tool=context.name)
    said = fell.text("says") or fell.text("beside")
    known = "understood" if said else "heard"
    heard_again = (
        f"it was {known} again at {again.clock}" if again else f"it has not been {known} again in the time looked at"
    )
    case = words.NOT_UNDERSTOOD if said else words.OFFLINE if fell.text("rule") == Rule.OFFLINE else words.SILENT
    return verdict(
        context,
        case,
        (fell, again),
        since=fell.clock,
        heard_again=heard_again,
        said=said,
        keys=keys_within(fell.text("key")),
        unheard=fell.text("topic") if fell.line.get("never_heard") is True else None,
    )


def _silent_by_log(context: Question) -> bool:
    last = _last(context, Happened.TOOL_SILENT, Happened.TOOL_HEARD)
    return last is not None and last.is_(Happened.TOOL_SILENT)


def muted(context: Question) -> Verdict | None:
    """A hand, or its run limit, had said not to serve it."""
    if not isinstance(_state(context), ToolMuted):
        return None
    line = _last(context, Happened.TOOL_MUTED)
    return None if line is None else muted_by(context, line)


def muted_by(context: Question, line: TimedLine) -> Verdict:
    """Why it was muted, and until when if it was over by the moment."""
    stops = (Happened.TOOL_STOPPED, Happened.TOOL_SILENT, OwnEvent.DAEMON_STARTED)
    of_tool = (one for one in context.following(line.ms) if one.text("tool") in {context.name, ""})
    stopped = first(of_tool, *stops)
    if stopped is not None and stopped.ms >= context.at_ms:
        stopped = None
    told = words.MUTED_UNTIL if stopped is not None and stopped.is_(Happened.TOOL_STOPPED) else words.MUTED
    case = words.RUN_LIMIT if line.text("rule") == Rule.RUN_LIMIT else told
    limit = None if context.tool_then is None else context.tool_then.run_limit
    until = stopped.clock if stopped else None
    found = verdict(context, case, (line,), at=line.clock, run_limit=limit, stopped=until)
    found.span = (line.ms, stopped.ms if stopped else max(line.ms, context.at_ms))
    return found


def not_understood(context: Question, odd: TimedLine) -> Verdict:
    """The last that its sensor said could not be used."""
    key = key_of(odd)
    return verdict(
        context,
        words.NOT_UNDERSTOOD,
        (odd,),
        since=odd.clock,
        heard_again="no other word had come by then",
        topic=topic_of(context, "tool", context.name, key),
        said=odd.text("shown"),
        key=key,
        keys=keys_within(key),
        wanted=wanted_of(odd),
    )


def blind(context: Question) -> Verdict | None:
    """Nothing live has told yet whether it runs."""
    state = _state(context)
    if not isinstance(state, ToolUnknown):
        return None
    odd = last_rejected(context, "tool", context.name, context.at_ms)
    if odd is not None:
        return not_understood(context, odd)
    heard = "between its two thresholds" if state.value is not None else "none at all"
    return verdict(context, words.UNKNOWN, heard=heard)


def next_for_switch(context: Question, unanswered: TimedLine, rejected: TimedLine | None) -> str:
    """What to do about a collector that has not answered."""
    if unanswered.line.get("offline") is True:
        return words.LOOK_AT_DEVICE
    told_on = unanswered.text("told") != "off"
    if told_on and motor_is_late(unanswered.line):
        return f"{_LATE} If it does not turn, lock it out, then look at its overload and its breaker."
    if told_on and is_tripped(unanswered.line):
        return f"Lock it out, then {look_at(unanswered.line)}."
    if told_on and rejected is None and turns_unreported(unanswered.line):
        at = f"state in [collector.{context.collector}] (topic, pointer, on, off)"
        return f"The motor runs: {look_at(unanswered.line)}, and at {at}."
    if rejected is None and not told_on:
        return _WELDED if says_on(unanswered.line) else _STILL_TURNS
    if rejected is None:
        look = "Lock the collector out, then look at its switch, its breaker and its overload."
        return look + or_command(context, unanswered, "collector", context.collector, "told")
    key = key_of(rejected)
    return f"Look at what is published there, and at [collector.{context.collector}] {key}: {keys_within(key)}."


def or_command(context: Question, undone: TimedLine, kind: SubjectKind, name: str, key: str) -> str:
    """What else may be wrong when a device has not done what it was told, which is the line's fact of that key."""
    how = context.config.told_how(kind, name, undone.text(key), undone.line.get("reported_on"))
    return f" If the device itself is in order, look at {how}." if how else ""


def _unheard(context: Question, *, of_hold: bool) -> Iterator[str]:
    """What was never heard, and what a gate's button said last and could not be used."""
    seen: set[tuple[str, str]] = set()
    button = context.kind == "gate"
    for one in context.in_this_run(context.at_ms):
        if one.text(context.kind) != context.name:
            continue
        topic, key = one.text("topic"), one.text("key")
        if one.is_(OwnEvent.SIGNAL_UNHEARD, OwnEvent.SIGNAL_HEARD) and (topic, key) not in seen:
            seen.add((topic, key))
            if one.is_(OwnEvent.SIGNAL_UNHEARD) and (of_hold or key != "reset"):
                there = one.text("wanted")
                why = f"{there}; the pointer is another" if there else words.NEVER_HEARD_SINCE[key in _PRESSED]
                yield f"never heard: {topic}, its {key}: {why}"
        elif button and one.text("rule") == Rule.BUTTON:
            button = False  # it has been understood since
        elif button and one.is_(Happened.READING_REJECTED) and one.text("why").startswith("button:"):
            button = False
            yield could_not_be_used(context, one)


def offline_since(context: Question, gate: str, ms: int) -> TimedLine | None:
    """The line by which a gate's own will said that it is gone, where it still is at that moment."""
    return last_will(context.in_this_run(ms), ("gate", gate))


def last_will(lines: Iterable[TimedLine], whose: tuple[SubjectKind, str]) -> TimedLine | None:
    """The line by which a device's own will said that it is gone, where the newest word of that says so.

    `lines`: those of one run, newest first; each run of the daemon says anew what is gone.
    """
    last = next((one for one in lines if is_of_will(one, *whose)), None)
    return last if last is not None and last.is_(Happened.DEVICE_OFFLINE) else None


def is_of_will(one: TimedLine, kind: SubjectKind, name: str) -> bool:
    """Whether a line says that a device is gone, or that it no longer counts as gone.

    An edit that takes its `online` away ends the alarm, and nothing says that it is back.
    """
    if one.text(kind) != name:
        return False
    ended = one.is_(Happened.ALARM_CLEARED) and one.text("alarm") == Alarm(kind, name, "offline").id
    return ended or one.is_(Happened.DEVICE_OFFLINE, Happened.DEVICE_ONLINE)


def gone_since(gone: TimedLine | None, ms: int) -> dict[str, str]:
    """Since when, and for how long by that moment; nothing where the log has lost that line."""
    if gone is None:
        return {}
    return {"since": gone.clock, "lasted": lasting(float(round((ms - gone.ms) / 1000)))}


def offline(context: Question, gate: str, ms: int) -> Verdict | None:
    """The gate's device was offline at that moment."""
    gone = offline_since(context, gate, ms)
    if gone is None:
        return None
    return verdict(context, words.GATE_OFFLINE, (gone,), at=local_clock(ms), **gone_since(gone, ms))


def still_offline(context: Question, found: TimedLine, last: TimedLine) -> Verdict:
    """The subject's device is offline since `found`, the moment asked about, and where the log ends, with `last`."""
    whose = {context.kind: context.name}
    gone = first(context.between(found.ms, found.ms), Happened.DEVICE_OFFLINE, **whose) or found
    stopped = last.clock if last.is_(OwnEvent.DAEMON_STOPPED) else None
    said = verdict(context, words.STILL_OFFLINE[context.kind], (gone,), since=gone.timed(last.ms), stopped=stopped)
    said.span = (gone.ms, last.ms)
    return said
