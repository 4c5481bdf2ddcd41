"""A gate: why it did not move, or where it was. A collector: why it was off, or on, or did not obey."""

from dataclasses import replace
from typing import Final

from gatehand.journal.sentences import sentence, spoken
from gatehand.times import lasting, local_clock
from gatehand.why.moment import MINUTE_MS, NOTHING, Context, TimedLine, Verdict, first, lines_of, retries
from gatehand.why.state_at_moment import could_not_be_used, gate_not_understood, last_rejected, next_for_switch
from gatehand.why.tool_start import tool_verdict
from gatehand.why.try_settings import around, gate_trials
from gatehand_rules.findings import Happened, Rule

_NEAR_MS: Final = 5 * MINUTE_MS
_TROUBLES: Final = (Happened.GATE_FAULT, Happened.COMMAND_VETOED, Happened.START_REFUSED, Happened.DEVICE_OFFLINE)
_MOVES: Final = (Happened.GATE_COMMANDED, Happened.GATE_OPEN, Happened.GATE_SHUT, Happened.GATE_BETWEEN)
_CUT_AFTER_MS: Final = 60_000


def gate_verdict(context: Context) -> Verdict:
    """The case of a gate at a moment."""
    own = [one for one in context.lines if one.text("gate") == context.name]
    troubles = [one for one in own if one.is_(*_TROUBLES) and context.distance(one.ms, one.ms) <= _NEAR_MS]
    nearest = min(troubles, key=lambda one: (context.distance(one.ms, one.ms), -one.ms), default=None)
    if nearest is None:
        return _gate_now(context)
    if nearest.is_(Happened.GATE_FAULT):
        return _fault(context, nearest)
    case = "offline" if nearest.is_(Happened.DEVICE_OFFLINE) else nearest.text("rule") or "refused"
    said = sentence(nearest.line)
    return Verdict(
        "vetoed" if nearest.is_(Happened.COMMAND_VETOED) else case,
        f"at {local_clock(nearest.ms)}: {said}",
        lines_of(nearest),
        next_step="Its device's own will says that it is gone: look at its power and network."
        if nearest.is_(Happened.DEVICE_OFFLINE)
        else "",
    )


def _fault(context: Context, fault: TimedLine) -> Verdict:
    waited = fault.amount("waited")
    commanded_ms = fault.ms - round(waited * 1000)
    found = Verdict(
        "gate_jammed",
        f"gate {spoken(context.name)} was told to {'open' if fault.text('wanted') == 'open' else 'shut'} at "
        f"{local_clock(commanded_ms)} and had not reported it {lasting(waited)} later (travel "
        f"{lasting(fault.amount('travel'))}, {retries(fault)}): it counts as in fault",
        lines_of(fault),
        next_step="Look at the gate, its power and its end switches: gatehand exercise.",
    )
    if gate_not_understood(context, fault, found):
        return found
    until = _answers_until(context, fault)
    here = around(context.folder, commanded_ms, until)
    if here is not None and fault.text("wanted") == "open":
        # A tool that starts with the command is refused or served with it.
        started = first(context.between(commanded_ms, commanded_ms), Happened.TOOL_STARTED)
        tool = started.text("tool") if started else ""
        gate_trials(here, context.name, (tool, context.collector), (commanded_ms, until), found)
    return found


def _answers_until(context: Context, fault: TimedLine) -> int:
    """To when a report still answers the command that ended in this fault."""
    until = fault.ms + _CUT_AFTER_MS
    later = first(context.between(fault.ms + 1, until), Happened.GATE_COMMANDED, gate=context.name)
    return later.ms - 1 if later else until


def _gate_now(context: Context) -> Verdict:
    """No trouble near: where it is and since when."""
    last = first(context.upto(context.at_ms), *_MOVES, gate=context.name)
    if last is None:
        return Verdict(
            NOTHING, f"the log knows nothing of gate {spoken(context.name)} up to {local_clock(context.at_ms)}"
        )
    command = first(context.upto(last.ms), Happened.GATE_COMMANDED, gate=context.name)
    shown = (last,) if command is None or command is last else (command, last)
    return Verdict(
        NOTHING,
        f"nothing asked gate {spoken(context.name)} to move at {local_clock(context.at_ms)}; the last of it: "
        + "; ".join(f"{local_clock(one.ms)} {sentence(one.line)}" for one in shown),
        lines_of(*shown),
    )


