"""A rise of a tool's current that has not become a start: remembered as a hump, told when it is over.

The owner asks about the cut that was missed more often than about the one that was not.
"""

from msgspec.structs import replace

from gatehand_rules.draft import Draft
from gatehand_rules.findings import Happened, Rule
from gatehand_rules.shop import Tool, ToolAt
from gatehand_rules.state import Hump, ToolIdle, ToolRunOn

NOTICE = 0.5
"""A rise counts as a possible missed cut from this share of `start_amps` on."""


def follow(draft: Draft, tool: Tool, hump: Hump | None, amps: float) -> Hump | None:
    """Carry a rise on; a rise that is over without a start leaves its finding."""
    now = draft.now
    if amps < tool.start_amps * NOTICE:
        if hump is not None:
            _say_missed(draft, tool, _close(hump, now))
        return None
    hump = hump or Hump(now, amps, longest=-1.0)
    if amps > hump.peak:
        hump = replace(hump, peak=amps)
    if amps >= tool.start_amps:
        return replace(hump, above_since=now) if hump.above_since is None else hump
    return _close(hump, now)


def _close(hump: Hump, now: float) -> Hump:
    if hump.above_since is None:
        return hump
    return replace(hump, above_since=None, longest=max(hump.longest, round(now - hump.above_since, 3)))


def _say_missed(draft: Draft, tool: Tool, hump: Hump) -> None:
    lasted = round(draft.now - hump.since, 3)
    if hump.longest >= tool.start_after:  # it would have been a start, but for the silence before it
        draft.say(
            Happened.START_MISSED,
            Rule.NOT_CONFIRMED,
            tool=tool.name,
            collector=tool.collector,
            peak=hump.peak,
            start_amps=tool.start_amps,
            above_for=hump.longest,
            lasted=lasted,
        )
    elif hump.longest >= 0:
        draft.say(
            Happened.START_MISSED,
            Rule.SHORTER_THAN_START_AFTER,
            tool=tool.name,
            collector=tool.collector,
            peak=hump.peak,
            start_amps=tool.start_amps,
            above_for=hump.longest,
            start_after=tool.start_after,
            lasted=lasted,
        )
    elif lasted >= draft.shop.timing.shortest_rise:
        draft.say(
            Happened.START_MISSED,
            Rule.BELOW_START_THRESHOLD,
            tool=tool.name,
            collector=tool.collector,
            peak=hump.peak,
            start_amps=tool.start_amps,
            lasted=lasted,
        )


def lose(draft: Draft, at: ToolAt) -> None:
    """A silence begins: a rise that still waited to be confirmed is over, and leaves its finding."""
    tool, state = draft.shop.tools[at], draft.tools[at]
    if not isinstance(state, (ToolIdle, ToolRunOn)) or state.hump is None or draft.doubts[at] is None:
        return
    hump = _close(state.hump, draft.now)
    if hump.longest >= tool.start_after:
        _say_missed(draft, tool, hump)
        draft.tools[at] = replace(state, hump=None)
