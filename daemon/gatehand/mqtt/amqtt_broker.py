"""amqtt's broker without two of its habits.

It sends every client that connects what it retains for anybody's subscriptions, and it leaves a connection open that
breaks while it is written to. Imported by `embedded` alone, when a broker is asked for.
"""

import asyncio

from amqtt.broker import Broker
from amqtt.session import Session


class TidyBroker(Broker):  # type: ignore[misc]  # amqtt comes without types
    """Sends retained messages to those who have subscribed to them, and to nobody else; leaves no socket behind."""

    async def stream_connected(
        self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, listener_name: str
    ) -> None:
        """One connection, from its beginning to its end."""
        try:
            await super().stream_connected(reader, writer, listener_name)
        finally:
            writer.close()

    async def _publish_retained_messages_for_subscription(
        self, subscription: tuple[str, int], session: Session
    ) -> None:
        subscribers = self._subscriptions.get(subscription[0], ())
        if any(subscriber is session for subscriber, _ in subscribers):
            await super()._publish_retained_messages_for_subscription(subscription, session)
