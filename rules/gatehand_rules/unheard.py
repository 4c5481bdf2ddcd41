"""The stop contacts' own connection: while it is gone nobody knows whether one is pressed, and nothing starts.

What waits for it is the sequence's business, that a reset waits too is the hands'. Here is only how long it has been
gone, and the alarm.
"""

from typing import Final

from gatehand_rules import resets
from gatehand_rules.alarms import DAEMON, Alarm
from gatehand_rules.draft import Draft
from gatehand_rules.findings import Happened, Rule
from gatehand_rules.state import State
from gatehand_rules.timers import due, reached
from gatehand_rules.timing import Timing

ALARM: Final = Alarm("daemon", DAEMON, "stops_unheard")


def lost(draft: Draft, why: str) -> None:
    """It is gone, or is to be read anew. `why` is empty where nothing broke."""
    _forget_presses(draft)
    if draft.stops_lost_at is None:
        draft.stops_lost_at = draft.now
    if why:
        draft.say(Happened.STOPS_LOST, Rule.STOPS_UNHEARD, why=why)


def heard(draft: Draft) -> None:
    """It stands, and what is retained has been read: what waited may start."""
    if draft.stops_lost_at is None:
        return
    draft.say(Happened.STOPS_HEARD, Rule.STOPS_UNHEARD, unheard_for=round(draft.now - draft.stops_lost_at, 3))
    draft.stops_lost_at = None
    _forget_presses(draft)
    draft.clear_alarm(ALARM, Rule.STOPS_UNHEARD)


def _forget_presses(draft: Draft) -> None:
    for at in range(len(draft.collectors)):
        resets.begin_anew(draft, at)


def time_passes(draft: Draft) -> None:
    """It has been gone for long enough to tell somebody."""
    if draft.stops_lost_at is not None and reached(draft.now, draft.stops_lost_at, draft.shop.timing.stops_patience):
        unheard_for = round(draft.now - draft.stops_lost_at, 3)
        draft.raise_alarm(ALARM, Rule.STOPS_UNHEARD, unheard_for=unheard_for)


def wake_at(timing: Timing, state: State) -> float | None:
    """When the alarm is due, or None."""
    if state.stops_lost_at is None or ALARM in state.alarms:
        return None
    return due(state.stops_lost_at, timing.stops_patience)
