"""Which outgoing message may leave now. Keeps I6: a command leaves at once or not at all, never into a frozen peer.

A command that waits in a socket buffer for a broker to thaw would act late, and no expiry helps, because a broker
counts it from arrival. So a command of kind `ACT` is written only when the broker has just been heard; else it is held,
the broker is asked for a sign of life, and the command leaves with the answer. Without an answer, or with one that
comes too late to be worth anything, the connection is given up and what is held goes with it. A command that follows
from a reading just received never waits.

No sockets, no clock and no client library in here; `now` is monotonic seconds.
"""

from collections.abc import Callable
from math import inf
from typing import Final

from gatehand.mqtt.transport import MessageKind, Outgoing

FRESH: Final = 0.02
"""Seconds since the broker was last heard within which it counts as awake. What is written in the moment between the
last sign of life and a freeze can still act late, so it is short; being asked costs a command one round trip."""
LATEST: Final = 0.5
"""Seconds after which a held command is worth nothing: the shop has moved on, and what was decided since (a collector
switched on once its gate has had time to open) took for granted that it had left."""
ANSWER_WITHIN: Final = 3.0
"""Seconds that a held command waits for a sign of life; also the expiry that MQTT 5 carries to the broker."""
WINDOW: Final = 20
"""Unacknowledged messages at a time where the broker names no receive maximum."""


class Outbox:
    """Decides for one connection; made anew for the next, so that nothing survives.

    Args:
        write: sends a message now; gives the number under which an acknowledgement will come, or None for none.
        ask: asks the broker for a sign of life.
        window: how many messages may be unacknowledged at a time (MQTT 5.0 section 4.9).
    """

    def __init__(self, write: Callable[[Outgoing], int | None], ask: Callable[[], None], window: int = WINDOW) -> None:
        self._write = write
        self._ask = ask
        self._window = window
        # Room kept for commands, and more of it for "off": in a flood the broker's acknowledgements come late. Status
        # messages wait, the latest of each topic, for the rest.
        self._status_window = max(1, window // 2)
        self._act_window = max(self._status_window, window - window // 4)
        self._held: list[tuple[Outgoing, float]] = []
        self._offs: list[tuple[Outgoing, float]] = []
        self._status: dict[str, Outgoing] = {}
        self._unacked: dict[int, Outgoing] = {}
        self._given: dict[int, float] = {}
        """When the commands were given that the broker has yet to acknowledge."""
        self.held_since: float | None = None
        """Since when a command waits for a sign of life, None when none does."""

    @property
    def unacked(self) -> int:
        """How many messages the broker has yet to acknowledge, those not yet written included."""
        return len(self._unacked) + len(self._offs) + len(self._status)

    @property
    def unsure_since(self) -> float:
        """When the oldest command was given of which the broker has not said that it has it; inf without one.

        Having been heard since proves nothing: what the broker said may have been on its way already.
        """
        return min((*self._given.values(), *(at for _, at in (*self._held, *self._offs))), default=inf)

    def too_late(self, now: float) -> bool:
        """What is held has waited for too long to leave any more."""
        return self.held_since is not None and now - self.held_since > LATEST

    def offer(self, outgoing: Outgoing, now: float, heard_at: float) -> None:
        """Write the message, or hold it as its kind asks."""
        match outgoing.kind:
            case MessageKind.STATUS:
                self._status[outgoing.topic] = outgoing
                self._write_waiting()
            case MessageKind.EVENT:
                self._send(outgoing)
            case MessageKind.OFF:
                # It overtakes what is held, so nothing held for the same device may follow it.
                self._held = [held for held in self._held if held[0].topic != outgoing.topic]
                self._offs.append((outgoing, now))
                self._write_waiting()
            case MessageKind.ACT:
                if self._held or now - heard_at > FRESH or len(self._unacked) >= self._act_window:
                    self._hold(outgoing, now)
                else:
                    self._command(outgoing, now)

    def heard(self) -> None:
        """The broker gave a sign of life: what is held leaves, as far as the window allows."""
        while self._held and len(self._unacked) < self._act_window:
            self._command(*self._held.pop(0))
        if not self._held:
            self.held_since = None

    def awaits(self, number: int) -> bool:
        """Whether message `number` is still to be acknowledged."""
        return number in self._unacked

    def acknowledged(self, number: int) -> Outgoing | None:
        """The broker has message `number`; gives the message, None for one not waited for."""
        outgoing = self._unacked.pop(number, None)
        self._given.pop(number, None)
        self._write_waiting()
        return outgoing

    def _hold(self, outgoing: Outgoing, now: float) -> None:
        # The latest command for a device replaces an earlier one; both at once would move it twice.
        self._held = [held for held in self._held if held[0].topic != outgoing.topic]
        self._held.append((outgoing, now))
        if self.held_since is None:
            self.held_since = now
            self._ask()

    def _write_waiting(self) -> None:
        while self._offs and len(self._unacked) < self._window:
            self._command(*self._offs.pop(0))
        while self._status and len(self._unacked) < self._status_window:
            self._send(self._status.pop(next(iter(self._status))))

    def _command(self, outgoing: Outgoing, given: float) -> None:
        number = self._send(outgoing)
        if number is not None:
            self._given[number] = given

    def _send(self, outgoing: Outgoing) -> int | None:
        number = self._write(outgoing)
        if number is not None:
            self._unacked[number] = outgoing
        return number
