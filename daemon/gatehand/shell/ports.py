"""What the engine needs of the world, as small protocols: the daemon gives it the real thing, a simulation its own.

No asyncio, no files, no sockets, no clock in here.
"""

from collections.abc import Callable, Mapping, Sequence
from typing import Protocol

from gatehand.journal.line import Line
from gatehand_rules.events import Event
from gatehand_rules.findings import Fact
from gatehand_rules.state import State


class Timer(Protocol):
    """A call to come."""

    def cancel(self) -> None:
        """Forget it; harmless when it has been made."""


class Timers(Protocol):
    """Calls at an instant."""

    def call_at(self, when: float, callback: Callable[[], None]) -> Timer:
        """Call once at `when` (monotonic seconds) or soon after; at once, but not from within, when that is over."""


class Ticket(Protocol):
    """Says when a group of log lines is on disk, or when the disk would not have them."""

    done: bool

    def add_done_callback(self, callback: Callable[[], None]) -> None:
        """Call when done, in the control loop; at once when done already."""


class Log(Protocol):
    """The event log."""

    def append(self, lines: Sequence[Line]) -> Ticket:
        """Hand lines over, in order; never blocks."""


class Recorder(Protocol):
    """The recording of all that the rules are given."""

    def begin(self, config: str, tools: Sequence[str], collectors: Sequence[str]) -> None:
        """What follows was decided under this config text and these names, in the shop's order."""

    def clock_stepped(self) -> None:
        """Wall time has jumped."""

    def record(self, now_ms: int, event: Event, before: State) -> None:
        """An event that the rules are given at `now_ms` in the state `before`."""


class Diagnostics(Protocol):
    """A line for whoever looks at the service: seldom, and never in the way of a command."""

    def __call__(self, level: str, text: str, facts: Mapping[str, Fact] | None = None) -> None:
        """`level`: "info", "warning" or "error"."""


class NoRecorder:
    """Records nothing."""

    def begin(self, config: str, tools: Sequence[str], collectors: Sequence[str]) -> None:
        """Nothing."""

    def clock_stepped(self) -> None:
        """Nothing."""

    def record(self, now_ms: int, event: Event, before: State) -> None:
        """Nothing."""
