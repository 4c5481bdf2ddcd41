"""What the engine needs of the world, as small protocols: the daemon gives it the real thing, a simulation its own.

No asyncio, no files, no sockets, no clock in here.
"""

import os
from collections.abc import Callable, Mapping, Sequence
from typing import Protocol, TypeAlias

from msgspec import Struct

from gatehand.journal.line import LogLine
from gatehand.rhythm import Rhythm
from gatehand_rules import Fact, State
from gatehand_rules.events import Event


class Timer(Protocol):
    """A call to come."""

    def cancel(self) -> None:
        """Forget it; harmless when it has been made."""


class Timers(Protocol):
    """Calls at an instant."""

    def call_at(self, when: float, callback: Callable[[], None]) -> Timer:
        """Call once at `when` (monotonic seconds) or soon after; at once, but not from within, when that is over."""


class TicketPort(Protocol):
    """Says when a group of log lines is written, or when the disk would not have them."""

    done_at: float | None
    """When (monotonic seconds); None: not yet."""

    def wait(self, seconds: float) -> bool:
        """Stand still until done, for so long at most; whether it is done."""


class LogPort(Protocol):
    """The event log."""

    def append(self, lines: Sequence[LogLine]) -> TicketPort:
        """Hand lines over, in order; never blocks."""


class RecorderPort(Protocol):
    """The recording of all that the rules are given."""

    def begin(self, config: str, tools: Sequence[str], collectors: Sequence[str]) -> None:
        """What follows was decided under this config text and these names, in the shop's order."""

    def clock_stepped(self) -> None:
        """Wall time has jumped."""

    def record(self, now_ms: int, event: Event, before: State) -> None:
        """An event that the rules are given at `now_ms` in the state `before`."""

    def record_suction(self, now_ms: int, collector: str, pascals: float, before: State) -> None:
        """What its suction sensor says, which the rules are not given."""


class Diagnostics(Protocol):
    """A line for whoever looks at the service: seldom, and never in the way of a command."""

    def __call__(self, level: str, text: str, facts: Mapping[str, Fact] | None = None) -> None:
        """`level`: "info", "warning" or "error"."""


class HoldKept(Struct, frozen=True):
    """A hold, as it is remembered beyond the daemon's end."""

    id: str
    """Random: a hold that the broker still shows is over when its id is among the resets."""
    collector: str
    command_topic: str
    """By it a collector is known whose table was renamed meanwhile."""
    why: str
    since: str
    """RFC 3339."""


class Remembered(Struct, frozen=True):
    """All that must outlive a power cut."""

    holds: tuple[HoldKept, ...] = ()
    resets: tuple[str, ...] = ()
    """Ids of holds that a reset has ended, oldest first; so many, and no more."""
    heard: tuple[str, ...] = ()
    """Where values of the shop were ever found, each as `Signal.place` names it."""
    baselines: Mapping[str, object] = {}
    rhythms: Mapping[str, Rhythm] = {}
    """How often each meter speaks, by `config.meters.meter_key`."""
    retained: tuple[str, ...] = ()
    """Topics of meters whose word the broker was found to keep."""
    unreadable: str | None = None
    """Why what was kept cannot be read, as a clause: then every collector is held. None: it was read, or is not."""


Kept: TypeAlias = Callable[[str | None], None]
"""Told None once what was given is on the medium, else why it is not."""


class Memory:
    """What outlives the daemon on this machine's own disk, whatever becomes of the broker; this one has no disk."""

    def recall(self) -> Remembered:
        """What was kept when the daemon started. Reads nothing: whoever made this has read it."""
        return Remembered()

    def new_id(self) -> str:
        """An id for a hold: 16 hex digits, random, for two state folders, or a restored one, shall not meet in one."""
        return os.urandom(8).hex()

    def keep(self, what: Remembered, kept: Kept) -> None:
        """Put it in place of what was kept before. Never blocks; `kept` is called in the control loop, or from within.

        The latest one counts: one that was overtaken before it was written is told what became of the later one.
        """
        del what
        kept(None)
