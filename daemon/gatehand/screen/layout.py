"""The screen as lines: first the state of things, collectors and alarms, then tools, gates, events.

When there is no room for all, events give way first, then shut gates and idle tools are only counted, and an alarm too
many is counted too; on the smallest screen each part is a line that counts. Nothing is ever left out without a word.
Below `page` stand the parts; each says everything it has.
"""

import math
import re
from collections.abc import Iterator, Mapping
from typing import Final

from gatehand import rhythm
from gatehand.journal.sentences import spoken, spoken_alarm
from gatehand.measures import measured, steady, threshold_key
from gatehand.screen.daemon_status import DaemonStatus, StatusMessage
from gatehand.screen.lines import ScreenLine, TextSpan, Tone, cut_line, faint, folded, line, text_of, wrapped
from gatehand.screen.rows import GateCell, ToolRow, gate_lines, in_short, listed_within, meter, tool_rows
from gatehand.terminal import cut, padded, wide
from gatehand.times import lasting, local_clock

_EVENTS_WANTED: Final = 5
"""Lines for the heading and some events before other parts are shortened for them."""
_BLANK: Final[ScreenLine] = ()
_BECAUSE: Final = 2
"""Most lines that say why a collector is as it is."""
_SHORT: Final = 2
"""Most lines of a part in short."""
_COUNTED: Final = re.compile(r"([^0-9]*)([0-9]*)")
_FEW: Final = 3
"""Rows of tools; rather than fewer, while others are at work too, all are told in short."""
_MINUTE: Final = 60.0
_OLD: Final = _MINUTE
"""Seconds after which the word of a sensor that speaks only on change is shown with its age."""
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
_SEVERITY: Final = (Tone.ALARM, Tone.WARN, Tone.GOOD, Tone.PLAIN)
_IN_SHORT: Final = (
    *("FAULT", "SILENT", "HELD", "unknown", "opening", "shutting", "muted", "run-on", "running", "open", "spin-up"),
    *("coast-down", "off", "idle", "shut"),
)
"""The states as they come where a part is only told in short: what matters most first."""


