"""Messages on the daemon's own and command topics: what a former run has left there, and what people ask of the daemon.

The shop's devices do not speak here, so nothing in this file leads to a command but through the rules.
"""

from typing import Protocol, assert_never

from gatehand.journal.clock import Clock
from gatehand.journal.line import ALARM_ACKNOWLEDGED, RETAINED_COMMAND
from gatehand.mqtt.transport import Subscription
from gatehand.shell.active_config import ActiveConfig
from gatehand.shell.alarms import ShownAlarm
from gatehand.shell.notebook import Notebook
from gatehand.shell.ports import Diagnostics
from gatehand.shell.routes import (
    AlarmAcked,
    CommandForgotten,
    OwnStatus,
    ReloadAsked,
    RetainedCommand,
    Routes,
)
from gatehand.shell.shell_alarms import about_retained, is_retained_command, retained_command
from gatehand.shell.state_publisher import StatePublisher
from gatehand_rules import events as ev
from gatehand_rules.alarms import Alarm
from gatehand_rules.findings import Fact
from gatehand_rules.state import State
from gatehand_rules.step import Outcome

HELD_BEFORE = "held before the daemon's restart"


class Desk(Protocol):
    """What is asked of the engine from here."""

    @property
    def state(self) -> State:
        """What the rules remember."""

    @property
    def active(self) -> ActiveConfig:
        """The config in use."""

    @property
    def notebook(self) -> Notebook:
        """What is remembered beyond the daemon's end."""

    @property
    def clock(self) -> Clock:
        """The clocks."""

    @property
    def publisher(self) -> StatePublisher:
        """What is shown."""

    def handle(self, event: ev.Event, received: float | None = None) -> Outcome | None:
        """Give the rules an event; gives what they made of it."""

    def note(self, event: str, facts: dict[str, Fact] | None = None) -> None:
        """Write a log line."""

    def raise_alarm(self, alarm: ShownAlarm) -> None:
        """Raise an alarm of the shell's own."""

    def clear_alarm(self, alarm: Alarm) -> None:
        """End one."""

    def ask_reload(self, by: str) -> None:
        """The config is to be read again."""


class OwnTopics:
    """Reads them. Told when a connection has settled or is lost."""

    def __init__(self, desk: Desk, diagnose: Diagnostics) -> None:
        self._desk = desk
        self._diagnose = diagnose
        self._met_before = False
        self._retained: dict[str, RetainedCommand] = {}

    def on_message(self, routes: Routes, topic: str, payload: bytes, *, retained: bool) -> None:
        """A message that no device of the shop has sent."""
        found = routes.own(topic, payload, retained=retained)
        match found:
            case None:
                return
            case ReloadAsked(text=text):
                self._desk.ask_reload(text)
            case AlarmAcked(name=name, by=by):
                if self._desk.publisher.acknowledge(name, by):
                    self._desk.note(ALARM_ACKNOWLEDGED, {"alarm": name} if by is None else {"alarm": name, "by": by})
            case RetainedCommand():
                self._on_retained_command(found)
            case CommandForgotten(topic=topic):
                if (was := self._retained.pop(topic, None)) is not None:
                    self._desk.clear_alarm(about_retained(was))
            case OwnStatus():
                self._on_status(found)
            case _:
                assert_never(found)

    def on_settled(self, routes: Routes) -> tuple[Subscription, ...]:
        """What is retained has come: end the alarms whose cause is gone; gives what to listen to from here on."""
        self._met_before = True
        for alarm in [shown.alarm for shown in self._desk.publisher.alarms.standing.values()]:
            if is_retained_command(alarm) and alarm not in {about_retained(x) for x in self._retained.values()}:
                self._desk.clear_alarm(alarm)
        return self._listened(routes)

    def on_swap(self, routes: Routes) -> tuple[Subscription, ...]:
        """Another config: who is told on such a topic may be called otherwise now, or nobody; gives what to listen to.

        Else the word by which the broker forgets the message would not be heard, and the alarm would never end.
        """
        for topic, was in list(self._retained.items()):
            found = routes.retained_command(topic)
            if found == was:
                continue
            self._desk.clear_alarm(about_retained(was))
            del self._retained[topic]
            if found is not None:
                self._on_retained_command(found)
        return self._listened(routes)

    def _listened(self, routes: Routes) -> tuple[Subscription, ...]:
        return (*routes.live, *(Subscription(topic) for topic in self._retained))

    def on_lost(self) -> None:
        """With the next connection the broker says again what it retains."""
        self._retained.clear()

    def _on_retained_command(self, found: RetainedCommand) -> None:
        self._retained[found.topic] = found
        text = f"the broker retains a command on {found.topic!r}; a device that connects would act on it"
        self._diagnose("error", text)
        self._desk.note(RETAINED_COMMAND, {"topic": found.topic, found.kind: found.name})
        self._desk.raise_alarm(retained_command(found, self._desk.clock.wall()))

    def _on_status(self, found: OwnStatus) -> None:
        """A hold outlives a restart; what is no longer there is removed from the broker."""
        publisher = self._desk.publisher
        if found.kind == "collector" and found.held and not self._met_before and publisher.knows(found):
            self._on_held(found)
        publisher.found_retained(found)

    def _on_held(self, found: OwnStatus) -> None:
        """What the broker remembers counts as well as our own file, unless a reset has ended that very hold."""
        why = found.why or HELD_BEFORE
        if not self._desk.notebook.broker_says(self._desk.active, found.name, found.hold_id, why):
            return
        if self._desk.state.adopted:  # the broker was slow to say so
            self._desk.handle(ev.HoldAsked(found.name, why))
        else:
            self._desk.handle(ev.HoldRemembered(found.name, why))
