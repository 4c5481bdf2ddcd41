"""Whose shop it is: of two daemons under one base, one yields before it has commanded anything.

`<base>/daemon` retains who runs the shop: `{id, host, started}`. Whoever connects reads it first. Where it is another
daemon's, and that one's `online` does not say that it is gone, it is asked (the same topic, not retained, `asks`), and
only when 2 s have passed without its answer does the shell hear of the connection. Without such a claim the shell hears
of it at once; an answer within 2 s still ends this daemon. A daemon that runs the shop answers by publishing its claim
anew. Of two that start at once the one that started later yields.
"""

from collections.abc import Callable
from typing import Final, Protocol

import msgspec
from msgspec import Struct
from msgspec.structs import replace

from gatehand.mqtt.transport import Connected, Listener, MessageKind, Notice, NoticeKind, Outgoing
from gatehand.shell.ports import Timer, Timers

WITHIN: Final = 2.0
"""Seconds for the answer of another daemon."""
_AT_ONCE: Final = 1.0
"""Seconds after the own claim within which another's may have been under way already."""
_MOST_ANSWERS: Final = 3
"""To each other daemon that claims the shop: two that have both worked it for long do not talk for ever."""
_MOST_KEPT: Final = 20_000
_EXPLAINED_WITHIN: Final = 1.5
"""Seconds after another's word on `online` within which its question comes, when it is one that will yield."""


class Claim(Struct, frozen=True, omit_defaults=True):
    """Who runs the shop, or would."""

    id: str
    host: str
    started: str
    """RFC 3339, UTC."""
    asks: bool = False
    """Whether it only asks who else is there, and claims nothing yet."""

    @property
    def order(self) -> tuple[str, str]:
        """The lesser one has the right of way."""
        return self.started, self.id


class ClaimSession(Protocol):
    """What is asked of the session from here."""

    @property
    def found(self) -> bytes | None:
        """What `online` retained when this connection began."""

    def publish(self, outgoing: Outgoing) -> bool:
        """See `Transport.publish`."""

    def renew(self) -> None:
        """Another connection, on which what is retained is read anew."""


