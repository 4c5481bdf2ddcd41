"""One connection to the broker, from CONNECT to its end, over paho's client driven by our event loop.

A `Connection` is used once: a client object that connects again would send what the last connection left behind. Only
paho's `connect` blocks (name service, network, encryption), so that it runs in a thread of its own, which can be left
behind; everything else happens in the loop:

- reading empties the socket into the inbox before the shell sees the first message, so that the time of receipt is
  true and readings can give way when the shell falls behind;
- a message is written to the socket within `publish`, without a further turn of the event loop;
- no exception reaches paho from here, because one raised inside its callbacks would be raised again for ever.

Every way out goes through `abort`, which closes the socket with a reset: an ordinary close would let the system deliver
what is still in its buffers once the network is back, late commands among it.
"""

import asyncio
import contextlib
import logging
import math
import ssl
import threading
import time
from collections.abc import Callable, Sequence
from typing import Any, Final, TypeVar

import paho.mqtt.client as paho
from msgspec import Struct
from paho.mqtt.enums import MQTTErrorCode
from paho.mqtt.reasoncodes import ReasonCode

from gatehand.mqtt import paho_client
from gatehand.mqtt.failures import ConnectionFailedError, Disconnect, Failure, Patience, objection
from gatehand.mqtt.inbox import Inbox, Message
from gatehand.mqtt.outbox import ANSWER_WITHIN, WINDOW, Outbox
from gatehand.mqtt.payload import MAX_BYTES
from gatehand.mqtt.settings import BrokerSettings, Protocol
from gatehand.mqtt.transport import Notice, Outgoing, Subscription
from gatehand.text import named

_DRAIN: Final = 128
"""Packets read in a row before the shell gets its turn."""
_READING: Final = 0.005
"""Seconds after which it gets its turn all the same, and with it every other connection of ours."""
_SUBSCRIBE_AT_ONCE: Final = 100
_LOOK_AFTER: Final = 1.0
"""Seconds between two looks whether the keepalive asks for a ping, or is over."""


T = TypeVar("T")


def _nothing(*_: object) -> None:
    """What is told is of no interest."""


class Hooks(Struct, frozen=True):
    """What a connection tells its owner. All are called in the event loop; none may raise."""

    answered: Callable[[Outgoing, Notice | None], None]
    """The broker acknowledged a message; with what it had against it, if anything."""
    arrived: Callable[[], None] = _nothing
    """The inbox may hold something."""
    unreadable: Callable[[bytes], None] = _nothing
    """A message came whose topic is not UTF-8."""
    reading: Callable[[], None] = _nothing
    """The socket is about to be read."""


