"""The parts of the screen: the state of things, collectors, alarms, tools, gates, events. Each gives lines.

A part says everything it has; what fits where is `layout`'s business.
"""

from collections.abc import Mapping
from typing import Final

from gatehand.journal.sentences import spoken, spoken_alarm
from gatehand.screen.lines import Line, Span, Tone, cut, grid, line, text_of, wrapped
from gatehand.screen.picture import Picture
from gatehand.screen.said import Said
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


def head(picture: Picture, where: str, at: float, width: int) -> list[Line]:
    """Whose shop this is, the time, and whether what stands below is of now."""
    left, right = f"Gatehand  {where}", _clock(at)
    room = width - len(right) - 2
    title = (Span(cut(left, room).ljust(room + 2), Tone.HEAD), Span(right, Tone.HEAD))
    return [title, *(each for text, tone in _standing(picture, at) for each in wrapped(text, width, tone=tone))]


def _standing(picture: Picture, at: float) -> list[tuple[str, Tone]]:
    last = "" if picture.heard_at is None else f" Last heard at {_clock(picture.heard_at)}."
    if picture.lost_because is not None:
        for_how_long = "" if picture.lost_at is None else f" for {_lasting(at - picture.lost_at)}"
        return [(f"NO BROKER{for_how_long}: {picture.lost_because}; trying again.{last}", Tone.ALARM)]
    if picture.online is False:
        return [(f"THE DAEMON IS OFFLINE: nothing works the shop.{last}", Tone.ALARM)]
    if picture.online is None:
        text = (
            f"Nothing is heard on {picture.base}/online: is {picture.base!r} the daemon's base, "
            "and may this user read it?"
        )
        return [(text, Tone.WARN)]
    found = [("The daemon works the shop.", Tone.PLAIN)]
    if picture.ahead:
        way = "ahead of" if picture.ahead > 0 else "behind"
        found.append((f"Its clock is {_lasting(abs(picture.ahead))} {way} this machine's.", Tone.WARN))
    return found


def collectors(picture: Picture, at: float, width: int) -> list[Line]:
    """Two lines for each, or a few more: its state with the countdown and what it serves; why."""
    found: list[Line] = []
    for name, said in sorted(picture.collectors.items()):
        word = said.text("state")
        title, shown = f"{cut(spoken(f'collector {name}'), NAME + 6)}  ", state(word).upper()
        first, *more = wrapped(f"{title}{shown}  {', '.join(_of_collector(said, picture.now(at)))}", width, then="  ")
        text, split = text_of(first), len(title) + len(shown)
        found += [
            (Span(text[: len(title)], Tone.HEAD), Span(text[len(title) : split], _tone(word)), Span(text[split:])),
            *more,
        ]
        found += wrapped(said.text("because"), width, first="  ", then="  ", tone=Tone.FAINT)[:_BECAUSE]
    return found


def _of_collector(said: Said, now: float) -> list[str]:
    found = []
    for key, text in (("run_on_until", "off in {}"), ("coast_down_until", "stands still in {}")):
        left = _left(said, key, now)
        if left is not None:
            found.append(text.format(_lasting(left)))
    if said.text("held"):
        found.append(f"by {spoken(said.text('held'))}, until a reset")
    if said.names("running"):
        found.append(f"tools running: {', '.join(map(spoken, said.names('running')))}")
    if said.names("hands"):
        found.append(f"by hand: {', '.join(map(spoken, said.names('hands')))}")
    found += _seen(said.flag("reported_on"), said.flag("drawing"))
    if said.flag("bin_full"):
        found.append("BIN FULL")
    budget, spent = said.number("starts_per_hour"), said.number("starts_this_hour")
    if budget is not None and spent is not None:
        found.append(f"{spent:g} of {budget:g} starts this hour")
    return found


def _seen(reported_on: bool | None, drawing: bool | None) -> list[str]:
    """What is seen of the fan, by its switch's report and its motor's current; both, where they contradict."""
    flags = {flag for flag in (reported_on, drawing) if flag is not None}
    if flags == {True, False}:
        return [f"switch reports {'on' if reported_on else 'off'}, motor draws{'' if drawing else ' nothing'}"]
    return [f"motor seen {'on' if flag else 'off'}" for flag in flags]


def alarms(picture: Picture, at: float, width: int) -> list[list[Line]]:
    """Each alarm's lines: since when, why, and what to do next. The newest first."""
    since = {name: said.moment("since") or 0.0 for name, said in picture.alarms.items()}
    found = []
    for name, said in sorted(picture.alarms.items(), key=lambda item: -since[item[0]]):
        notes = ["acknowledged"] if said.text("acked") else []
        if since[name]:
            notes.insert(0, f"since {_clock(since[name] - picture.ahead)}, {_lasting(picture.now(at) - since[name])}")
        because = f"{said.text('because') or spoken_alarm(name)} ({', '.join(notes)})".removesuffix(" ()")
        found.append(
            [
                *wrapped(because, width, first="! ", then="  ", tone=Tone.ALARM),
                *wrapped(said.text("next"), width, first="  Next: ", then="  ", tone=Tone.PLAIN),
            ]
        )
    return found


