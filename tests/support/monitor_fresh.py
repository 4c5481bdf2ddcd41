"""Which reading is a fresh demand, as it can be known from outside: one that no device can have held back.

After a silence (of the sensor, of the broker, of the daemon's loop) a reading at or above the threshold has to be
confirmed. Like the monitor this shares no line with the rules.
"""

from gatehand.config.tables import ToolTable
from support.monitor_notes import ToolNotes

EARLY = 0.03
"""Seconds by which a command may leave later than it was decided: the log's bound, and whole milliseconds."""
UNCHALLENGED = 3.0
"""Seconds without a contrary word after which a sensor that speaks only on change is believed."""
CONFIRMED = 1.0
"""Seconds between two readings, the second of which confirms."""


def says_changes(tool: ToolTable) -> bool:
    """A contact, or a sensor that speaks only on change: it may have no second word to confirm its first."""
    return tool.running is not None or tool.silent_after == 0


def hear_reading(
    seen: ToolNotes, tool: ToolTable, value: float, now: float, *, standstill: bool, late: float, young: bool = False
) -> bool:
    """A live reading. Whether it is a rise that may start something.

    What was read in a standstill may stop things and starts nothing. `late`: seconds by which the daemon may have heard
    it after `now`; `young`: its own time shows that it is new.
    """
    if tool.silent_after > 0 and now > seen.heard_at + tool.silent_after - EARLY:
        seen.doubt()
    if says_changes(tool) and seen.above_at is not None and now + late >= seen.above_at + UNCHALLENGED - EARLY:
        seen.doubtful = False
    if seen.believed_at(now):
        seen.rose_at, seen.maybe_at, seen.doubtful, seen.low = seen.maybe_at, None, False, False
    seen.gone, seen.value = False, value
    if value < tool.stop_at:
        seen.low = True
        seen.low_at = now if seen.low_at is None else seen.low_at
        seen.maybe_at = None
        if not standstill:
            seen.heard_at = now
            seen.above_at = None
            seen.below_at = now if seen.below_at is None else seen.below_at
        return False
    if standstill:
        return False
    seen.heard_at, seen.low_at = now, None
    if value < tool.start_at:
        seen.below_at = now if seen.below_at is None else seen.below_at
        return False
    _weigh(seen, now + late, young=young)
    seen.above_at = now if seen.above_at is None else seen.above_at
    if not seen.low:
        return False
    if not seen.doubtful:
        seen.low, seen.rose_at = False, now
        return True
    if says_changes(tool) and seen.maybe_at is None:
        seen.maybe_at = now + UNCHALLENGED - EARLY
        return True
    return False


def _weigh(seen: ToolNotes, now: float, *, young: bool) -> None:
    """Whether this reading, at or above the threshold, shows that the sensor speaks of now."""
    firsts = (seen.below_at, seen.above_at)
    if young or any(at is not None and now >= at + CONFIRMED - EARLY for at in firsts):
        seen.doubtful = False
