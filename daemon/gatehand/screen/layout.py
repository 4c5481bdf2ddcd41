"""The parts of the screen, each with everything that it has to say: header, collectors, alarms, tools, gates, the rest.

Which of it there is room for is `page`'s.
"""

import math
from collections.abc import Iterator
from typing import Final

from gatehand import rhythm
from gatehand.journal.sentences import spoken, spoken_alarm
from gatehand.measures import measured, steady, threshold_key
from gatehand.screen import words
from gatehand.screen.daemon_status import DaemonStatus, StatusMessage
from gatehand.screen.lines import ScreenLine, TextSpan, Tone, folded, line, text_of, wrapped
from gatehand.screen.rows import GateCell, ToolRow, gate_lines, listed_within, meter
from gatehand.terminal import cut, padded, wide

_MORE: Final = " .."


def header(status: DaemonStatus, where: str, at: float, width: int) -> list[ScreenLine]:
    """Whose shop this is, the time, and whether what stands below is of now."""
    left, right = f"Gatehand  {where}", words.clock(at)
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
    found = [_title(f"Gatehand  {where}", words.clock(at), width)]
    return found if tone is Tone.PLAIN else [*found, line(cut(text.partition(": ")[0], width), tone)]


def _title(left: str, right: str, width: int) -> ScreenLine:
    room = width - len(right) - 2
    return (TextSpan(padded(cut(left, room), room + 2), Tone.HEAD), TextSpan(right, Tone.HEAD))


def _reached(status: DaemonStatus, at: float) -> list[tuple[str, Tone]]:
    last = _last_heard(status, at)
    if status.lost_because is not None:
        for_how_long = "" if status.lost_at is None else f" for {words.whole(at - status.lost_at)}"
        return [(f"NO BROKER{for_how_long}: {status.lost_because}; trying again.{last}", Tone.ALARM)]
    if status.online is False:
        return [(f"THE DAEMON IS OFFLINE: nothing opens a gate or starts the collector.{last}", Tone.ALARM)]
    if status.online is None:
        return [(words.why_nothing_is_heard(status), Tone.WARN)]
    found = [("Gatehand is running.", Tone.PLAIN)]
    if status.ahead:
        way = "ahead of" if status.ahead > 0 else "behind"
        found.append((f"Its clock is {words.whole(abs(status.ahead))} {way} this computer's.", Tone.WARN))
    return found


def _last_heard(status: DaemonStatus, at: float) -> str:
    """Of when everything is that stands below, where it is not of now."""
    heard, newest = status.heard_at, status.newest
    last = ""
    if heard is not None:
        passed = at - heard
        ago = f", {words.whole(passed)} ago" if passed >= words.HALF_A_DAY else ""
        last = f" Last heard at {words.clock(heard)}{ago}."
    if not (status.collectors or status.tools or status.gates):
        return last
    if last:
        return f"{last} Everything below is from that time."
    old = "" if newest is None else f", the newest of it {words.whole(status.now(at) - newest)} old"
    return f" Everything below is from before that{old}."


def collectors(
    status: DaemonStatus, at: float, width: int, because: int | None = None, *, brief: bool = False
) -> list[ScreenLine]:
    """Two lines for each, or a few more: its state with the countdown and what it serves; why.

    `because`: most lines that say why; None: all. `brief`: of what is told of it only as much as one line has room for.
    """
    found: list[ScreenLine] = []
    for name, message in words.in_order(status.collectors):
        told = [*_of_collector(message, status.now(at))]
        spans = [
            TextSpan(f"{spoken(f'collector {name}')}  ", Tone.HEAD),
            TextSpan(words.state(message.text("state")).upper(), words.tone(message.text("state"))),
        ]
        room = width - sum(wide(span.text) for span in spans) if brief else math.inf
        found += folded([*spans, TextSpan(listed_within("  ", told, room) if told else "")], width, then="  ")
        why = words.why_of_collector(message, status.now(at))
        reason = wrapped(why, width - 2, tone=Tone.FAINT) if why else []
        if because and len(reason) > because:
            last = text_of(reason[because - 1])
            if wide(last) + wide(_MORE) > width - 2:
                last = last.rpartition(" ")[0]
            reason[because - 1] = line(last + _MORE, Tone.FAINT)
        found += ((TextSpan("  "), *each) for each in reason[:because])
    return found


def _of_collector(message: StatusMessage, now: float) -> Iterator[str]:
    left = words.counted_down(message, now)
    if left is not None:
        yield f"off in {words.whole(left)} ({message.text('until_because')})".removesuffix(" ()")
    left = words.left_until(message, "coast_down_until", now)
    if left is not None:
        yield f"coasts for {words.whole(left)} more"
    yield from words.facts_of_collector(message, now)


