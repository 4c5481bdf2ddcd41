"""Events in columns: what is gathered, what the live file of a recording holds, what a packed one decodes to.

A row is a time, a stream and a number. Readings of tools and motors are streams of their own, in thousandths of their
unit; ticks are a stream without numbers; any other event (and a reading that is not whole thousandths, or retained) is
kept as JSON beside its row. What a collector's suction sensor says is a stream too, in thousandths of a Pa, and no
event: the rules are never given it. Nothing here opens a file.
"""

import struct
from collections.abc import Callable, Iterator, Sequence
from functools import partial
from itertools import pairwise

from msgspec import Struct, field

from gatehand.recording.format import decode_event, encode_event
from gatehand_rules.events import CollectorReading, Event, Reading, Tick

TICK = 0
"""Stream of ticks. Tools follow from 1 in the order of the header, then collectors, then the tools' young readings,
then the collectors' suctions."""
OTHER = 0xFFFF
"""Stream of events kept as JSON."""
MAX_STEP_MS = 0xFFFF
_FRAME = struct.Struct("<qI")
_ROW = struct.Struct("<HHi")
EVENT_BYTES = _ROW.size
_MOST = 1e6
_KEEP_EVENTS = 1 << 12


class EventColumns(Struct):
    """Events in their order: three columns of one length, and the events that are more than a number, by row."""

    now_ms: list[int] = field(default_factory=list)
    stream: list[int] = field(default_factory=list)
    value: list[int] = field(default_factory=list)
    others: dict[int, Event] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.now_ms)

    def add(self, now_ms: int, stream: int, value: int, event: Event | None) -> None:
        """Append one; `event` is kept where the number does not say it all."""
        if stream == OTHER and event is not None:
            self.others[len(self.now_ms)] = event
        self.now_ms.append(now_ms)
        self.stream.append(stream)
        self.value.append(value)

    def part(self, start: int, end: int) -> "EventColumns":
        """Those from `start` to before `end`."""
        streams = self.stream[start:end]
        others = {row: self.others[start + row] for row, stream in enumerate(streams) if stream == OTHER}
        return EventColumns(self.now_ms[start:end], streams, self.value[start:end], others)

    def extend(self, more: "EventColumns") -> None:
        """Append these, which come after."""
        before = len(self.now_ms)
        self.now_ms += more.now_ms
        self.stream += more.stream
        self.value += more.value
        self.others.update({before + row: event for row, event in more.others.items()})

    def encode_others(self) -> bytes:
        """The events that are more than a number, a line of JSON each."""
        return b"\n".join(map(encode_event, self.others.values()))

    def decode_others(self, lines: bytes) -> None:
        """Take what `encode_others` gave.

        Raises:
            ValueError, StopIteration: It does not fit these events, or says what this version does not know.
        """
        each = iter(lines.split(b"\n"))
        self.others = {row: decode_event(next(each)) for row, stream in enumerate(self.stream) if stream == OTHER}


