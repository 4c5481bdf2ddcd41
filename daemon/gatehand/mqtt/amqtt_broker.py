"""amqtt's broker without two habits, both seen with amqtt 0.12.1. Imported by `embedded` alone, when it is needed.

It sends every client that connects what it retains for anybody's subscriptions, and it never closes a connection that
breaks while it is written to.
"""

import asyncio

from amqtt.broker import Broker
from amqtt.session import Session


class TidyBroker(Broker):  # type: ignore[misc]  # amqtt comes without types
    """Sends retained messages to those who have subscribed to them, and to nobody else; leaves no socket behind."""

    @property
    def port(self) -> int:
        """The one that the system chose; amqtt tells it to those who extend it alone."""
        return int(self._servers["default"].instance.sockets[0].getsockname()[1])

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
