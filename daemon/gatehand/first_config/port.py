"""The world, as far as a first evening needs it: a person who reads and types, a broker that is only heard, and time.

And how an evening can end before its end.
"""

from typing import Protocol, TypeAlias

from msgspec import Struct

from gatehand.first_config.steps import Connect
from gatehand.mqtt.inbox import Message
from gatehand.person import Typed


class BrokerWord(Struct, frozen=True):
    """The connection is lost, for a reason, or back (None)."""

    lost: str | None


Happening: TypeAlias = Message | Typed | BrokerWord


class Ears(Protocol):
    """What an evening asks of the world. `ears.OwnersEars` is the real one."""

    def now(self) -> float:
        """Monotonic seconds."""

    def say(self, text: str) -> None:
        """Tell the person something."""

    def ask(self, text: str) -> None:
        """Ask the person something; the answer comes from `next`."""

    async def connect(self, to: Connect) -> str | None:
        """Listen to everything on this broker from now on; None, or why it cannot be reached."""

    async def next(self, until: float) -> Happening | None:
        """What happens next; None when it is `until` before anything does."""


class BrokenOffError(Exception):
    """The person ended it."""


class UnansweredError(Exception):
    """Nobody is there to be asked; the text names the key, says how to answer it, and what else is missing."""

    def __init__(self, key: str, text: str) -> None:
        super().__init__(f"{text}\nnobody here to answer: give --answer '{key}=...'")
        self.key = key
        self.others: list[tuple[str, str | None]] = []
        """Keys that are known to be missing besides, with what --yes would take."""

    def __str__(self) -> str:
        lines = [super().__str__()]
        lines += ["also missing, as far as is known by now:"] if self.others else []
        lines += [f"  {key}" + ("" if taken is None else f" (--yes takes {taken})") for key, taken in self.others]
        return "\n".join(lines)


class WrongAnswerError(Exception):
    """A given answer cannot be used; the text names its key."""


class UnreachableError(Exception):
    """The broker that was named cannot be reached; the text says why and what to do."""


class BackError(Exception):
    """The person wants the question before."""