_OWN: Final = (Happened.COLLECTOR_UNANSWERED, Happened.FAN_UNSAFE, Happened.COMMAND_VETOED, Happened.RESET_REFUSED)
_WANTED: Final = (Happened.START_MISSED, Happened.START_REFUSED)
ANSWERS_FOR: Final = frozenset((*_OWN, *_WANTED))
"""What it answers for; what a gate or a sensor of its did not do is asked of that."""
_SWITCHED: Final = (Happened.COLLECTOR_ON, Happened.COLLECTOR_OFF, Happened.COLLECTOR_ADOPTED, Happened.COLLECTOR_HELD)


def collector_verdict(context: Context) -> Verdict:
    """The case of a collector at a moment."""
    near = [one for one in context.lines if _is_its(context, one) and context.distance(one.ms, one.ms) <= _NEAR_MS]
    trouble = _nearest(context, [one for one in near if one.is_(*_OWN)])
    wanted = _nearest(context, [one for one in near if one.is_(*_WANTED) and one.text("tool")])
    if trouble is not None and (
        wanted is None or context.distance(trouble.ms, trouble.ms) <= context.distance(wanted.ms, wanted.ms)
    ):
        return _trouble(context, trouble)
    if wanted is not None:
        # What the collector did not do, it did not do for a tool.
        return tool_verdict(replace(context, kind="tool", name=wanted.text("tool")))
    return collector_now(context)


def _is_its(context: Context, one: TimedLine) -> bool:
    return one.text("collector") == context.name


def _nearest(context: Context, lines: list[TimedLine]) -> TimedLine | None:
    return min(lines, key=lambda one: (context.distance(one.ms, one.ms), -one.ms), default=None)


def _trouble(context: Context, one: TimedLine) -> Verdict:
    unanswered = one.is_(Happened.COLLECTOR_UNANSWERED) and one.line.get("reported_on") is not True
    rejected = last_rejected(context, "collector", context.name, one.ms) if unanswered else None
    case, step = {
        Happened.COLLECTOR_UNANSWERED: ("no_answer", next_for_switch(context, rejected)),
        Happened.FAN_UNSAFE: ("fan_against_shut_gates", "Look at which gate shut under the running fan, and why."),
        Happened.RESET_REFUSED: ("held", "Clear the cause first; then reset."),
        Happened.COMMAND_VETOED: ("vetoed", ""),
    }[Happened(str(one.line["event"]))]
    said = f"at {local_clock(one.ms)}: {sentence(one.line)}" + (f"; {could_not_be_used(rejected)}" if rejected else "")
    return Verdict(case, said, lines_of(one, rejected), next_step=step)


def collector_now(context: Context) -> Verdict:
    """Off or on, since when and by which rule."""
    own = (one for one in context.upto(context.at_ms) if _is_its(context, one) and one.is_(*_SWITCHED))
    last = next((one for one in own if not one.is_refresh), None)
    name = "the collector" if context.name == "main" else f"collector {spoken(context.name)}"
    if last is None:
        return Verdict(NOTHING, f"the log knows nothing of {name} up to {local_clock(context.at_ms)}")
    seconds = round((context.at_ms - last.ms) / 1000)
    since = lasting(float(seconds)) if seconds else "less than a second"
    if last.is_(Happened.COLLECTOR_OFF, Happened.COLLECTOR_HELD):
        held = last.is_(Happened.COLLECTOR_HELD) or last.text("rule") in {Rule.HOLD, Rule.STOP_CONTACT}
        return Verdict(
            "held" if held else NOTHING,
            f"{name} had been off for {since}: {local_clock(last.ms)} {sentence(last.line)}"
            + ("" if held else "; nothing asked for it since"),
            lines_of(last),
            next_step="When the cause is gone, reset the hold." if held else "",
        )
    stood = next((one.ms for one in own if one.is_(Happened.COLLECTOR_OFF, Happened.COLLECTOR_HELD)), 0)
    behind = [
        one
        for one in context.between(max(last.ms - MINUTE_MS, stood), context.at_ms)
        if _is_its(context, one) and one.is_(Happened.TOOL_STARTED, Happened.HAND_STARTED, Happened.COLLECTOR_KEPT_ON)
    ]
    reasons = "; ".join(f"{local_clock(one.ms)} {sentence(one.line)}" for one in behind[-3:])
    return Verdict(
        "already_on",
        f"{name} had been on for {since}: {local_clock(last.ms)} {sentence(last.line)}"
        + (f"; {reasons}" if reasons else ""),
        [last.line, *(one.line for one in behind[-3:])],
    )