class Doorkeeper:
    """Stands between the session and the shell (`inner`), which hears of a connection once the shop is ours.

    Args:
        me: this daemon's claim.
        base: topic under which the daemon publishes its own state.
        inner: the shell.
        timers: calls back at an instant.
        mono: monotonic seconds.
        yields: called when another daemon runs the shop: this one must end, and command nothing.
    """

    def __init__(
        self,
        me: Claim,
        base: str,
        inner: Listener,
        *,
        timers: Timers,
        mono: Callable[[], float],
        yields: Callable[[Claim], None],
    ) -> None:
        self._me, self._inner, self._timers, self._mono, self._yields = me, inner, timers, mono, yields
        self.topic = f"{base}/daemon"
        self.line: ClaimSession
        """The session, which is made after this and set before it runs."""
        self.before_open: Callable[[], None] = lambda: None
        """Called before the shell hears of a connection."""
        self.after_settled: Callable[[], None] = lambda: None
        """Called when the shell has heard that what is retained has come."""
        self.open = False
        """The shell has heard of this connection, and may publish."""
        self._info: Connected | None = None
        self._kept: list[Callable[[], None]] = []
        self._claimed_by: Claim | None = None
        self._asked = False
        self._silent: set[str] = set()
        self._ours_since: float | None = None
        self._shown = False
        self._answers: dict[str, int] = {}
        self._last_question = float("-inf")
        self._timer: Timer | None = None
        self._over = False

    # The session calls

    def on_connected(self, info: Connected) -> None:
        """Connected and subscribed: read first whose shop it is."""
        self.open, self._asked, self._info, self._claimed_by = False, False, info, None
        self._kept = []

    def on_message(self, topic: str, payload: bytes, retained: bool, received: float) -> None:
        """To the shell, once it has heard of the connection; what comes before is kept for it until then."""
        if topic == self.topic:
            self._on_claim(payload, retained=retained)
        elif self.open:
            self._inner.on_message(topic, payload, retained, received)
        else:
            self._pass_on(lambda: self._inner.on_message(topic, payload, retained, received))

    def on_settled(self) -> None:
        """What is retained has come, the claim too."""
        if self.open:
            self._settle()
            return
        if self._asked or self._over:
            return
        other = self._claimed_by
        if other is not None and other.id not in self._silent and self.line.found != b"0":
            self._asked, self._kept = True, []
            self._ask(lambda: self._nobody_answered(other))
        else:
            self._go()

    def on_standstill(self, seconds: float) -> None:
        """What comes is old for now."""
        self._pass_on(lambda: self._inner.on_standstill(seconds))

    def on_caught_up(self) -> None:
        """What comes is new again."""
        self._pass_on(self._inner.on_caught_up)

    def on_lost(self, reason: str, heard_at: float) -> None:
        """The connection is gone."""
        self._cancel()
        was_open, self.open = self.open, False
        if was_open:
            self._inner.on_lost(reason, heard_at)

    def on_notice(self, notice: Notice) -> None:
        """Another's word on `online` is no news when it comes from one that asks, and yields."""
        if notice.kind is not NoticeKind.SAME_BASE:
            self._inner.on_notice(notice)
            return
        since = self._mono() - WITHIN - _AT_ONCE

        def look() -> None:
            if self._last_question < since:
                self._inner.on_notice(notice)

        self._timers.call_at(self._mono() + _EXPLAINED_WITHIN, look)

    # The daemon calls

    def publish(self, outgoing: Outgoing) -> bool:
        """Out, once the shop is ours; before that nothing leaves."""
        return self.open and self.line.publish(outgoing)

    def leave(self) -> None:
        """A clean stop: nobody runs the shop any more. A claim that stays tells of a daemon that died."""
        self._over = True
        self._cancel()
        if self._shown or self.open:
            self._say(b"", MessageKind.STATUS)

    # Inside

    def _pass_on(self, word: Callable[[], None]) -> None:
        if self.open:
            word()
        elif not self._asked and len(self._kept) < _MOST_KEPT:
            self._kept.append(word)

    def _go(self) -> None:
        self.open = True
        self.before_open()
        if self._info is not None:
            self._inner.on_connected(self._info)
        kept, self._kept = self._kept, []
        for word in kept:
            word()
        self._settle()
        if self._ours_since is None:
            self._ask(self._it_is_ours)
        else:
            self._show()

    def _settle(self) -> None:
        self._inner.on_settled()
        self.after_settled()

    def _ask(self, then: Callable[[], None]) -> None:
        self._cancel()
        self._timer = self._timers.call_at(self._mono() + WITHIN, then)
        self._question()

    def _question(self) -> None:
        self._say(msgspec.json.encode(replace(self._me, asks=True)), MessageKind.OFF)

    def _nobody_answered(self, other: Claim) -> None:
        """It is gone without a word. What was said meanwhile is old: all is read anew."""
        self._silent.add(other.id)
        self.line.renew()

    def _it_is_ours(self) -> None:
        self._ours_since = self._mono()
        self._show()

    def _show(self) -> None:
        self._shown = True
        self._say(msgspec.json.encode(self._me), MessageKind.STATUS)

    def _say(self, payload: bytes, kind: MessageKind) -> None:
        self.line.publish(Outgoing(self.topic, payload, kind))

    def _cancel(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None

    def _on_claim(self, payload: bytes, *, retained: bool) -> None:
        if self._over:
            return
        if not payload:
            if not retained and self._shown:
                self._show()  # another daemon of before has left, or somebody tidied up
            return
        other = read_claim(payload)
        if other is None or other.id == self._me.id:
            return
        if retained:
            self._claimed_by = other
        elif other.asks:
            self._last_question = self._mono()
            if (self.open and self._ours_since is not None) or self._me.order < other.order:
                self._show()
            else:
                self._question()  # it may not have been there for ours, and has the right of way
        else:
            self._on_another(other)

    def _on_another(self, other: Claim) -> None:
        at_once = self._ours_since is not None and self._mono() < self._ours_since + _AT_ONCE
        if not self.open or self._ours_since is None or (at_once and other.order < self._me.order):
            self._over = True
            self._cancel()
            self.open = False
            self._yields(other)
            return
        count = self._answers[other.id] = self._answers.get(other.id, 0) + 1
        if count <= _MOST_ANSWERS:
            self._show()
        if count == _MOST_ANSWERS:
            text = f"another daemon on {other.host} has run this shop since {other.started}; give each its own base"
            self._inner.on_notice(Notice(NoticeKind.SAME_BASE, text, {"topic": self.topic, "host": other.host}))


def read_claim(payload: bytes) -> Claim | None:
    """Whose it is; None: it is none."""
    try:
        found = msgspec.json.decode(payload, type=Claim)
    except (msgspec.MsgspecError, ValueError, RecursionError):
        return None
    return found if found.id and found.host and found.started else None
