"""Which `start_amps` and `start_after` would have started a cut that was missed, and how many more starts elsewhere.

Tried on the tool's own readings through the rules' detection; gates and collectors are tried in `try_settings`, on
everything that was recorded.
"""

from array import array
from bisect import bisect_left
from collections.abc import Callable, Sequence
from typing import Final

from msgspec.structs import replace

from gatehand.past.player import Player, rested
from gatehand.past.recordings import readings_of
from gatehand.past.stretches import Stretch, Track
from gatehand.text import named
from gatehand.times import lasting
from gatehand.why.moment import Context, StartAttempt, Verdict, amps
from gatehand_rules import Outcome, Shop
from gatehand_rules.events import Event
from gatehand_rules.findings import Happened
from gatehand_rules.shop import Collector, Tool

_EARLIEST_MS: Final = 100_000_000
ELSEWHERE_MS: Final = 48 * 3_600_000
"""Recorded time before the moment in which a change's further starts are counted."""
AROUND_MS: Final = 90_000
"""Readings before and after a rise that are replayed with it."""


def starts(tool: Tool, readings: Track) -> list[int]:
    """When (wall ms) the rules would have taken the tool for running, with these settings."""
    shift = readings.ms[0] - _EARLIEST_MS
    track = Track(array("q", (ms - shift for ms in readings.ms)), readings.ma, readings.order)
    # Detection knows nothing of run-on and collector: without them there is less to step through.
    alone = replace(tool, gates=(), assist=(), collector="main", run_on=0.0)
    fan = Collector(name="main", min_open=0, refresh=0.0, spin_up=0.0, coast_down=0.0)
    shop = Shop(tools=(alone,), collectors=(fan,))
    found: list[int] = []

    def sink(ms: int, _event: Event, outcome: Outcome) -> None:
        found.extend(ms + shift for finding in outcome.findings if finding.event is Happened.TOOL_STARTED)

    Player(shop, rested(shop, track.ms[0]), sink).play(Stretch(tracks={alone.name: track}))
    return found


def highest_start_amps(tool: Tool, piece: Track, window: tuple[int, int]) -> float | None:
    """The highest `start_amps` with which the tool starts within the window; None when none does.

    A lower threshold never loses a start, so the readings' own values are searched by halves.
    """
    values = sorted({ma for ma in piece.between(*window).ma if 0 < ma < round(tool.start_amps * 1000)})
    return _highest([ma / 1000 for ma in values], lambda value: _starts_in(with_start_amps(tool, value), piece, window))


def with_start_amps(tool: Tool, value: float) -> Tool:
    """The tool with another start threshold; the stop threshold gives way where it would lie above."""
    return replace(tool, start_amps=value, stop_amps=min(tool.stop_amps, value))


def longest_start_after(tool: Tool, piece: Track, window: tuple[int, int]) -> float | None:
    """The longest `start_after`, in hundredths of a second, with which the tool starts within the window."""
    choices = [hundredths / 100 for hundredths in range(int(tool.start_after * 100))]
    return _highest(choices, lambda value: _starts_in(replace(tool, start_after=value), piece, window))


def _starts_in(tool: Tool, piece: Track, window: tuple[int, int]) -> bool:
    return any(window[0] <= ms <= window[1] for ms in starts(tool, piece))


def _highest(choices: Sequence[float], works: Callable[[float], bool]) -> float | None:
    """The highest choice that works, where all below one that works do too."""
    count = bisect_left(choices, True, key=lambda value: not works(value))
    return choices[count - 1] if count else None


def extra_starts(before: Tool, after: Tool, pieces: Sequence[Track], but: tuple[int, int]) -> int:
    """Starts that a change adds elsewhere, outside the window of the cut in question."""

    def count(tool: Tool) -> int:
        return sum(1 for piece in pieces for ms in starts(tool, piece) if not but[0] <= ms <= but[1])

    return count(after) - count(before)


def catch_the_cut(context: Context, attempt: StartAttempt, found: Verdict) -> None:
    """The highest `start_amps`, and the longest `start_after`, that would have caught it."""
    tool = tool_then(context)
    window = (attempt.start_ms, attempt.end_ms)
    around = readings_of(context.folder, context.name, window[0] - AROUND_MS, window[1] + AROUND_MS)
    piece = next((one for one in around if len(one.between(*window))), None)
    if tool is None or piece is None:
        found.trials.append("its readings of that time are no longer recorded: no other setting can be tried on them")
        return
    before = readings_of(context.folder, context.name, context.at_ms - ELSEWHERE_MS, context.at_ms + AROUND_MS)
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
        found.next_step = f"gatehand tune {context.name} weighs the threshold against all that was recorded."


def _cost(found: Verdict, key: str, extra: int, before: list[Track]) -> str:
    """What the change would have done elsewhere."""
    found.extra_starts[key] = extra
    spans = [piece.ms[-1] - piece.ms[0] for piece in before]
    looked = f"in the {lasting(round(sum(spans) / 60_000) * 60.0) or '1 min'} recorded around it"
    if extra > 0:
        return f". Elsewhere, {looked}, it would have made {named(extra, 'further start')}, wanted or not"
    return f". Elsewhere, {looked}, it would have made no further start"


def tool_then(context: Context) -> Tool | None:
    """The tool as it was set at the moment; as it is now where that is not recorded."""
    shop = context.state_then.shop if context.state_then is not None else context.shop
    at = shop.tool_at(context.name)
    return None if at is None else shop.tools[at]
