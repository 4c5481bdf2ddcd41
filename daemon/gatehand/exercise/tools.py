"""One tool: the person starts it, and its sensor sees it, or something else is seen instead."""

from dataclasses import dataclass
from statistics import median
from typing import Final

from gatehand.config.tables import Tool
from gatehand.exercise.attendant import Attendant, is_quit, is_skip
from gatehand.exercise.bench import BrokenOffError, NobodyThere, Typed
from gatehand.exercise.results import Remark, ToolResult, Weight
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


@dataclass(slots=True)
class _Seen:
    """What the currents showed. `at`: when the tool counted as running; `answer`: "" for Enter, "skip", or None."""

    at: float | None = None
    others: tuple[str, ...] = ()
    answer: str | None = None


async def exercise(attendant: Attendant, name: str) -> ToolResult:
    """Ask for the tool's start and its stop, and look at both."""
    tool, said = attendant.config.tool[name], spoken(name)
    if not attendant.person:
        return ToolResult(name, tried=False)
    if not await _at_rest(attendant, name, tool):
        return ToolResult(name, tried=False)
    rest = attendant.ears.tools[name].amps
    asked = attendant.bench.now()
    attendant.bench.ask(f"Start the {said} now, without cutting (Enter when it runs; skip; quit)")
    seen = await _await_start(attendant, name, tool)
    if seen.answer == "skip":
        return ToolResult(name, tried=False)
    if seen.at is None:
        return ToolResult(name, tried=True, rest=rest, remarks=(_failed(_why_not_seen(attendant, name, asked, seen)),))
    attendant.bench.say(f"  Seen: {attendant.ears.tools[name].amps:.2f} A. Listening for {STEADY:g} s more.")
    await attendant.wait(STEADY)
    running, peak = _running(attendant, name, seen.at)
    remarks = [*_thresholds(tool, rest, running, peak)]
    attendant.bench.ask(f"Now switch the {said} off (Enter when it is off; skip)")
    remarks += await _await_stop(attendant, name, tool)
    return ToolResult(name, True, rest, running, peak, round(seen.at - asked, 2), tuple(remarks))


async def _at_rest(attendant: Attendant, name: str, tool: Tool) -> bool:
    """Before its start it must not draw. False: skipped."""
    heard = attendant.ears.tools[name]
    while heard.amps is not None and heard.amps >= tool.stop_amps and attendant.person:
        attendant.bench.ask(
            f"The {spoken(name)} draws {heard.amps:.2f} A already; switch it off (Enter when it is off; skip; quit)"
        )
        if not await attendant.enter():
            return False
        await attendant.wait(STEADY_AFTER)
        if heard.amps >= tool.stop_amps:
            await attendant.wait(_patience(tool))
    return True


async def _await_start(attendant: Attendant, name: str, tool: Tool) -> _Seen:
    """Until it counts as running, or nothing more is to be expected."""
    asked = attendant.bench.now()
    resting = {other for other, each in attendant.config.tool.items() if _last(attendant, other) < each.start_amps}
    seen = _Seen()
    until = float("inf")
    while attendant.bench.now() < until:
        happening = await attendant.next(min(until, _due(attendant, name, tool, asked)))
        match happening:
            case Typed(text=text):
                if is_quit(text):
                    raise BrokenOffError
                seen.answer = "skip" if is_skip(text) else ""
                if seen.answer == "skip":
                    return seen
                until = attendant.bench.now() + _patience(tool)
            case NobodyThere():
                seen.answer = "skip"
                return seen
            case _:
                pass
        since = _above_since(attendant, name, tool, asked)
        if since is not None and attendant.bench.now() >= since + tool.start_after:
            seen.at = since + tool.start_after
            return seen
        risen = tuple(each for each in resting if each != name and _rose(attendant, each, asked))
        if risen and not seen.others:
            until = min(until, attendant.bench.now() + OWN_STILL_MAY)
        seen.others = risen
    return seen


def _above_since(attendant: Attendant, name: str, tool: Tool, asked: float) -> float | None:
    """Since when its current stands at or above the start threshold without a break."""
    since: float | None = None
    for at, amps in attendant.ears.tools[name].since(asked):
        if amps < tool.start_amps:
            since = None
        elif since is None:
            since = at
    return since