def tools(picture: Picture, at: float) -> list[Line]:
    """A heading and a row for each tool: state, current, and the current against its two thresholds."""
    now = picture.now(at)
    states = {name: _state_of_tool(said, now) for name, said in picture.tools.items()}
    wide = max((len(cut(spoken(name), NAME)) for name in picture.tools), default=0) + 2
    room = max(_STATE, *(len(text) for text in states.values()), 0)
    title = f"{'TOOLS':<{wide}}{'':<{room}}{'now':>10}   {'0 A, : stop, | start':<{_METER}}   stop  start"
    rows = [_tool(name, said, wide, states[name].ljust(room)) for name, said in sorted(picture.tools.items())]
    return [line(title, Tone.HEAD), *rows]


def _state_of_tool(said: Said, now: float) -> str:
    word = said.text("state")
    left = _left(said, "run_on_ends", now)
    shown = state(word).upper() if word in _LOUD else state(word)
    return shown if left is None else f"{shown} {_lasting(left)}"


def _tool(name: str, said: Said, wide: int, shown: str) -> Line:
    word, amps = said.text("state"), said.number("amps")
    start, stop = said.number("start_amps"), said.number("stop_amps")
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


def busy_tools(picture: Picture) -> frozenset[str]:
    """Tools that are not simply idle."""
    return frozenset(name for name, said in picture.tools.items() if said.text("state") != "idle")


def gates(picture: Picture, at: float, width: int) -> list[Line]:
    """A heading and the gates side by side."""
    wide = max((len(cut(spoken(name), NAME)) for name in picture.gates), default=0)
    cells = [_gate(name, said, wide, picture.now(at)) for name, said in sorted(picture.gates.items())]
    return [line("GATES", Tone.HEAD), *grid(cells, width)]


def gates_in_short(picture: Picture, width: int) -> list[Line]:
    """The gates by their states, those that are shut only counted."""
    by_state: dict[str, list[str]] = {}
    for name, said in sorted(picture.gates.items()):
        by_state.setdefault(said.text("state"), []).append(spoken(name))
    shut = len(by_state.pop("shut", ()))
    told = [f"{state(word)}: {', '.join(names)}" for word, names in by_state.items()]
    return wrapped(f"GATES  {'; '.join([*told, f'shut: {shut}'])}", width, then="  ")[:2]


def unheard(picture: Picture, width: int) -> list[Line]:
    """A heading and what was never heard or is not understood; nothing where all is well."""
    found: list[Line] = []
    for kind, every in (("collector", picture.collectors), ("tool", picture.tools), ("gate", picture.gates)):
        for name, said in sorted(every.items()):
            whose = spoken(name if kind == "tool" else f"{kind} {name}")
            texts = [f"{whose}: never heard: {topic}" for topic in said.names("unheard")]
            texts += [f"{whose}: {text}" for text in said.odd("not_understood")]
            found += (each for text in texts for each in wrapped(text, width, then="  "))
    return [line("NOT HEARD", Tone.HEAD), *found] if found else []


def _gate(name: str, said: Said, wide: int, now: float) -> Line:
    word = said.text("state")
    notes = []
    if said.flag("hand"):
        left = _left(said, "hand_ends", now)
        notes.append("by hand" if left is None else f"by hand, {_lasting(left)}")
    if word == "open" and said.flag("reports") is False:
        notes.append("by time")
    if said.flag("by_hand"):
        notes.append("moved by hand")
    note = f" ({', '.join(notes)})" if notes else ""
    shown = state(word).upper() if word in _LOUD else state(word)
    return (Span(f"{cut(spoken(name), NAME):<{wide}}  "), Span(f"{shown:<8}", _tone(word)), Span(note, Tone.FAINT))


def events(picture: Picture, width: int) -> list[list[Line]]:
    """What changed lately, the newest first; the lines of each."""
    found = []
    for event in reversed(picture.events):
        first = f"{_clock(event.at - picture.ahead)}  "
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


def _left(said: Said, key: str, now: float) -> float | None:
    """Seconds until then; None when it is over."""
    until = said.moment(key)
    return None if until is None or until <= now else until - now


def _tone(word: str) -> Tone:
    return _TONES.get(word, Tone.PLAIN)


def shown_names(said: Mapping[str, Said]) -> tuple[str, ...]:
    """Names in the order of the screen."""
    return tuple(sorted(said))
