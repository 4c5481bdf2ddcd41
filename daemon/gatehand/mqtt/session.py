"""The session with the broker: connects for ever, each time anew, and tells the shell what comes of it.

What spans many connections: what is subscribed, whose `online` topic it is, how messages reach the shell. The socket
and the packets of one belong to `connection`, waits and protocol to `failures`. One task, `run`; everything else
happens in callbacks of the event loop.
"""

import asyncio
import time
from contextlib import suppress
from typing import Final

from gatehand.mqtt.connection import Connection, Hooks
from gatehand.mqtt.failures import ConnectionFailedError, Next, Patience, Retry, subscription_refused
from gatehand.mqtt.inbox import Message
from gatehand.mqtt.notices import GuardedListener, quiet_logger
from gatehand.mqtt.payload import excerpt
from gatehand.mqtt.settings import BrokerSettings, Presence
from gatehand.mqtt.stalled_loop import Echo, Pulse
from gatehand.mqtt.transport import Connected, Listener, MessageKind, Notice, NoticeKind, Outgoing, Subscription
from gatehand.text import named

_SHELL_TURN: Final = 0.005
"""Seconds of the shell's work before the socket is looked at again."""
_ASK_AGAIN: Final = 1.0
"""Seconds between two words of ours after a standstill, while none has come back."""
_ASKED_ENOUGH: Final = 5
"""Waits of that length for a broker that speaks: it does not give us our own topic to read."""
_LEAVE_WITHIN: Final = 2.0