class Streams:
    """Which stream carries which event, by the names in a recording's header."""

    def __init__(self, tools: Sequence[str], collectors: Sequence[str]) -> None:
        self.tools = tuple(tools)
        self.collectors = tuple(collectors)
        self._of_tool = {name: 1 + i for i, name in enumerate(tools)}
        self._of_collector = {name: 1 + len(tools) + i for i, name in enumerate(collectors)}
        self._young = {name: 1 + len(tools) + len(collectors) + i for i, name in enumerate(tools)}
        self._makers: tuple[Callable[[float], Event], ...] = (
            *(partial(Reading, name) for name in tools),
            *(partial(CollectorReading, name) for name in collectors),
            *(partial(Reading, name, young=True) for name in tools),
        )
        """From the reading to the event, for each stream from 1 that carries events."""
        self._of_suction = {name: 1 + len(self._makers) + i for i, name in enumerate(collectors)}
        self._seen: dict[tuple[int, int], Event] = {}

    def of_tool(self, name: str) -> tuple[int, ...]:
        """The streams of a tool's readings, the young ones' last; none for a tool that is not there."""
        return (self._of_tool[name], self._young[name]) if name in self._of_tool else ()

    def of_collector(self, name: str) -> tuple[int, ...]:
        """The stream of what its motor's sensor says; none for a collector that is not there."""
        return (self._of_collector[name],) if name in self._of_collector else ()

    def of_suction(self, name: str) -> tuple[int, ...]:
        """The stream of what its suction sensor says; none for a collector that is not there."""
        return (self._of_suction[name],) if name in self._of_suction else ()

    def place_suction(self, collector: str, pascals: float) -> tuple[int, int] | None:
        """Stream and number of a suction; None: there is no such collector, or the number is none to be kept."""
        stream = self._of_suction.get(collector)
        return None if stream is None or not -_MOST < pascals < _MOST else (stream, round(pascals * 1000))

    def place(self, event: Event) -> tuple[int, int]:
        """Stream and number of an event; (OTHER, 0) for one that must be kept whole."""
        if type(event) is Reading:
            stream = (self._young if event.young else self._of_tool).get(event.tool, OTHER)
        elif type(event) is CollectorReading:
            stream = self._of_collector.get(event.collector, OTHER)
        else:
            return (TICK, 0) if type(event) is Tick else (OTHER, 0)
        if event.retained or not -_MOST < event.value < _MOST:
            return OTHER, 0
        thousandths = round(event.value * 1000)
        return (stream, thousandths) if thousandths / 1000 == event.value and stream != OTHER else (OTHER, 0)

    def check(self, events: EventColumns) -> EventColumns:
        """The events, which must be of streams that there are.

        Raises:
            ValueError: One is not.
        """
        most = len(self._makers) + len(self._of_suction)
        strange = {stream for stream in set(events.stream) if stream != OTHER and not TICK <= stream <= most}
        if strange:
            raise ValueError(f"stream {min(strange)} of {most}")
        return events

    def event(self, stream: int, value: int) -> Event:
        """The event that `place` was given. Equal ones are one object: most readings of a tool at rest repeat."""
        found = self._seen.get((stream, value))
        if found is None:
            found = Tick() if stream == TICK else self._makers[stream - 1](value / 1000)
            if len(self._seen) >= _KEEP_EVENTS:
                self._seen.clear()
            self._seen[stream, value] = found
        return found

    def events(self, columns: EventColumns) -> Iterator[tuple[int, Event]]:
        """(now_ms, event) of each row that is one, in order."""
        seen, others, last = self._seen, columns.others, len(self._makers)
        for row, (now_ms, stream, value) in enumerate(zip(columns.now_ms, columns.stream, columns.value, strict=True)):
            if stream == OTHER:
                yield now_ms, others[row]
            elif stream <= last:
                yield now_ms, seen.get((stream, value)) or self.event(stream, value)


def encode_live(events: EventColumns) -> bytes:
    """The payload of a LIVE frame. From one event to the next time may run on by 0 to `MAX_STEP_MS`."""
    steps = (now - before for before, now in pairwise([events.now_ms[0], *events.now_ms]))
    rows = b"".join(map(_ROW.pack, events.stream, steps, events.value))
    return _FRAME.pack(events.now_ms[0], len(events)) + rows + events.encode_others()


def decode_live(payload: bytes | memoryview) -> EventColumns:
    """The events of a LIVE frame.

    Raises:
        ValueError: The frame is whole but says what this version does not know.
    """
    now_ms, count = _FRAME.unpack_from(payload)
    end = _FRAME.size + count * _ROW.size
    found = EventColumns()
    for stream, step, value in _ROW.iter_unpack(payload[_FRAME.size : end]):
        now_ms += step
        found.now_ms.append(now_ms)
        found.stream.append(stream)
        found.value.append(value)
    found.decode_others(bytes(payload[end:]))
    return found
