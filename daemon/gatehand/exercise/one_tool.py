"""One tool: the person starts it, and its sensor sees it, or something else is seen instead."""

from collections.abc import Iterator
from functools import partial
from math import inf
from statistics import median
from typing import Final

from gatehand.config.tables import ToolTable
from gatehand.exercise.observed_state import ToolHeard
from gatehand.exercise.question import SKIP, Question
from gatehand.exercise.results import MeterResult, Remark, ToolResult, failed, look
from gatehand.exercise.supervisor import Supervisor
from gatehand.journal.sentences import spoken
from gatehand.measures import measured, says, steady, threshold_key
from gatehand.rhythm import PRICE_OF_NONE, misfit
from gatehand.text import as_sentence, named
from gatehand.times import lasting, rough
from gatehand_rules.shop import CLOSED
from gatehand_rules.words import Measure

LISTEN: Final = 5.0
"""Seconds after the person's Enter in which the sensor must show it, at least."""
LONGEST_LISTEN: Final = 20.0
OWN_STILL_MAY: Final = 3.0
"""Seconds that its own sensor has left once another tool's has risen."""
STEADY_AFTER: Final = 1.0
"""Seconds after which an inrush is over."""
_IS_OFF: Final = "when it is off"
STEADY: Final = 3.0
"""Seconds of running that are looked at."""


async def exercise(supervisor: Supervisor, name: str) -> ToolResult:
    """Ask for the tool's start and its stop, and look at both."""
    tool, world, heard = supervisor.config.tool[name], supervisor.world, supervisor.observed.tools[name]
    if not supervisor.person or not await _at_rest(supervisor, name, tool):
        return ToolResult(name, False, tool.measure)
    rest, shown = heard.value, partial(steady, tool.measure)
    asked = world.now()
    supervisor.ask(Question(f"Start the {spoken(name)} now, without cutting", "when it runs"))
    seen = await _await_start(supervisor, name, tool)
    if seen == SKIP:
        return ToolResult(name, False, tool.measure)
    if isinstance(seen, str):
        why = _why_not_seen(supervisor, name, asked, seen)
        return ToolResult(name, True, tool.measure, rest, remarks=(failed(why),))
    world.say(f"  Seen: {shown(heard.value or 0.0)}. Listening for {STEADY:g} s more.")
    await supervisor.wait(STEADY)
    after = [value for _, value in heard.since(seen + STEADY_AFTER)] or [heard.value or 0.0]
    running, peak = round(median(after), 3), heard.peak(seen) or after[-1]
    by_contact = tool.measure is Measure.RUNNING
    remarks = [*(_contact(after) if by_contact else _thresholds(tool, rest, running, peak))]
    supervisor.ask(Question(f"Now switch the {spoken(name)} off", _IS_OFF))
    if (amiss := await _await_stop(supervisor, name, tool)) is not None:
        remarks.append(amiss)
    most = None if by_contact else peak
    return ToolResult(name, True, tool.measure, rest, running, most, *_delay(heard, tool, seen), tuple(remarks))


async def _at_rest(supervisor: Supervisor, name: str, tool: ToolTable) -> bool:
    """Before its start it must not draw. False: skipped."""
    heard = supervisor.observed.tools[name]
    hint = "; if it is off, its words active and clear are swapped" if tool.measure is Measure.RUNNING else ""
    while heard.value is not None and heard.value >= tool.stop_at and supervisor.person:
        draws = Question(f"The {spoken(name)} {says(tool.measure, heard.value)}; switch it off{hint}", _IS_OFF)
        if await supervisor.answer(draws) == SKIP:
            return False
        await supervisor.wait(STEADY_AFTER)
        if heard.value >= tool.stop_at:
            await supervisor.wait(_patience(tool))
    return True


async def _await_start(supervisor: Supervisor, name: str, tool: ToolTable) -> float | str:
    """When it counts as running; else "skip", another tool that rose in its stead, or "" when nothing comes."""
    world, tools = supervisor.world, supervisor.config.tool
    asked = world.now()
    heard = supervisor.observed.tools
    resting = [other for other, each in tools.items() if other != name and (heard[other].value or 0.0) < each.start_at]
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
    """When it has stood at or above the start threshold (its contact active) for long enough without a break."""
    since: float | None = None
    for at, value in supervisor.observed.tools[name].since(asked):
        if value < tool.start_at:
            since = None
        elif since is None:
            since = at
    return None if since is None else since + tool.start_after


def _delay(heard: ToolHeard, tool: ToolTable, seen: float) -> tuple[float, float | None]:
    """Seconds until it counted as running: since its sensor's first word of the start, and since the word before.

    The word before is told only of a sensor that speaks by the clock: of another it may be from long ago.
    """
    before = [at for at, value in heard.readings if at < seen and value < tool.stop_at]
    first = next((at for at, value in heard.readings if value >= tool.stop_at and at > max(before, default=-inf)), seen)
    rhythm = heard.meter.rhythm
    by_clock = rhythm is not None and rhythm.steady and not rhythm.on_change
    return round(seen - first, 2), round(seen - before[-1], 2) if by_clock and before else None


def _key(which: str, tool: ToolTable) -> str:
    return threshold_key(which, tool.measure)


def _threshold(which: str, tool: ToolTable) -> str:
    """Such as `start_watts of 100 W`."""
    return f"{_key(which, tool)} of {measured(tool.measure, tool.start_at if which == 'start' else tool.stop_at)}"