class Connection:
    """One connection. Build, `open`, `subscribe`; then `publish` until `closed`; at last `abort`, always.

    Must be built inside the running event loop.
    """

    def __init__(
        self,
        *,
        settings: BrokerSettings,
        protocol: Protocol,
        hooks: Hooks,
        patience: Patience,
        logger: logging.Logger,
        will: Outgoing | None = None,
    ) -> None:
        self._loop = asyncio.get_running_loop()
        self._settings = settings
        self.protocol: Final = protocol
        self._v5 = protocol == "5"
        self.inbox = Inbox()
        """What has come, for whoever owns the connection to take."""
        self._hooks = hooks
        self._patience = patience
        self._logger = logger
        self._outbox: Outbox | None = None
        self._now = self.heard_at = time.monotonic()
        self._arrived = 0
        self._acks: list[tuple[int, ReasonCode]] = []
        self._flushes_itself = True  # until the connect's thread has ended
        self._reading = False
        self._writer_added = False
        self._aborted = False
        self.connecting: asyncio.Future[Exception | None] = self._loop.create_future()
        """Done when the connect's thread has ended, however late: with why it failed, if it did."""
        self._greeting: asyncio.Future[ReasonCode] = self._loop.create_future()
        self._answers: dict[int | None, asyncio.Future[Sequence[ReasonCode]]] = {}
        """Subscriptions and their ends under way, by packet number."""
        self._look_after: asyncio.TimerHandle | None = None
        self.closed: asyncio.Future[Disconnect] = self._loop.create_future()
        """Done when the connection has ended."""
        self._paho = client = paho_client.paho_client(settings, protocol, logger, will)
        client.connect_timeout = patience.connect
        client.max_inflight_messages_set(0)  # the outbox keeps the window; paho's queue would send commands late
        client.on_socket_open = lambda _client, _userdata, sock: paho_client.reset_on_close(sock)
        client.on_socket_close = self._on_socket_close
        client.on_socket_register_write = self._on_wants_write
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_message = self._on_message
        client.on_publish = self._on_publish
        client.on_subscribe = client.on_unsubscribe = self._on_answer

    async def open(self) -> None:
        """Connect and wait for the broker's answer, for a bounded time.

        Raises:
            ConnectionFailedError: no connection came about; says why.
        """
        threading.Thread(target=self._connect, name="connect", daemon=True).start()
        answer = self._patience.answer
        late = "no answer from the name service or the network"
        error = await self._first(self.connecting, 3 * self._patience.connect + answer, Failure.UNREACHABLE, late)
        if error is not None:
            raise paho_client.connect_failure(error) from error
        self._flushes_itself = False
        self._flush()
        if (sock := self._paho.socket()) is not None and not self._aborted:
            self._loop.add_reader(sock.fileno(), self.pump)
            self._look_after = self._loop.call_later(_LOOK_AFTER, self._keep_alive)
        late = f"connected, but no answer within {answer:g} s"
        if (code := await self._first(self._greeting, answer, Failure.NO_ANSWER, late)).is_failure:
            raise paho_client.refused_connection(code)

    async def subscribe(self, wanted: Sequence[Subscription]) -> dict[str, str]:
        """Subscribe and check each answer; gives the refused topics with the broker's reason.

        Raises:
            ConnectionFailedError: the connection ended, or no answer came.
        """
        problems = {each.topic: paho_client.filter_problem(each.topic) for each in wanted}
        refused = {topic: f"it {problem}" for topic, problem in problems.items() if problem}
        sound = [each for each in wanted if each.topic not in refused]
        for begin in range(0, len(sound), _SUBSCRIBE_AT_ONCE):
            some = sound[begin : begin + _SUBSCRIBE_AT_ONCE]
            codes = await self._answer(*self._paho.subscribe(paho_client.subscribe_requests(some, v5=self._v5)))
            if len(codes) != len(some):
                cause = f"{named(len(codes), 'answer')} to {named(len(some), 'subscription')}"
                raise ConnectionFailedError(Failure.UNREACHABLE, cause)
            for subscription, code in zip(some, codes, strict=True):
                if (reason := paho_client.refusal(code)) is not None:
                    refused[subscription.topic] = reason
        return refused

    async def unsubscribe(self, topics: Sequence[str]) -> None:
        """Stop listening to these topics.

        Raises:
            ConnectionFailedError: the connection ended, or no answer came.
        """
        if topics:
            await self._answer(*self._paho.unsubscribe(list(topics)))

    def publish(self, outgoing: Outgoing) -> bool:
        """Send now, as its kind allows (see `outbox`). False: this connection has ended or not begun."""
        if self._outbox is None or self._aborted or self.closed.done():
            return False
        was_held = self._outbox.held_since
        self._outbox.offer(outgoing, time.monotonic(), self.heard_at)
        if was_held is None and self._outbox.held_since is not None:
            self._loop.call_later(ANSWER_WITHIN, self._no_answer, self._outbox.held_since)
        return not self.closed.done()

    @property
    def is_open(self) -> bool:
        """The broker has let us in."""
        return self._outbox is not None

    @property
    def sure_until(self) -> float:
        """Commands given until then have arrived, those given later perhaps not (monotonic seconds)."""
        unsure_since = math.inf if self._outbox is None else self._outbox.unsure_since
        return min(self.heard_at, unsure_since - 0.001)

    def pump(self) -> None:
        """Empty the socket into the inbox, then let the shell have what came."""
        if self._aborted:
            return
        self._hooks.reading()
        if self._aborted:
            return
        self._flushes_itself = self._reading = True
        try:
            self._drain()
        except Exception as error:  # noqa: BLE001  whatever a hostile packet makes the decoder do
            self._end(Disconnect(f"the broker sent something that is not MQTT ({type(error).__name__})"))
        finally:
            self._flushes_itself = self._reading = False
        if self._outbox is None:
            return  # no answer to the CONNECT yet
        self._take_acks(self._outbox)
        # First what came (an emergency stop, say), then what has waited for a sign of life.
        self._hooks.arrived()
        if self.heard_at == self._now and not self._aborted:
            if self._outbox.too_late(self._now):
                self._end(Disconnect("the broker gave no sign of life in time while a command waited"))
            else:
                self._outbox.heard()
        if self._paho.want_write():
            self._flush()
        paho_client.acknowledge_now(self._paho.socket())

    async def say_goodbye(self, last: Outgoing | None) -> None:
        """Publish `last`, if any, wait a bounded time for what is to be acknowledged, then leave without a will."""
        if last is not None:
            self.publish(last)
        until = time.monotonic() + self._patience.goodbye
        while self._outbox is not None and self._outbox.unacked and not self.closed.done():
            if time.monotonic() >= until:
                break
            await asyncio.sleep(0.01)
        sock = self._paho.socket()
        if sock is not None:
            with contextlib.suppress(OSError):
                paho_client.let_linger(sock)
            self._paho.disconnect()
            self._flush()
        self.abort()

    def abort(self, reason: str = "given up") -> None:
        """Close the socket with a reset and leave nothing behind. May be called at any time, more than once."""
        self._end(Disconnect(reason))
        if self.connecting.done():
            self._close()
        else:  # in a thread that cannot be stopped; what it opens is closed when it is done
            self.connecting.add_done_callback(lambda _: self._close())

    # Inside

    def _connect(self) -> None:
        """In the connect's own thread."""
        error = None
        try:
            paho_client.connect(self._paho, self._settings, self.protocol)
        except Exception as failed:  # noqa: BLE001 - `open` says what it means
            error = failed
        with contextlib.suppress(RuntimeError):  # the loop has ended, and nobody asks any more
            self._loop.call_soon_threadsafe(self.connecting.set_result, error)

    async def _first(self, awaited: asyncio.Future[T], seconds: float, failure: Failure, late: str) -> T:
        """What is awaited, for a bounded time and as long as the connection lasts; else it fails so, and for that."""
        await asyncio.wait((awaited, self.closed), timeout=seconds, return_when=asyncio.FIRST_COMPLETED)
        if awaited.done():
            return awaited.result()
        raise ConnectionFailedError(failure, self.closed.result().reason if self.closed.done() else late)

    def _close(self) -> None:
        self._aborted = True
        sock = self._paho.socket()
        if sock is not None:
            self._on_socket_close(self._paho, None, sock)
            # A reset, as set when it was opened. Paho closes only after a DISCONNECT, which takes the will back.
            with contextlib.suppress(OSError):
                sock.close()
        if self._look_after is not None:
            self._look_after.cancel()

    def _keep_alive(self) -> None:
        if self._written(self._paho.loop_misc) and not self._aborted:
            self._look_after = self._loop.call_later(_LOOK_AFTER, self._keep_alive)

    def _drain(self) -> None:
        self._now = now = time.monotonic()
        for _ in range(_DRAIN):
            if self.inbox.full:
                return
            arrived = self._arrived
            result = self._paho.loop_read()
            if result == paho.MQTT_ERR_PROTOCOL:
                self._end(Disconnect("the broker sent something that is not MQTT"))
            if result != paho.MQTT_ERR_SUCCESS:
                return
            self.heard_at = now
            if arrived == self._arrived and not self._decrypted_waiting():
                return
            if time.monotonic() - now > _READING:
                return

    def _take_acks(self, outbox: Outbox) -> None:
        # Not from within paho's callback: writing there would wait for ever for a lock that paho holds.
        acks, self._acks = self._acks, []
        for number, code in acks:
            outgoing = outbox.acknowledged(number)
            if outgoing is not None:
                self._hooks.answered(outgoing, objection(outgoing, code.value, code.getName()))

    def _decrypted_waiting(self) -> bool:
        sock = self._paho.socket()
        return isinstance(sock, ssl.SSLSocket) and sock.pending() > 0

    def _write(self, outgoing: Outgoing) -> int | None:
        qos, retain, properties = paho_client.delivery(outgoing.kind, v5=self._v5)
        self._flushes_itself = True
        try:
            info = self._paho.publish(outgoing.topic, outgoing.payload, qos, retain, properties)
        except ValueError:  # no topic, or a payload beyond 256 MB: the config's check lets neither pass
            self._logger.exception("cannot publish to %r", outgoing.topic)
            return None
        finally:
            self._flushes_itself = False
        self._flush()
        return info.mid if qos and info.rc == paho.MQTT_ERR_SUCCESS else None

    def _ask(self) -> None:
        self._flushes_itself = True
        self._paho._send_pingreq()  # noqa: SLF001  the only packet that any server must answer at once
        self._flushes_itself = False
        self._flush()

    def _no_answer(self, held_since: float) -> None:
        if self._outbox is not None and self._outbox.held_since == held_since and not self.closed.done():
            self._end(Disconnect(f"the broker gave no sign of life for {ANSWER_WITHIN:g} s while a command waited"))

    def _flush(self) -> None:
        if self._aborted:
            return
        self._written(self._paho.loop_write)
        sock = self._paho.socket()
        if sock is None:
            return
        if self._paho.want_write() and not self._writer_added:
            self._writer_added = True
            self._loop.add_writer(sock.fileno(), self._flush)
        elif self._writer_added and not self._paho.want_write():
            self._writer_added = False
            self._loop.remove_writer(sock.fileno())

    def _written(self, write: Callable[[], MQTTErrorCode]) -> bool:
        try:
            return write() == paho.MQTT_ERR_SUCCESS
        except Exception as error:  # noqa: BLE001 - whatever the socket says, it is the end
            self._end(Disconnect(f"writing failed ({error})"))
            return False

    async def _answer(self, result: int, number: int | None) -> Sequence[ReasonCode]:
        """The broker's answer to a subscription or its end."""
        answer: asyncio.Future[Sequence[ReasonCode]] = self._loop.create_future()
        if result == paho.MQTT_ERR_SUCCESS:  # else the connection has just ended, and `closed` says why
            self._answers[number] = answer
        late = f"no answer to a subscription within {self._patience.answer:g} s"
        try:
            return await self._first(answer, self._patience.answer, Failure.UNREACHABLE, late)
        finally:
            self._answers.pop(number, None)

    def _end(self, ending: Disconnect) -> None:
        if not self.closed.done():
            self.closed.set_result(ending)

    # Called by paho. None may raise: paho would call it again for ever.

    def _on_socket_close(self, _client: object, _userdata: object, sock: Any) -> None:  # noqa: ANN401  paho's type names sockets of three kinds
        if (number := sock.fileno()) >= 0:
            self._loop.remove_reader(number)
            self._loop.remove_writer(number)

    def _on_connect(self, _client: object, _userdata: object, _flags: object, code: ReasonCode, facts: object) -> None:
        if self._greeting.done():
            return  # a broker that greets twice
        if not code.is_failure:
            self._outbox = Outbox(self._write, self._ask, paho_client.receive_maximum(facts, WINDOW))
        self._greeting.set_result(code)

    def _on_disconnect(
        self, _client: object, _userdata: object, flags: paho.DisconnectFlags, code: ReasonCode, _facts: object
    ) -> None:
        ending = paho_client.ending(flags, code, self._settings.keepalive)
        if self._reading:
            self._loop.call_soon(self._end, ending)  # the reader may know the reason better
        else:
            self._end(ending)

    def _on_answer(
        self, _client: object, _userdata: object, number: int, codes: Sequence[ReasonCode], _facts: object
    ) -> None:
        if (answer := self._answers.get(number)) is not None and not answer.done():
            answer.set_result(codes)

    def _on_message(self, _client: object, _userdata: object, message: paho.MQTTMessage) -> None:
        self._arrived += 1
        try:
            topic = message.topic
        except UnicodeDecodeError as error:
            self._hooks.unreadable(error.object)
            return
        payload = message.payload
        if len(payload) > MAX_BYTES + 1:
            payload = payload[: MAX_BYTES + 1]  # enough to be known as too long; the rest need not wait in memory
        self.inbox.put(Message(topic, bytes(payload), message.retain, self._now))

    def _on_publish(self, _client: object, _userdata: object, mid: int, code: ReasonCode, _facts: object) -> None:
        if self._outbox is not None and self._outbox.awaits(mid):
            self._acks.append((mid, code))

    def _on_wants_write(self, _client: object, _userdata: object, _sock: object) -> None:
        if not self._flushes_itself:  # a subscription, paho's keepalive
            self._loop.call_soon(self._flush)
