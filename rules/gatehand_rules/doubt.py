"""What a sensor's word is worth after a silence (I6): a device or a broker may have held it back, so it may be old.

A silence is a sensor that said nothing for its `silent_after`, a device gone by its own will, the broker away, or the
daemon's loop standing still. From then on a reading at or above the tool's threshold starts nothing until it is
confirmed: a live reading below the threshold came since, at least `Timing.apart` earlier; or it is young (its own time,
or a question that it answers, proves it); or a second such reading comes at least `apart` later; or, from a sensor that
speaks only on change, nothing contrary comes for `Timing.unchallenged`.
"""

from gatehand_rules.draft import Draft
from gatehand_rules.shop import ToolAt
from gatehand_rules.state import Doubt, ToolRunning
from gatehand_rules.timing import Timing, due, reached


def begin_all(draft: Draft) -> None:
    """Believe no tool's start unconfirmed from now on."""
    for at in draft.shop.each_tool:
        draft.doubts[at] = Doubt()


def nothing_was_lost(draft: Draft) -> None:
    """After a standstill of the loop: what a sensor on change said last stands until it says otherwise."""
    for at, (tool, state) in enumerate(zip(draft.shop.tools, draft.tools, strict=True)):
        if tool.silent_after == 0 and isinstance(state, ToolRunning) and state.low_since is None:
            draft.doubts[at] = Doubt(high_at=draft.now)


def nothing_heard(draft: Draft, at: ToolAt) -> bool:
    """No live reading of the tool has come since the silence."""
    return draft.doubts[at] == Doubt()


def weigh(draft: Draft, at: ToolAt, *, high: bool, young: bool) -> str | None:
    """Take a live reading in; what ended the doubt by it, if it did. `high`: at or above the tool's threshold."""
    doubt, now = draft.doubts[at], draft.now
    if doubt is None:
        return None
    apart = draft.shop.timing.apart
    how = None
    if high and young:
        how = "a reading surely new said so"
    elif doubt.low_at is not None and reached(now, doubt.low_at, apart):
        how = f"it had been seen below for {apart:g} s"
    elif high and doubt.high_at is not None and reached(now, doubt.high_at, apart):
        how = "a second reading said the same"
    if how is not None:
        draft.doubts[at] = None
    elif high:
        draft.doubts[at] = Doubt(doubt.low_at, now if doubt.high_at is None else doubt.high_at)
    else:
        draft.doubts[at] = Doubt(now if doubt.low_at is None else doubt.low_at)
    return how


def end_unchallenged(draft: Draft, at: ToolAt) -> str | None:
    """What ended the doubt by time alone, if it did."""
    doubt, tool = draft.doubts[at], draft.shop.tools[at]
    if doubt is None or doubt.high_at is None or tool.silent_after > 0 or not draft.connected:
        return None
    unchallenged = draft.shop.timing.unchallenged
    if not reached(draft.now, doubt.high_at, unchallenged):
        return None
    draft.doubts[at] = None
    return f"nothing contrary came for {unchallenged:g} s"


def wake_at(timing: Timing, doubt: Doubt | None, silent_after: float) -> float | None:
    """When time alone next ends the doubt (monotonic seconds)."""
    if doubt is None or doubt.high_at is None or silent_after > 0:
        return None
    return due(doubt.high_at, timing.unchallenged)
