"""Keeps the client library's own log lines from flooding: a broken peer can cause tens of thousands a second."""

import logging
import time
from collections.abc import Callable
from typing import Final

LINES: Final = 5
SECONDS: Final = 10.0


class RateLimit(logging.Filter):
    """Lets a few lines pass in each span of time; the first line of the next span says how many were left out."""

    def __init__(
        self, lines: int = LINES, seconds: float = SECONDS, clock: Callable[[], float] = time.monotonic
    ) -> None:
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
