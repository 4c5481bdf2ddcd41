"""Log, then publish, in that order: commands leave once their explanation is written, or once a bound has passed.

Written means that it survives a killed daemon; the log syncs it right after, and no command waits for that. A write
that stalls costs one bound and never a command: while the stall lasts, later commands do not wait at all, and when it
is over one line says for how long and for how many. What must leave at once (I4, I5) waits for nothing.

What cannot leave is never kept for later: the rules tell again what is still wanted after the next connection.
"""

from collections import deque
from collections.abc import Callable, Sequence
from math import floor, inf
from typing import TYPE_CHECKING, Final

from gatehand.journal.line import LogLine, OwnEvent, Stamper
from gatehand.mqtt.transport import Outgoing, Transport
from gatehand.shell.encode_commands import WORDS
from gatehand.shell.ports import Diagnostics, LogPort, TicketPort
from gatehand_rules.commands import CollectorOff, Command, Poll
from gatehand_rules.findings import Fact, Rule

if TYPE_CHECKING:
    from gatehand.shell.engine import Engine

BOUND: Final = 0.015
"""Seconds that a command waits for its explanation to be written. The control loop waits with it.

With the way in and out a command is then on the wire within 20 ms of its reading, whatever the disk does.
"""

_AT_ONCE: Final = frozenset({Rule.STOP_CONTACT, Rule.FAN_AGAINST_SHUT_GATES})
"""An off for one of these reasons waits for no line."""
_REMEMBERED: Final = 300.0
"""Seconds: more than a connection stands without a word from the broker (twice its keepalive)."""


class LogFirst:
    """The way from a decision to its commands. `send` is given them with the time of the decision, and must not raise.

    `diagnose` hears of lines that the log would not take; their commands leave all the same.
    """

    def __init__(
        self,
        log: LogPort,
        stamper: Stamper,
        send: Callable[[tuple[Command, ...], float], None],
        diagnose: Diagnostics,
    ) -> None:
        self._log = log
        self._stamper = stamper
        self._send = send
        self._diagnose = diagnose
        self._stalled = False
        self._newest: TicketPort | None = None
        """Of the lines that are late, the last ones: the log keeps their order."""
        self._late = 0
        self._late_since = inf

    def put(self, lines: Sequence[LogLine], commands: tuple[Command, ...], now: float) -> None:
        """Log the lines of one step, then carry out its commands. Without either: look whether a stall is over."""
        asked = self._stamper.clock.mono()
        over_at = None if self._newest is None else self._newest.done_at
        ticket = self._append(lines) if lines or commands else None
        if over_at is not None:
            self._tell_stall(over_at, asked)
        if not commands:
            return
        if ticket is not None and ticket.done_at is None:
            at_once = _is_at_once(lines, commands)
            if at_once or self._stalled or not ticket.wait(BOUND):
                self._stalled = self._stalled or not at_once
                self._late += 1
                self._late_since = min(self._late_since, asked)
                self._newest = ticket
        self._send(commands, now)

    def _append(self, lines: Sequence[LogLine]) -> TicketPort | None:
        try:
            return self._log.append(lines)
        except Exception as error:  # noqa: BLE001 - a line that cannot be written must not keep a fan on
            self._diagnose("error", f"a line could not be given to the log: {type(error).__name__}: {error}")
            return None

    def _tell_stall(self, over_at: float, now: float) -> None:
        stalled, late = round(over_at - self._late_since, 3), self._late
        self._stalled, self._newest, self._late, self._late_since = False, None, 0, inf
        if stalled >= BOUND:  # less: nothing stalled, an off has overtaken its line
            self._append([self._stamper.note(OwnEvent.LOG_LATE, now, facts={"late": late, "stalled": stalled})])


def _is_at_once(lines: Sequence[LogLine], commands: tuple[Command, ...]) -> bool:
    off = any(isinstance(command, CollectorOff) for command in commands)
    return off and any(line.get("rule") in _AT_ONCE for line in lines)


class Sender:
    """Publishes commands and questions, and knows which of them may not have arrived when a connection is lost."""

    def __init__(self, engine: "Engine", transport: Transport) -> None:
        self._engine = engine
        self._transport = transport
        self._unsent_since = inf
        self._sent: deque[tuple[float, float]] = deque()
        """When commands left of late, and when they had been decided."""

    def connected(self) -> None:
        """From here on commands leave again."""
        self._unsent_since = inf

    def lost(self, heard_at: float, now: float) -> float:
        """The broker was last heard at `heard_at`; gives until when commands count as given."""
        # A command of that very millisecond, or one that never left, counts as given after the broker was last heard;
        # so does one that was decided before and had waited for its line.
        decided = min((decided for sent, decided in self._sent if sent > heard_at - 0.001), default=inf)
        self._sent.clear()
        heard = floor(min(heard_at, self._unsent_since, decided, now) * 1000) / 1000
        return round(heard - 0.001, 3)

    def ask(self, message: Outgoing) -> None:
        """A question that cannot leave is no command lost: all are asked again with the next connection."""
        active, now = self._engine.active, self._engine.clock.mono()
        if self._transport.publish(message):
            for whose in active.encoder.questions[message]:
                active.routes.asked(*whose, now)

    def send(self, commands: tuple[Command, ...], decided: float) -> None:
        """Let them leave, in their order. `decided`: when they were."""
        for command in commands:
            message = self._engine.active.encoder.message(command)
            if message is None:
                continue
            if isinstance(command, Poll):
                self.ask(message)
            elif self._transport.publish(message):
                self._engine.unheard.commanded(command)
            else:
                self._not_sent(command, message.topic, decided)
        now = self._engine.clock.mono()
        while self._sent and self._sent[0][0] < now - _REMEMBERED:
            self._sent.popleft()
        self._sent.append((now, decided))

    def _not_sent(self, command: Command, topic: str, decided: float) -> None:
        self._unsent_since = min(self._unsent_since, decided)
        facts: dict[str, Fact] = {
            "command": WORDS[type(command)],
            "topic": topic,
            "why": "no connection to the broker; it is not kept for later",
            "asked_at": decided,
            **{kind: name for kind in ("gate", "collector") if (name := getattr(command, kind, None)) is not None},
        }
        self._engine.note(OwnEvent.COMMAND_NOT_SENT, facts)
