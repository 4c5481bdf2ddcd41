"""Log, sync, publish, in that order: commands leave once their explanation is on disk, or once a bound has passed.

A disk that stalls costs one bound, never a command: while a stall lasts, later commands do not wait at all, and when it
is over one line says for how long and for how many. Without a connection nothing is kept for later.
"""

from collections import deque
from collections.abc import Callable, Sequence
from typing import Final

from msgspec import Struct
from msgspec.structs import replace

from gatehand.journal.line import COMMAND_NOT_SENT, LOG_LATE, Line, Stamper
from gatehand.shell.ports import Log, Ticket, Timer, Timers
from gatehand_rules.commands import CollectorOff, CollectorOn, Command

BOUND: Final = 0.020
"""Seconds that a command waits for its explanation to reach the disk."""


class Batch(Struct, frozen=True):
    """The commands of one step, in their order, and the rules' time of that step."""

    commands: tuple[Command, ...]
    now: float
    ticket: Ticket
    deadline: float


class _Lost:
    """The ticket of lines that the log would not take."""

    done = True

    def add_done_callback(self, callback: Callable[[], None]) -> None:
        callback()


class LogFirst:
    """The queue between a decision and its commands. `send` carries a batch out and must not raise.

    `on_failure` hears of lines that the log would not take; their commands leave all the same.
    """

    def __init__(
        self,
        log: Log,
        timers: Timers,
        stamper: Stamper,
        send: Callable[[Batch], None],
        on_failure: Callable[[Exception], None],
    ) -> None:
        self._log = log
        self._timers = timers
        self._stamper = stamper
        self._send = send
        self._on_failure = on_failure
        self._waiting: deque[Batch] = deque()
        self._timer: Timer | None = None
        self._late: set[int] = set()
        self._late_since = 0.0
        self._late_count = 0

    @property
    def idle(self) -> bool:
        """No command waits."""
        return not self._waiting

    def put(self, lines: Sequence[Line], commands: tuple[Command, ...], now: float) -> None:
        """Log the lines of one step, then carry out its commands."""
        if not lines and not commands:
            return
        taken_back = self._take_back(commands, now)
        ticket = self._append([*lines, *taken_back])
        if not commands:
            return
        # In whole milliseconds, as `mono` tells them: a sum that lies a hair above would never be reached by it.
        deadline = round(self._stamper.clock.mono() + BOUND, 3)
        self._waiting.append(Batch(commands, now, ticket, deadline))
        if ticket.done or self._late:
            self._release()
        else:
            ticket.add_done_callback(self._release)
            self._arm()

    def _take_back(self, commands: tuple[Command, ...], now: float) -> list[Line]:
        """An "on" that still waits for the disk when its "off" is decided does not leave any more."""
        off = {command.collector for command in commands if isinstance(command, CollectorOff)}
        lines: list[Line] = []
        for at, batch in enumerate(self._waiting if off else ()):
            kept = tuple(
                each for each in batch.commands if not (isinstance(each, CollectorOn) and each.collector in off)
            )
            if len(kept) < len(batch.commands):
                self._waiting[at] = replace(batch, commands=kept)
                facts = {"command": "on", "why": "it was told off before the command had left"}
                gone = {each.collector for each in batch.commands if isinstance(each, CollectorOn)} & off
                lines += [
                    self._stamper.note(COMMAND_NOT_SENT, now, collector=name, facts=facts) for name in sorted(gone)
                ]
        return lines

    def hurry(self) -> None:
        """Send all that waits, explained on disk or not: something more urgent follows it."""
        while self._waiting:
            self._send(self._waiting.popleft())

    def drop(self) -> tuple[Batch, ...]:
        """Give up what waits: the connection is gone, and nothing may leave late."""
        dropped = tuple(self._waiting)
        self._waiting.clear()
        return dropped

    def _append(self, lines: Sequence[Line]) -> Ticket:
        try:
            return self._log.append(lines)
        except Exception as error:  # noqa: BLE001 - a line that cannot be written must not keep a fan on
            self._on_failure(error)
            return _Lost()

    def _release(self) -> None:
        """Send, in order, all whose explanation is on disk or has waited long enough."""
        now = self._stamper.clock.mono()
        while self._waiting:
            head = self._waiting[0]
            if not head.ticket.done:
                if not self._late and now < head.deadline:
                    break
                self._note_late(head, now)
            self._waiting.popleft()
            self._send(head)
        self._arm()

    def _arm(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        if self._waiting:
            self._timer = self._timers.call_at(self._waiting[0].deadline, self._release)

    def _note_late(self, batch: Batch, now: float) -> None:
        if not self._late:
            self._late_since = now - BOUND
        self._late.add(id(batch.ticket))
        self._late_count += 1
        ticket = batch.ticket
        ticket.add_done_callback(lambda: self._caught_up(ticket))

    def _caught_up(self, ticket: Ticket) -> None:
        self._late.discard(id(ticket))
        if self._late:
            return
        now = self._stamper.clock.mono()
        facts = {"late": self._late_count, "stalled": round(now - self._late_since, 3)}
        self._late_count = 0
        self._log.append([self._stamper.note(LOG_LATE, now, facts=facts)])
