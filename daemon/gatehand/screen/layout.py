"""The screen as lines: first the state of things, collectors and alarms, then tools, gates, events.

When there is no room for all, events give way first, then shut gates and idle tools are only counted, and an alarm too
many is counted too. Nothing that stands is ever left out without a word. Below `page` stand the parts; each says
everything it has.
"""

from collections.abc import Iterator
from typing import Final

from gatehand import rhythm
from gatehand.journal.sentences import spoken, spoken_alarm
from gatehand.measures import measured, steady, threshold_key
from gatehand.screen import seen
from gatehand.screen.daemon_status import DaemonStatus, StatusMessage
from gatehand.screen.lines import ScreenLine, TextSpan, Tone, cut, cut_line, faint, grid, line, text_of, wrapped
from gatehand.times import lasting, local_clock

_EVENTS_WANTED: Final = 5
"""Lines for the heading and some events before other parts are shortened for them."""
_BLANK: Final[ScreenLine] = ()
NAME: Final = 18
"""Most characters of a name in a row."""
_METER: Final = 20
_STATE: Final = len("run-on 12 s")
"""Columns jump less when the commonest states have room."""
_BECAUSE: Final = 2
"""Most lines that say why a collector is as it is."""
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


def page(status: DaemonStatus, where: str, at: float, *, width: int, height: int | None = None) -> list[ScreenLine]:
    """The whole screen at wall time `at`. `height` None: everything, without the events, as a page to read once."""
    header = _header(status, where, at, width)
    found = [*header, *_below(status, at, width, None if height is None else height - len(header))]
    if status.lost_because is not None or status.online is False:
        found = [*header, *(faint(each) for each in found[len(header) :])]  # it is of the past
    return [cut_line(each, width) for each in found[:height]]


