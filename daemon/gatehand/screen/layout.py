"""The parts of the screen, each with everything that it has to say: header, collectors, alarms, tools, gates, the rest.

Which of it there is room for is `page`'s.
"""

import math
import re
from collections.abc import Iterator, Mapping
from typing import Final

from gatehand import rhythm
from gatehand.journal.sentences import on_hold, spoken, spoken_alarm
from gatehand.measures import measured, steady, threshold_key
from gatehand.screen import seen
from gatehand.screen.daemon_status import DaemonStatus, StatusMessage
from gatehand.screen.lines import ScreenLine, TextSpan, Tone, folded, line, text_of, wrapped
from gatehand.screen.rows import GateCell, ToolRow, gate_lines, listed_within, meter
from gatehand.terminal import cut, padded, wide
from gatehand.times import lasting, local_clock

_MORE: Final = " .."
_COUNTED: Final = re.compile(r"([^0-9]*)([0-9]*)")
_MINUTE: Final = 60.0
_OLD: Final = _MINUTE
"""Seconds after which the word of a sensor that speaks only on change is shown with its age."""
NOT_UNDERSTOOD: Final = "NOT UNDERSTOOD"
"""Instead of SILENT, which its state is, where a sensor is heard and its word cannot be used."""
_SENSORS: Final = frozenset({"current", "power", "running"})
"""The keys of a tool's sensor (`config.signals.SENSORS`, which a screen need not load)."""
_HALF_A_DAY: Final = 43_200.0
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


def header(status: DaemonStatus, where: str, at: float, width: int) -> list[ScreenLine]:
    """Whose shop this is, the time, and whether what stands below is of now."""
    left, right = f"Gatehand  {where}", clock(at)
    more: list[ScreenLine] = []
    if wide(left) > width - len(right) - 2:
        left, more = "Gatehand", wrapped(where, width, tone=Tone.HEAD)
    return [
        _title(left, right, width),
        *more,
        *(each for text, tone in _reached(status, at) for each in wrapped(text, width, tone=tone)),
    ]


def header_in_short(status: DaemonStatus, where: str, at: float, width: int) -> list[ScreenLine]:
    """The same in two lines at most: of what is wrong only the first words."""
    text, tone = _reached(status, at)[0]
    found = [_title(f"Gatehand  {where}", clock(at), width)]
    return found if tone is Tone.PLAIN else [*found, line(cut(text.partition(": ")[0], width), tone)]


def _title(left: str, right: str, width: int) -> ScreenLine:
    room = width - len(right) - 2
    return (TextSpan(padded(cut(left, room), room + 2), Tone.HEAD), TextSpan(right, Tone.HEAD))


def is_past(status: DaemonStatus) -> bool:
    """Whether what stands below is of the past: nobody is there who would say anything newer."""
    return status.lost_because is not None or status.online is False


def _reached(status: DaemonStatus, at: float) -> list[tuple[str, Tone]]:
    last = _last_heard(status, at)
    if status.lost_because is not None:
        for_how_long = "" if status.lost_at is None else f" for {_lasting(at - status.lost_at)}"
        return [(f"NO BROKER{for_how_long}: {status.lost_because}; trying again.{last}", Tone.ALARM)]
    if status.online is False:
        return [(f"THE DAEMON IS OFFLINE: nothing opens a gate or starts the collector.{last}", Tone.ALARM)]
    if status.online is None:
        text = (
            f"Nothing is heard on {status.base}/online: Gatehand has not run on this broker yet (start it with "
            f"`gatehand run`), or {status.base!r} is not its base, or this user may not read it."
        )
        return [(text, Tone.WARN)]
    found = [("Gatehand is running.", Tone.PLAIN)]
    if status.ahead:
        way = "ahead of" if status.ahead > 0 else "behind"
        found.append((f"Its clock is {_lasting(abs(status.ahead))} {way} this computer's.", Tone.WARN))
    return found


