"""Calls the shell's listener: guarded, so that its faults stay its own, and seldom enough that nobody stops reading."""

import logging
import time
from collections.abc import Callable
from contextlib import suppress
from typing import Final, ParamSpec

from gatehand.mqtt.inbox import Message
from gatehand.mqtt.transport import Listener, Notice, Said

_logger = logging.getLogger(__name__)

_SAY_AGAIN: Final = 300.0
"""Seconds before the same trouble is reported once more."""

P = ParamSpec("P")


class Herald:
    """The way to one listener."""

    def __init__(self, listener: Listener, clock: Callable[[], float] = time.monotonic) -> None:
        self._listener = listener
        self._clock = clock
        self._said: dict[Said, tuple[str, float]] = {}
        self._told_topics: set[tuple[Said, str]] = set()

    def message(self, message: Message) -> None:
        """Hand over a message."""
        try:
            self._listener.on_message(message.topic, message.payload, message.retained, message.received)
        except Exception as error:  # noqa: BLE001  the shell's fault, reported as such
            self.internal_error(error)

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
        before = self._said.get(notice.kind)
        now = self._clock()
        if before is None or before[0] != notice.text or now - before[1] >= _SAY_AGAIN:
            self._said[notice.kind] = (notice.text, now)
            self.say(notice)

    def say_about(self, kind: Said, topic: str, text: str) -> None:
        """Say it once for each topic and connection."""
        if (kind, topic) not in self._told_topics:
            self._told_topics.add((kind, topic))
            self.say(Notice(kind, text, {"topic": topic}))

    def new_connection(self) -> None:
        """What was said about topics and about not getting through may be said again."""
        self._told_topics.clear()
        for kind in (Said.UNREACHABLE, Said.LOGIN_REFUSED, Said.CONNECTION_REFUSED):
            self._said.pop(kind, None)

    def internal_error(self, error: Exception) -> None:
        """Something failed that never should; the traceback goes to the service's log."""
        _logger.error("internal error", exc_info=error)
        with suppress(Exception):
            text = f"internal error: {type(error).__name__}: {error}; the traceback is in the service's log"
            self._listener.on_notice(Notice(Said.INTERNAL_ERROR, text, {"error": type(error).__name__}))
