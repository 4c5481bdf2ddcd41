"""amqtt's broker, less one habit: it sends every client that connects what it retains for anybody's subscriptions.

Imported by `embedded` alone, when a broker is asked for.
"""

from amqtt.broker import Broker
from amqtt.session import Session


class TidyBroker(Broker):  # type: ignore[misc]  # amqtt comes without types
    """Sends retained messages to those who have subscribed to them, and to nobody else."""

    async def _publish_retained_messages_for_subscription(
        self, subscription: tuple[str, int], session: Session
    ) -> None:
        subscribers = self._subscriptions.get(subscription[0], ())
        if any(subscriber is session for subscriber, _ in subscribers):
            await super()._publish_retained_messages_for_subscription(subscription, session)
