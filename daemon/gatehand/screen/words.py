"""What screens and pages say of each device, as words: one place, so that `watch` and `page` say the same.

From what has been heard alone. Knows no width and no browser; `tone` repeats for the eye what the words say.
"""

import math
import re
from collections.abc import Iterator, Mapping
from typing import Final

from gatehand import rhythm
from gatehand.journal.sentences import on_hold, spoken
from gatehand.screen import seen
from gatehand.screen.daemon_status import DaemonStatus, StatusMessage
from gatehand.screen.lines import Tone
from gatehand.times import lasting, local_clock

_COUNTED: Final = re.compile(r"([^0-9]*)([0-9]*)")
_OLD: Final = 60.0
"""Seconds after which the word of a sensor that speaks only on change is shown with its age."""
NOT_UNDERSTOOD: Final = "NOT UNDERSTOOD"
"""Instead of SILENT, which its state is, where a sensor is heard and its word cannot be used."""
_SENSORS: Final = frozenset({"current", "power", "running"})
"""The keys of a tool's sensor (`config.signals.SENSORS`, which a screen need not load)."""
HALF_A_DAY: Final = 43_200.0
"""Seconds after which a time of day alone could be taken for another day's."""
_SOON: Final = 3600.0
"""Seconds. What goes off while a tool runs goes off by its run limit: hours ahead that is nobody's countdown."""
_TONES: Final = {
    "running": Tone.GOOD,
    "open": Tone.GOOD,
    "run_on": Tone.GOOD,
    "spin_up": Tone.GOOD,
    "opening": Tone.WARN,
    "shutting": Tone.WARN,
    "coast_down": Tone.WARN,
    "muted": Tone.WARN,
    "unknown": Tone.WARN,
    "silent": Tone.ALARM,
    "fault": Tone.ALARM,
    "held": Tone.ALARM,
}


def is_past(status: DaemonStatus) -> bool:
    """Whether what is shown is old: there is no connection or no daemon that would say anything newer."""
    return status.lost_because is not None or status.online is False


def counted_down(message: StatusMessage, now: float) -> float | None:
    """Seconds until it goes off, where that is shown."""
    left = left_until(message, "until", now)
    return left if left is not None and (left <= _SOON or not message.names("running")) else None


def why_of_collector(message: StatusMessage, now: float) -> str:
    """Why it is as it is; "" where the countdown has said it."""
    why = message.text("because")
    return "" if why == message.text("until_because") and counted_down(message, now) is not None else why


def facts_of_collector(message: StatusMessage, now: float) -> Iterator[str]:
    """What is known of it beside its state and what counts down. `now`: wall seconds of the daemon's clock."""
    if offline := _offline(message, now):
        yield offline
    if message.text("held"):
        yield f"{on_hold(message.text('held'), stop=message.flag('held_by_stop') is True)}, until a reset"
    if message.names("running"):
        yield f"tools running: {', '.join(map(spoken, message.names('running')))}"
    if message.names("hands"):
        yield f"by hand: {', '.join(map(spoken, message.names('hands')))}"
    yield from seen.of_fan(message, now)
    if suction := seen.of_suction(message):
        yield suction
    if message.flag("bin_full"):
        yield "BIN FULL"
    budget, spent = message.number("starts_per_hour"), message.number("starts_this_hour")
    if budget is not None and spent is not None:
        yield f"{spent:g} of {budget:g} starts in the last hour"


def _is_heard_in_vain(message: StatusMessage) -> bool:
    """Whether its sensor is called silent and speaks all the same, in words that are not understood."""
    odd = message.parts("not_understood")
    return message.text("state") == "silent" and any(each.text("key") in _SENSORS for each in odd)


def age(message: StatusMessage, now: float, *, is_now: bool) -> str:
    """How old a tool's reading is, where it may not be what the sensor would say now. `is_now`: the daemon is heard.

    A sensor that speaks by the clock is silent once it is late; one that speaks only on change is not. A status is not
    sent anew for a reading that is like the last: once the daemon is gone, only of a silent sensor is the age known.
    """
    read_at, found = message.moment("reading_at"), rhythm.read(message.facts.get("rhythm"))
    if read_at is None or message.reading is None:
        return ""
    on_change = found is not None and not found.steady
    if message.text("state") != "silent" and not (is_now and on_change and now - read_at >= _OLD):
        return ""
    return f", {seen.roughly(max(1.0, now - read_at))} ago"


def of_gate(message: StatusMessage, now: float) -> Iterator[str]:
    """How it is known where the gate is, and who moves it. `now`: wall seconds of the daemon's clock."""
    if known := seen.of_gate(message, now):
        yield known
    if message.flag("by_hand"):
        yield "moved by hand"


def never_heard(message: StatusMessage) -> list[str]:
    """What of its signals has not been heard since ever."""
    return [f"never heard: {topic}" for topic in message.names("unheard")]


def why_nothing_is_heard(status: DaemonStatus) -> str:
    """What it may mean that the daemon's `online` is not there."""
    return (
        f"Nothing is heard on {status.base}/online: Gatehand has not run on this broker yet (start it with "
        f"`gatehand run`), or {status.base!r} is not its base, or this user may not read it."
    )


def in_order(every: Mapping[str, StatusMessage]) -> list[tuple[str, StatusMessage]]:
    """By name: bench_2 before bench_10."""
    return sorted(every.items(), key=lambda each: [(text, int(n or 0)) for text, n in _COUNTED.findall(each[0])])


def state(word: str) -> str:
    """A state as it is read: run_on is run-on."""
    return word.replace("_", "-") or "unknown"


def loud_state(message: StatusMessage, now: float | None = None) -> str:
    """The same of a device, in capitals where it must not be overlooked, and whether it is offline.

    `now`: wall seconds of the daemon's clock, where it is also said for how long.
    """
    word = message.text("state")
    loud = NOT_UNDERSTOOD if _is_heard_in_vain(message) else state(word).upper()
    shown = loud if tone(word) is Tone.ALARM else state(word)
    return ", ".join(filter(None, (shown, _offline(message, now))))


def _offline(message: StatusMessage, now: float | None) -> str:
    """That the device's own `online` says that it is gone, and for how long; else ""."""
    since = message.moment("offline_since")
    if since is None:
        return ""
    if now is None:
        return "OFFLINE"
    return f"OFFLINE {seen.roughly(max(1.0, now - since))}"


def tone_of(message: StatusMessage) -> Tone:
    """Of a device: that it is offline outshines its state."""
    return Tone.ALARM if message.text("offline_since") else tone(message.text("state"))


def tone(word: str) -> Tone:
    """Of a state's word."""
    return _TONES.get(word, Tone.PLAIN)


def clock(wall: float) -> str:
    """Wall seconds as this machine's time of day; `--:--:--` at the calendar's ends, where a zone has none."""
    try:
        return local_clock(round(wall * 1000))
    except (OverflowError, ValueError):
        return "--:--:--"


def whole(seconds: float) -> str:
    """In whole seconds, a part of one for a whole one: what has not ended is never over in 0 s."""
    return lasting(max(1, math.ceil(seconds)), whole=True)


def left_until(message: StatusMessage, key: str, now: float) -> float | None:
    """Seconds until then; None when it is over."""
    until = message.moment(key)
    return None if until is None or until <= now else until - now
