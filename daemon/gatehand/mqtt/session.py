"""The session with the broker: connects for ever, each time anew, and tells the shell what comes of it.

What spans many connections: what is subscribed, whose `online` topic it is, how messages reach the shell. The socket
and the packets of one belong to `connection`, waits and protocol to `failures`. One task, `run`; everything else
happens in callbacks of the event loop.
"""

import asyncio
import time
from contextlib import suppress
from typing import Final

from gatehand.mqtt import failures
from gatehand.mqtt.connection import Connection, Hooks
from gatehand.mqtt.failures import ConnectionFailedError, Ending, Failure, Patience, Retry
from gatehand.mqtt.inbox import Inbox, Message
from gatehand.mqtt.notices import GuardedListener, quiet_logger
from gatehand.mqtt.payload import excerpt
from gatehand.mqtt.settings import BrokerSettings, Presence
from gatehand.mqtt.stalled_loop import CatchUp, Pulse
from gatehand.mqtt.transport import Connected, Listener, MessageKind, Notice, NoticeKind, Outgoing, Subscription

_SHELL_TURN: Final = 0.005
"""Seconds of the shell's work before the socket is looked at again."""
_ASK_AGAIN: Final = 1.0
"""Seconds between two words of ours after a standstill, while none has come back."""
_ASKED_ENOUGH: Final = 5
"""Words that did not come back from a broker that speaks: it does not give us our own topic to read."""
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
        self._patience = patience or Patience()
        self._guarded = GuardedListener(listener)
        self._retry = Retry(settings, self._patience)
        self._presence = presence = presence or Presence(f"{base}/online")
        self._own_topic = presence.topic
        self._will = Outgoing(presence.topic, presence.lost, MessageKind.STATUS)
        self._word = Outgoing(presence.topic, presence.here, MessageKind.STATUS)
        self._wanted = wanted
        self._subscribed: tuple[Subscription, ...] = ()
        self._refused: dict[str, str] = {}
        self._inbox = Inbox()
        self._pulse = pulse
        self._reads_anew = reads_anew
        self._hooks = Hooks(self._deliver, self._on_answer, self._on_unreadable, self._look)
        self._client_logger = quiet_logger()
        self._connection: Connection | None = None
        self._last_connection: Connection | None = None
        self._settle_timer: asyncio.TimerHandle | None = None
        self._settles_in = 0
        """Words of ours to come back until what is retained has been read."""
        self._delivering = False
        self._pump_due = False
        self._catch_up = CatchUp()
        self._asked = 0
        self._ask_timer: asyncio.TimerHandle | None = None
        self._stopping = False
        self._quietly = False
        self._wake = asyncio.Event()
        self.found: bytes | None = None
        """What the broker retained on our own topic when this connection began."""

    @property
    def refused(self) -> frozenset[str]:
        """Topics whose subscription the broker refuses now."""
        return frozenset(self._refused)

    def listens_to(self, wanted: tuple[Subscription, ...]) -> bool:
        """Whether these, and no others, are what the broker has been asked for on this connection."""
        return self._connection is not None and self._subscribed == wanted

    @property
    def connected(self) -> bool:
        """Whether `publish` would send."""
        return self._connection is not None and not self._connection.closed.done()

    def publish(self, outgoing: Outgoing) -> bool:
        """See `Transport.publish`."""
        if self._connection is None or not self._connection.publish(outgoing):
            return False
        if outgoing.topic == self._own_topic:
            self._word = outgoing
            self._catch_up.said()
        return True

    def subscribe(self, wanted: tuple[Subscription, ...]) -> None:
        """See `Transport.subscribe`."""
        self._wanted = wanted
        self._wake.set()

    def renew(self) -> None:
        """Give this connection up and make another, on which the broker says anew what it retains."""
        if self._connection is not None:
            self._connection.abort("to read anew what is retained")

    def stop(self, *, quietly: bool = False) -> None:
        """Say goodbye and let `run` return; what was published before still leaves. May be called more than once.

        `quietly`: without the word that nobody is there, for somebody else is.
        """
        self._stopping = True
        self._quietly = quietly
        self._wake.set()

    async def run(self) -> None:
        """Keep a connection until `stop` is called or this is cancelled (then without a goodbye; the will speaks)."""
        if self._pulse is not None:
            self._pulse.listen(self._on_stood)
        try:
            while not self._stopping:
                try:
                    pause = await self._one_connection()
                except Exception as error:  # noqa: BLE001  a daemon without a session would be blind
                    self._guarded.internal_error(error)
                    pause = self._patience.retry[-1]
                await self._sleep(pause)
        finally:
            if self._pulse is not None:
                self._pulse.unlisten(self._on_stood)

    # One connection after the other

    async def _one_connection(self) -> float:
        """Connect and stay as long as it lasts; gives the seconds to wait before the next attempt."""
        if self._last_connection is not None:
            await self._last_connection.gone()
        try:
            connection = self._last_connection = Connection(
                settings=self._settings,
                protocol=self._retry.protocol(),
                will=self._will,
                inbox=self._inbox,
                hooks=self._hooks,
                patience=self._patience,
                logger=self._client_logger,
            )
        except ConnectionFailedError as error:
            return self._wait_after(error)
        connection.closed.add_done_callback(lambda _: self._wake.set())
        try:
            await self._open(connection)
            return await self._live(connection)
        except ConnectionFailedError as error:
            connection.abort(error.cause)
            return self._wait_after(error)
        finally:
            self._leave(connection)

    async def _live(self, connection: Connection) -> float:
        began = time.monotonic()
        try:
            await self._begin(connection)
            ending = await self._stay(connection)
        except ConnectionFailedError:
            if not connection.closed.done():
                raise  # we gave it up: no answer to a subscription
            ending = connection.closed.result()
        if ending is None:
            return 0.0
        following = self._retry.after_life(ending, time.monotonic() - began)
        self._guarded.say_rarely(following.notice)
        return following.wait

    def _wait_after(self, error: ConnectionFailedError) -> float:
        if self._stopping:
            return 0.0
        following = self._retry.after_failure(error)
        self._guarded.say_rarely(following.notice)
        return following.wait

    async def _open(self, connection: Connection) -> None:
        opening = asyncio.ensure_future(connection.open())
        try:
            while not opening.done():
                self._wake.clear()
                waking = asyncio.ensure_future(self._wake.wait())
                await asyncio.wait((opening, waking), return_when=asyncio.FIRST_COMPLETED)
                waking.cancel()
                if self._stopping and not opening.done():
                    raise ConnectionFailedError(Failure.UNREACHABLE, "stopped")
            opening.result()
        finally:
            opening.cancel()

    async def _begin(self, connection: Connection) -> None:
        """Subscribe, say that we are online, tell the shell, and let the messages through."""
        self._inbox.clear()
        self._catch_up = CatchUp()
        self.found = None
        wanted = self._wanted
        self._inbox.set_sheddable(_sheddable(wanted))
        self._refused = await connection.subscribe((*wanted, Subscription(self._own_topic)))
        self._subscribed = wanted
        self._guarded.new_connection()
        self._guarded.say_rarely(self._retry.connected(connection.protocol))
        self._connection = connection
        self.publish(Outgoing(self._own_topic, self._presence.here, MessageKind.STATUS))
        self._report_refused(self._refused)
        settings = self._settings
        info = Connected(connection.protocol, settings.host, settings.port, settings.client_id, tuple(self._refused))
        self._guarded.call(self._listener.on_connected, info)
        if (stood_for := self._catch_up.stood_for) is not None:  # while it subscribed
            self._on_stood(stood_for)
        self._await_settled()
        self._deliver()

    async def _stay(self, connection: Connection) -> Ending | None:
        """Until the connection ends, or None when the session was stopped and has said goodbye."""
        while not connection.closed.done():
            if self._stopping:
                left = Outgoing(self._own_topic, self._presence.left, MessageKind.STATUS)
                await connection.say_goodbye(None if self._quietly else left)
                return None
            self._wake.clear()
            if self._wanted is not self._subscribed:
                await self._change(connection, self._wanted)
                continue
            with suppress(TimeoutError):
                async with asyncio.timeout(self._patience.refused_topics):
                    await self._wake.wait()
            self._report_shed()
            if self._refused and not self._wake.is_set():
                await self._try_refused(connection)
        return connection.closed.result()

    async def _change(self, connection: Connection, wanted: tuple[Subscription, ...]) -> None:
        subscribed = set(self._subscribed)
        topics = {each.topic for each in wanted}
        self._inbox.set_sheddable(_sheddable(wanted))
        await connection.unsubscribe([each.topic for each in self._subscribed if each.topic not in topics])
        new = [each for each in wanted if each not in subscribed]
        refused = await connection.subscribe(new)
        self._refused = {topic: why for topic, why in self._refused.items() if topic in topics} | refused
        self._report_refused(refused)
        self._subscribed = wanted
        if self._reads_anew:
            self._settle_anew()

    async def _try_refused(self, connection: Connection) -> None:
        wanted = [each for each in (*self._subscribed, Subscription(self._own_topic)) if each.topic in self._refused]
        still = await connection.subscribe(wanted)
        for topic in self._refused.keys() - still.keys():
            text = f"the broker now grants the subscription to {topic!r}"
            self._guarded.say(Notice(NoticeKind.SUBSCRIPTION_GRANTED, text, {"topic": topic}))
        granted, self._refused = self._refused.keys() - still.keys(), still
        if granted and self._reads_anew:
            self._settle_anew()

    def _leave(self, connection: Connection) -> None:
        """Close for good; what came before the end is delivered before the shell hears of the loss."""
        was_live = self._connection is connection
        self._connection = None
        connection.abort()
        if self._settle_timer is not None:
            self._settle_timer.cancel()
            self._settle_timer = None
        if was_live:
            while (message := self._inbox.take()) is not None:
                self._dispatch(message)
            self._caught_up()
            if not self._stopping:
                self._guarded.call(self._listener.on_lost, connection.closed.result().reason, connection.sure_until)
        self._inbox.clear()
        self._report_shed()

    async def _sleep(self, seconds: float) -> None:
        until = time.monotonic() + seconds
        while not self._stopping and (left := until - time.monotonic()) > 0:
            self._wake.clear()
            with suppress(TimeoutError):
                async with asyncio.timeout(left):
                    await self._wake.wait()

    # Messages

    def _deliver(self) -> None:
        """Hand over what has come. Called from the socket's callback, so that a lone message waits for no task."""
        if self._connection is None or self._delivering:
            return
        self._delivering = True
        try:
            until = time.monotonic() + _SHELL_TURN
            while (message := self._inbox.take()) is not None:
                self._dispatch(message)
                if len(self._inbox) and time.monotonic() > until:
                    # Let the socket be emptied first, so that what waits longest there may give way. Once in a turn of
                    # the loop, whoever asks for it: else every turn would take longer than the one before.
                    if not self._pump_due:
                        self._pump_due = True
                        asyncio.get_running_loop().call_soon(self._pump, self._connection)
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
        self._guarded.message(message)

    def _on_own(self, message: Message) -> None:
        if message.retained:
            self.found = message.payload
        if message.retained or self._connection is None or self._stopping:
            return  # at a clean stop the "0" that comes back is our own goodbye
        if message.payload == self._presence.lost:
            self.publish(self._word)  # the will of an old connection of ours came late
            return
        if not self._catch_up.heard():
            text = f"another daemon publishes on {self._own_topic!r}; give each its own base in the config"
            self._guarded.say_rarely(Notice(NoticeKind.SAME_BASE, text, {"topic": self._own_topic}))
        self._settles_in -= 1
        if self._settles_in <= 0:
            self._settled()
        if self._catch_up.is_over:
            self._caught_up()

    # Standstills

    def _look(self) -> None:
        if self._pulse is not None:
            self._pulse.look()

    def _on_stood(self, seconds: float) -> None:
        """The loop stood still: what waits in the inbox, the socket and the broker may be as old as that."""
        if self._connection is None:
            self._catch_up.stood(seconds)
            return
        self._guarded.call(self._listener.on_standstill, seconds)
        self._say_own_word()
        self._catch_up.stood(seconds)
        self._asked = 0
        self._ask_later()

    def _say_own_word(self) -> None:
        self.publish(self._word)

    def _ask_later(self) -> None:
        if self._ask_timer is not None:
            self._ask_timer.cancel()
        self._ask_timer = asyncio.get_running_loop().call_later(_ASK_AGAIN, self._ask_again)

    def _ask_again(self) -> None:
        self._ask_timer = None
        if self._catch_up.stood_for is None or self._connection is None:
            return
        self._asked += 1
        if self._asked >= _ASKED_ENOUGH:
            self._caught_up()
            return
        self._say_own_word()
        self._ask_later()

    def _caught_up(self) -> None:
        if self._ask_timer is not None:
            self._ask_timer.cancel()
            self._ask_timer = None
        stood, self._asked = self._catch_up.stood_for is not None, 0
        self._catch_up.end()
        if stood:
            self._guarded.call(self._listener.on_caught_up)

    # What the broker retains

    def _await_settled(self) -> None:
        if self._settle_timer is not None:
            self._settle_timer.cancel()
        self._settles_in = self._catch_up.under_way
        self._settle_timer = asyncio.get_running_loop().call_later(self._patience.settle, self._settled)

    def _settle_anew(self) -> None:
        self._say_own_word()
        self._await_settled()

    def _settled(self) -> None:
        # Our own word comes back after what the broker retains, because a broker answers one client in order.
        if self._settle_timer is not None:
            self._settle_timer.cancel()
            self._settle_timer = None
            self._guarded.call(self._listener.on_settled)

    def _on_answer(self, outgoing: Outgoing, code: int, name: str) -> None:
        if code >= 0x80:  # noqa: PLR2004  MQTT 5.0 section 2.4: failures
            text = failures.publish_refused(outgoing.topic, name)
            self._guarded.say_about(NoticeKind.PUBLISH_REFUSED, outgoing.topic, text)
        elif code == failures.NO_MATCHING_SUBSCRIBERS and outgoing.kind is not MessageKind.STATUS:
            self._guarded.say_about(NoticeKind.NOBODY_LISTENS, outgoing.topic, failures.nobody_listens(outgoing.topic))

    def _on_unreadable(self, topic: bytes) -> None:
        shown = excerpt(topic)
        self._guarded.say_about(
            NoticeKind.MESSAGE_UNREADABLE, shown, f"ignored a message whose topic is not UTF-8: {shown}"
        )

    def _report_refused(self, refused: dict[str, str]) -> None:
        for topic, reason in refused.items():
            text = f"{failures.subscription_refused(topic, reason)}; trying again every half minute"
            self._guarded.say_about(NoticeKind.SUBSCRIPTION_REFUSED, topic, text)

    def _report_shed(self) -> None:
        for topic, count in self._inbox.take_shed().items():
            text = f"fell behind: {count} readings of {topic!r} gave way to newer ones"
            self._guarded.say(Notice(NoticeKind.READINGS_SHED, text, {"topic": topic, "count": count}))


def _sheddable(wanted: tuple[Subscription, ...]) -> frozenset[str]:
    return frozenset(each.topic for each in wanted if each.sheddable)


async def farewell(speaking: asyncio.Task[None]) -> None:
    """Wait for the goodbye of a session that was stopped, for a bounded time; then its `run` is cancelled."""
    await asyncio.wait((speaking,), timeout=_LEAVE_WITHIN)
    speaking.cancel()
    await asyncio.wait((speaking,))
