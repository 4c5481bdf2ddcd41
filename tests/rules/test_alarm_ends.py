"""Every alarm ends when its cause has: over drawn shops, drawn days, and edits in the midst of them."""

import os
from collections.abc import Callable

import pytest
from msgspec.structs import replace
from rule_shops import drawn_shop
from support.alarm_causes import CAUSES, standing_causes
from test_machine import Seeded, some_event

from gatehand_rules import Shop, State, initial, step
from gatehand_rules import events as ev
from gatehand_rules.commands import CollectorOff, CollectorOn, OpenGate, ShutGate
from gatehand_rules.findings import WHATS
from gatehand_rules.reshape import Rewired, adopt_shop, obstacles
from gatehand_rules.shop import Collector, Gate, StopContact, Tool
from gatehand_rules.words import Measure, Position

DAYS = int(os.environ.get("GATEHAND_ALARM_DAYS", "150"))
STEPS = 120
PAUSES = (0.0, 0.2, 1.0, 3.0, 8.0, 30.0, 120.0)

METERS = (Measure.AMPS, Measure.WATTS)
_CONTACT: dict[str, object] = {"measure": Measure.RUNNING, "turns_at": 1.0}
_TOOL_EDITS: tuple[Callable[[Seeded], dict[str, object]], ...] = (
    lambda choose: {"tells_online": choose.one_of([True, False])},
    lambda choose: {"silent_after": choose.one_of([0.0, 6.0, 30.0])},
    lambda choose: {"run_limit": choose.one_of([0.0, 20.0])},
    lambda choose: choose.one_of(
        [{"measure": Measure.RUNNING, "start_at": 1.0, "stop_at": 1.0}]
        + [{"measure": one, "start_at": a, "stop_at": z} for one in METERS for a in (2.5, 8.0) for z in (0.5, 2.5)]
    ),
    lambda choose: {"run_on": choose.one_of([0.0, 10.0])},
)
_GATE_EDITS: tuple[Callable[[Seeded], dict[str, object]], ...] = (
    lambda choose: {"tells_online": choose.one_of([True, False])},
    lambda choose: {"travel": choose.one_of([0.3, 1.5])},
    lambda choose: {"reports": choose.one_of([True])},
    lambda choose: {"hand_limit": choose.one_of([5.0, 1800.0])},
)
_FAN_EDITS: tuple[Callable[[Seeded], dict[str, object]], ...] = (
    lambda choose: {"tells_online": choose.one_of([True, False])},
    lambda choose: {"tells_bin": choose.one_of([True, False])},
    lambda choose: {
        "reports": choose.one_of([True, False]),
        "senses_motor": choose.one_of([True, False]),
        **choose.one_of([{"measure": one, "turns_at": 2.0} for one in METERS] + [_CONTACT]),
    },
    lambda choose: {"max_open": choose.one_of([None, 2])},
    lambda choose: {"min_open": choose.one_of([0, 1])},
    lambda choose: {"on_bin_full": choose.one_of(["refuse", "warn"])},
)
_STOP_EDITS: tuple[Callable[[Seeded], dict[str, object]], ...] = (
    lambda choose: {"tells_online": choose.one_of([True, False])},
)
_EDITS = {Tool: _TOOL_EDITS, Gate: _GATE_EDITS, Collector: _FAN_EDITS, StopContact: _STOP_EDITS}


def edited(choose: Seeded, shop: Shop) -> tuple[Shop, Rewired]:
    """A shop after an edit of one table, and what the edit made of its signals."""
    parts: list[Tool | Gate | Collector | StopContact] = [*shop.tools, *shop.gates, *shop.collectors, *shop.stops]
    one = choose.one_of(parts)
    edits = _EDITS[type(one)]
    changed = replace(one, **choose.one_of(edits)(choose))
    swap = [changed if each is one else each for each in parts]
    if isinstance(one, Tool) and len(shop.tools) > 1 and choose.whole(0, 3) == 0:
        swap.remove(changed)
    new = Shop(
        tools=tuple(each for each in swap if isinstance(each, Tool)),
        gates=tuple(each for each in swap if isinstance(each, Gate)),
        collectors=tuple(each for each in swap if isinstance(each, Collector)),
        stops=tuple(each for each in swap if isinstance(each, StopContact)),
    )
    name = frozenset({one.name}) if choose.whole(0, 2) == 0 else frozenset()
    kind = {Tool: "tool", Gate: "gate", Collector: "collector", StopContact: "stop"}[type(one)]
    return new, Rewired(
        tools=name if kind == "tool" else frozenset(),
        gates=name if kind == "gate" else frozenset(),
        bins=name if kind == "collector" else frozenset(),
        online=frozenset((kind, each) for each in name),
    )


