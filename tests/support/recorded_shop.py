"""A simulated shop under the real engine, log and recorder, in virtual time: days of work on disk within seconds."""

import itertools
from datetime import UTC, datetime
from pathlib import Path

from gatehand.config import load
from gatehand.journal.line import OwnEvent, Stamper
from gatehand.journal.writer import EventLog
from gatehand.mqtt.transport import Connected, Outgoing, Subscription
from gatehand.recording.recorder import Recorder
from gatehand.shell.active_config import ActiveConfig
from gatehand.shell.engine import Engine
from gatehand.simshop.sim_shop import Habits, SimShop
from support.virtual_time import Clocks, Timers

MORNING = datetime(2026, 3, 5, 8, tzinfo=UTC).timestamp()
"""A Thursday, eight o'clock UTC."""

SHOP = """\
[log]
folder = "log"

[collector.main]
command = { topic = "shop/fan/set", on = "1", off = "0" }
state = { topic = "shop/fan/state", on = "1", off = "0" }
spin_up = 2
coast_down = 6
bin_full = { topic = "shop/bin/full", active = "1", clear = "0" }

[gate.band_saw]
command = { topic = "shop/gate/band_saw/set", open = "open", shut = "shut" }
state = { topic = "shop/gate/band_saw/state", open = "open", shut = "shut" }
button = { topic = "shop/gate/band_saw/button", pressed = "1" }
travel = 1.5
retries = 1

[gate.bench]
command = { topic = "shop/gate/bench/set", open = "open", shut = "shut" }
button = { topic = "shop/gate/bench/button", pressed = "1" }

[gate.router]
command = { topic = "shop/gate/router/set", open = "open", shut = "shut" }

[tool.band_saw]
gates = ["band_saw"]
current = { topic = "shop/band_saw/amps" }
start_amps = 2.5
run_on = 10

[tool.router]
gates = ["router"]
current = { topic = "shop/router/amps" }
start_amps = 2
run_on = 0

[stop.emergency]
topic = "shop/estop"
active = "1"
clear = "0"
"""


def late(number: int) -> float:
    """By how many seconds this call comes late."""
    return (number * 7919 % 4) / 1000


class RecordedShop:
    """One shop in a folder: config.toml, log/ with events and recordings. `begin` starts its daemon."""

    def __init__(self, folder: Path, text: str = SHOP, *, habits: Habits | None = None, wall: float = MORNING) -> None:
        self.config = folder / "config.toml"
        if not self.config.exists():
            self.config.write_text(text, "utf-8")
        self.folder = folder / "log"
        self.clocks = Clocks(wall, 1000.0)
        loaded = load(self.config)
        assert loaded.config is not None, "\n".join(map(str, loaded.problems))
        self.shop = SimShop(loaded.config, seed=1, now=self.clocks.now, habits=habits)
        self.connected = False
        self._runs = itertools.count(1)
        self._heard = {sent.topic: sent.payload for sent in self.shop.begin(self.clocks.now) if sent.retain}

    # The daemon

    def begin(self) -> "RecordedShop":
        """Start the daemon, connect, and let it settle."""
        loaded = load(self.config)
        self.stamper = Stamper(f"run{next(self._runs)}", self.clocks)
        self.timers = Timers(self.clocks, late)
        self.log = EventLog(self.folder, stamper=self.stamper, threaded=False)
        self.recorder = Recorder(self.folder, run=self.stamper.run, clock=self.clocks, threaded=False)
        self.log.append([self.stamper.note(OwnEvent.DAEMON_STARTED, self.clocks.mono(), facts={"version": "0"})])
        self.engine = Engine(
            ActiveConfig.of(loaded),
            stamper=self.stamper,
            log=self.log,
            recorder=self.recorder,
            timers=self.timers,
            transport=self,
            diagnose=lambda _level, _text, _facts=None: None,
            elsewhere=lambda work: work(),
        )
        self._next_beat = self.clocks.now
        self.connect()
        return self

    def connect(self) -> None:
        """The broker is (again) there."""
        self.connected = True
        self.engine.on_connected(Connected("5", "127.0.0.1", 1883))
        for topic, payload in list(self._heard.items()):
            self.engine.on_message(topic, payload, True, self.clocks.now)
        self.engine.on_settled()
        self.run(1)

    def lose_broker(self) -> None:
        """The connection is gone."""
        self.connected = False
        self.engine.on_lost("gone", self.clocks.now)

    def end(self, why: str = "asked to") -> None:
        """Stop the daemon cleanly."""
        self.engine.stop()
        self.run(0.1)
        self.log.append([self.stamper.note(OwnEvent.DAEMON_STOPPED, self.clocks.mono(), facts={"why": why})])
        self.close()

    def close(self) -> None:
        """Close the files, as a process that is killed leaves them."""
        self.recorder.close(round(self.clocks.mono() * 1000))
        self.log.close()
        self.connected = False

    # The transport

    def publish(self, outgoing: Outgoing) -> bool:
        if not self.connected:
            return False
        self.shop.deliver(outgoing.topic, outgoing.payload, self.clocks.now)
        return True

    def subscribe(self, wanted: tuple[Subscription, ...]) -> None:
        """Everything is heard."""

    # The floor

    def say(self, topic: str, payload: str, *, retained: bool = False) -> None:
        """A message from anywhere."""
        if self.connected:
            self.engine.on_message(topic, payload.encode(), retained, self.clocks.now)

    def cut(self, tool: str, seconds: float, amps: float | None = None, then: float = 0.0) -> None:
        """The tool cuts for so long; then time passes."""
        self.shop.tools[tool].switch(on=True, at=self.clocks.now, load=amps)
        self.run(seconds)
        self.shop.tools[tool].switch(on=False, at=self.clocks.now)
        self.run(then)

    def run(self, seconds: float, *, alive: bool = True) -> None:
        """Time passes for shop and daemon; not `alive`: for the shop alone."""
        end = self.clocks.now + seconds
        while True:
            moments = [self.shop.next_at() or end, end]
            if alive:
                moments += [self.timers.next_at(), self._next_beat]
            moment = min(moments)
            self.clocks.now = max(self.clocks.now, min(moment, end))
            self._hear(alive=alive)
            if moment >= end:
                return
            if alive and self.timers.next_at() <= self.clocks.now:
                self.timers.run_next()
            elif alive and self._next_beat <= self.clocks.now:
                self._next_beat = self.clocks.now + 1.0
                self.engine.beat()

    def _hear(self, *, alive: bool) -> None:
        for sent in self.shop.advance(self.clocks.now):
            if sent.retain:
                self._heard[sent.topic] = sent.payload
            if alive and self.connected:
                self.engine.on_message(sent.topic, sent.payload, False, self.clocks.now)