def _due(attendant: Attendant, name: str, tool: Tool, asked: float) -> float:
    since = _above_since(attendant, name, tool, asked)
    return float("inf") if since is None else since + tool.start_after


def _rose(attendant: Attendant, other: str, asked: float) -> bool:
    start_amps = attendant.config.tool[other].start_amps
    return any(amps >= start_amps for _, amps in attendant.ears.tools[other].since(asked))


def _last(attendant: Attendant, name: str) -> float:
    return attendant.ears.tools[name].amps or 0.0


def _running(attendant: Attendant, name: str, at: float) -> tuple[float, float]:
    """What it draws once its inrush is over, and the highest reading."""
    readings = attendant.ears.tools[name].since(at)
    steady = [amps for when, amps in readings if when >= at + STEADY_AFTER] or [_last(attendant, name)]
    return round(median(steady), 3), max((amps for _, amps in readings), default=_last(attendant, name))


def _thresholds(tool: Tool, rest: float | None, running: float, peak: float) -> list[Remark]:
    if running < tool.stop_amps:
        return [
            _failed(
                f"Only its start reaches start_amps: it peaked at {peak:.2f} A and runs at {running:.2f} A, below "
                f"stop_amps of {tool.stop_amps:g} A. Lower both thresholds."
            )
        ]
    if running < tool.start_amps:
        return [
            Remark(
                Weight.LOOK,
                f"It runs at {running:.2f} A, below start_amps of {tool.start_amps:g} A: only its inrush starts the "
                "collector, and a sensor that misses it misses the cut. Lower start_amps.",
            )
        ]
    if rest is not None and rest * 2 > tool.stop_amps:
        text = f"At rest it shows {rest:.2f} A, more than half of stop_amps: little room to tell rest from running."
        return [Remark(Weight.LOOK, text)]
    return []


async def _await_stop(attendant: Attendant, name: str, tool: Tool) -> list[Remark]:
    """Until it falls below the stop threshold, or will not."""
    heard = attendant.ears.tools[name]
    until = float("inf")
    while attendant.bench.now() < until:
        if heard.amps is not None and heard.amps < tool.stop_amps:
            return []
        match await attendant.next(until):
            case Typed(text=text):
                if is_quit(text):
                    raise BrokenOffError
                if is_skip(text):
                    return [Remark(Weight.LOOK, "Its stop was not tried.")]
                until = attendant.bench.now() + _patience(tool)
            case NobodyThere():
                return [Remark(Weight.LOOK, "Its stop was not tried: nobody was there any more.")]
            case _:
                pass
    shown = "nothing" if heard.amps is None else f"{heard.amps:.2f} A"
    return [
        _failed(
            f"Switched off, it still shows {shown}, not below stop_amps of {tool.stop_amps:g} A: "
            "the collector would never stop. Look at the sensor, or raise stop_amps."
        )
    ]


def _why_not_seen(attendant: Attendant, name: str, asked: float, seen: _Seen) -> str:
    tool, said = attendant.config.tool[name], spoken(name)
    readings = attendant.ears.tools[name].since(asked)
    peak = max((amps for _, amps in readings), default=None)
    if seen.others:
        other = seen.others[0]
        top = max(amps for _, amps in attendant.ears.tools[other].since(asked))
        return (
            f"Not seen; the {spoken(other)}'s topic rose to {top:.2f} A instead: the sensors of {said} and "
            f"{spoken(other)} are exchanged, or their topics are."
        )
    if peak is not None and peak >= tool.start_amps:
        return f"Seen only for a moment ({peak:.2f} A), shorter than start_after of {tool.start_after:g} s."
    if peak is not None:
        return (
            f"Not seen: {peak:.2f} A at most, start_amps is {tool.start_amps:g} A. Look whether the sensor goes round "
            "one conductor only, and at scale; or lower start_amps."
        )
    if (why := attendant.ears.unreadable.get(("tool", name))) is not None:
        return f"Not seen: what its topic {tool.current.topic} says cannot be read: {why}."
    return f"Not seen: {tool.current.topic} said nothing. Look at the sensor's power, network and topic."


def _patience(tool: Tool) -> float:
    """Long enough for a sensor that speaks by the clock."""
    return min(LONGEST_LISTEN, max(LISTEN, tool.silent_after / 2 + tool.start_after))


def _failed(text: str) -> Remark:
    return Remark(Weight.FAILED, text)