def _thresholds(tool: ToolTable, rest: float | None, running: float, peak: float) -> Iterator[Remark]:
    shown = partial(steady, tool.measure)
    if running < tool.stop_at:
        yield failed(
            f"Only its start reaches {_key('start', tool)}: it peaked at {shown(peak)} and runs at {shown(running)}, "
            f"below {_threshold('stop', tool)}. Lower both thresholds."
        )
    elif running < tool.start_at:
        yield look(
            f"It runs at {shown(running)}, below {_threshold('start', tool)}: only its inrush starts the collector, "
            f"and a sensor that misses it misses the cut. Lower {_key('start', tool)}."
        )
    elif rest is not None and rest * 2 > tool.stop_at:
        yield look(
            f"At rest it shows {shown(rest)}, more than half of {_key('stop', tool)}: little room to tell rest from "
            "running."
        )


def _contact(after: list[float]) -> Iterator[Remark]:
    """A contact must stay as it is while the tool runs."""
    if after[-1] < CLOSED:
        yield failed(
            "Its contact said running and then stopped, though nobody has switched it off: the collector would go off "
            "in the middle of the work. Look at the contact."
        )
    elif min(after) < CLOSED:
        yield look("Its contact opened for a moment while it ran: stop_after bridges that.")


async def _await_stop(supervisor: Supervisor, name: str, tool: ToolTable) -> Remark | None:
    """Until it falls below the stop threshold, or will not: what is to be said then."""
    heard = supervisor.observed.tools[name]
    until = float("inf")
    while supervisor.world.now() < until:
        if heard.value is not None and heard.value < tool.stop_at:
            return None
        reply = await supervisor.reply(until)
        if reply == SKIP:
            return look(f"Its stop was not tried{'' if supervisor.person else ': nobody was there any more'}.")
        if isinstance(reply, str):
            until = supervisor.world.now() + _patience(tool)
    if tool.measure is Measure.RUNNING:
        return failed(
            "Switched off, its contact still says running: the collector would never stop. Look at the contact, and "
            "whether its words active and clear are swapped."
        )
    shown = "nothing" if heard.value is None else steady(tool.measure, heard.value)
    return failed(
        f"Switched off, it still shows {shown}, not below {_threshold('stop', tool)}: the collector would never stop. "
        f"Look at the sensor, or raise {_key('stop', tool)}."
    )


def _why_not_seen(supervisor: Supervisor, name: str, asked: float, other: str) -> str:
    tool, said = supervisor.config.tool[name], spoken(name)
    peak = supervisor.observed.tools[name].peak(asked)
    if other:
        instead = supervisor.config.tool[other].measure
        top = steady(instead, supervisor.observed.tools[other].peak(asked) or 0.0)
        rose = f"contact said {top}" if instead is Measure.RUNNING else f"topic rose to {top}"
        return (
            f"Not seen; the {spoken(other)}'s {rose} instead: the sensors of {said} and {spoken(other)} are swapped, "
            "or their topics are."
        )
    if peak is not None and peak >= tool.start_at:
        shown = steady(tool.measure, peak)
        return f"Seen only for a moment ({shown}), shorter than start_after of {tool.start_after:g} s."
    if peak is not None:
        return _NOT_RISEN[tool.measure].format(
            most=steady(tool.measure, peak), start=_key("start", tool), at=measured(tool.measure, tool.start_at)
        )
    if (why := supervisor.observed.unreadable.get(("tool", name))) is not None:
        return f"Not seen: what its topic {tool.sensor.topic} says cannot be read: {why}."
    return f"Not seen: nothing came on {tool.sensor.topic}. Look at the sensor's power, network and topic."


def meter(supervisor: Supervisor, name: str) -> MeterResult:
    """How often its meter spoke since the exercise began, and whether `silent_after` fits that."""
    heard, silent_after = supervisor.observed.tools[name], supervisor.config.tool[name].silent_after
    rhythm = heard.meter.rhythm
    why = misfit(rhythm, silent_after) if rhythm is not None else _quiet(heard, silent_after)
    return MeterResult(name, rhythm, () if why is None else (look(as_sentence(why)),))


def _quiet(heard: ToolHeard, silent_after: float) -> str | None:
    """It spoke too seldom to tell its rhythm, and was quiet for longer than it may be."""
    if silent_after == 0 or heard.quiet_for <= silent_after:
        return None
    return (
        f"the meter was silent for {lasting(heard.quiet_for, whole=True)} and then spoke (seen "
        f"{named(len(heard.readings), 'time')}), and silent_after is {rough(silent_after)}: if it speaks only on "
        f"change, its tool is called silent and let go in a long steady cut; then set silent_after = 0 (the price: "
        f"{PRICE_OF_NONE})"
    )


_NOT_RISEN: Final = {
    Measure.AMPS: (
        "Not seen: {most} at most, {start} is {at}. Check whether the sensor goes round one conductor only, and at "
        "scale; or lower {start}."
    ),
    Measure.WATTS: (
        "Not seen: {most} at most, {start} is {at}. Check whether it gets its power through that meter, and at scale; "
        "or lower {start}."
    ),
    Measure.RUNNING: (
        "Not seen: its contact said stopped all the while. Look where the contact sits, and whether its words active "
        "and clear are swapped."
    ),
}


def _patience(tool: ToolTable) -> float:
    """Long enough for a sensor that speaks by the clock."""
    return min(LONGEST_LISTEN, max(LISTEN, tool.silent_after / 2 + tool.start_after))
