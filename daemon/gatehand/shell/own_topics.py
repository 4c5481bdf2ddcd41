"""Messages on the daemon's own and command topics: what a former run has left there, and what people ask of the daemon.

The shop's devices do not speak here, so nothing in this file leads to a command but through the rules.
"""

import json
from typing import TYPE_CHECKING, Final

from gatehand.journal.line import OwnEvent
from gatehand.mqtt.payload import excerpt
from gatehand.mqtt.transport import MessageKind, Outgoing, Subscription, Transport
from gatehand.shell.own_alarms import RETAINED_COMMAND, retained_command
from gatehand.shell.ports import Diagnostics
from gatehand.shell.requests import LONGEST_REASON, answer, asked_as
from gatehand.text import json_bytes
from gatehand_rules import events as ev

if TYPE_CHECKING:
    from gatehand.shell.engine import Engine
    from gatehand_rules.findings import Alarm

HELD_BEFORE: Final = "on hold since before the daemon's restart"


class OwnTopics:
    """Reads them. Told when a connection has settled or is lost."""

    def __init__(self, engine: "Engine", transport: Transport, diagnose: Diagnostics) -> None:
        self._engine = engine
        self._transport = transport
        self._diagnose = diagnose
        self._met_before = False
        self._retained: dict[str, Alarm] = {}
        """By topic: the alarm about a command that the broker retains there."""

    def on_message(self, topic: str, payload: bytes, retained: bool, received: float) -> None:
        """A message that no device of the shop has sent."""
        routes = self._engine.active.routes
        request = routes.requests.read(topic, payload, retained=retained, now=received)
        if request is not None:
            outcomes = tuple(self._engine.handle(event, received) for event in request.events)
            if request.id:
                self._transport.publish(answer(routes.base, request, outcomes))
            return
        if (whose := routes.commands.get(topic)) is not None:
            if retained and payload:
                self._on_retained_command(topic, *whose)
            elif not retained and not payload and (alarm := self._retained.pop(topic, None)) is not None:
                self._engine.clear_alarm(alarm)
            return  # else it is the echo of our own
        match topic.removeprefix(f"{routes.base}/").split("/"):
            case ["reload"] if not retained:
                self._engine.ask_reload(excerpt(payload))
            case ["alarm", name, "ack"] if not retained:
                by = excerpt(payload[:LONGEST_REASON]).strip() or None
                if self._engine.publisher.alarms.acknowledge(name, by):
                    self._engine.note(
                        OwnEvent.ALARM_ACKNOWLEDGED, {"alarm": name} if by is None else {"alarm": name, "by": by}
                    )
            case ["collector", name, "baseline"] if not retained:
                self._on_baseline(name, payload)
            case [kind, name] if retained and payload:
                self._on_status(kind, name, topic, payload)
            case _:
                pass

    def on_settled(self) -> tuple[Subscription, ...]:
        """What is retained has come: end the alarms whose cause is gone; gives what to listen to from here on."""
        self._met_before = True
        for alarm in [shown.alarm for shown in self._engine.publisher.alarms.raised.values()]:
            if alarm.what == RETAINED_COMMAND and alarm not in self._retained.values():
                self._engine.clear_alarm(alarm)
        return self._listened()

    def on_swap(self) -> tuple[Subscription, ...]:
        """Another config: whoever is commanded there may have another name now, or be gone; gives what to listen to.

        Else the word by which the broker forgets the message would not be heard, and the alarm would never end.
        """
        for topic, alarm in list(self._retained.items()):
            whose = self._engine.active.routes.commands.get(topic)
            if whose == (alarm.kind, alarm.name):
                continue
            self._engine.clear_alarm(alarm)
            del self._retained[topic]
            if whose is not None:
                self._on_retained_command(topic, *whose)
        return self._listened()

    def _listened(self) -> tuple[Subscription, ...]:
        return (*self._engine.active.routes.live, *(Subscription(topic) for topic in self._retained))

    def on_lost(self) -> None:
        """With the next connection the broker says again what it retains."""
        self._retained.clear()

    def _on_baseline(self, name: str, payload: bytes) -> None:
        """What its suction is now is what it should be: nothing moves for that, and the rules do not hear of it."""
        judged = self._engine.suctions.take_baseline(name)
        if ask_id := asked_as(payload):
            body = {"ok": judged.ok, "rule": "baseline", "text": judged.text, **judged.facts}
            topic = f"{self._engine.active.routes.base}/answer/{ask_id}"
            self._transport.publish(Outgoing(topic, json_bytes(body), MessageKind.EVENT))

    def _on_retained_command(self, topic: str, kind: str, name: str) -> None:
        shown = retained_command(kind, name, topic)
        self._retained[topic] = shown.alarm
        self._diagnose("error", f"the broker retains a command on {topic!r}; a device that connects would act on it")
        self._engine.note(OwnEvent.RETAINED_COMMAND, {"topic": topic, kind: name})
        self._engine.raise_alarm(shown)

    def _on_status(self, kind: str, name: str, topic: str, payload: bytes) -> None:
        """What a former run left: a hold outlives a restart; what is no longer there is removed from the broker."""
        publisher = self._engine.publisher
        if kind == "collector" and not self._met_before and publisher.knows((kind, name)):
            self._on_collector(name, payload)
        publisher.found_retained(kind, name, topic)

    def _on_collector(self, name: str, payload: bytes) -> None:
        """A hold that the broker remembers counts as well as our own file's, unless a reset has ended that very one."""
        try:
            found = json.loads(payload)
        except (ValueError, RecursionError):
            return
        if not isinstance(found, dict) or found.get("state") != "held":
            return
        hold_id, why = found.get("hold_id"), found.get("held")
        why = why if isinstance(why, str) and why else HELD_BEFORE
        hold_id = hold_id if isinstance(hold_id, str) and hold_id else None  # a version of before gave none
        if not self._engine.notebook.broker_says(self._engine.active, name, hold_id, why):
            return
        if self._engine.state.adopted:  # the broker was slow to say so
            self._engine.handle(ev.HoldAsked(name, why))
        else:
            self._engine.handle(ev.HoldRemembered(name, why))
