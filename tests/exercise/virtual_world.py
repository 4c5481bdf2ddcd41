"""A world in virtual time: simulated devices, a person who answers by a script, and a daemon that holds (or not).

A day of it takes a moment; nothing here sleeps.
"""

import asyncio
import json
import math
from collections.abc import Callable, Collection, Mapping
from pathlib import Path

from gatehand.config import Config
from gatehand.config.load import load_text
from gatehand.exercise.limit_result import LimitResult
from gatehand.exercise.observed_state import press_words
from gatehand.exercise.results import Result
from gatehand.exercise.terminal_io import TerminalEvent, TerminalIo
from gatehand.exercise.time_limit import measure
from gatehand.exercise.walk import Asked, walk
from gatehand.mqtt.client import ClientError
from gatehand.mqtt.inbox import Message
from gatehand.mqtt.transport import Outgoing
from gatehand.person import EndOfInput
from gatehand.simshop.device import Sent
from gatehand.simshop.gate import GateHabits
from gatehand.simshop.sim_shop import Habits, SimShop

TEXT = """
[collector.main]
command = { topic = "c/set", on = "1", off = "0" }
state = { topic = "c/state", on = "1", off = "0" }
current = { topic = "c/amps" }
coast_down = 5

[gate.band_saw]
command = { topic = "g/band_saw/set", open = "open", shut = "shut" }
state = { topic = "g/band_saw/state", open = "open", shut = "shut" }
travel = 1.5

[gate.planing]
command = { topic = "g/planing/set", open = "open", shut = "shut" }
state = { topic = "g/planing/state", open = "open", shut = "shut" }
travel = 1.5

[gate.router]
command = { topic = "g/router/set", open = "1", shut = "0" }
travel = 2

[tool.band_saw]
gates = ["band_saw"]
current = { topic = "t/band_saw/amps" }
start_amps = 2.5
stop_amps = 1.8

[tool.jointer]
gates = ["planing"]
current = { topic = "t/jointer/amps" }
start_amps = 3

[tool.router]
gates = ["router"]
current = { topic = "t/router/amps" }
start_amps = 1.5

[stop.emergency]
topic = "estop"
active = "1"
clear = "0"
"""
MECHANICAL = Habits(gates=dict.fromkeys(("band_saw", "planing", "router"), GateHabits(travel=1.2, delay=0.0)))
Person = Callable[["VirtualWorld", str], None]


def config(text: str = TEXT) -> Config:
    loaded = load_text(text, Path("shop.toml"))
    assert loaded.config is not None, loaded.problems
    return loaded.config