def _below(status: DaemonStatus, at: float, width: int, height: int | None) -> list[ScreenLine]:
    top = _collectors(status, at, width)
    if height is None:
        blocks = [_alarms(status, at, width, None), _tools(status, at, None), _gates(status, at, width)]
        blocks += [_meters(status, width), _unheard(status, width)]
        return [*top, *(each for block in filter(None, blocks) for each in (_BLANK, *block))]
    room = height - len(top)
    wanted = min(_EVENTS_WANTED, len(status.events) + 1)
    alarms = _alarms(status, at, width, max(2, room // 2))
    room -= len(alarms)
    gates = _gates(status, at, width)
    if len(gates) + len(status.tools) + 1 + wanted > room:
        gates = min(gates, _gates_in_short(status, width), key=len)
    tools = _tools(status, at, max(2, room - len(gates) - min(wanted, 2)))
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
        first = f"{_clock(event.at - status.ahead)}  "
        tone = Tone.ALARM if event.loud else Tone.PLAIN
        lines = wrapped(event.text, width, first=first, then=" " * len(first), tone=tone)
        if len(found) + len(lines) > room:
            break
        found += lines
    if not status.events and room > 1:
        found.append(line("none since this screen was opened", Tone.FAINT))
    return found if len(found) > 1 else []


def _alarms(status: DaemonStatus, at: float, width: int, limit: int | None) -> list[ScreenLine]:
    each = _each_alarm(status, at, width)
    if not each:
        return [] if status.online is None else [line("No active alarms.")]
    found = [line(f"{len(each)} ACTIVE {'ALARM' if len(each) == 1 else 'ALARMS'}", Tone.ALARM)]
    names = list(each)
    for number, (name, lines) in enumerate(each.items()):
        note = 0 if name == names[-1] else 1
        if limit is not None and number > 0 and len(found) + len(lines) + note > limit:
            rest = f"and {len(each) - number} more: {', '.join(map(spoken_alarm, names[number:]))}"
            return [*found, wrapped(rest, width, first="! ", then="  ", tone=Tone.ALARM)[0]]
        found += lines
    return found


def _tools(status: DaemonStatus, at: float, limit: int | None) -> list[ScreenLine]:
    if not status.tools:
        return []  # a scale without a tool says nothing
    title, rows = _every_tool(status, at)
    if limit is None or len(rows) < limit:
        return [title, *rows.values()]
    busy = {name for name in rows if status.tools[name].text("state") != "idle"}
    kept = sorted(rows, key=lambda name: (name not in busy, name))[: max(0, limit - 2)]
    hidden = len(busy.difference(kept))
    note = f"and {len(rows) - len(kept)} more, " + (f"{hidden} of them not idle" if hidden else "all idle")
    return [title, *(row for name, row in rows.items() if name in kept), line(note, Tone.WARN)]


# The parts


def _header(status: DaemonStatus, where: str, at: float, width: int) -> list[ScreenLine]:
    """Whose shop this is, the time, and whether what stands below is of now."""
    left, right = f"Gatehand  {where}", _clock(at)
    room = width - len(right) - 2
    title = (TextSpan(cut(left, room).ljust(room + 2), Tone.HEAD), TextSpan(right, Tone.HEAD))
    return [
        title,
        *(each for text, tone in _reached(status, at) for each in wrapped(text, width, tone=tone)),
    ]


def _reached(status: DaemonStatus, at: float) -> list[tuple[str, Tone]]:
    last = "" if status.heard_at is None else f" Last heard at {_clock(status.heard_at)}."
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


def _collectors(status: DaemonStatus, at: float, width: int) -> list[ScreenLine]:
    """Two lines for each, or a few more: its state with the countdown and what it serves; why."""
    found: list[ScreenLine] = []
    for name, message in sorted(status.collectors.items()):
        word = message.text("state")
        title, shown = f"{cut(spoken(f'collector {name}'), NAME + 6)}  ", state(word).upper()
        first, *more = wrapped(f"{title}{shown}  {', '.join(_of_collector(message, status.now(at)))}", width, then="  ")
        text, split = text_of(first), len(title) + len(shown)
        state_of_it = TextSpan(text[len(title) : split], _tone(word))
        found += [(TextSpan(text[: len(title)], Tone.HEAD), state_of_it, TextSpan(text[split:])), *more]
        found += wrapped(message.text("because"), width, first="  ", then="  ", tone=Tone.FAINT)[:_BECAUSE]
    return found


def _of_collector(message: StatusMessage, now: float) -> Iterator[str]:
    for key, text in (("run_on_until", "off in {}"), ("coast_down_until", "coasts for {} more")):
        left = _left(message, key, now)
        if left is not None:
            yield text.format(_lasting(left))
    if message.text("held"):
        yield f"until a reset: {spoken(message.text('held'))}"
    if message.names("running"):
        yield f"tools running: {', '.join(map(spoken, message.names('running')))}"
    if message.names("hands"):
        yield f"by hand: {', '.join(map(spoken, message.names('hands')))}"
    yield from seen.of_fan(message, now)
    if message.flag("bin_full"):
        yield "BIN FULL"
    budget, spent = message.number("starts_per_hour"), message.number("starts_this_hour")
    if budget is not None and spent is not None:
        yield f"{spent:g} of {budget:g} starts this hour"


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


def _every_tool(status: DaemonStatus, at: float) -> tuple[ScreenLine, dict[str, ScreenLine]]:
    """A heading and each tool's row: state, reading, and the reading against its two thresholds."""
    states = {name: _state_of_tool(message, status.now(at)) for name, message in status.tools.items()}
    wide = max((len(cut(spoken(name), NAME)) for name in status.tools), default=0) + 2
    room = max(_STATE, *map(len, states.values()), 0)
    title = f"{'TOOLS':<{wide}}{'':<{room}}{'now':>10}   {'0, : stop, | start':<{_METER}}{'stop':>8}{'start':>8}"
    tools = sorted(status.tools.items())
    return line(title, Tone.HEAD), {name: _tool(name, each, wide, states[name].ljust(room)) for name, each in tools}


def _state_of_tool(message: StatusMessage, now: float) -> str:
    left = _left(message, "run_on_ends", now)
    shown = _loud_state(message)
    return shown if left is None else f"{shown} {_lasting(left)}"


def _tool(name: str, message: StatusMessage, wide: int, shown: str) -> ScreenLine:
    word, measure, value = message.text("state"), message.measure, message.reading
    stop, start = (message.number(threshold_key(which, measure)) for which in ("stop", "start"))
    reading = "no reading" if value is None else steady(measure, value)
    return (
        TextSpan(cut(spoken(name), NAME).ljust(wide)),
        TextSpan(shown, _tone(word)),
        TextSpan(f"{reading:>10}   "),
        TextSpan(meter(value, start, stop), _tone(word) if word in {"running", "run_on"} else Tone.PLAIN),
        TextSpan("".join(f"{'' if each is None else measured(measure, each):>8}" for each in (stop, start))),
    )


def meter(value: float | None, start: float | None, stop: float | None) -> str:
    """The reading as a bar from 0 to twice the start threshold, `|` at the start threshold and `:` at the stop one.

    Nothing for a contact, which has no thresholds.
    """
    if start is None or start <= 0:
        return " " * _METER
    half = _METER // 2
    filled = 0 if value is None else int(min(2.0, max(0.0, value / start)) * half)
    cells = ["="] * filled + ["."] * (_METER - filled)
    if stop is not None:
        cells[min(half - 1, int(min(1.0, max(0.0, stop / start)) * half))] = ":"
    cells[half] = "|"
    if value is not None and value > 2 * start:
        cells[-1] = ">"
    return "".join(cells)


def _gates(status: DaemonStatus, at: float, width: int) -> list[ScreenLine]:
    """A heading and the gates side by side; nothing where none is heard of."""
    if not status.gates:
        return []
    wide = max((len(cut(spoken(name), NAME)) for name in status.gates), default=0)
    cells = [_gate(name, message, wide, status.now(at)) for name, message in sorted(status.gates.items())]
    return [line("GATES", Tone.HEAD), *grid(cells, width)]


def _gates_in_short(status: DaemonStatus, width: int) -> list[ScreenLine]:
    """The gates by their states, those that are shut only counted."""
    by_state: dict[str, list[str]] = {}
    for name, message in sorted(status.gates.items()):
        by_state.setdefault(message.text("state"), []).append(spoken(name))
    shut = len(by_state.pop("shut", ()))
    others = [f"{state(word)}: {', '.join(names)}" for word, names in by_state.items()]
    return wrapped(f"GATES  {'; '.join([*others, f'shut: {shut}'])}", width, then="  ")[:2]


def _meters(status: DaemonStatus, width: int) -> list[ScreenLine]:
    """A heading and how often each tool's meter speaks; nothing where that is not known yet."""
    rhythms = ((name, rhythm.read(each.facts.get("rhythm"))) for name, each in sorted(status.tools.items()))
    texts = [f"{spoken(name)}: {rhythm.words(found)}" for name, found in rhythms if found is not None]
    found = [each for text in texts for each in wrapped(text, width, then="  ")]
    return [line("METERS", Tone.HEAD), *found] if found else []


def _unheard(status: DaemonStatus, width: int) -> list[ScreenLine]:
    """A heading and what was never heard or is not understood; nothing where all is well."""
    found: list[ScreenLine] = []
    for kind, every in (("collector", status.collectors), ("tool", status.tools), ("gate", status.gates)):
        for name, message in sorted(every.items()):
            whose = spoken(name if kind == "tool" else f"{kind} {name}")
            texts = [f"{whose}: never heard: {topic}" for topic in message.names("unheard")]
            texts += [f"{whose}: {text}" for text in message.odd("not_understood")]
            found += (each for text in texts for each in wrapped(text, width, then="  "))
    return [line("NOT HEARD", Tone.HEAD), *found] if found else []


def _gate(name: str, message: StatusMessage, wide: int, now: float) -> ScreenLine:
    word = message.text("state")
    notes = []
    if message.flag("hand"):
        left = _left(message, "hand_ends", now)
        notes.append("by hand" if left is None else f"by hand, {_lasting(left)}")
    notes += filter(None, [seen.of_gate(message, now)])
    if message.flag("by_hand"):
        notes.append("moved by hand")
    note = f" ({', '.join(notes)})" if notes else ""
    shown = TextSpan(f"{_loud_state(message):<8}", _tone(word))
    return (TextSpan(f"{cut(spoken(name), NAME):<{wide}}  "), shown, TextSpan(note, Tone.FAINT))


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
    return lasting(seconds, whole=True)


def _left(message: StatusMessage, key: str, now: float) -> float | None:
    """Seconds until then; None when it is over."""
    until = message.moment(key)
    return None if until is None or until <= now else until - now
