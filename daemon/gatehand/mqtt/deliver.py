"""Brings a few messages to the broker and waits for its acknowledgements, or for answers, for a bounded time.

For `gatehand off`, which runs when a daemon has died. What may block (a name service that is silent, a broker that is
frozen) does so in the connection's own thread, which is left behind, so that the bound holds whatever happens.
"""

import asyncio
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from typing import Final

from gatehand.mqtt.connection import Connection, Hooks
from gatehand.mqtt.failures import ConnectionFailedError, Failure, Patience, with_fall_back
from gatehand.mqtt.inbox import Message
from gatehand.mqtt.notices import quiet_logger
from gatehand.mqtt.settings import BrokerSettings, Protocol
from gatehand.mqtt.transport import Notice, Outgoing, Subscription

_KEPT_FOR_THE_REST: Final = 0.3
"""Seconds of the bound for what is to be said last."""
ANSWER_WITHIN: Final = 1.0
"""Seconds in which a daemon answers."""


@dataclass(slots=True)
class Answers:
    """Answers to what is published last. `topics`: where each of them comes, in the same order; `came`: what came."""

    topics: tuple[str, ...]
    came: dict[str, bytes] = field(default_factory=dict)

    def take(self, message: Message) -> None:
        """The first one counts."""
        if message.topic in self.topics:
            self.came.setdefault(message.topic, message.payload)


async def deliver(
    settings: BrokerSettings,
    messages: Sequence[Outgoing],
    within: float,
    then: Sequence[Outgoing] = (),
    answers_to: Answers | None = None,
) -> tuple[str | None, ...]:
    """Publish each once, at the quality of service of its kind, which must be acknowledged, and wait for the broker.

    Args:
        settings: the broker; the client id must be nobody else's.
        messages: what to publish, of kind `OFF` or `STATUS`; no two alike.
        within: seconds for all of it.
        then: what to publish when the broker has answered for all of `messages`, or the time for that is over.
        answers_to: takes the answers to `then`, which are waited for, `ANSWER_WITHIN` at most.

    Returns:
        For each message None when the broker has it, else the reason as a sentence; those of `then` last, for which
        None also says that somebody listens there.

    Raises:
        ConnectionFailedError: no connection came about in time.
    """
    until = asyncio.get_running_loop().time() + within
    patience = Patience(connect=within, answer=within, goodbye=0.0)
    answers = dict[Outgoing, str | None]()
    news = asyncio.Event()

    def answered(outgoing: Outgoing, objection: Notice | None) -> None:
        answers[outgoing] = None if objection is None else objection.text
        news.set()

    async def connect(protocol: Protocol) -> Connection:
        connection = Connection(
            settings=settings,
            protocol=protocol,
            hooks=Hooks(answered, news.set),
            patience=patience,
            logger=quiet_logger(),
        )
        try:
            # A broker that knows no MQTT 5 may keep silent, so that half of the time is kept for what it does know.
            async with asyncio.timeout_at(until - within / 2 if protocol == "5" else until):
                await connection.open()
        except TimeoutError:
            connection.abort()
            raise ConnectionFailedError(Failure.NO_ANSWER, "no answer in time") from None
        except ConnectionFailedError:
            connection.abort()
            raise
        return connection

    async def publish(some: Sequence[Outgoing], end: float) -> None:
        sent.extend(each for each in some if connection.publish(each))
        await wait(lambda: answers.keys() >= set(sent), end)

    async def wait(is_over: Callable[[], bool], end: float) -> None:
        with suppress(TimeoutError):
            async with asyncio.timeout_at(end):
                while not connection.closed.done() and not is_over():
                    news.clear()
                    await news.wait()

    def all_came(wanted: Answers) -> bool:
        """Whoever is not there does not answer."""
        while (message := connection.inbox.take()) is not None:
            wanted.take(message)
        return all(at in wanted.came or answers.get(each) for each, at in zip(then, wanted.topics, strict=True))

    connection = await with_fall_back(settings, connect)
    connection.closed.add_done_callback(lambda _: news.set())
    sent = list[Outgoing]()
    await publish(messages, until - _KEPT_FOR_THE_REST if then else until)
    if answers_to is not None and not connection.closed.done():
        with suppress(TimeoutError, ConnectionFailedError):
            async with asyncio.timeout_at(until - _KEPT_FOR_THE_REST):
                await connection.subscribe([Subscription(topic) for topic in answers_to.topics])
    await publish(then, until)
    if answers_to is not None:
        soon = asyncio.get_running_loop().time() + ANSWER_WITHIN
        await wait(lambda: all_came(answers_to), min(until, soon))
    await connection.say_goodbye(None)
    found = [answers.get(each, "the broker has not acknowledged it") for each in (*messages, *then)]
    if connection.protocol == "3.1.1":
        found[len(messages) :] = ["by MQTT 3.1.1 no broker says whether anybody listens" for _ in then]
    return tuple(found)
