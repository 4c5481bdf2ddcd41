"""Calls the shell's listener: guarded, so that its faults stay its own, and seldom enough that nobody stops reading.

The client library's own log lines are kept from flooding too: a broken peer can cause tens of thousands a second.
"""

import logging
import time
from collections.abc import Callable
from contextlib import suppress
from typing import Final, ParamSpec

from gatehand.mqtt.transport import Listener, Notice, NoticeKind

_logger = logging.getLogger(__name__)

_SAY_AGAIN: Final = 300.0
"""Seconds before the same trouble is reported once more."""

P = ParamSpec("P")


class GuardedListener:
    """One listener, whose faults stay its own, and who hears of trouble seldom enough."""

    def __init__(self, listener: Listener) -> None:
        self._listener = listener
        self._last: dict[NoticeKind, tuple[str, float]] = {}
        self._noticed: set[tuple[NoticeKind, object]] = set()

    def call(self, callback: Callable[P, None], *args: P.args, **kwargs: P.kwargs) -> None:
        """Call the shell; a fault of it must not take the connection with it, and must not pass unseen."""
        try:
            callback(*args, **kwargs)
        except Exception as error:  # noqa: BLE001  the shell's fault, reported as such
            self.internal_error(error)

    def say(self, notice: Notice) -> None:
        """Say it now."""
        self.call(self._listener.on_notice, notice)

    def say_rarely(self, notice: Notice | None) -> None:
        """Say it when it is new or has not been said for some minutes."""
        if notice is None:
            return
        before = self._last.get(notice.kind)
        now = time.monotonic()
        if before is None or before[0] != notice.text or now - before[1] >= _SAY_AGAIN:
            self._last[notice.kind] = (notice.text, now)
            self.say(notice)

    def say_once(self, notice: Notice) -> None:
        """Say it once for each topic and connection."""
        about = notice.kind, notice.facts["topic"]
        if about not in self._noticed:
            self._noticed.add(about)
            self.say(notice)

    def new_connection(self) -> None:
        """What was said about topics and about not getting through may be said again."""
        self._noticed.clear()
        for kind in (NoticeKind.UNREACHABLE, NoticeKind.LOGIN_REFUSED, NoticeKind.CONNECTION_REFUSED):
            self._last.pop(kind, None)

    def internal_error(self, error: Exception) -> None:
        """Something failed that never should; the traceback goes to the service's log."""
        _logger.error("internal error", exc_info=error)
        with suppress(Exception):
            text = f"internal error: {type(error).__name__}: {error}; the traceback is in the service's log"
            self._listener.on_notice(Notice(NoticeKind.INTERNAL_ERROR, text, {"error": type(error).__name__}))


class RateLimit(logging.Filter):
    """Lets a few lines pass in each span of time; the first line of the next span says how many were left out."""

    def __init__(self, lines: int = 5, seconds: float = 10.0, clock: Callable[[], float] = time.monotonic) -> None:
        super().__init__()
        self._lines = lines
        self._seconds = seconds
        self._clock = clock
        self._begin = clock()
        self._passed = 0
        self.left_out = 0

    def filter(self, record: logging.LogRecord) -> bool:
        """Whether the line may pass."""
        now = self._clock()
        if now - self._begin >= self._seconds:
            self._begin, self._passed = now, 0
        if self._passed >= self._lines:
            self.left_out += 1
            return False
        self._passed += 1
        if self.left_out:
            record.msg = f"{record.getMessage()} ({self.left_out} more lines left out)"
            record.args = ()
            self.left_out = 0
        return True


def quiet_logger() -> logging.Logger:
    """A logger of its own for one session; passes warnings to `gatehand.mqtt`, a few at a time."""
    logger = logging.Logger("gatehand.mqtt.client", logging.WARNING)  # noqa: LOG001  not shared: one limit a session
    logger.parent = logging.getLogger("gatehand.mqtt")
    logger.addFilter(RateLimit())
    return logger
