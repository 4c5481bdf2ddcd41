"""What has come in and waits for the shell. When it falls behind, readings give way to the newest of their topic.

A JSON message gives way only to one that says every value of the config that it says: what is said in parts must not be
lost in part.

No client library and no clock in it: the session stamps each message when it is read from the socket. Buttons, stop
contacts, reports and whatever else is said once are never dropped here; a full inbox makes the session stop reading
instead, so that the pressure goes back to the sender.
"""

from collections import deque
from collections.abc import Mapping
from typing import Final

from msgspec import Struct

from gatehand.mqtt.payload import Missing, Payload, Rejected, parse_pointer, resolve

BUSY: Final = 512
"""From this many waiting messages on, a new reading replaces the waiting ones of its topic."""
FULL: Final = 8 * BUSY
"""From this many on, the session leaves the rest in the socket."""


class Message(Struct):
    """One message as it came, stamped with monotonic seconds. Not frozen: it is made thousands of times a second."""

    topic: str
    payload: bytes
    retained: bool
    received: float
    superseded: bool = False
    """A newer reading of its topic has taken its place; only the inbox sets and reads it."""
    says: frozenset[int] | None = None
    """Which of its topic's values it says, by their place in the list of them; for the inbox alone, once it asked."""


class Inbox:
    """One connection's queue, in order of arrival.

    It never raises, and drops nothing but readings, of which it keeps the newest.

    Args:
        busy: how many may wait before readings begin to give way.
        full: how many may wait before the session should stop reading.
    """

    __slots__ = ("_busy", "_count", "_full", "_order", "_readings", "_shed", "_values")

    def __init__(self, busy: int = BUSY, full: int = FULL) -> None:
        self._busy = busy
        self._full = full
        self._order: deque[Message] = deque()
        self._count = 0
        self._readings: dict[str, deque[Message]] = {}
        self._values: dict[str, tuple[tuple[str, ...], ...]] = {}
        self._shed: dict[str, int] = {}

    def __len__(self) -> int:
        return self._count

    @property
    def full(self) -> bool:
        """Whether the session should stop reading from the socket until the shell has caught up."""
        return len(self) >= self._full

    def set_sheddable(self, topics: Mapping[str, tuple[str, ...]]) -> None:
        """The topics that carry readings, each with the pointers to them in it; what waits already keeps its place."""
        self._readings = {topic: self._readings.get(topic, deque()) for topic in topics}
        values = {topic: tuple(map(parse_pointer, pointers)) for topic, pointers in topics.items()}
        for topic in values.keys() & self._values.keys():
            if values[topic] != self._values[topic]:
                for message in self._readings[topic]:
                    message.says = None
        self._values = values

    def put(self, message: Message) -> None:
        """Add a message; when many wait, a reading takes the place of those of its topic, at the end of the queue."""
        waiting = self._readings.get(message.topic)
        if waiting is not None:
            if waiting and self._count >= self._busy:
                waiting = self._readings[message.topic] = self._supersede(message, waiting)
            waiting.append(message)
        self._order.append(message)
        self._count += 1

    def take(self) -> Message | None:
        """The oldest message still wanted, or None."""
        while self._order:
            message = self._order.popleft()
            if message.superseded:
                continue
            self._count -= 1
            waiting = self._readings.get(message.topic)
            if waiting and waiting[0] is message:
                waiting.popleft()
            return message
        return None

    def take_shed(self) -> dict[str, int]:
        """How many readings of each topic gave way since the last call."""
        shed, self._shed = self._shed, {}
        return shed

    def _supersede(self, message: Message, waiting: deque[Message]) -> deque[Message]:
        """The new one takes the place of those that say nothing more; gives the others."""
        values, kept = self._values[message.topic], deque[Message]()
        says = _said(message, values)
        for older in waiting:
            if _said(older, values) <= says:
                older.superseded = True
            else:
                kept.append(older)
        if gone := len(waiting) - len(kept):
            self._count -= gone
            self._shed[message.topic] = self._shed.get(message.topic, 0) + gone
        return kept


def _said(message: Message, values: tuple[tuple[str, ...], ...]) -> frozenset[int]:
    """Which of the values it says."""
    if message.says is None:
        document = Payload(message.payload).document() if values else None
        found = () if isinstance(document, Rejected) else enumerate(resolve(document, tokens) for tokens in values)
        message.says = frozenset(at for at, value in found if not isinstance(value, Missing))
    return message.says
