"""The steps of which the script is made: what it wants of the world, each with what it gets for it."""

from collections.abc import Generator, Sequence
from typing import Any, Final, TypeAlias, TypeVar

from msgspec import Struct

from gatehand.first_config.questions import Read
from gatehand.first_config.trials import Trial
from gatehand.rhythm import Rhythm


class Tell(Struct, frozen=True):
    """Say this before what comes next, where a person is there to read it. Nothing comes back."""

    text: str


class Option(Struct, frozen=True):
    """What may be chosen by its number. `answer`: as it would be typed."""

    answer: str
    shown: str


class Ask(Struct, frozen=True):
    """A question. What `read` makes of the answer comes back; or `SKIPPED`, `AGAIN`."""

    key: str
    text: str
    read: Read
    suggestion: str | None = None
    """Taken for an empty line; as it would be typed."""
    options: tuple[Option, ...] = ()
    again: bool = False
    """It may be answered with "again": the trial is repeated."""
    skips: bool = False
    """It may be skipped."""
    head: str = "Heard"
    """Said above the options."""


class Try(Struct, frozen=True):
    """Somebody works a thing while all is listened to. What followed comes back, likeliest first; None: left out.

    Once done it is done: the same key gives the same again, until it is forgotten.
    """

    key: str
    trial: Trial
    do: str
    """What is to be done."""
    done: str
    """When it is done: "it runs"."""
    undo: str = ""
    """Then that; with a press, empty."""
    undone: str = ""
    words: int = 1
    """So many topics may follow with words."""
    numbers: int | None = 0
    """And so many with numbers; 0: one topic with either; None: numbers do not matter."""
    answers: tuple[str, ...] = ()
    """With these questions answered already the trial is needless."""
    runs: float = 15.0
    """Seconds for which it is to stay on."""


class Quiet(Struct, frozen=True):
    """Everybody listens for so long and nothing is touched. Boards of our own come back, by name, for each role."""

    seconds: float


class Connect(Struct, frozen=True):
    """Connect to this broker. None comes back, or why it cannot be reached."""

    host: str
    port: int
    username: str | None
    password_file: str | None
    ca_file: str | None


class Forget(Struct, frozen=True):
    """What was answered to these is void. Nothing comes back."""

    keys: Sequence[str]


class Given(Struct, frozen=True):
    """A question that nobody is asked: what was answered to it beforehand comes back, as `read` makes it; else None."""

    key: str
    read: Read


class RhythmOf(Struct, frozen=True):
    """How a signal speaks: a `Manner` comes back."""

    topic: str
    pointer: str | None


class Manner(Struct, frozen=True):
    """How a signal speaks. `rhythm`: None where too little was heard. `kept`: the broker was found to keep its word."""

    rhythm: Rhythm | None
    kept: bool


class Again:
    """What comes out for "again"."""


AGAIN: Final = Again()
Step: TypeAlias = Tell | Ask | Try | Quiet | Connect | Forget | Given | RhythmOf
T = TypeVar("T")
Steps: TypeAlias = Generator[Step, Any, T]
