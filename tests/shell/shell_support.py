"""A shop's daemon in a test's hand: the real engine over a transport, a log and clocks that the test moves itself."""

import json
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from support.in_memory import InMemory
from support.virtual_time import Clocks, Timers

from gatehand.config import load_text
from gatehand.journal.line import LogLine, Stamper
from gatehand.mqtt.transport import Connected, MessageKind, Outgoing, Subscription
from gatehand.shell.active_config import ActiveConfig
from gatehand.shell.engine import Engine
from gatehand_rules.events import Event
from gatehand_rules.state import State

SHOP = """
[collector.main]
command = { topic = "shop/fan/set", on = "1", off = "0" }
state = { topic = "shop/fan/state", on = "1", off = "0" }
spin_up = 1
coast_down = 2

[gate.band_saw]
command = { topic = "shop/gate/band_saw/set", open = "open", shut = "shut" }
state = { topic = "shop/gate/band_saw/state", open = "open", shut = "shut" }
travel = 1
button = { topic = "shop/gate/band_saw/button", pressed = "1" }

[gate.bench]
command = { topic = "shop/gate/bench/set", open = "open", shut = "shut" }
travel = 1

[tool.band_saw]
gates = ["band_saw"]
current = { topic = "shop/band_saw/amps" }
start_amps = 2.5
run_on = 10

[tool.router]
gates = ["bench"]
current = { topic = "shop/router/amps" }
start_amps = 2
run_on = 0

[stop.emergency]
topic = "shop/estop"
active = "1"
clear = "0"
"""


def active_config_of(text: str = SHOP) -> ActiveConfig:
    """A config made ready; the text must have no errors."""
    loaded = load_text(text, Path("config.toml"))
    assert loaded.config is not None, "\n".join(map(str, loaded.problems))
    return ActiveConfig.of(loaded)


@dataclass
class Sent:
    at: float
    topic: str
    text: str
    kind: MessageKind
    lines_on_disk: int


class FakeTransport:
    """Keeps what is published; can be disconnected."""

    def __init__(self, clocks: Clocks, log: "FakeLog") -> None:
        self._clocks = clocks
        self._log = log
        self.connected = False
        self.sent: list[Sent] = []
        self.wanted: tuple[Subscription, ...] = ()
        self.retained: dict[str, str] = {}

    def publish(self, outgoing: Outgoing) -> bool:
        if not self.connected:
            return False
        text = outgoing.payload.decode()
        on_disk = len(self._log.on_disk)
        self.sent.append(Sent(self._clocks.mono(), outgoing.topic, text, outgoing.kind, on_disk))
        if outgoing.kind is MessageKind.STATUS:
            self.retained[outgoing.topic] = text
        return True

    def subscribe(self, wanted: tuple[Subscription, ...]) -> None:
        self.wanted = wanted


class FakeTicket:
    def __init__(self, clocks: Clocks) -> None:
        self.done_at: float | None = None
        self.clocks = clocks

    def wait(self, seconds: float) -> bool:
        """The whole loop stands still for as long."""
        if self.done_at is None:
            self.clocks.now += seconds
        return self.done_at is not None

    def finish(self) -> None:
        self.done_at = self.clocks.mono()


class FakeLog:
    """A log in memory whose disk can stall."""

    def __init__(self, clocks: Clocks) -> None:
        self.clocks = clocks
        self.lines: list[LogLine] = []
        self.on_disk: list[LogLine] = []
        self.stalled = False
        self._waiting: list[tuple[FakeTicket, Sequence[LogLine]]] = []

    def append(self, lines: Sequence[LogLine]) -> FakeTicket:
        self.lines.extend(lines)
        ticket = FakeTicket(self.clocks)
        self._waiting.append((ticket, lines))
        if not self.stalled:
            self.flush()
        return ticket

    def flush(self) -> None:
        """The disk works again."""
        self.stalled = False
        waiting, self._waiting = self._waiting, []
        for ticket, lines in waiting:
            self.on_disk.extend(lines)
            ticket.finish()


