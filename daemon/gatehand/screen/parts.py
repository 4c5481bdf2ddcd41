"""The parts of the screen: the state of things, collectors, alarms, tools, gates, events. Each gives lines.

A part says everything it has; what fits where is `layout`'s business.
"""

from collections.abc import Mapping
from typing import Final

from gatehand.journal.sentences import spoken, spoken_alarm
from gatehand.screen.daemon_status import DaemonStatus, StatusMessage
from gatehand.screen.lines import Line, Span, Tone, cut, grid, line, text_of, wrapped
from gatehand.times import lasting, local_clock

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
_LOUD: Final = frozenset({"silent", "fault", "held"})


def head(status: DaemonStatus, where: str, at: float, width: int) -> list[Line]:
    """Whose shop this is, the time, and whether what stands below is of now."""
    left, right = f"Gatehand  {where}", _clock(at)
    room = width - len(right) - 2
    title = (Span(cut(left, room).ljust(room + 2), Tone.HEAD), Span(right, Tone.HEAD))
    return [title, *(each for text, tone in _standing(status, at) for each in wrapped(text, width, tone=tone))]


def _standing(status: DaemonStatus, at: float) -> list[tuple[str, Tone]]:
    last = "" if status.heard_at is None else f" Last heard at {_clock(status.heard_at)}."
    if status.lost_because is not None:
        for_how_long = "" if status.lost_at is None else f" for {_lasting(at - status.lost_at)}"
        return [(f"NO BROKER{for_how_long}: {status.lost_because}; trying again.{last}", Tone.ALARM)]
    if status.online is False:
        return [(f"THE DAEMON IS OFFLINE: nothing works the shop.{last}", Tone.ALARM)]
    if status.online is None:
        text = (
            f"Nothing is heard on {status.base}/online: is {status.base!r} the daemon's base, "
            "and may this user read it?"
        )
        return [(text, Tone.WARN)]
    found = [("The daemon works the shop.", Tone.PLAIN)]
    if status.ahead:
        way = "ahead of" if status.ahead > 0 else "behind"
        found.append((f"Its clock is {_lasting(abs(status.ahead))} {way} this machine's.", Tone.WARN))
    return found


def collectors(status: DaemonStatus, at: float, width: int) -> list[Line]:
    """Two lines for each, or a few more: its state with the countdown and what it serves; why."""
    found: list[Line] = []
    for name, message in sorted(status.collectors.items()):
        word = message.text("state")
        title, shown = f"{cut(spoken(f'collector {name}'), NAME + 6)}  ", state(word).upper()
        first, *more = wrapped(f"{title}{shown}  {', '.join(_of_collector(message, status.now(at)))}", width, then="  ")
        text, split = text_of(first), len(title) + len(shown)
        found += [
            (Span(text[: len(title)], Tone.HEAD), Span(text[len(title) : split], _tone(word)), Span(text[split:])),
            *more,
        ]
        found += wrapped(message.text("because"), width, first="  ", then="  ", tone=Tone.FAINT)[:_BECAUSE]
    return found


def _of_collector(message: StatusMessage, now: float) -> list[str]:
    found = []
    for key, text in (("run_on_until", "off in {}"), ("coast_down_until", "stands still in {}")):
        left = _left(message, key, now)
        if left is not None:
            found.append(text.format(_lasting(left)))
    if message.text("held"):
        found.append(f"by {spoken(message.text('held'))}, until a reset")
    if message.names("running"):
        found.append(f"tools running: {', '.join(map(spoken, message.names('running')))}")
    if message.names("hands"):
        found.append(f"by hand: {', '.join(map(spoken, message.names('hands')))}")
    found += _seen(message.flag("reported_on"), message.flag("drawing"))
    if message.flag("bin_full"):
        found.append("BIN FULL")
    budget, spent = message.number("starts_per_hour"), message.number("starts_this_hour")
    if budget is not None and spent is not None:
        found.append(f"{spent:g} of {budget:g} starts this hour")
    return found


def _seen(reported_on: bool | None, drawing: bool | None) -> list[str]:
    """What is seen of the fan, by its switch's report and its motor's current; both, where they contradict."""
    flags = {flag for flag in (reported_on, drawing) if flag is not None}
    if flags == {True, False}:
        return [f"switch reports {'on' if reported_on else 'off'}, motor draws{'' if drawing else ' nothing'}"]
    return [f"motor seen {'on' if flag else 'off'}" for flag in flags]


def alarms(status: DaemonStatus, at: float, width: int) -> list[list[Line]]:
    """Each alarm's lines: since when, why, and what to do next. The newest first."""
    since = {name: message.moment("since") or 0.0 for name, message in status.alarms.items()}
    found = []
    for name, message in sorted(status.alarms.items(), key=lambda item: -since[item[0]]):
        notes = ["acknowledged"] if message.text("acked") else []
        if since[name]:
            notes.insert(0, f"since {_clock(since[name] - status.ahead)}, {_lasting(status.now(at) - since[name])}")
        because = f"{message.text('because') or spoken_alarm(name)} ({', '.join(notes)})".removesuffix(" ()")
        found.append(
            [
                *wrapped(because, width, first="! ", then="  ", tone=Tone.ALARM),
                *wrapped(message.text("next"), width, first="  Next: ", then="  ", tone=Tone.PLAIN),
            ]
        )
    return found


