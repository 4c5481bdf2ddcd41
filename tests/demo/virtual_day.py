"""The demo's shop and day under virtual time, around the rules alone: what the log would hold, in a second or less."""

from collections.abc import Sequence
from importlib.resources import files
from pathlib import Path

from gatehand.config.load import load_text
from gatehand.demo.day import DAY, ENDS_AT, HABITS, ShopEvent
from gatehand.demo.simulated_devices import is_driven_against_shut_gates, is_fault_input, take_fault_input
from gatehand.journal.line import LogLine, facts_of
from gatehand.shell.encode_commands import CommandEncoder
from gatehand.shell.routes import Routes
from gatehand.simshop.device import Sent
from gatehand.simshop.sim_shop import SimShop
from gatehand_rules import initial, step
from gatehand_rules.events import BrokerConnected, Event, Tick

DOORS_OPEN = 4.0


class VirtualDay:
    """Plays the day and keeps its log lines, `mono` counted from the opening of the doors."""

    def __init__(self, day: Sequence[ShopEvent] = DAY, seed: int = 1) -> None:
        loaded = load_text((files("gatehand.demo") / "shop.toml").read_text("utf-8"), Path("shop.toml"))
        assert loaded.config is not None
        assert loaded.shop is not None
        self._rules_shop = loaded.shop
        self._routes, self._told = Routes(loaded.config), CommandEncoder(loaded.config)
        self._polls = [signal.poll for signal in loaded.config.signals() if signal.poll is not None]
        """What the daemon asks on each connection."""
        self.shop = SimShop(loaded.config, seed=seed, habits=HABITS)
        self._state = initial(loaded.shop, 0.0)
        self._ahead = list(day)
        self.now = 0.0
        self.lines: list[LogLine] = []
        self.against_shut_gates: list[float] = []

    def play(self) -> list[LogLine]:
        self._feed(BrokerConnected(), 0.0)
        self._hear(self.shop.begin(0.0), retained=True)
        for poll in self._polls:
            self.shop.deliver(poll.topic, poll.payload.encode(), 0.0)
        end = DOORS_OPEN + ENDS_AT
        while self.now < end:
            next_act = DOORS_OPEN + self._ahead[0].at if self._ahead else end
            moments = (next_act, end, self.shop.next_at() or end, self._state.wake_at or end)
            self.now = max(self.now, min(moments))
            self._hear(self.shop.advance(self.now))
            if self._ahead and next_act <= self.now:
                self._act(self._ahead.pop(0))
            if self._state.wake_at is not None and self._state.wake_at <= self.now:
                self._feed(Tick(), self.now)
            self._look()
        return self.lines

    def _feed(self, event: Event, now: float) -> None:
        outcome = step(self._rules_shop, self._state, event, round(now, 3))
        self._state = outcome.state
        for finding in outcome.findings:
            mono = round(now - DOORS_OPEN, 3)
            self.lines.append({"ts": f"second {mono}", "mono": mono, **facts_of(finding)})
        for command in outcome.commands:
            message = self._told.message(command)
            if message is not None:
                self.shop.deliver(message.topic, message.payload, now)

    def _hear(self, sent: Sequence[Sent], *, retained: bool = False) -> None:
        for one in sent:
            asked = self._routes.requests.read(one.topic, one.payload, retained=retained, now=one.at)
            said = self._routes.events(one.topic, one.payload, retained=retained, now=one.at) or ()
            for event in said if asked is None else asked.events:
                self._feed(event, one.at)

    def _act(self, happening: ShopEvent) -> None:
        for topic, payload in happening.messages.items():
            if is_fault_input(topic):
                take_fault_input(self.shop, topic, payload.encode(), self.now)
            else:
                self._hear([Sent(self.now, topic, payload.encode())])

    def _look(self) -> None:
        if is_driven_against_shut_gates(self.shop, self.now):
            self.against_shut_gates.append(self.now)