def page(status: DaemonStatus, where: str, at: float, *, width: int, height: int | None = None) -> list[ScreenLine]:
    """The whole screen at wall time `at`. `height` None: everything, without the events, as a page to read once."""
    header = _header(status, where, at, width)
    if height is not None and len(header) > max(2, height // 4):
        header = _header_in_short(status, where, at, width)
    found = [*header, *_below(status, at, width, None if height is None else height - len(header))]
    if status.lost_because is not None or status.online is False:
        found = [*header, *(faint(each) for each in found[len(header) :])]  # it is of the past
    return [cut_line(each, width) for each in found[:height]]


def _below(status: DaemonStatus, at: float, width: int, height: int | None) -> list[ScreenLine]:
    if height is None:
        top = _collectors(status, at, width)
        blocks = [_alarms(status, at, width, None), _tools(status, at, width), _gates(status, at, width)]
        blocks += [_meters(status, width), _unheard(status, width)]
        return [*top, *(each for block in filter(None, blocks) for each in (_BLANK, *block))]
    least_of_alarms = len(_alarms(status, at, width, 0))
    for most in (_SHORT, 1):
        least = {kind: len(_in_short(status, kind, width, most)) for kind in ("collector", "tool", "gate")}
        if sum(least.values()) + least_of_alarms <= height:
            break
    top = _collectors_within(status, at, width, height - least_of_alarms - least["tool"] - least["gate"], most)
    room = height - len(top)
    wanted = min(_EVENTS_WANTED, len(status.events) + 1)
    alarms = _alarms(status, at, width, min(max(2, room // 2), room - least["tool"] - least["gate"]))
    room -= len(alarms)
    gates = _gates_within(status, at, width, room - max(least["tool"], len(status.tools) + 1 + wanted), most)
    busy = sum(message.text("state") != "idle" for message in status.tools.values())
    some_events = min(wanted, 2) if busy + 2 + min(wanted, 2) <= room - len(gates) else 0
    tools = _tools(status, at, width, room - len(gates) - some_events, most)
    room -= len(gates) + len(tools)
    blocks = [alarms, tools, gates]
    meters = _meters(status, width)
    if meters and len(meters) + len(blocks) + 1 + wanted <= room:  # they change least: only where all else has room
        blocks.append(meters)
        room -= len(meters)
    blanks = max(0, min(len(blocks), room - _EVENTS_WANTED))
    events = _events(status, width, room - blanks - (1 if blanks else 0))
    spare = height - len(top) - sum(map(len, blocks)) - len(events)
    for block in (*blocks, events):
        if block and spare > 0:
            top.append(_BLANK)
            spare -= 1
        top += block
    return top


def _events(status: DaemonStatus, width: int, room: int) -> list[ScreenLine]:
    """A heading and as many whole events as there is room for."""
    found = [line("LAST EVENTS", Tone.HEAD)]
    for event in reversed(status.events):
        first = f"{_clock(event.at - status.ahead)}{'!' if event.loud else ' '} "
        tone = Tone.ALARM if event.loud else Tone.PLAIN
        lines = wrapped(event.text, width, first=first, then=" " * len(first), tone=tone)
        if len(found) + len(lines) > room:
            break
        found += lines
    if not status.events and room > 1:
        found.append(line("none since this screen was opened", Tone.FAINT))
    return found if len(found) > 1 else []


def _alarms(status: DaemonStatus, at: float, width: int, limit: int | None) -> list[ScreenLine]:
    """A heading, the newest of them whole and the others counted; in one line where `limit` leaves no more."""
    each = _each_alarm(status, at, width)
    if not each:
        return [] if status.online is None else [line("No active alarms.")]
    title, names = f"{len(each)} ACTIVE {'ALARM' if len(each) == 1 else 'ALARMS'}", [*map(spoken_alarm, each)]
    found = [line(title, Tone.ALARM)]
    for number, lines in enumerate(each.values()):
        note = 0 if number == len(each) - 1 else 1
        if limit is not None and len(found) + len(lines) + note > limit:
            if number == 0:
                return [line(listed_within(f"{title}: ", names, width), Tone.ALARM)]
            rest = listed_within(f"! and {len(each) - number} more: ", names[number:], width)
            return [*found, line(rest, Tone.ALARM)]
        found += lines
    return found


def _tools(
    status: DaemonStatus, at: float, width: int, limit: int | None = None, most: int = _SHORT
) -> list[ScreenLine]:
    """A heading and their rows; where there is no room for all, the idle ones are counted first.

    `most`: lines that it takes in short.
    """
    if not status.tools:
        return []  # a scale without a tool says nothing
    rows = [_tool_row(status, name, at) for name, _ in _in_order(status.tools)]
    room = math.inf if limit is None else limit
    for short in (False, True):
        title, lines = tool_rows(rows, width, short=short)
        found = [title, *(each for some in lines.values() for each in some)]
        if len(found) <= room:
            return found
    words = {spoken(name): message.text("state") for name, message in status.tools.items()}
    kept: set[str] = set()
    room -= len((title, "the note"))
    for name in sorted(words, key=lambda name: (words[name] == "idle", _SEVERITY.index(_tone(words[name])), name)):
        if len(lines[name]) > room:
            break
        room -= len(lines[name])
        kept.add(name)
    hidden = sum(word != "idle" for name, word in words.items() if name not in kept)
    if len(kept) < (_FEW if hidden else 1):
        return _in_short(status, "tool", width, most)
    note = f"and {len(rows) - len(kept)} more, " + (f"{hidden} of them not idle" if hidden else "all idle")
    return [title, *(each for name in lines if name in kept for each in lines[name]), line(note, Tone.WARN)]


def _gates_within(status: DaemonStatus, at: float, width: int, limit: int, most: int) -> list[ScreenLine]:
    """The gates whole; with shorter names, or those that are shut only counted, where that takes too many lines."""
    whole = _gates(status, at, width)
    if len(whole) <= limit:
        return whole
    short = _gates(status, at, width, short=True)
    return short if len(short) <= limit else min(whole, short, _in_short(status, "gate", width, most), key=len)


def _collectors_within(status: DaemonStatus, at: float, width: int, limit: int, most: int) -> list[ScreenLine]:
    """The collectors with their reasons; without them, or in short, where that takes too many lines."""
    for because, brief in ((_BECAUSE, False), (0, False), (0, True)):
        found = _collectors(status, at, width, because, brief=brief)
        if len(found) <= limit:
            return found
    return _in_short(status, "collector", width, most)


def _in_short(status: DaemonStatus, kind: str, width: int, most: int) -> list[ScreenLine]:
    """All of a kind in `most` lines: by their states, those at rest only counted."""
    states = {spoken(name): _loud_state(message) for name, message in _in_order(status.by_kind[kind])}
    quiet = {"gate": "shut", "tool": "idle"}.get(kind, "")
    return in_short(f"{kind.upper()}S", states, _IN_SHORT, width, most, quiet=quiet) if states else []


# The parts


def _header(status: DaemonStatus, where: str, at: float, width: int) -> list[ScreenLine]:
    """Whose shop this is, the time, and whether what stands below is of now."""
    left, right = f"Gatehand  {where}", _clock(at)
    more: list[ScreenLine] = []
    if wide(left) > width - len(right) - 2:
        left, more = "Gatehand", wrapped(where, width, tone=Tone.HEAD)
    return [
        _title(left, right, width),
        *more,
        *(each for text, tone in _reached(status, at) for each in wrapped(text, width, tone=tone)),
    ]


def _header_in_short(status: DaemonStatus, where: str, at: float, width: int) -> list[ScreenLine]:
    """The same in two lines at most: of what is wrong only the first words."""
    text, tone = _reached(status, at)[0]
    found = [_title(f"Gatehand  {where}", _clock(at), width)]
    return found if tone is Tone.PLAIN else [*found, line(cut(text.partition(": ")[0], width), tone)]


def _title(left: str, right: str, width: int) -> ScreenLine:
    room = width - len(right) - 2
    return (TextSpan(padded(cut(left, room), room + 2), Tone.HEAD), TextSpan(right, Tone.HEAD))


def _reached(status: DaemonStatus, at: float) -> list[tuple[str, Tone]]:
    last = "" if status.heard_at is None else f" Last heard at {_clock(status.heard_at)}."
    if status.collectors or status.tools or status.gates:
        last += " What follows is of the past."
    if status.lost_because is not None:
        for_how_long = "" if status.lost_at is None else f" for {_lasting(at - status.lost_at)}"
        return [(f"NO BROKER{for_how_long}: {status.lost_because}; trying again.{last}", Tone.ALARM)]
    if status.online is False:
        return [(f"THE DAEMON IS OFFLINE: nothing opens a gate or starts the collector.{last}", Tone.ALARM)]
    if status.online is None:
        text = (
            f"Nothing is heard on {status.base}/online: is {status.base!r} the daemon's base, "
            "and may this user read it?"
        )
        return [(text, Tone.WARN)]
    found = [("Gatehand is running.", Tone.PLAIN)]
    if status.ahead:
        way = "ahead of" if status.ahead > 0 else "behind"
        found.append((f"Its clock is {_lasting(abs(status.ahead))} {way} this machine's.", Tone.WARN))
    return found


def _collectors(
    status: DaemonStatus, at: float, width: int, because: int = _BECAUSE, *, brief: bool = False
) -> list[ScreenLine]:
    """Two lines for each, or a few more: its state with the countdown and what it serves; why.

    `because`: most lines that say why. `brief`: of what is told of it only as much as one line has room for.
    """
    found: list[ScreenLine] = []
    for name, message in _in_order(status.collectors):
        told = [*_of_collector(message, status.now(at))]
        spans = [
            TextSpan(f"{spoken(f'collector {name}')}  ", Tone.HEAD),
            TextSpan(state(message.text("state")).upper(), _tone(message.text("state"))),
        ]
        room = width - sum(wide(span.text) for span in spans) if brief else math.inf
        found += folded([*spans, TextSpan(listed_within("  ", told, room) if told else "")], width, then="  ")
        reason = wrapped(message.text("because"), width - 2, tone=Tone.FAINT)
        if because and len(reason) > because:
            rest = f"{text_of(reason[because - 1])} .."
            reason[because - 1] = line(rest if wide(rest) <= width - 2 else cut(rest, width - 2), Tone.FAINT)
        found += ((TextSpan("  "), *each) for each in reason[:because])
    return found


def _of_collector(message: StatusMessage, now: float) -> Iterator[str]:
    for key, text in (("run_on_until", "off in {}"), ("coast_down_until", "stands still in {}")):
        left = _left(message, key, now)
        if left is not None:
            yield text.format(_lasting(left))
    if message.text("held"):
        yield f"until a reset: {spoken(message.text('held'))}"
    if message.names("running"):
        yield f"tools running: {', '.join(map(spoken, message.names('running')))}"
    if message.names("hands"):
        yield f"by hand: {', '.join(map(spoken, message.names('hands')))}"
    yield from _seen(message.flag("reported_on"), message.flag("drawing"))
    if message.flag("bin_full"):
        yield "BIN FULL"
    budget, spent = message.number("starts_per_hour"), message.number("starts_this_hour")
    if budget is not None and spent is not None:
        yield f"{spent:g} of {budget:g} starts this hour"


def _seen(reported_on: bool | None, drawing: bool | None) -> list[str]:
    """What is seen of the fan, by its switch's report and its motor's sensor; both, where they contradict."""
    flags = {flag for flag in (reported_on, drawing) if flag is not None}
    if flags == {True, False}:
        return [f"switch reports {'on' if reported_on else 'off'}, motor seen {'on' if drawing else 'off'}"]
    return [f"motor seen {'on' if flag else 'off'}" for flag in flags]


def _each_alarm(status: DaemonStatus, at: float, width: int) -> dict[str, list[ScreenLine]]:
    """Each alarm's lines: since when, why, and what to do next. The newest first."""
    since = {name: message.moment("since") or 0.0 for name, message in status.alarms.items()}
    found = {}
    for name in sorted(since, key=lambda name: -since[name]):
        message = status.alarms[name]
        notes = ["acknowledged"] if message.text("acked") else []
        if since[name]:
            notes.insert(0, f"since {_clock(since[name] - status.ahead)}, {_lasting(status.now(at) - since[name])}")
        because = f"{message.text('because') or spoken_alarm(name)} ({', '.join(notes)})".removesuffix(" ()")
        found[name] = [
            *wrapped(because, width, first="! ", then="  ", tone=Tone.ALARM),
            *wrapped(message.text("next"), width, first="  Next: ", then="  "),
        ]
    return found


def _state_of_tool(message: StatusMessage, now: float) -> str:
    left = _left(message, "run_on_ends", now)
    shown = _loud_state(message)
    return shown if left is None else f"{shown} {_lasting(left)}"


def _tool_row(status: DaemonStatus, name: str, at: float) -> ToolRow:
    message, now = status.tools[name], status.now(at)
    word, measure, value = message.text("state"), message.measure, message.reading
    stop, start = (message.number(threshold_key(which, measure)) for which in ("stop", "start"))
    return ToolRow(
        name=spoken(name),
        state=TextSpan(_state_of_tool(message, now), _tone(word)),
        reading="no reading" if value is None else steady(measure, value),
        age=_age(message, now, is_now=status.lost_because is None and status.online is not False),
        bar=TextSpan(meter(value, start, stop), _tone(word) if word in {"running", "run_on"} else Tone.PLAIN),
        stop="" if stop is None else measured(measure, stop),
        start="" if start is None else measured(measure, start),
    )


def _age(message: StatusMessage, now: float, *, is_now: bool) -> str:
    """How old a tool's reading is, where it may not be what the sensor would say now. `is_now`: the daemon is heard.

    A sensor that speaks by the clock is silent once it is late; one that speaks only on change is not.
    """
    read_at, found = message.moment("reading_at"), rhythm.read(message.facts.get("rhythm"))
    if read_at is None or message.reading is None:
        return ""
    on_change = found is not None and not found.steady
    if is_now and message.text("state") not in {"silent", "unknown"} and not (on_change and now - read_at >= _OLD):
        return ""
    passed = now - read_at
    return f", {_lasting(passed - passed % _MINUTE if passed > _MINUTE else passed)} ago"


def _gates(status: DaemonStatus, at: float, width: int, *, short: bool = False) -> list[ScreenLine]:
    """A heading and the gates side by side; nothing where none is heard of. `short`: with shortened names."""
    cells = [_gate_cell(name, message, status.now(at)) for name, message in _in_order(status.gates)]
    return [line("GATES", Tone.HEAD), *gate_lines(cells, width, short=short)] if cells else []


def _meters(status: DaemonStatus, width: int) -> list[ScreenLine]:
    """A heading and how often each tool's meter speaks; nothing where that is not known yet."""
    rhythms = ((name, rhythm.read(each.facts.get("rhythm"))) for name, each in _in_order(status.tools))
    texts = [f"{spoken(name)}: {rhythm.words(found)}" for name, found in rhythms if found is not None]
    found = [each for text in texts for each in wrapped(text, width, then="  ")]
    return [line("METERS", Tone.HEAD), *found] if found else []


def _unheard(status: DaemonStatus, width: int) -> list[ScreenLine]:
    """A heading and what was never heard or is not understood; nothing where all is well."""
    found: list[ScreenLine] = []
    for kind, every in (("collector", status.collectors), ("tool", status.tools), ("gate", status.gates)):
        for name, message in _in_order(every):
            whose = spoken(name if kind == "tool" else f"{kind} {name}")
            texts = [f"{whose}: never heard: {topic}" for topic in message.names("unheard")]
            texts += [f"{whose}: {text}" for text in message.odd("not_understood")]
            found += (each for text in texts for each in wrapped(text, width, then="  "))
    return [line("NOT HEARD", Tone.HEAD), *found] if found else []


def _gate_cell(name: str, message: StatusMessage, now: float) -> GateCell:
    word = message.text("state")
    notes = []
    if message.flag("hand"):
        left = _left(message, "hand_ends", now)
        notes.append("by hand" if left is None else f"by hand, {_lasting(left)}")
    if word == "open" and message.flag("reports") is False:
        notes.append("by time")
    if message.flag("by_hand"):
        notes.append("moved by hand")
    note = f" ({', '.join(notes)})" if notes else ""
    return GateCell(spoken(name), TextSpan(_loud_state(message), _tone(word)), note)


def _in_order(every: Mapping[str, StatusMessage]) -> list[tuple[str, StatusMessage]]:
    """By name: bench_2 before bench_10."""
    return sorted(every.items(), key=lambda each: [(text, int(n or 0)) for text, n in _COUNTED.findall(each[0])])


def state(word: str) -> str:
    """A state as it is read: run_on is run-on."""
    return word.replace("_", "-") or "unknown"


def _loud_state(message: StatusMessage) -> str:
    """The same of a device, in capitals where it must not be overlooked."""
    word = message.text("state")
    return state(word).upper() if _tone(word) is Tone.ALARM else state(word)


def _tone(word: str) -> Tone:
    return _TONES.get(word, Tone.PLAIN)


def _clock(wall: float) -> str:
    return local_clock(round(wall * 1000))


def _lasting(seconds: float) -> str:
    """In whole seconds, a part of one for a whole one: what has not ended is never over in 0 s."""
    return lasting(max(1, math.ceil(seconds)), whole=True)


def _left(message: StatusMessage, key: str, now: float) -> float | None:
    """Seconds until then; None when it is over."""
    until = message.moment(key)
    return None if until is None or until <= now else until - now
