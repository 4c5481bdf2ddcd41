"""Brings a few messages to the broker and waits for its acknowledgements, for a bounded time, without an event loop.

For `gatehand off`, which runs when a daemon has died: a thread that can be left behind does what may block (a name
service that is silent, a broker that is frozen), so that the bound holds whatever happens.
"""

import queue
import threading
import time
from collections.abc import Sequence
from contextlib import suppress
from typing import Final, TypeAlias

from paho.mqtt.reasoncodes import ReasonCode

from gatehand.mqtt import paho_client
from gatehand.mqtt.failures import ConnectionFailedError, Failure
from gatehand.mqtt.settings import BrokerSettings, Protocol
from gatehand.mqtt.transport import Outgoing

_LEAVE_WITHIN: Final = 0.3
_KEPT_FOR_THE_REST: Final = 0.3
"""Seconds of the bound for what is to be said last."""


_News: TypeAlias = ReasonCode | tuple[int, ReasonCode] | Exception
"""The broker's answer to the CONNECT; its answer to a message, by packet number; how the connection ended."""


def deliver(
    settings: BrokerSettings, messages: Sequence[Outgoing], within: float, then: Sequence[Outgoing] = ()
) -> tuple[str | None, ...]:
    """Publish each once, at the quality of service of its kind, which must be acknowledged, and wait for the broker.

    Args:
        settings: the broker; the client id must be nobody else's.
        messages: what to publish, of kind `OFF` or `STATUS`.
        within: seconds for all of it.
        then: what to publish when the broker has answered for all of `messages`, or the time for that is over.

    Returns:
        For each message None when the broker has it, else the reason as a sentence; those of `then` last.

    Raises:
        ConnectionFailedError: no connection came about in time.
    """
    until = time.monotonic() + within
    if settings.protocol == "5":
        try:
            # A broker that knows no MQTT 5 may keep silent, so that half of the time is kept for what it does know.
            return _Attempt(settings, "5", messages, then).run(until, connected_by=until - within / 2)
        except ConnectionFailedError as failed:
            if not failed.perhaps_older:
                raise
    return _Attempt(settings, "3.1.1", messages, then).run(until)


class _HungUpError(Exception):
    """The broker ended it."""


class _Attempt:
    """One connection. What the client's thread finds out comes through `_news`; the rest happens in the caller's."""

    def __init__(
        self, settings: BrokerSettings, protocol: Protocol, messages: Sequence[Outgoing], then: Sequence[Outgoing]
    ) -> None:
        self._settings = settings
        self._protocol: Protocol = protocol
        self._messages = (*messages, *then)
        self._first = len(messages)
        self._answers: list[str | None] = []
        self._waiting: dict[int, int] = {}
        self._news: queue.SimpleQueue[_News] = queue.SimpleQueue()
        self._client = client = paho_client.paho_client(settings, protocol)
        client.on_connect = lambda _c, _u, _flags, code, _p: self._news.put(code)
        client.on_publish = lambda _c, _u, mid, code, _p: self._news.put((mid, code))
        client.on_disconnect = lambda _c, _u, _flags, _code, _p: self._news.put(_HungUpError("hung up without a word"))
        self._thread = threading.Thread(target=self._work, daemon=True, name="deliver")

    def run(self, until: float, connected_by: float | None = None) -> tuple[str | None, ...]:
        """See `deliver`; `until` and `connected_by` are monotonic seconds."""
        self._client.connect_timeout = max(0.1, until - time.monotonic())
        self._thread.start()
        try:
            self._connect(until if connected_by is None else connected_by)
            self._publish(0, self._first)
            self._wait_for_answers(until - (_KEPT_FOR_THE_REST if self._first < len(self._messages) else 0.0))
            self._publish(self._first, len(self._messages))
            self._wait_for_answers(until)
        finally:
            with suppress(Exception):
                self._client.disconnect()
        if not self._waiting:
            self._thread.join(_LEAVE_WITHIN)
        return tuple(self._answers)

    def _work(self) -> None:
        try:
            paho_client.connect(self._client, self._settings, self._protocol)
            self._client.loop_forever()
        except Exception as error:  # noqa: BLE001 - whatever it is, the caller says it
            self._news.put(error)

    def _connect(self, until: float) -> None:
        match self._next(until):
            case ReasonCode() as code:
                if code.is_failure:
                    raise paho_client.refused_connection(code)
            case _HungUpError() as error:
                raise ConnectionFailedError(Failure.NO_ANSWER, str(error))
            case Exception() as error:
                raise paho_client.connect_failure(error) from error
            case _:
                raise ConnectionFailedError(Failure.NO_ANSWER, "no answer in time")

    def _publish(self, begin: int, end: int) -> None:
        for at in range(begin, end):
            message = self._messages[at]
            qos, retain, properties = paho_client.delivery(message.kind, v5=self._protocol == "5")
            info = self._client.publish(message.topic, message.payload, qos, retain, properties)
            self._waiting[info.mid] = at
            self._answers.append("the broker has not acknowledged it")

    def _wait_for_answers(self, until: float) -> None:
        while self._waiting:
            match self._next(until):
                case (int(number), code) if (at := self._waiting.pop(number, None)) is not None:
                    self._answers[at] = paho_client.objection(self._messages[at].topic, code, v5=self._protocol == "5")
                case Exception() | None:
                    return
                case _:
                    pass

    def _next(self, until: float) -> _News | None:
        try:
            return self._news.get(timeout=max(0.0, until - time.monotonic()))
        except queue.Empty:
            return None
