"""The screen as lines: first the state of things, collectors and alarms, then tools, gates, events.

When there is no room for all, events give way first, then shut gates and idle tools are only counted, and an alarm too
many is counted too; on the smallest screen each part is a line that counts. Nothing is ever left out without a word.
What each part says is `layout`'s.
"""

import math
from typing import Final

from gatehand.journal.sentences import spoken, spoken_alarm
from gatehand.screen import layout, words
from gatehand.screen.daemon_status import DaemonStatus
from gatehand.screen.lines import ScreenLine, Tone, cut_line, faint, line, wrapped
from gatehand.screen.rows import in_short, listed_within, tool_rows

_EVENTS_WANTED: Final = 5
"""Lines for the heading and some events before other parts are shortened for them."""
_BLANK: Final[ScreenLine] = ()
_BECAUSE: Final = 2
"""Most lines that say why a collector is as it is."""
_SHORT: Final = 2
"""Most lines of a part in short."""
_FEW: Final = 3
"""Rows of tools; rather than fewer, while others are at work too, all are told in short."""
_SEVERITY: Final = (Tone.ALARM, Tone.WARN, Tone.GOOD, Tone.PLAIN)
_IN_SHORT: Final = (
    *("FAULT", "SILENT", words.NOT_UNDERSTOOD, "HELD", "unknown", "opening", "shutting", "muted", "run-on", "running"),
    *("open", "spin-up", "coast-down", "off", "idle", "shut"),
)
"""The states as they come where a part is only told in short: what matters most first."""


def page(status: DaemonStatus, where: str, at: float, *, width: int, height: int | None = None) -> list[ScreenLine]:
    """The whole screen at wall time `at`. `height` None: everything, without the events, as a page to read once."""
    header = layout.header(status, where, at, width)
    if height is not None and len(header) > max(2, height // 4):
        header = layout.header_in_short(status, where, at, width)
    found = [*header, *_below(status, at, width, None if height is None else height - len(header))]
    if words.is_past(status):
        found = [*header, *(faint(each) for each in found[len(header) :])]
    return [cut_line(each, width) for each in found[:height]]


def _below(status: DaemonStatus, at: float, width: int, height: int | None) -> list[ScreenLine]:
    if height is None:
        top = layout.collectors(status, at, width)
        blocks = [_alarms(status, at, width, None), _tools(status, at, width), layout.gates(status, at, width)]
        blocks += [layout.meters(status, width), layout.unheard(status, width)]
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
    meters = layout.meters(status, width)
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
        first = f"{words.clock(event.at - status.ahead)}{'!' if event.loud else ' '} "
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
    each = layout.each_alarm(status, at, width)
    if not each:
        if status.online is None:
            return []
        return [line("No alarms were active then." if words.is_past(status) else "No active alarms.")]
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
    rows = [layout.tool_row(status, name, at) for name, _ in words.in_order(status.tools)]
    room = math.inf if limit is None else limit
    for short in (False, True):
        title, lines = tool_rows(rows, width, short=short)
        found = [title, *(each for some in lines.values() for each in some)]
        if len(found) <= room:
            return found
    states = {spoken(name): message.text("state") for name, message in status.tools.items()}
    kept: set[str] = set()
    room -= len((title, "the note"))
    for name in sorted(lines, key=lambda name: (states[name] == "idle", _SEVERITY.index(words.tone(states[name])))):
        if len(lines[name]) > room:
            break
        room -= len(lines[name])
        kept.add(name)
    hidden = sum(word != "idle" for name, word in states.items() if name not in kept)
    if len(kept) < (_FEW if hidden else 1):
        return _in_short(status, "tool", width, most)
    note = f"and {len(rows) - len(kept)} more, " + (f"{hidden} of them not idle" if hidden else "all idle")
    return [title, *(each for name in lines if name in kept for each in lines[name]), line(note, Tone.WARN)]


def _gates_within(status: DaemonStatus, at: float, width: int, limit: int, most: int) -> list[ScreenLine]:
    """The gates whole; with shorter names, or those that are shut only counted, where that takes too many lines."""
    whole = layout.gates(status, at, width)
    if len(whole) <= limit:
        return whole
    short = layout.gates(status, at, width, short=True)
    return short if len(short) <= limit else min(whole, short, _in_short(status, "gate", width, most), key=len)


def _collectors_within(status: DaemonStatus, at: float, width: int, limit: int, most: int) -> list[ScreenLine]:
    """The collectors with their reasons; without them, or in short, where that takes too many lines."""
    for because, brief in ((_BECAUSE, False), (0, False), (0, True)):
        found = layout.collectors(status, at, width, because, brief=brief)
        if len(found) <= limit:
            return found
    return _in_short(status, "collector", width, most)


def _in_short(status: DaemonStatus, kind: str, width: int, most: int) -> list[ScreenLine]:
    """All of a kind in `most` lines: by their states, those at rest only counted."""
    states = {spoken(name): words.loud_state(message) for name, message in words.in_order(status.by_kind[kind])}
    quiet = {"gate": "shut", "tool": "idle"}.get(kind, "")
    return in_short(f"{kind.upper()}S", states, _IN_SHORT, width, most, quiet=quiet) if states else []
