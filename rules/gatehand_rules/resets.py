"""Which resets count: a press after the cause has cleared, neither a button that sticks nor a script that repeats.

By button: heard released since the cause is gone, then pressed, then released 0.1 to 2 s later. By message: none came
in the 2 s before it. Every other one is refused, and what the matter is is said once until the cause changes.
"""

from msgspec.structs import replace

from gatehand_rules import fan, holds
from gatehand_rules.draft import Draft
from gatehand_rules.findings import Fact, Happened, Rule
from gatehand_rules.timers import due, reached


def asked(draft: Draft, at: int, because: str = "", by: str = "") -> None:
    """A message asks for a reset."""
    seen, now = draft.collectors[at].reset, draft.now
    draft.set_collector(at, reset=replace(seen, asked_at=now))
    if _is_refused(draft, at):
        return
    quiet = draft.shop.timing.reset_alone
    if reached(now, seen.asked_at, quiet):
        holds.end(draft, at, who(because, by))
    else:
        since = round(now - seen.asked_at, 3)
        _refuse(draft, at, Rule.RESET_REPEATED, "repeated", since_last=since, quiet=quiet)


def heard(draft: Draft, at: int) -> None:
    """A message that may not act (the broker had kept it) is one all the same: what follows it repeats it."""
    draft.set_collector(at, reset=replace(draft.collectors[at].reset, asked_at=draft.now))


def button(draft: Draft, at: int, *, pressed: bool) -> None:
    """The reset button was pressed or released, live."""
    seen, now = draft.collectors[at].reset, draft.now
    unheard = draft.stops_lost_at is not None
    if not fan.is_held(draft.collectors[at]) or unheard or holds.active_stops(draft, at):
        if pressed:
            _is_refused(draft, at)
        return
    if pressed:
        _pressed(draft, at)
        return
    draft.set_collector(at, reset=replace(seen, released=True, pressed_at=None))
    if seen.pressed_at is None:
        return
    timing, held_for = draft.shop.timing, round(now - seen.pressed_at, 6)
    if _is_refused(draft, at):
        return
    if not reached(now, seen.pressed_at, timing.reset_shortest):
        _refuse_press(draft, at, "pressed too briefly", held_for)
    elif now > due(seen.pressed_at, timing.reset_longest):
        _refuse_press(draft, at, "held down too long", held_for)
    else:
        holds.end(draft, at)


def _pressed(draft: Draft, at: int) -> None:
    seen = draft.collectors[at].reset
    if seen.released:
        draft.set_collector(at, reset=replace(seen, released=False, pressed_at=draft.now))
    elif seen.pressed_at is None:
        _refuse_press(draft, at, "not heard released since the cause has gone", None)
    elif draft.now > due(seen.pressed_at, draft.shop.timing.reset_longest):
        held_for = round(draft.now - seen.pressed_at, 6)
        _refuse_press(draft, at, "held down too long", held_for)


def button_retained(draft: Draft, at: int, *, pressed: bool) -> None:
    """What the broker had kept of the button: of unknown age, so neither a press nor a release."""
    if pressed and fan.is_held(draft.collectors[at]):
        _refuse_press(draft, at, "pressed at an unknown time: the broker had kept that word", None)


def begin_anew(draft: Draft, at: int) -> None:
    """What came before (a gap, a standstill) was not heard or does not count: a press, the first of many messages."""
    seen = draft.collectors[at].reset
    draft.set_collector(at, reset=replace(seen, released=False, pressed_at=None, asked_at=draft.now))


def _is_refused(draft: Draft, at: int) -> bool:
    """There is no hold, or its cause still stands."""
    if not fan.is_held(draft.collectors[at]):
        _refuse(draft, at, Rule.HOLD, "not held", why="not held")
        return True
    if draft.stops_lost_at is not None:
        _refuse(draft, at, Rule.STOPS_UNHEARD, "unheard")
        return True
    active = ", ".join(holds.active_stops(draft, at))
    unread = draft.no_start_before - draft.now
    if active:
        _refuse(draft, at, Rule.STOP_CONTACT, active, active=active)
    elif unread > 0:
        _refuse(draft, at, Rule.STOP_UNREAD, "unread", for_seconds=round(unread, 3))
    return bool(active) or unread > 0


def _refuse_press(draft: Draft, at: int, why: str, held_for: float | None) -> None:
    shortest, longest = draft.shop.timing.reset_shortest, draft.shop.timing.reset_longest
    _refuse(draft, at, Rule.RESET_PRESS, why, why=why, held_for=held_for, shortest=shortest, longest=longest)


def _refuse(draft: Draft, at: int, rule: Rule, cause: str, **facts: Fact) -> None:
    """Say it once for each cause; what repeats itself is counted, and told with what is said next."""
    name, seen = draft.shop.collectors[at].name, draft.collectors[at].reset
    key = f"{rule} {cause}"
    said = () if reached(draft.now, seen.refused_at, draft.shop.timing.refusal_again) else seen.refused
    new = key not in said
    if new and seen.more:
        facts = {**facts, "refused_before": seen.more}
    draft.decide(Happened.RESET_REFUSED, rule, facts, collector=name, said=new)
    more = 0 if new else seen.more + 1
    seen = replace(seen, refused=(*said, key) if new else said, refused_at=draft.now, more=more)
    draft.set_collector(at, reset=seen)


def who(because: str, by: str) -> dict[str, Fact]:
    """What a request says of why and by whom, as facts."""
    return {key: text for key, text in (("because", because), ("by", by)) if text}
