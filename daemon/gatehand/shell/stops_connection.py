"""The stop contacts' own connection: made with the first of them, changed by an edit, ended with the last.

A broker's queue for one client is short, and its words for one client come in one order: on a connection that carries
nothing else no flood of readings or reports delays a pressed stop, or drops it. No rule in here; whether the contacts
are heard is told to the rules as events.
"""

import asyncio
from dataclasses import replace
from functools import partial
from typing import Final

from gatehand.mqtt.failures import Patience
from gatehand.mqtt.session import Session, farewell
from gatehand.mqtt.settings import BrokerSettings, Presence
from gatehand.mqtt.stalled_loop import Pulse
from gatehand.mqtt.transport import Connected, Notice, NoticeKind, Subscription
from gatehand.shell.engine import Engine
from gatehand_rules import events as ev

CONNECTION: Final = "stops"
"""What its client id has behind the daemon's, and the level below `online` where it says that it stands."""
_SAID_BY_THE_OTHER: Final = frozenset(
    {NoticeKind.UNREACHABLE, NoticeKind.LOGIN_REFUSED, NoticeKind.CONNECTION_REFUSED, NoticeKind.OLDER_PROTOCOL}
)


class StopsConnection:
    """Listens to the topics last given to `want`; the listener of its own session. `close` at the end, always."""

    def __init__(
        self, engine: Engine, settings: BrokerSettings, base: str, *, patience: Patience | None, pulse: Pulse
    ) -> None:
        self._engine = engine
        self._new_session = partial(
            Session,
            replace(settings, client_id=f"{settings.client_id}-{CONNECTION}"),
            base,
            self,
            patience=patience,
            presence=Presence(f"{base}/online/{CONNECTION}"),
            pulse=pulse,
            reads_anew=True,
        )
        self._topics: tuple[Subscription, ...] = ()
        self._session: Session | None = None
        self._speaking: asyncio.Task[None] | None = None

    def want(self, topics: tuple[Subscription, ...]) -> None:
        """From now on listen to exactly these. Until what is retained on them has been read they count as unheard."""
        if topics == self._topics:
            return
        self._topics = topics
        if not topics:
            self._end()
            return
        self._engine.handle(ev.StopsLost())
        if self._session is not None:
            self._session.subscribe(topics)
            return
        self._session = self._new_session(topics)
        self._speaking = asyncio.create_task(self._speak(self._session, after=self._speaking))

    async def close(self) -> None:
        """Say goodbye, for a bounded time."""
        self._end()
        if self._speaking is not None:
            await farewell(self._speaking)

    @staticmethod
    async def _speak(session: Session, after: asyncio.Task[None] | None) -> None:
        """Not before the one before has left: both have one client id."""
        if after is not None:
            await farewell(after)
        await session.run()

    def _end(self) -> None:
        if self._session is not None:
            self._session.stop()
            self._session = None
            self._engine.caught_up(CONNECTION)

    # The session calls

    def on_message(self, topic: str, payload: bytes, retained: bool, received: float) -> None:
        """A stop contact speaks."""
        if self._session is not None:
            self._engine.on_message(topic, payload, retained, received)

    def on_connected(self, info: Connected) -> None:
        """What is retained follows."""

    def on_settled(self) -> None:
        """What is retained has been read: they are heard, if the broker lets us hear all of them."""
        session = self._session
        if session is None:
            return
        refused = sorted(each.topic for each in self._topics if each.topic in session.refused)
        if refused:
            self._engine.handle(ev.StopsLost(f"the broker refuses the subscription to {', '.join(refused)}"))
        elif session.listens_to(self._topics):
            self._engine.handle(ev.StopsHeard())

    def on_lost(self, reason: str, heard_at: float) -> None:
        """Nobody knows now whether one is pressed."""
        del heard_at
        if self._session is not None:
            self._engine.handle(ev.StopsLost(reason or "the connection is gone"))

    def on_standstill(self, seconds: float) -> None:
        """What comes here is old for now."""
        self._engine.stood_still(CONNECTION, seconds)

    def on_caught_up(self) -> None:
        """It has been read."""
        self._engine.caught_up(CONNECTION)

    def on_notice(self, notice: Notice) -> None:
        """What the daemon's other connection says in the same words anyway is not said twice."""
        if notice.kind in _SAID_BY_THE_OTHER and not self._engine.state.connected:
            return
        if notice.kind is not NoticeKind.OLDER_PROTOCOL:
            text = f"the stop contacts' own connection: {notice.text}"
            self._engine.on_notice(Notice(notice.kind, text, {**notice.facts, "connection": CONNECTION}))