def _last_heard(status: DaemonStatus, at: float) -> str:
    """Of when everything is that stands below, where it is not of now."""
    heard, newest = status.heard_at, status.newest
    last = ""
    if heard is not None:
        passed = at - heard
        last = f" Last heard at {clock(heard)}{f', {_lasting(passed)} ago' if passed >= _HALF_A_DAY else ''}."
    if not (status.collectors or status.tools or status.gates):
        return last
    if last:
        return f"{last} Everything below is from that time."
    old = "" if newest is None else f", the newest of it {_lasting(status.now(at) - newest)} old"
    return f" Everything below is from before that{old}."


def collectors(
    status: DaemonStatus, at: float, width: int, because: int | None = None, *, brief: bool = False
) -> list[ScreenLine]:
    """Two lines for each, or a few more: its state with the countdown and what it serves; why.

    `because`: most lines that say why; None: all. `brief`: of what is told of it only as much as one line has room for.
    """
    found: list[ScreenLine] = []
    for name, message in in_order(status.collectors):
        told = [*_of_collector(message, status.now(at))]
        spans = [
            TextSpan(f"{spoken(f'collector {name}')}  ", Tone.HEAD),
            TextSpan(state(message.text("state")).upper(), tone(message.text("state"))),
        ]
        room = width - sum(wide(span.text) for span in spans) if brief else math.inf
        found += folded([*spans, TextSpan(listed_within("  ", told, room) if told else "")], width, then="  ")
        why = message.text("because")
        if why == message.text("until_because") and _counted_down(message, status.now(at)) is not None:
            why = ""  # the countdown has said it
        reason = wrapped(why, width - 2, tone=Tone.FAINT) if why else []
        if because and len(reason) > because:
            last = text_of(reason[because - 1])
            if wide(last) + wide(_MORE) > width - 2:
                last = last.rpartition(" ")[0]
            reason[because - 1] = line(last + _MORE, Tone.FAINT)
        found += ((TextSpan("  "), *each) for each in reason[:because])
    return found


def _counted_down(message: StatusMessage, now: float) -> float | None:
    """Seconds until it goes off, where that is shown."""
    left = _left(message, "until", now)
    return left if left is not None and (left <= _SOON or not message.names("running")) else None


def _of_collector(message: StatusMessage, now: float) -> Iterator[str]:
    left = _counted_down(message, now)
    if left is not None:
        yield f"off in {_lasting(left)} ({message.text('until_because')})".removesuffix(" ()")
    left = _left(message, "coast_down_until", now)
    if left is not None:
        yield f"coasts for {_lasting(left)} more"
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


def each_alarm(status: DaemonStatus, at: float, width: int) -> dict[str, list[ScreenLine]]:
    """Each alarm's lines: since when, why, and what to do next. The newest first."""
    since = {name: message.moment("since") or 0.0 for name, message in status.alarms.items()}
    found = {}
    for name in sorted(since, key=lambda name: -since[name]):
        message = status.alarms[name]
        notes = ["acknowledged"] if message.text("acked") else []
        if since[name]:
            notes.insert(0, f"since {clock(since[name] - status.ahead)}, {_lasting(status.now(at) - since[name])}")
        because = f"{message.text('because') or spoken_alarm(name)} ({', '.join(notes)})".removesuffix(" ()")
        found[name] = [
            *wrapped(because, width, first="! ", then="  ", tone=Tone.ALARM),
            *wrapped(message.text("next"), width, first="  Next: ", then="  "),
        ]
    return found


def _state_of_tool(message: StatusMessage, now: float) -> str:
    # Beside another word, such as SILENT, the seconds of a run-on would be taken for that word's.
    left = _left(message, "run_on_ends", now) if message.text("state") == "run_on" else None
    shown = loud_state(message, now)
    return shown if left is None else f"{shown} {_lasting(left)}"


def _is_heard_in_vain(message: StatusMessage) -> bool:
    """Whether its sensor is called silent and speaks all the same, in words that are not understood."""
    odd = message.parts("not_understood")
    return message.text("state") == "silent" and any(each.text("key") in _SENSORS for each in odd)