class Day:
    """One drawn shop, and what happens to it."""

    def __init__(self, seed: int) -> None:
        self.choose = Seeded(seed)
        self.shop = drawn_shop(self.choose, circuits=False)
        self.now = 0.0
        self.state: State = initial(self.shop, 0.0)
        self.met: set[str] = set()
        self.edits = 0
        self.owed: list[ev.Event] = []
        """What the devices of a shop that works would say next."""

    def play(self) -> None:
        """A whole day; fails at the first alarm that has outlived its cause."""
        self._hear(ev.BrokerConnected())
        for _ in range(STEPS):
            self._wait(self.choose.one_of(PAUSES))
            match self.choose.whole(0, 11):
                case 0 | 1:
                    self._edit()
                case 2:
                    self._connection()
                case 3 | 4 | 5 if self.owed:
                    self._hear(self.owed.pop(0))
                case _:
                    self._hear(some_event(self.choose, self.shop))

    def _connection(self) -> None:
        if self.choose.whole(0, 3):
            return
        event = ev.BrokerLost(self.now) if self.state.connected else ev.BrokerConnected()
        self._hear(event)

    def _edit(self) -> None:
        new, rewired = edited(self.choose, self.shop)
        if obstacles(self.shop, new, self.state, self.now, rewired):
            return
        self.state = adopt_shop(self.shop, new, self.state, self.now, rewired).state
        self.shop = new
        self.edits += 1
        self._look("an edit")

    def _wait(self, seconds: float) -> None:
        end = self.now + seconds
        for _ in range(1000):
            if self.state.wake_at is None or self.state.wake_at > end:
                break
            self.now = max(self.now, self.state.wake_at)
            self._hear(ev.Tick())
        self.now = end

    def _hear(self, event: ev.Event) -> None:
        outcome = step(self.shop, self.state, event, self.now)
        self.state = outcome.state
        for command in outcome.commands:
            match command:
                case OpenGate(gate=name):
                    self.owed.append(ev.GateReport(name, Position.OPEN))
                case ShutGate(gate=name):
                    self.owed.append(ev.GateReport(name, Position.SHUT))
                case CollectorOn(collector=name) | CollectorOff(collector=name):
                    self.owed.append(ev.CollectorReport(name, on=isinstance(command, CollectorOn)))
                case _:
                    pass
        self.owed = self.owed[-4:]
        self._look(repr(event))

    def _look(self, after: str) -> None:
        self.met |= {f"{alarm.kind}.{alarm.what}" for alarm in self.state.alarms}
        outlived = {alarm.id for alarm in self.state.alarms} - standing_causes(self.shop, self.state)
        assert not outlived, f"{sorted(outlived)} outlived what it is about, at {self.now} after {after}"


def test_every_alarm_ends_when_its_cause_has() -> None:
    met: set[str] = set()
    edits = 0
    for seed in range(DAYS):
        day = Day(seed)
        day.play()
        met |= day.met
        edits += day.edits
    assert edits > DAYS, "edits were taken"
    drawn = {f"{kind}.{what}" for kind, whats in WHATS.items() for what in whats}
    assert drawn - met <= {"stop.unclear", "daemon.stops_unheard"}, "each alarm that a drawn day can raise was raised"


def test_each_alarm_of_the_rules_has_its_cause_and_its_end_written_down() -> None:
    assert set(CAUSES) == {f"{kind}.{what}" for kind, whats in WHATS.items() for what in whats}


@pytest.mark.parametrize("what", sorted(CAUSES))
def test_what_ends_an_alarm_is_said_beside_its_cause(what: str) -> None:
    assert "over:" in CAUSES[what] or CAUSES[what].startswith("as a ")