class VirtualWorld(TerminalIo):
    """All that the exercise asks of its terminal, without a terminal, a broker and a clock.

    Args:
        person: called with each question; None: nobody is there.
        daemon: the state that the daemon shows for the collector; None: no daemon.
        holds: whether that daemon does as it is told.
        mute: topics whose messages get lost.
        reroute: topics that devices publish to in the stead of their own (swapped sensors).
        spelling: words that devices say in the stead of those of the config.
    """

    def __init__(
        self,
        *,
        person: Person | None = None,
        daemon: str | None = None,
        holds: bool = True,
        habits: Habits = MECHANICAL,
        reroute: Mapping[str, str] | None = None,
        spelling: Mapping[str, str] | None = None,
        text: str = TEXT,
        mute: Collection[str] = (),
    ) -> None:
        self.config = config(text)
        self.shop = SimShop(self.config, habits=habits, seed=3)
        self.time = 0.0
        self.sent: list[tuple[str, str]] = []
        """What the exercise published, in order."""
        self.said: list[str] = []
        """What it told and asked."""
        self.objections: dict[str, str] = {}
        self.before_send: Callable[[Outgoing], None] = lambda _: None
        """Called with what is about to be published."""
        self.mute = set(mute)
        self._person = person
        self._holds = holds
        self._reroute = dict(reroute or {})
        self._spelling = dict(spelling or {})
        self._waiting: list[TerminalEvent] = [] if person is not None else [EndOfInput.NOBODY_THERE]
        self._plans: list[tuple[float, int, Callable[[], None]]] = []
        self._broken: ClientError | None = None
        self.sent_anew: list[tuple[str, str]] = []
        """What came to the broker over another connection."""
        self.broker_comes_back = True
        self._hear(self.shop.begin(0.0), retained=True)
        if daemon is not None:
            self.publish("gatehand/online", "1", retained=True)
            self.daemon_shows(daemon, retained=True)

    def go(
        self, *, tools: bool = False, gates: bool = True, presses: bool = False, rounds: int = 5, yes: bool = True
    ) -> Result:
        """Exercise all of it."""
        every_tool = tuple(self.config.tool) if tools else ()
        every_gate = tuple(self.config.gate) if gates else ()
        every_press = tuple(one for one in self.config.signals() if press_words(one)) if presses else ()
        return asyncio.run(walk(self.config, self, Asked(every_gate, every_tool, rounds, every_press, yes=yes)))

    def limit(self, *, yes: bool = True, held: str | None = None) -> LimitResult:
        """Try the time limit of the collector's switch."""
        return asyncio.run(measure(self.config, self, "main", yes=yes, held=held))

    # The world's side

    def publish(self, topic: str, payload: str, *, retained: bool = False) -> None:
        """Somebody publishes something."""
        if topic not in self.mute:
            self._waiting.append(Message(self._reroute.get(topic, topic), payload.encode(), retained, self.time))

    def daemon_shows(self, state: str, *, retained: bool = False) -> None:
        self.publish("gatehand/collector/main", json.dumps({"state": state}), retained=retained)

    def type(self, text: str = "", *, after: float = 0.0) -> None:
        """The person types a line."""
        self.plan(after, lambda: self._waiting.append(text))

    def leave(self, *, after: float = 0.0) -> None:
        """The person goes."""
        self.plan(after, lambda: self._waiting.append(EndOfInput.NOBODY_THERE))

    def lose_broker(self, *, after: float = 0.0) -> None:
        """The connection ends: nothing is heard or sent any more."""

        def lose() -> None:
            self._broken = ClientError("the broker is gone (test)")

        self.plan(after, lose)

    def interrupt(self, *, after: float = 0.0) -> None:
        self.plan(after, lambda: self._waiting.append(EndOfInput.INTERRUPTED))

    def plan(self, after: float, action: Callable[[], None]) -> None:
        """Something happens, so many seconds from now."""
        self._plans.append((self.time + after, len(self._plans), action))
        self._plans.sort(key=lambda plan: plan[:2])

    # The exercise's side

    def now(self) -> float:
        return self.time

    def say(self, text: str) -> None:
        self.said.append(text)

    def ask(self, text: str) -> None:
        self.said.append(text)
        assert self._person is not None, f"nobody is there to be asked: {text}"
        self._person(self, text)

    async def send_anew(self, off: Outgoing, within: float) -> str | None:
        assert self._broken is not None
        if not self.broker_comes_back:
            self.time += within
            return "no connection to the broker"
        self.sent_anew.append((off.topic, off.payload.decode()))
        self.shop.deliver(off.topic, off.payload, self.time)
        return None

    async def send(self, outgoing: Outgoing) -> str | None:
        if self._broken is not None:
            raise self._broken
        self.before_send(outgoing)
        payload = outgoing.payload.decode()
        self.sent.append((outgoing.topic, payload))
        if outgoing.topic == "gatehand/collector/main/hold" and self._holds:
            self.plan(0.05, lambda: self.daemon_shows("held"))
        self.shop.deliver(outgoing.topic, outgoing.payload, self.time)
        return self.objections.get(outgoing.topic)

    async def next(self, until: float) -> TerminalEvent | None:
        while not self._waiting:
            moments = (until, self.shop.next_at() or math.inf, self._plans[0][0] if self._plans else math.inf)
            self.time = max(self.time, min(moments))
            assert self.time < 10_000, f"it waits for ever; last said: {self.said[-3:]}"
            self._hear(self.shop.advance(self.time))
            while self._plans and self._plans[0][0] <= self.time:
                self._plans.pop(0)[2]()
            if not self._waiting and self.time >= until:
                return None
            if self._broken is not None:
                raise self._broken
        return self._waiting.pop(0)

    def _hear(self, sent: list[Sent], *, retained: bool = False) -> None:
        for one in sent:
            if one.retain or not retained:
                said = one.payload.decode()
                self.publish(one.topic, self._spelling.get(said, said), retained=retained)


def at_the_tools(*, starts: Mapping[str, str] | None = None) -> Person:
    """A person who says yes, watches gates that cannot report, and starts the tool that is asked for (or another)."""

    def answer(world: VirtualWorld, question: str) -> None:
        running = [name for name, tool in world.shop.tools.items() if tool.on]
        if question.startswith("Start the "):
            asked = question.removeprefix("Start the ").partition(" now")[0].replace(" ", "_")
            name = (starts or {}).get(asked, asked)
            world.plan(1.0, lambda: world.shop.tools[name].switch(on=True, at=world.time))
            world.type(after=9.0)
        elif question.startswith(("Now switch", "The ")):
            for name in running:
                world.plan(1.0, lambda name=name: world.shop.tools[name].switch(on=False, at=world.time))  # type: ignore[misc]
            world.type(after=9.0)
        elif question.startswith("It is told to"):
            world.type(after=1.4)
        else:
            world.type("yes" if "Type yes" in question else "", after=0.5)

    return answer
