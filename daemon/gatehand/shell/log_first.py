"""Log, then publish, in that order: commands leave once their explanation is written, or once a bound has passed.

Written means that it survives a killed daemon; the log syncs it right after, and no command waits for that. A write
that stalls costs one bound and never a command: while the stall lasts, later commands do not wait at all, and when it
is over one line says for how long and for how many. What must leave at once (I4, I5) waits for nothing.
"""

from collections.abc import Callable, Sequence
from math import inf
from typing import Final

from gatehand.journal.line import Line, OwnEvent, Stamper
from gatehand.shell.ports import Log, Ticket
from gatehand_rules.commands import CollectorOff, Command
from gatehand_rules.findings import Rule

BOUND: Final = 0.020
"""Seconds that a command waits for its explanation to be written. The control loop waits with it."""

_AT_ONCE: Final = frozenset({Rule.STOP_CONTACT, Rule.FAN_AGAINST_SHUT_GATES})
"""An off for one of these reasons waits for no line."""


class LogFirst:
    """The way from a decision to its commands. `send` is given them with the time of the decision, and must not raise.

    `on_failure` hears of lines that the log would not take; their commands leave all the same.
    """

    def __init__(
        self,
        log: Log,
        stamper: Stamper,
        send: Callable[[tuple[Command, ...], float], None],
        on_failure: Callable[[Exception], None],
    ) -> None:
        self._log = log
        self._stamper = stamper
        self._send = send
        self._on_failure = on_failure
        self._stalled = False
        self._newest: Ticket | None = None
        """Of the lines that are late, the last ones: the log keeps their order."""
        self._late = 0
        self._late_since = inf

    def put(self, lines: Sequence[Line], commands: tuple[Command, ...], now: float) -> None:
        """Log the lines of one step, then carry out its commands."""
        asked = self._stamper.clock.mono()
        ticket = self._append(lines) if lines or commands else None
        if not commands:
            return
        if ticket is not None and not ticket.done:
            at_once = _is_at_once(lines, commands)
            if at_once or self._stalled or not ticket.wait(BOUND):
                self._stalled = self._stalled or not at_once
                self._leave_before(ticket, asked)
        self._send(commands, now)

    def _append(self, lines: Sequence[Line]) -> Ticket | None:
        try:
            return self._log.append(lines)
        except Exception as error:  # noqa: BLE001 - a line that cannot be written must not keep a fan on
            self._on_failure(error)
            return None

    def _leave_before(self, ticket: Ticket, asked: float) -> None:
        self._late += 1
        self._late_since = min(self._late_since, asked)
        self._newest = ticket
        ticket.add_done_callback(lambda: self._caught_up(ticket))

    def _caught_up(self, ticket: Ticket) -> None:
        if ticket is not self._newest:
            return
        now = self._stamper.clock.mono()
        stalled, late = round(now - self._late_since, 3), self._late
        self._stalled, self._newest, self._late, self._late_since = False, None, 0, inf
        if stalled >= BOUND:  # less: nothing stalled, an off has overtaken its line
            self._append([self._stamper.note(OwnEvent.LOG_LATE, now, facts={"late": late, "stalled": stalled})])


def _is_at_once(lines: Sequence[Line], commands: tuple[Command, ...]) -> bool:
    off = any(isinstance(command, CollectorOff) for command in commands)
    return off and any(line.get("rule") in _AT_ONCE for line in lines)
