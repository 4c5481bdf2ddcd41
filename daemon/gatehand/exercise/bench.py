"""What the exercise needs of the world: time, a person, a broker. Small, so that a test can be all three.

Records and one protocol; nothing in here does anything.
"""

from dataclasses import dataclass
from typing import Protocol, TypeAlias

from gatehand.mqtt.transport import Outgoing


@dataclass(frozen=True, slots=True)
class Message:
    """Something was published. `at`: when it was received, monotonic seconds."""

    topic: str
    payload: bytes
    retained: bool
    at: float


@dataclass(frozen=True, slots=True)
class Typed:
    """The person typed a line, without its end; empty for Enter alone."""

    text: str


@dataclass(frozen=True, slots=True)
class NobodyThere:
    """Nobody types any more: the input has ended."""


@dataclass(frozen=True, slots=True)
class Interrupted:
    """The person wants it to end now."""


Happening: TypeAlias = Message | Typed | NobodyThere | Interrupted


class Bench(Protocol):
    """The world."""

    def now(self) -> float:
        """Monotonic seconds."""

    def say(self, text: str) -> None:
        """Tell the person something."""

    def ask(self, text: str) -> None:
        """Ask the person something; the answer comes from `next`."""

    async def send(self, outgoing: Outgoing) -> str | None:
        """Publish; what the broker had against it, as a sentence, or None."""

    async def next(self, until: float) -> Happening | None:
        """What happens next, or None when it is `until` (monotonic seconds, may be infinite) before anything does."""


class HaltedError(Exception):
    """Something came up that forbids going on; the text says what."""


class RefusedError(Exception):
    """It was not begun; the text says why and what to do."""


class BrokenOffError(Exception):
    """The person ended it."""
