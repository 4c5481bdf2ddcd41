"""What is seen of a fan or a gate, as a screen says it: by which witness, how long ago, and what is only assumed.

From the facts of a status alone (`shell.status_messages`); a status of an earlier daemon, which names no witness, is
read too.
"""

from collections.abc import Iterator
from typing import Final

from gatehand.measures import steady
from gatehand.screen.daemon_status import StatusMessage
from gatehand.times import lasting, local_stamp
from gatehand_rules.words import Measure

_MINUTE: Final = 60.0


def of_fan(message: StatusMessage, now: float) -> Iterator[str]:
    """What each witness of the fan says, and what does not show yet. `now`: wall seconds of the daemon's clock."""
    switch, motor = message.part("switch"), message.part("motor")
    reported, drawing = message.flag("reported_on"), message.flag("drawing")
    if switch is not None:
        yield _witness("switch", ("reports", "reported"), _on(reported), switch, now)
    elif reported is not None:
        yield f"switch reports {_on(reported)}"
    if motor is not None:
        yield _motor(motor, drawing, now)
    elif drawing is not None:
        yield "motor draws current" if drawing else "motor draws nothing"
    switched = message.part("switched")
    if switched is not None and switched.flag("answered") is False:
        since = _ago(switched, now)
        if switched.flag("no_longer"):
            yield "no longer confirmed"
            return
        yield f"switched {switched.text('to')}{f' {since} ago' if since else ''}, not confirmed yet"


def of_suction(message: StatusMessage) -> str:
    """The suction at its inlet while its fan runs, what is expected, and whose expectation that is; else ""."""
    part = message.part("suction")
    value = None if part is None else part.number("value")
    why_not = "" if part is None else part.text("not_judged")
    if part is None or value is None:
        return f"suction not judged: {why_not}" if why_not else ""
    unit, low, high = part.text("unit"), part.number("low"), part.number("high")
    digits = 0 if unit == "Pa" else 2
    found = f"{value:,.{digits}f} {unit}"
    if low is None or high is None:
        return f"suction {found}" + (f", not judged: {why_not}" if why_not else "")
    since = part.text("baseline_of")
    by = f"its baseline of {local_stamp(since)[:10]}" if since else "its ducts"
    name = f"SUCTION TOO {part.text('off').upper()}:" if part.text("off") else "suction"
    return f"{name} {found} ({low:,.{digits}f} to {high:,.{digits}f} by {by})"


def of_gate(message: StatusMessage, now: float) -> str:
    """How it is known where the gate is, where that is not its own live report; else ""."""
    word, by = message.text("state"), message.text("known_by")
    if by == "told":
        since = _ago(message, now, "told_at")
        return f"told {since} ago" if since else ""
    if by == "kept":
        return "by an old report"
    by_time = by == "time" or (not by and message.flag("reports") is False)
    return "by time" if word == "open" and by_time else ""


def _on(flag: bool | None) -> str:
    return "" if flag is None else "on" if flag else "off"


def _witness(name: str, verbs: tuple[str, str], what: str, seen: StatusMessage, now: float) -> str:
    """What one witness says; `verbs`: of now, and of then. `what` empty: nothing yet."""
    if not what:
        return f"{name} not heard since Gatehand started"
    now_says, has_said = verbs
    if seen.flag("kept"):
        return f"{name} {has_said} {what} in an old message"
    since = "" if seen.flag("recent") else _ago(seen, now)
    return f"{name} {has_said} {what} {since} ago" if since else f"{name} {now_says} {what}"


def _motor(seen: StatusMessage, drawing: bool | None, now: float) -> str:
    if drawing is None:
        return _witness("motor", ("", ""), "", seen, now)
    if seen.measure is Measure.RUNNING:
        return _witness("motor's contact", ("says", "said"), "running" if drawing else "stopped", seen, now)
    value = seen.reading
    what = "nothing" if not drawing and not value else "current" if value is None else steady(seen.measure, value)
    return _witness("motor", ("draws", "drew"), what, seen, now)


def _ago(message: StatusMessage, now: float, key: str = "at") -> str:
    at = message.moment(key)
    return "" if at is None else roughly(max(0.0, now - at))


def roughly(passed: float) -> str:
    """How old a word is: to the minute from a minute on, so that a screen is not drawn anew for each second of it."""
    return lasting(passed - passed % _MINUTE if passed > _MINUTE else passed, whole=True)