def each_alarm(status: DaemonStatus, at: float, width: int) -> dict[str, list[ScreenLine]]:
    """Each alarm's lines: since when, why, and what to do next. The newest first."""
    since = {name: message.moment("since") or 0.0 for name, message in status.alarms.items()}
    found = {}
    for name in sorted(since, key=lambda name: -since[name]):
        message = status.alarms[name]
        notes = ["acknowledged"] if message.text("acked") else []
        if since[name]:
            lasts = words.whole(status.now(at) - since[name])
            notes.insert(0, f"since {words.clock(since[name] - status.ahead)}, {lasts}")
        because = f"{message.text('because') or spoken_alarm(name)} ({', '.join(notes)})".removesuffix(" ()")
        found[name] = [
            *wrapped(because, width, first="! ", then="  ", tone=Tone.ALARM),
            *wrapped(message.text("next"), width, first="  Next: ", then="  "),
        ]
    return found


def _state_of_tool(message: StatusMessage, now: float) -> str:
    # Beside another word, such as SILENT, the seconds of a run-on would be taken for that word's.
    left = words.left_until(message, "run_on_ends", now) if message.text("state") == "run_on" else None
    shown = words.loud_state(message, now)
    return shown if left is None else f"{shown} {words.whole(left)}"


def tool_row(status: DaemonStatus, name: str, at: float) -> ToolRow:
    """What a tool's row says."""
    message, now = status.tools[name], status.now(at)
    word, measure, value = message.text("state"), message.measure, message.reading
    stop, start = (message.number(threshold_key(which, measure)) for which in ("stop", "start"))
    return ToolRow(
        name=spoken(name),
        state=TextSpan(_state_of_tool(message, now), words.tone_of(message)),
        reading="no reading" if value is None else steady(measure, value),
        age=words.age(message, now, is_now=not words.is_past(status)),
        bar=TextSpan(meter(value, start, stop), words.tone(word) if word in {"running", "run_on"} else Tone.PLAIN),
        stop="" if stop is None else measured(measure, stop),
        start="" if start is None else measured(measure, start),
    )


def gates(status: DaemonStatus, at: float, width: int, *, short: bool = False) -> list[ScreenLine]:
    """A heading and the gates side by side; nothing where none is heard of. `short`: with shortened names."""
    cells = [_gate_cell(name, message, status.now(at)) for name, message in words.in_order(status.gates)]
    return [line("GATES", Tone.HEAD), *gate_lines(cells, width, short=short)] if cells else []


def meters(status: DaemonStatus, width: int) -> list[ScreenLine]:
    """A heading and how often each tool's meter speaks; nothing where that is not known yet."""
    rhythms = ((name, rhythm.read(each.facts.get("rhythm"))) for name, each in words.in_order(status.tools))
    texts = [f"{spoken(name)}: {rhythm.words(found)}" for name, found in rhythms if found is not None]
    found = [each for text in texts for each in wrapped(text, width, then="  ")]
    return [line("METERS", Tone.HEAD), *found] if found else []


def unheard(status: DaemonStatus, width: int) -> list[ScreenLine]:
    """A heading and what was never heard or is not understood; nothing where all is well."""
    found: list[ScreenLine] = []
    titles: set[str] = set()
    for kind, every in (("collector", status.collectors), ("tool", status.tools), ("gate", status.gates)):
        for name, message in words.in_order(every):
            whose = spoken(name if kind == "tool" else f"{kind} {name}")
            never = [f"{whose}: {text}" for text in words.never_heard(message)]
            odd = [f"{whose}: {text}" for text in message.odd("not_understood")]
            titles.update(title for title, some in (("NOT HEARD", never), (words.NOT_UNDERSTOOD, odd)) if some)
            found += (each for text in (*never, *odd) for each in wrapped(text, width, then="  "))
    return [line(" OR ".join(sorted(titles)), Tone.HEAD), *found] if found else []


def _gate_cell(name: str, message: StatusMessage, now: float) -> GateCell:
    notes = []
    if message.flag("hand"):
        left = words.left_until(message, "hand_ends", now)
        notes.append("by hand" if left is None else f"by hand, {words.whole(left)}")
    notes += words.of_gate(message, now)
    note = f" ({', '.join(notes)})" if notes else ""
    return GateCell(spoken(name), TextSpan(words.loud_state(message, now), words.tone_of(message)), note)
