"""What fits on the screen: first the state of things, collectors and alarms, then tools, gates, events.

When there is no room for all, events give way first, then shut gates and idle tools are only counted, and an alarm too
many is counted too. Nothing that stands is ever left out without a word.
"""

from typing import Final

from gatehand.journal.sentences import spoken_alarm
from gatehand.screen import parts
from gatehand.screen.daemon_status import DaemonStatus
from gatehand.screen.lines import Line, Tone, cut_line, faint, line, wrapped

_EVENTS_WANTED: Final = 5
"""Lines for the heading and some events before other parts are shortened for them."""
_BLANK: Final[Line] = ()


def page(status: DaemonStatus, where: str, at: float, *, width: int, height: int | None = None) -> list[Line]:
    """The whole screen at wall time `at`. `height` None: everything, without the events, as a page to read once."""
    head = parts.head(status, where, at, width)
    found = [*head, *_below(status, at, width, None if height is None else height - len(head))]
    if status.lost_because is not None or status.online is False:
        found = [*head, *(faint(each) for each in found[len(head) :])]  # it is of the past
    return [cut_line(each, width) for each in found[:height]]


def _below(status: DaemonStatus, at: float, width: int, height: int | None) -> list[Line]:
    top = parts.collectors(status, at, width)
    if height is None:
        blocks = [_alarms(status, at, width, None), _tools(status, at, None), parts.gates(status, at, width)]
        blocks += filter(None, [parts.unheard(status, width)])
        return [*top, *(each for block in blocks for each in (_BLANK, *block))]
    room = height - len(top)
    wanted = min(_EVENTS_WANTED, len(status.events) + 1)
    alarms = _alarms(status, at, width, max(2, room // 2))
    room -= len(alarms)
    gates = parts.gates(status, at, width)
    if len(gates) + len(status.tools) + 1 + wanted > room:
        gates = min(gates, parts.gates_in_short(status, width), key=len)
    tools = _tools(status, at, max(2, room - len(gates) - min(wanted, 2)))
    room -= len(gates) + len(tools)
    blocks = [alarms, tools, gates]
    blanks = max(0, min(len(blocks), room - _EVENTS_WANTED))
    events = _events(status, width, room - blanks - (1 if blanks else 0))
    spare = height - len(top) - sum(map(len, blocks)) - len(events)
    for block in (*blocks, events):
        if block and spare > 0:
            top.append(_BLANK)
            spare -= 1
        top += block
    return top


def _events(status: DaemonStatus, width: int, room: int) -> list[Line]:
    """A heading and as many whole events as there is room for."""
    found = [line("LAST EVENTS", Tone.HEAD)]
    for lines in parts.events(status, width):
        if len(found) + len(lines) > room:
            break
        found += lines
    return found if len(found) > 1 else []


def _alarms(status: DaemonStatus, at: float, width: int, limit: int | None) -> list[Line]:
    each = parts.alarms(status, at, width)
    if not each:
        return [line("No alarm stands.")]
    title = line(f"{len(each)} {'ALARM STANDS' if len(each) == 1 else 'ALARMS STAND'}", Tone.ALARM)
    found: list[Line] = [title]
    newest = sorted(status.alarms, key=lambda name: -(status.alarms[name].moment("since") or 0.0))
    for at_one, lines in enumerate(each):
        is_last = at_one == len(each) - 1
        if limit is not None and at_one > 0 and len(found) + len(lines) + (0 if is_last else 1) > limit:
            rest = ", ".join(spoken_alarm(name) for name in newest[at_one:])
            found += wrapped(f"and {len(each) - at_one} more: {rest}", width, first="! ", then="  ", tone=Tone.ALARM)[
                :1
            ]
            break
        found += lines
    return found


def _tools(status: DaemonStatus, at: float, limit: int | None) -> list[Line]:
    rows = parts.tools(status, at)
    if limit is None or len(rows) <= limit:
        return rows
    names, busy = parts.shown_names(status.tools), parts.busy_tools(status)
    by_name = dict(zip(names, rows[1:], strict=True))
    kept = sorted(names, key=lambda name: (name not in busy, name))[: max(0, limit - 2)]
    rest = [name for name in names if name not in kept]
    hidden = sum(1 for name in rest if name in busy)
    note = f"and {len(rest)} more, " + (f"{hidden} of them not idle" if hidden else "all idle")
    return [rows[0], *(by_name[name] for name in names if name in kept), line(note, Tone.WARN)]
