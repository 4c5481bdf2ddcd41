"""Tries settings on the recording for a cut that was missed, and says what each would have done, here and elsewhere."""

from typing import Final

from msgspec.structs import replace

from gatehand.config.shown import named
from gatehand.journal.sentences.fill import lasting
from gatehand.why.attempt import Attempt
from gatehand.why.scene import Scene
from gatehand.why.trial import (
    AROUND_MS,
    Readings,
    extra_starts,
    highest_start_amps,
    longest_start_after,
    readings,
    with_start_amps,
)
from gatehand.why.verdict import Verdict, amps
from gatehand_rules.shop import Tool

ELSEWHERE_MS: Final = 48 * 3_600_000
"""Recorded time before the moment in which a change's further starts are counted."""


def catch_the_cut(scene: Scene, attempt: Attempt, found: Verdict) -> None:
    """The highest `start_amps`, and the longest `start_after`, that would have caught it."""
    tool = tool_then(scene)
    window = (attempt.start_ms, attempt.end_ms)
    around = readings(scene.folder, scene.name, window[0] - AROUND_MS, window[1] + AROUND_MS)
    piece = next((one for one in around if len(one.between(*window).track)), None)
    if tool is None or piece is None:
        found.trials.append("its readings of that time are no longer recorded: no other setting can be tried on them")
        return
    before = readings(scene.folder, scene.name, scene.at_ms - ELSEWHERE_MS, scene.at_ms + AROUND_MS)
    value = highest_start_amps(tool, piece, window)
    if value is not None:
        found.would_have_started["start_amps"] = value
        changed = with_start_amps(tool, value)
        lower = f" (and stop_amps at {amps(value)} or lower)" if changed.stop_amps < tool.stop_amps else ""
        found.trials.append(
            f"start_amps = {value:g} would have started it{lower}; it is the highest that would"
            + _cost(found, "start_amps", extra_starts(tool, changed, before, window), before)
        )
    delay = longest_start_after(tool, piece, window) if tool.start_after > 0 else None
    if delay is not None:
        found.would_have_started["start_after"] = delay
        changed = replace(tool, start_after=delay)
        found.trials.append(
            f"start_after = {delay:g} would have started it; it is the longest that would"
            + _cost(found, "start_after", extra_starts(tool, changed, before, window), before)
        )
    if value is None and delay is None:
        found.trials.append("no start_amps and no start_after would have started it")
    elif found.case == "under_threshold":
        found.next_step = f"gatehand tune {scene.name} weighs the threshold against all that was recorded."


def _cost(found: Verdict, key: str, extra: int, before: list[Readings]) -> str:
    """What the change would have done elsewhere."""
    found.extra_starts[key] = extra
    spans = [piece.track.ms[-1] - piece.track.ms[0] for piece in before if len(piece.track)]
    looked = f"in the {lasting(round(sum(spans) / 60_000) * 60.0) or '1 min'} recorded around it"
    if extra > 0:
        return f". Elsewhere, {looked}, it would have made {named(extra, 'further start')}, wanted or not"
    return f". Elsewhere, {looked}, it would have made no further start"


def tool_then(scene: Scene) -> Tool | None:
    """The tool as it was set at the moment; as it is now where that is not recorded."""
    shop = scene.memory.shop if scene.memory is not None else scene.shop
    at = shop.tool_at(scene.name)
    return None if at is None else shop.tools[at]
