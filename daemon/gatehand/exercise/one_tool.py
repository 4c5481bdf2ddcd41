"""One tool: the person starts it, and its sensor sees it, or something else is seen instead."""

from collections.abc import Iterator
from statistics import median
from typing import Final

from gatehand.config.tables import ToolTable
from gatehand.exercise.results import Remark, ToolResult, failed, look
from gatehand.exercise.supervisor import SKIP, Supervisor
from gatehand.journal.sentences import spoken

LISTEN: Final = 5.0
"""Seconds after the person's Enter in which the sensor must show it, at least."""
LONGEST_LISTEN: Final = 20.0
OWN_STILL_MAY: Final = 3.0
"""Seconds that its own sensor has left once another tool's has risen."""
STEADY_AFTER: Final = 1.0
"""Seconds after which an inrush is over."""
STEADY: Final = 3.0
"""Seconds of running that are looked at."""


async def exercise(supervisor: Supervisor, name: str) -> ToolResult:
    """Ask for the tool's start and its stop, and look at both."""
    tool, world, heard = supervisor.config.tool[name], supervisor.world, supervisor.observed.tools[name]
    if not supervisor.person or not await _at_rest(supervisor, name, tool):
        return ToolResult(name, tried=False)
    rest = heard.amps
    asked = world.now()
    world.ask(f"Start the {spoken(name)} now, without cutting (Enter when it runs; skip; quit)")
    seen = await _await_start(supervisor, name, tool)
    if seen == SKIP:
        return ToolResult(name, tried=False)
    if isinstance(seen, str):
        why = _why_not_seen(supervisor, name, asked, seen)
        return ToolResult(name, tried=True, rest=rest, remarks=(failed(why),))
    world.say(f"  Seen: {heard.amps:.2f} A. Listening for {STEADY:g} s more.")
    await supervisor.wait(STEADY)
    steady = [amps for _, amps in heard.since(seen + STEADY_AFTER)] or [heard.amps or 0.0]
    running, peak = round(median(steady), 3), heard.peak(seen) or steady[-1]
    remarks = [*_thresholds(tool, rest, running, peak)]
    world.ask(f"Now switch the {spoken(name)} off (Enter when it is off; skip)")
    if (amiss := await _await_stop(supervisor, name, tool)) is not None:
        remarks.append(amiss)
    return ToolResult(name, True, rest, running, peak, round(seen - asked, 2), tuple(remarks))


async def _at_rest(supervisor: Supervisor, name: str, tool: ToolTable) -> bool:
    """Before its start it must not draw. False: skipped."""
    heard = supervisor.observed.tools[name]
    while heard.amps is not None and heard.amps >= tool.stop_at and supervisor.person:
        supervisor.world.ask(
            f"The {spoken(name)} draws {heard.amps:.2f} A already; switch it off (Enter when it is off; skip; quit)"
        )
        if await supervisor.answer() == SKIP:
            return False
        await supervisor.wait(STEADY_AFTER)
        if heard.amps >= tool.stop_at:
            await supervisor.wait(_patience(tool))
    return True


async def _await_start(supervisor: Supervisor, name: str, tool: ToolTable) -> float | str:
    """When it counts as running; else "skip", another tool that rose in its stead, or "" when nothing comes."""
    world, tools = supervisor.world, supervisor.config.tool
    asked = world.now()
    heard = supervisor.observed.tools
    resting = [other for other, each in tools.items() if other != name and (heard[other].amps or 0.0) < each.start_at]
    instead = ""
    until = float("inf")
    while world.now() < until:
        due = _runs_at(supervisor, name, tool, asked)
        happening = await supervisor.reply(until if due is None else min(until, due))
        if happening == SKIP:
            return SKIP
        if isinstance(happening, str):
            until = world.now() + _patience(tool)
        due = _runs_at(supervisor, name, tool, asked)
        if due is not None and world.now() >= due:
            return due
        risen = (other for other in resting if (heard[other].peak(asked) or 0.0) >= tools[other].start_at)
        if not instead and (instead := next(risen, "")):
            until = min(until, world.now() + OWN_STILL_MAY)
    return instead


def _runs_at(supervisor: Supervisor, name: str, tool: ToolTable, asked: float) -> float | None:
    """When its current has stood at or above the start threshold for long enough without a break."""
    since: float | None = None
    for at, amps in supervisor.observed.tools[name].since(asked):
        if amps < tool.start_at:
            since = None
        elif since is None:
            since = at
    return None if since is None else since + tool.start_after


def _thresholds(tool: ToolTable, rest: float | None, running: float, peak: float) -> Iterator[Remark]:
    if running < tool.stop_at:
        yield failed(
            f"Only its start reaches start_amps: it peaked at {peak:.2f} A and runs at {running:.2f} A, below "
            f"stop_amps of {tool.stop_at:g} A. Lower both thresholds."
        )
    elif running < tool.start_at:
        yield look(
            f"It runs at {running:.2f} A, below start_amps of {tool.start_at:g} A: only its inrush starts the "
            "collector, and a sensor that misses it misses the cut. Lower start_amps."
        )
    elif rest is not None and rest * 2 > tool.stop_at:
        yield look(
            f"At rest it shows {rest:.2f} A, more than half of stop_amps: little room to tell rest from running."
        )


async def _await_stop(supervisor: Supervisor, name: str, tool: ToolTable) -> Remark | None:
    """Until it falls below the stop threshold, or will not: what is to be said then."""
    heard = supervisor.observed.tools[name]
    until = float("inf")
    while supervisor.world.now() < until:
        if heard.amps is not None and heard.amps < tool.stop_at:
            return None
        reply = await supervisor.reply(until)
        if reply == SKIP:
            return look(f"Its stop was not tried{'' if supervisor.person else ': nobody was there any more'}.")
        if isinstance(reply, str):
            until = supervisor.world.now() + _patience(tool)
    shown = "nothing" if heard.amps is None else f"{heard.amps:.2f} A"
    return failed(
        f"Switched off, it still shows {shown}, not below stop_amps of {tool.stop_at:g} A: "
        "the collector would never stop. Look at the sensor, or raise stop_amps."
    )


def _why_not_seen(supervisor: Supervisor, name: str, asked: float, other: str) -> str:
    tool, said = supervisor.config.tool[name], spoken(name)
    peak = supervisor.observed.tools[name].peak(asked)
    if other:
        top = supervisor.observed.tools[other].peak(asked)
        return (
            f"Not seen; the {spoken(other)}'s topic rose to {top:.2f} A instead: the sensors of {said} and "
            f"{spoken(other)} are exchanged, or their topics are."
        )
    if peak is not None and peak >= tool.start_at:
        return f"Seen only for a moment ({peak:.2f} A), shorter than start_after of {tool.start_after:g} s."
    if peak is not None:
        return (
            f"Not seen: {peak:.2f} A at most, start_amps is {tool.start_at:g} A. Look whether the sensor goes round "
            "one conductor only, and at scale; or lower start_amps."
        )
    if (why := supervisor.observed.unreadable.get(("tool", name))) is not None:
        return f"Not seen: what its topic {tool.sensor.topic} says cannot be read: {why}."
    return f"Not seen: {tool.sensor.topic} said nothing. Look at the sensor's power, network and topic."


def _patience(tool: ToolTable) -> float:
    """Long enough for a sensor that speaks by the clock."""
    return min(LONGEST_LISTEN, max(LISTEN, tool.silent_after / 2 + tool.start_after))