def tools(status: DaemonStatus, at: float) -> list[Line]:
    """A heading and a row for each tool: state, current, and the current against its two thresholds."""
    now = status.now(at)
    states = {name: _state_of_tool(message, now) for name, message in status.tools.items()}
    wide = max((len(cut(spoken(name), NAME)) for name in status.tools), default=0) + 2
    room = max(_STATE, *(len(text) for text in states.values()), 0)
    title = f"{'TOOLS':<{wide}}{'':<{room}}{'now':>10}   {'0 A, : stop, | start':<{_METER}}   stop  start"
    rows = [_tool(name, message, wide, states[name].ljust(room)) for name, message in sorted(status.tools.items())]
    return [line(title, Tone.HEAD), *rows]


def _state_of_tool(message: StatusMessage, now: float) -> str:
    word = message.text("state")
    left = _left(message, "run_on_ends", now)
    shown = state(word).upper() if word in _LOUD else state(word)
    return shown if left is None else f"{shown} {_lasting(left)}"


def _tool(name: str, message: StatusMessage, wide: int, shown: str) -> Line:
    word, amps = message.text("state"), message.number("amps")
    start, stop = message.number("start_amps"), message.number("stop_amps")
    current = "no reading" if amps is None else f"{amps:.2f} A"
    return (
        Span(cut(spoken(name), NAME).ljust(wide)),
        Span(shown, _tone(word)),
        Span(f"{current:>10}   "),
        Span(meter(amps, start, stop), _tone(word) if word in {"running", "run_on"} else Tone.PLAIN),
        Span("".join(f"{'' if each is None else f'{each:.4g}':>7}" for each in (stop, start))),
    )


def meter(amps: float | None, start: float | None, stop: float | None) -> str:
    """The current as a bar from 0 to twice the start threshold, `|` at the start threshold and `:` at the stop one."""
    if start is None or start <= 0:
        return " " * _METER
    half = _METER // 2
    filled = 0 if amps is None else int(min(2.0, max(0.0, amps / start)) * half)
    cells = ["="] * filled + ["."] * (_METER - filled)
    if stop is not None:
        cells[min(half - 1, int(min(1.0, max(0.0, stop / start)) * half))] = ":"
    cells[half] = "|"
    if amps is not None and amps > 2 * start:
        cells[-1] = ">"
    return "".join(cells)


def busy_tools(status: DaemonStatus) -> frozenset[str]:
    """Tools that are not simply idle."""
    return frozenset(name for name, message in status.tools.items() if message.text("state") != "idle")


def gates(status: DaemonStatus, at: float, width: int) -> list[Line]:
    """A heading and the gates side by side."""
    wide = max((len(cut(spoken(name), NAME)) for name in status.gates), default=0)
    cells = [_gate(name, message, wide, status.now(at)) for name, message in sorted(status.gates.items())]
    return [line("GATES", Tone.HEAD), *grid(cells, width)]


def gates_in_short(status: DaemonStatus, width: int) -> list[Line]:
    """The gates by their states, those that are shut only counted."""
    by_state: dict[str, list[str]] = {}
    for name, message in sorted(status.gates.items()):
        by_state.setdefault(message.text("state"), []).append(spoken(name))
    shut = len(by_state.pop("shut", ()))
    told = [f"{state(word)}: {', '.join(names)}" for word, names in by_state.items()]
    return wrapped(f"GATES  {'; '.join([*told, f'shut: {shut}'])}", width, then="  ")[:2]


def unheard(status: DaemonStatus, width: int) -> list[Line]:
    """A heading and what was never heard or is not understood; nothing where all is well."""
    found: list[Line] = []
    for kind, every in (("collector", status.collectors), ("tool", status.tools), ("gate", status.gates)):
        for name, message in sorted(every.items()):
            whose = spoken(name if kind == "tool" else f"{kind} {name}")
            texts = [f"{whose}: never heard: {topic}" for topic in message.names("unheard")]
            texts += [f"{whose}: {text}" for text in message.odd("not_understood")]
            found += (each for text in texts for each in wrapped(text, width, then="  "))
    return [line("NOT HEARD", Tone.HEAD), *found] if found else []


def _gate(name: str, message: StatusMessage, wide: int, now: float) -> Line:
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
    shown = state(word).upper() if word in _LOUD else state(word)
    return (Span(f"{cut(spoken(name), NAME):<{wide}}  "), Span(f"{shown:<8}", _tone(word)), Span(note, Tone.FAINT))


def events(status: DaemonStatus, width: int) -> list[list[Line]]:
    """What changed lately, the newest first; the lines of each."""
    found = []
    for event in reversed(status.events):
        first = f"{_clock(event.at - status.ahead)}  "
        tone = Tone.ALARM if event.loud else Tone.PLAIN
        found.append(wrapped(event.text, width, first=first, then=" " * len(first), tone=tone))
    return found or [[line("none since this screen was opened", Tone.FAINT)]]


def state(word: str) -> str:
    """A state as it is read: run_on is run-on."""
    return word.replace("_", "-") or "unknown"


def _clock(wall: float) -> str:
    return local_clock(round(wall * 1000))


def _lasting(seconds: float) -> str:
    return lasting(seconds, whole=True)


def _left(message: StatusMessage, key: str, now: float) -> float | None:
    """Seconds until then; None when it is over."""
    until = message.moment(key)
    return None if until is None or until <= now else until - now


def _tone(word: str) -> Tone:
    return _TONES.get(word, Tone.PLAIN)


def shown_names(message: Mapping[str, StatusMessage]) -> tuple[str, ...]:
    """Names in the order of the screen."""
    return tuple(sorted(message))