class Session:
    """A `Transport` over a real broker. After `stop` no `on_lost` follows; when `run` is cancelled one does.

    Args:
        settings: the broker.
        base: topic under which the daemon publishes its own state; `<base>/online` is the session's own.
        presence: another topic and other words than `<base>/online` with "1" and "0".
        listener: the shell.
        wanted: what to listen to; `subscribe` changes it.
        patience: all waits.
        pulse: notices a standstill of the loop; None: nobody does.
        reads_anew: call `on_settled` again once what is retained for topics added later has come.
    """

    def __init__(
        self,
        settings: BrokerSettings,
        base: str,
        listener: Listener,
        wanted: tuple[Subscription, ...] = (),
        *,
        patience: Patience | None = None,
        presence: Presence | None = None,
        pulse: Pulse | None = None,
        reads_anew: bool = False,
    ) -> None:
        self._settings = settings
        self._listener = listener
        self._patience = patience = patience or Patience()
        self._guarded = guarded = GuardedListener(listener)
        self._retry = Retry(settings, patience)
        self._presence = presence = presence or Presence(f"{base}/online")
        self._own_topic = presence.topic
        self._word = Outgoing(presence.topic, presence.here, MessageKind.STATUS)
        self._wanted = wanted
        self._subscribed: tuple[Subscription, ...] = ()
        self.refused: dict[str, str] = {}
        """Topics whose subscription the broker refuses now, and why."""
        self._pulse = pulse or Pulse(lambda: 0.0)  # by its clock nothing ever takes time
        self._reads_anew = reads_anew
        self._hooks = Hooks(self._on_answer, self._deliver, self._on_unreadable, self._pulse.look)
        self._client_logger = quiet_logger()
        self._connection: Connection | None = None
        """The one whose subscriptions stand."""
        self._latest: Connection | None = None
        self._under_way = 0
        """Words of ours on our own topic that have not come back on this connection."""
        say = self._say_own_word
        self._settling = Echo(lambda: guarded.call(listener.on_settled), say, patience.settle, 1)
        self._catching_up = Echo(lambda: guarded.call(listener.on_caught_up), say, _ASK_AGAIN, _ASKED_ENOUGH)
        self._stood_for: float | None = None
        """How long the loop stood still while a connection was made."""
        self._delivering = False
        self._pump_due = False
        self._stopping = False
        self._quietly = False
        self._wake = asyncio.Event()
        self.found: bytes | None = None
        """What the broker retained on our own topic when this connection began."""

    def listens_to(self, wanted: tuple[Subscription, ...]) -> bool:
        """Whether these, and no others, are what the broker has been asked for on this connection."""
        return self._connection is not None and self._subscribed == wanted

    def publish(self, outgoing: Outgoing) -> bool:
        """See `Transport.publish`."""
        if self._connection is None or not self._connection.publish(outgoing):
            return False
        if outgoing.topic == self._own_topic:
            self._word = outgoing
            self._under_way += 1
        return True

    def subscribe(self, wanted: tuple[Subscription, ...]) -> None:
        """See `Transport.subscribe`."""
        self._wanted = wanted
        self._wake.set()

    def renew(self) -> None:
        """Give this connection up and make another, on which the broker says anew what it retains."""
        if self._connection is not None:
            self._connection.abort("to read again what is retained")

    def stop(self, *, quietly: bool = False) -> None:
        """Say goodbye and let `run` return; what was published before still leaves. May be called more than once.

        `quietly`: without the word that nobody is there, for somebody else is.
        """
        self._stopping = True
        self._quietly = quietly
        self._wake.set()
        if self._latest is not None and not self._latest.is_open:
            self._latest.abort("stopped")

    async def run(self) -> None:
        """Keep a connection until `stop` is called or this is cancelled (then without a goodbye; the will speaks)."""
        self._pulse.listen(self._on_stood)
        try:
            while not self._stopping:
                try:
                    following = await self._one_connection()
                except Exception as error:  # noqa: BLE001  a daemon without a session would be blind
                    self._guarded.internal_error(error)
                    following = Next(self._patience.retry[-1])
                await self._pause(following)
        finally:
            self._pulse.unlisten(self._on_stood)

    # One connection after the other

    async def _one_connection(self) -> Next:
        """Connect and stay as long as it lasts; gives what follows."""
        connection = self._latest = Connection(
            settings=self._settings,
            protocol=self._retry.protocol(),
            hooks=self._hooks,
            patience=self._patience,
            logger=self._client_logger,
            will=Outgoing(self._own_topic, self._presence.lost, MessageKind.STATUS),
        )
        connection.closed.add_done_callback(lambda _: self._wake.set())
        connection.connecting.add_done_callback(lambda _: self._wake.set())
        try:
            await connection.open()
            began = time.monotonic()
            try:
                await self._begin(connection)
                await self._stay(connection)
            except ConnectionFailedError:
                if not connection.closed.done():
                    raise  # we give it up: no answer to a subscription
            return self._retry.after_life(connection.closed.result(), time.monotonic() - began)
        except ConnectionFailedError as error:
            connection.abort(error.cause)
            return self._retry.after_failure(error)
        finally:
            self._leave(connection)

    async def _begin(self, connection: Connection) -> None:
        """Subscribe, say that we are online, tell the shell, and let the messages through."""
        self._under_way, self._stood_for, self.found = 0, None, None
        wanted = self._wanted
        connection.inbox.set_sheddable(_sheddable(wanted))
        self.refused = await connection.subscribe((*wanted, Subscription(self._own_topic)))
        self._subscribed = wanted
        self._guarded.new_connection()
        self._guarded.say_rarely(self._retry.connected(connection.protocol))
        self._connection = connection
        self.publish(Outgoing(self._own_topic, self._presence.here, MessageKind.STATUS))
        self._report_refused(self.refused)
        info = Connected(connection.protocol, self._settings.host, self._settings.port)
        self._guarded.call(self._listener.on_connected, info)
        if self._stood_for is not None:
            self._on_stood(self._stood_for)
        self._settling.begin(self._under_way)
        self._deliver()

    async def _stay(self, connection: Connection) -> None:
        """Until the connection ends, or until the session was stopped and has said goodbye."""
        while not connection.closed.done():
            if self._stopping:
                left = Outgoing(self._own_topic, self._presence.left, MessageKind.STATUS)
                await connection.say_goodbye(None if self._quietly else left)
            elif self._wanted is not self._subscribed:
                await self._change(connection, self._wanted)
            else:
                woken = await self._woken(self._patience.refused_topics)
                self._report_shed(connection)
                if self.refused and not woken:
                    await self._try_refused(connection)

    async def _change(self, connection: Connection, wanted: tuple[Subscription, ...]) -> None:
        topics, before = {each.topic for each in wanted}, set(self._subscribed)
        connection.inbox.set_sheddable(_sheddable(wanted))
        await connection.unsubscribe([each.topic for each in self._subscribed if each.topic not in topics])
        refused = await connection.subscribe([each for each in wanted if each not in before])
        self.refused = {topic: why for topic, why in self.refused.items() if topic in topics} | refused
        self._report_refused(refused)
        self._subscribed = wanted
        self._settle_anew()

    async def _try_refused(self, connection: Connection) -> None:
        wanted = [each for each in (*self._subscribed, Subscription(self._own_topic)) if each.topic in self.refused]
        before, self.refused = self.refused, await connection.subscribe(wanted)
        granted = before.keys() - self.refused.keys()
        for topic in granted:
            text = f"the broker now grants the subscription to {topic!r}"
            self._guarded.say(Notice(NoticeKind.SUBSCRIPTION_GRANTED, text, {"topic": topic}))
        if granted:
            self._settle_anew()

    def _leave(self, connection: Connection) -> None:
        """Close for good; what came before the end is delivered before the shell hears of the loss."""
        was_live = self._connection is connection
        self._connection = None
        connection.abort()
        self._settling.cancel()
        if was_live:
            while (message := connection.inbox.take()) is not None:
                self._dispatch(message)
            self._catching_up.end()
            if not self._stopping:
                self._guarded.call(self._listener.on_lost, connection.closed.result().reason, connection.sure_until)
        self._report_shed(connection)

    async def _pause(self, following: Next) -> None:
        """The wait before the next attempt, and until the last one's thread has ended: they must not pile up."""
        if not self._stopping:
            self._guarded.say_rarely(following.notice)
        until = time.monotonic() + following.wait
        while not self._stopping:
            left = until - time.monotonic()
            if left <= 0 and (self._latest is None or self._latest.connecting.done()):
                return
            await self._woken(left if left > 0 else None)

    async def _woken(self, within: float | None) -> bool:
        """Wait for something to do, at most so many seconds; whether there is something."""
        self._wake.clear()
        with suppress(TimeoutError):
            async with asyncio.timeout(within):
                await self._wake.wait()
        return self._wake.is_set()

    # Messages

    def _deliver(self) -> None:
        """Hand over what has come. Called from the socket's callback, so that a lone message waits for no task."""
        connection = self._connection
        if connection is None or self._delivering:
            return
        self._delivering = True
        try:
            until = time.monotonic() + _SHELL_TURN
            while (message := connection.inbox.take()) is not None:
                self._dispatch(message)
                if len(connection.inbox) and time.monotonic() > until:
                    # Let the socket be emptied first, so that what waits longest there may give way. Once in a turn of
                    # the loop, whoever asks for it: else every turn would take longer than the one before.
                    if not self._pump_due:
                        self._pump_due = True
                        asyncio.get_running_loop().call_soon(self._pump, connection)
                    return
        finally:
            self._delivering = False

    def _pump(self, connection: Connection) -> None:
        self._pump_due = False
        connection.pump()

    def _dispatch(self, message: Message) -> None:
        if message.topic == self._own_topic:
            self._on_own(message)
            return
        on_message = self._listener.on_message
        self._guarded.call(on_message, message.topic, message.payload, message.retained, message.received)

    def _on_own(self, message: Message) -> None:
        if message.retained:
            self.found = message.payload
        if message.retained or self._connection is None or self._stopping:
            return  # at a clean stop the "0" that comes back is our own goodbye
        if message.payload == self._presence.lost:
            self._say_own_word()  # the will of an old connection of ours came late
            return
        if self._under_way:
            self._under_way -= 1
        else:
            text = f"another daemon publishes on {self._own_topic!r}; give each its own base in the config"
            self._guarded.say_rarely(Notice(NoticeKind.SAME_BASE, text, {"topic": self._own_topic}))
        self._settling.heard()
        self._catching_up.heard()

    def _say_own_word(self) -> None:
        self.publish(self._word)

    # Standstills, and what the broker retains

    def _on_stood(self, seconds: float) -> None:
        """The loop stood still: what waits in the inbox, the socket and the broker may be as old as that."""
        if self._connection is None:
            self._stood_for = max(seconds, self._stood_for or 0.0)
            return
        self._guarded.call(self._listener.on_standstill, seconds)
        self._say_own_word()
        self._catching_up.begin(self._under_way)

    def _settle_anew(self) -> None:
        """Our own word comes back after what the broker retains, because a broker answers one client in order."""
        if self._reads_anew:
            self._say_own_word()
            self._settling.begin(self._under_way)

    # What the broker objects to

    def _on_answer(self, _outgoing: Outgoing, objection: Notice | None) -> None:
        if objection is not None:
            self._guarded.say_once(objection)

    def _on_unreadable(self, topic: bytes) -> None:
        text = f"ignored a message whose topic is not UTF-8: {excerpt(topic)}"
        self._guarded.say_once(Notice(NoticeKind.MESSAGE_UNREADABLE, text, {"topic": excerpt(topic)}))

    def _report_refused(self, refused: dict[str, str]) -> None:
        for topic, reason in refused.items():
            text = f"{subscription_refused(topic, reason)}; trying again every half minute"
            self._guarded.say_once(Notice(NoticeKind.SUBSCRIPTION_REFUSED, text, {"topic": topic}))

    def _report_shed(self, connection: Connection) -> None:
        for topic, count in connection.inbox.take_shed().items():
            text = f"fell behind: {named(count, 'reading')} of {topic!r} gave way to newer ones"
            self._guarded.say(Notice(NoticeKind.READINGS_SHED, text, {"topic": topic, "count": count}))


def _sheddable(wanted: tuple[Subscription, ...]) -> dict[str, tuple[str, ...]]:
    return {each.topic: each.pointers for each in wanted if each.sheddable}


async def farewell(speaking: asyncio.Task[None]) -> None:
    """Wait for the goodbye of a session that was stopped, for a bounded time; then its `run` is cancelled."""
    await asyncio.wait((speaking,), timeout=_LEAVE_WITHIN)
    speaking.cancel()
    await asyncio.wait((speaking,))