def tool_row(status: DaemonStatus, name: str, at: float) -> ToolRow:
    """What a tool's row says."""
    message, now = status.tools[name], status.now(at)
    word, measure, value = message.text("state"), message.measure, message.reading
    stop, start = (message.number(threshold_key(which, measure)) for which in ("stop", "start"))
    return ToolRow(
        name=spoken(name),
        state=TextSpan(_state_of_tool(message, now), _tone_of(message)),
        reading="no reading" if value is None else steady(measure, value),
        age=_age(message, now, is_now=not is_past(status)),
        bar=TextSpan(meter(value, start, stop), tone(word) if word in {"running", "run_on"} else Tone.PLAIN),
        stop="" if stop is None else measured(measure, stop),
        start="" if start is None else measured(measure, start),
    )


def _age(message: StatusMessage, now: float, *, is_now: bool) -> str:
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
    passed = now - read_at
    return f", {_lasting(passed - passed % _MINUTE if passed > _MINUTE else passed)} ago"


def gates(status: DaemonStatus, at: float, width: int, *, short: bool = False) -> list[ScreenLine]:
    """A heading and the gates side by side; nothing where none is heard of. `short`: with shortened names."""
    cells = [_gate_cell(name, message, status.now(at)) for name, message in in_order(status.gates)]
    return [line("GATES", Tone.HEAD), *gate_lines(cells, width, short=short)] if cells else []


def meters(status: DaemonStatus, width: int) -> list[ScreenLine]:
    """A heading and how often each tool's meter speaks; nothing where that is not known yet."""
    rhythms = ((name, rhythm.read(each.facts.get("rhythm"))) for name, each in in_order(status.tools))
    texts = [f"{spoken(name)}: {rhythm.words(found)}" for name, found in rhythms if found is not None]
    found = [each for text in texts for each in wrapped(text, width, then="  ")]
    return [line("METERS", Tone.HEAD), *found] if found else []


def unheard(status: DaemonStatus, width: int) -> list[ScreenLine]:
    """A heading and what was never heard or is not understood; nothing where all is well."""
    found: list[ScreenLine] = []
    titles: set[str] = set()
    for kind, every in (("collector", status.collectors), ("tool", status.tools), ("gate", status.gates)):
        for name, message in in_order(every):
            whose = spoken(name if kind == "tool" else f"{kind} {name}")
            never = [f"{whose}: never heard: {topic}" for topic in message.names("unheard")]
            odd = [f"{whose}: {text}" for text in message.odd("not_understood")]
            titles.update(title for title, some in (("NOT HEARD", never), (NOT_UNDERSTOOD, odd)) if some)
            found += (each for text in (*never, *odd) for each in wrapped(text, width, then="  "))
    return [line(" OR ".join(sorted(titles)), Tone.HEAD), *found] if found else []


def _gate_cell(name: str, message: StatusMessage, now: float) -> GateCell:
    notes = []
    if message.flag("hand"):
        left = _left(message, "hand_ends", now)
        notes.append("by hand" if left is None else f"by hand, {_lasting(left)}")
    notes += filter(None, [seen.of_gate(message, now)])
    if message.flag("by_hand"):
        notes.append("moved by hand")
    note = f" ({', '.join(notes)})" if notes else ""
    return GateCell(spoken(name), TextSpan(loud_state(message, now), _tone_of(message)), note)


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
    passed = max(1.0, now - since)
    return f"OFFLINE {_lasting(passed - passed % _MINUTE if passed > _MINUTE else passed)}"


def _tone_of(message: StatusMessage) -> Tone:
    return Tone.ALARM if message.text("offline_since") else tone(message.text("state"))


def tone(word: str) -> Tone:
    """Of a state's word."""
    return _TONES.get(word, Tone.PLAIN)


def clock(wall: float) -> str:
    """Wall seconds as this machine's time of day."""
    return local_clock(round(wall * 1000))


def _lasting(seconds: float) -> str:
    """In whole seconds, a part of one for a whole one: what has not ended is never over in 0 s."""
    return lasting(max(1, math.ceil(seconds)), whole=True)


def _left(message: StatusMessage, key: str, now: float) -> float | None:
    """Seconds until then; None when it is over."""
    until = message.moment(key)
    return None if until is None or until <= now else until - now