class Recorded:
    def __init__(self) -> None:
        self.events: list[tuple[int, Event]] = []
        self.suctions: list[tuple[int, str, float]] = []
        self.begun: list[str] = []
        self.steps_of_clock = 0

    def begin(self, config: str, tools: Sequence[str], collectors: Sequence[str]) -> None:
        del tools, collectors
        self.begun.append(config)

    def clock_stepped(self) -> None:
        self.steps_of_clock += 1

    def record(self, now_ms: int, event: Event, before: State) -> None:
        del before
        self.events.append((now_ms, event))

    def record_suction(self, now_ms: int, collector: str, pascals: float, before: State) -> None:
        del before
        self.suctions.append((now_ms, collector, pascals))


@dataclass
class World:
    """The engine and everything around it."""

    text: str = SHOP
    clocks: Clocks = field(default_factory=Clocks)
    recorder: Recorded = field(default_factory=Recorded)
    said: list[str] = field(default_factory=list)
    memory: InMemory = field(default_factory=InMemory)

    def __post_init__(self) -> None:
        self.log = FakeLog(self.clocks)
        self.timers = Timers(self.clocks)
        self.transport = FakeTransport(self.clocks, self.log)
        self.stamper = Stamper("run", self.clocks)
        self.engine = Engine(
            active_config_of(self.text),
            stamper=self.stamper,
            log=self.log,
            recorder=self.recorder,
            timers=self.timers,
            transport=self.transport,
            diagnose=lambda _level, text, _facts=None: self.said.append(text),
            memory=self.memory,
            elsewhere=lambda work: work(),
        )

    def connect(self, *retained: tuple[str, str]) -> "World":
        """A connection, what the broker retains, and the half second after which the rules begin to act."""
        self.transport.connected = True
        self.engine.on_connected(Connected("5", "127.0.0.1", 1883))
        for topic, text in retained:
            self.engine.on_message(topic, text.encode(), True, self.clocks.now)
        self.engine.on_settled()
        self.run(0.6)
        return self

    def lose(self, heard_at: float | None = None) -> None:
        self.transport.connected = False
        self.engine.on_lost("gone", self.clocks.now if heard_at is None else heard_at)

    def say(self, topic: str, payload: str | bytes, *, retained: bool = False) -> None:
        raw = payload.encode() if isinstance(payload, str) else payload
        self.engine.on_message(topic, raw, retained, self.clocks.now)

    def run(self, seconds: float) -> None:
        self.timers.run_until(round(self.clocks.now + seconds, 6))

    def commands(self, since: float = 0.0) -> list[tuple[str, str]]:
        """(topic, payload) of all commands sent since then, in order."""
        return [(sent.topic, sent.text) for sent in self.acts(since)]

    def acts(self, since: float = 0.0) -> list[Sent]:
        """The same with the time of each."""
        return [sent for sent in self.transport.sent if sent.kind is not MessageKind.STATUS and sent.at >= since]

    def events(self, *names: str) -> list[LogLine]:
        return [line for line in self.log.lines if line["event"] in names]

    def shown(self, topic: str) -> Any:  # noqa: ANN401 - JSON
        """The status under `gatehand/`, or None when it was emptied."""
        text = self.transport.retained.get(f"gatehand/{topic}", "")
        return json.loads(text) if text else None

    def rested(self) -> "World":
        """Connected, everything found off and shut, both tools idle."""
        self.connect(("shop/fan/state", "0"), ("shop/gate/band_saw/state", "shut"))
        self.say("shop/band_saw/amps", "0.1")
        self.say("shop/router/amps", "0")
        self.run(3)
        return self

    def cutting(self) -> "World":
        """At rest, then the band saw cuts and the collector runs."""
        self.rested()
        self.say("shop/band_saw/amps", "5")
        self.run(0.3)
        self.say("shop/gate/band_saw/state", "open")
        self.say("shop/fan/state", "1")
        self.run(1.5)
        return self
