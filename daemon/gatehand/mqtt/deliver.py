"""Brings a few messages to the broker and waits for its acknowledgements, for a bounded time.

For `gatehand off`, which runs when a daemon has died. What may block (a name service that is silent, a broker that is
frozen) does so in the connection's own thread, which is left behind, so that the bound holds whatever happens.
"""

import asyncio
from collections.abc import Sequence
from contextlib import suppress
from typing import Final

from gatehand.mqtt.connection import Connection, Hooks
from gatehand.mqtt.failures import ConnectionFailedError, Failure, Patience, with_fall_back
from gatehand.mqtt.notices import quiet_logger
from gatehand.mqtt.settings import BrokerSettings, Protocol
from gatehand.mqtt.transport import Notice, Outgoing

_KEPT_FOR_THE_REST: Final = 0.3
"""Seconds of the bound for what is to be said last."""


async def deliver(
    settings: BrokerSettings, messages: Sequence[Outgoing], within: float, then: Sequence[Outgoing] = ()
) -> tuple[str | None, ...]:
    """Publish each once, at the quality of service of its kind, which must be acknowledged, and wait for the broker.

    Args:
        settings: the broker; the client id must be nobody else's.
        messages: what to publish, of kind `OFF` or `STATUS`; no two alike.
        within: seconds for all of it.
        then: what to publish when the broker has answered for all of `messages`, or the time for that is over.

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
            hooks=Hooks(answered),
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

    connection = await with_fall_back(settings, connect)
    connection.closed.add_done_callback(lambda _: news.set())
    sent = list[Outgoing]()
    for some, end in ((messages, until - _KEPT_FOR_THE_REST if then else until), (then, until)):
        sent += [each for each in some if connection.publish(each)]
        with suppress(TimeoutError):
            async with asyncio.timeout_at(end):
                while not connection.closed.done() and not answers.keys() >= set(sent):
                    news.clear()
                    await news.wait()
    await connection.say_goodbye(None)
    found = [answers.get(each, "the broker has not acknowledged it") for each in (*messages, *then)]
    if connection.protocol == "3.1.1":
        found[len(messages) :] = ["by MQTT 3.1.1 no broker says whether anybody listens" for _ in then]
    return tuple(found)
