"""The attempt that a question about a tool is about: a rise that was no start, a start and its outcome, or none."""

from dataclasses import dataclass
from typing import Final

from gatehand.why.scene import MINUTE_MS, Scene, Stamped
from gatehand_rules.findings import Happened

NEAR_MS: Final = 5 * MINUTE_MS
"""An attempt further off than this is not the one asked about."""
_OUTLIVES_MS: Final = 3000
_STOPS: Final = (Happened.TOOL_STOPPED, Happened.TOOL_MUTED, Happened.TOOL_SILENT)
_PRIORITY: Final = (
    Happened.START_REFUSED,
    Happened.START_MISSED,
    Happened.TOOL_STARTED,
    Happened.TOOL_MUTED,
    Happened.READING_REJECTED,
)


@dataclass(frozen=True, slots=True)
class Attempt:
    """One thing that the tool did. `head` is the line that says it."""

    head: Stamped
    start_ms: int
    end_ms: int
    """To when the tool went on drawing; the scene's end where that is not known."""


def nearest(scene: Scene) -> Attempt | None:
    """The attempt nearest to the moment, what did not start before what did."""
    found = [one for line in scene.lines if (one := _attempt(scene, line)) is not None]
    near = [one for one in found if scene.distance(one.start_ms, one.end_ms) <= NEAR_MS]
    return min(
        near, key=lambda one: (scene.distance(one.start_ms, one.end_ms), _rank(one), -one.start_ms), default=None
    )


def _rank(one: Attempt) -> int:
    return _PRIORITY.index(Happened(str(one.head.line["event"])))


def _attempt(scene: Scene, line: Stamped) -> Attempt | None:
    if line.text("tool") != scene.name or not line.is_(*_PRIORITY):
        return None
    if line.is_(Happened.START_MISSED):
        return Attempt(line, line.ms - round((line.number("lasted") or 0.0) * 1000), line.ms)
    if line.is_(Happened.READING_REJECTED):
        return Attempt(line, line.ms, line.ms)
    start = begin_of_cut(scene, line) if line.is_(Happened.START_REFUSED) else line.ms
    return Attempt(line, start, end_of_cut(scene, line.ms))


def begin_of_cut(scene: Scene, line: Stamped) -> int:
    """When the tool had started to which a line belongs; the line's own time where no start was seen."""
    for one in reversed(scene.lines):
        if one.ms <= line.ms and one.text("tool") == scene.name:
            if one.is_(Happened.TOOL_STARTED):
                return one.ms
            if one.is_(*_STOPS):
                break
    return line.ms


def end_of_cut(scene: Scene, start_ms: int) -> int:
    """When the tool that drew at a moment stopped."""
    for one in scene.lines:
        if one.ms > start_ms and one.text("tool") == scene.name and one.is_(*_STOPS):
            return one.ms
    return scene.lines[-1].ms if scene.lines else start_ms


def served_until(scene: Scene, attempt: Attempt) -> int:
    """To when a start of the collector still belongs to this cut: through its run-on, and not into the next cut."""
    at = scene.shop.tool_at(scene.name)
    run_on = scene.shop.tools[at].run_on if at is not None else 0.0
    until = attempt.end_ms + round(run_on * 1000) + _OUTLIVES_MS
    following = (
        one.ms - 1
        for one in scene.lines
        if one.ms > attempt.end_ms and one.text("tool") == scene.name and one.is_(Happened.TOOL_STARTED)
    )
    return min(until, next(following, until))


def aftermath(scene: Scene, attempt: Attempt) -> list[Stamped]:
    """What was said of the tool, its gates and its collector from the start of a cut to a little after its end."""
    gates = scene.gates()
    return [
        one
        for one in scene.between(attempt.start_ms, min(attempt.end_ms + _OUTLIVES_MS, served_until(scene, attempt)))
        if one.text("tool") == scene.name
        or (one.text("gate") in gates and not one.text("tool"))
        or (one.text("collector") == scene.collector and not one.text("tool") and not one.text("gate"))
    ]
