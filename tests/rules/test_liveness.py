"""With healthy devices a fresh demand gets its air, soon and always; and when it is over the fan goes off again.

Safety alone is met by a daemon that does nothing. Shops are generated; devices do what they are told within their time
(here: whatever time below it was drawn), and sensors speak every second.
"""

import heapq
from itertools import count

import pytest
from rule_shops import drawn_shop
from test_machine import Seeded

from gatehand_rules import Shop, initial, step
from gatehand_rules import events as ev
from gatehand_rules.commands import CollectorOff, CollectorOn, Command, OpenGate, ShutGate
from gatehand_rules.shop import Collector, Gate, Tool
from gatehand_rules.state import CollectorState, RunOn
from gatehand_rules.words import Position

SLACK = 0.1
"""Seconds of rule time beyond the gates' travel."""


class Healthy:
    """A shop whose devices all work, under virtual time."""

    def __init__(self, shop: Shop, choose: Seeded) -> None:
        self.shop, self.choose = shop, choose
        self.state = initial(shop, 0.0)
        self.now = 0.0
        self.due: list[tuple[float, int, ev.Event]] = []
        self.order = count()
        self.amps = {tool.name: 0.0 for tool in shop.tools}
        self.said: list[tuple[float, Command]] = []
        self.on_at: dict[str, float] = {}
        self.off_at: dict[str, float] = {}
        self.hear(ev.BrokerConnected())
        for gate in shop.gates:
            if gate.reports:
                self.hear(ev.GateReport(gate.name, Position.SHUT, retained=True))
        for fan in shop.collectors:
            if fan.reports:
                self.hear(ev.CollectorReport(fan.name, on=False, retained=True))
        for tool in shop.tools:
            self.later(choose.one_of([0.1, 0.7]), ev.Reading(tool.name, 0.0))

    def later(self, wait: float, event: ev.Event) -> None:
        heapq.heappush(self.due, (round(self.now + wait, 3), next(self.order), event))

    def hear(self, event: ev.Event) -> None:
        outcome = step(self.shop, self.state, event, self.now)
        self.state = outcome.state
        for command in outcome.commands:
            self._obey(command)

    def _obey(self, command: Command) -> None:
        self.said.append((self.now, command))
        match command:
            case OpenGate(gate=name) | ShutGate(gate=name):
                gate = self.gate(name)
                if gate.reports:
                    where = Position.OPEN if isinstance(command, OpenGate) else Position.SHUT
                    self.due = [one for one in self.due if getattr(one[2], "gate", None) != name]
                    heapq.heapify(self.due)
                    self.later(round(gate.travel * self.choose.one_of([0.0, 0.5, 0.9]), 3), ev.GateReport(name, where))
            case CollectorOn(collector=name) | CollectorOff(collector=name):
                on, fan = isinstance(command, CollectorOn), self.fan(name)
                (self.on_at if on else self.off_at)[name] = self.now
                if fan.reports:
                    self.later(0.05, ev.CollectorReport(name, on))
                if fan.senses_motor:
                    self.later(0.1, ev.CollectorReading(name, 6.0 if on else 0.0))
            case _:
                pass

    def run(self, until: float) -> None:
        """Time passes: deadlines and what was due, and every sensor each second."""
        while True:
            said, wake = self.due[0][0] if self.due else None, self.state.wake_at
            first = min((at for at in (said, wake) if at is not None), default=None)
            if first is None or first > until:
                break
            self.now = max(self.now, first)
            if said is not None and (wake is None or said <= wake):
                event = heapq.heappop(self.due)[2]
                if isinstance(event, ev.Reading):
                    event = ev.Reading(event.tool, self.amps[event.tool])
                    self.later(1.0, event)
                self.hear(event)
            else:
                self.hear(ev.Tick())
        self.now = until

    def draw(self, tool: str, amps: float) -> None:
        self.amps[tool] = amps
        self.hear(ev.Reading(tool, amps))

    def gate(self, name: str) -> Gate:
        return next(one for one in self.shop.gates if one.name == name)

    def fan(self, name: str) -> Collector:
        return next(one for one in self.shop.collectors if one.name == name)

    def fan_state(self, name: str) -> CollectorState:
        return next(s for one, s in zip(self.shop.collectors, self.state.collectors, strict=True) if one.name == name)

    def is_on(self, name: str) -> bool:
        return self.fan_state(name).on_phase


def can_serve(shop: Shop, tool: Tool) -> bool:
    """The shop as built lets this tool have air: its gates move, and there are enough of them."""
    fan = next(one for one in shop.collectors if one.name == tool.collector)
    gates = {gate.name: gate for gate in shop.gates if gate.collector == fan.name}
    fits = fan.max_open is None or len(tool.gates) <= fan.max_open
    moved = [name for name in tool.gates if gates[name].commanded]
    spare = sum(1 for gate in gates.values() if gate.commanded and gate.name not in moved)
    room = len(moved) + spare if fan.max_open is None else min(len(moved) + spare, fan.max_open)
    own = not tool.gates or bool(moved)
    return fits and own and len(moved) == len(tool.gates) and room >= fan.min_open


def longest_travel(shop: Shop, collector: str) -> float:
    return max((gate.travel for gate in shop.gates if gate.collector == collector), default=0.0)


def leave_a_trace(healthy: Healthy, choose: Seeded) -> None:
    """Some past, so that the demand finds the shop in one of its resting states: cuts, hands, a stop, a lost broker."""
    for _ in range(choose.whole(0, 6)):
        tool = choose.one_of(healthy.shop.tools)
        match choose.whole(0, 6):
            case 0 | 1 | 2:
                healthy.draw(tool.name, 6.0)
                healthy.run(healthy.now + choose.one_of([0.3, 2.0, 40.0]))
                healthy.draw(tool.name, 0.0)
            case 3:
                gate = choose.one_of(healthy.shop.gates)
                healthy.hear(ev.HandAsked(gate.name, on=True))
                healthy.run(healthy.now + choose.one_of([0.3, 4.0]))
                healthy.hear(ev.HandAsked(gate.name, on=False))
            case 4:
                healthy.hear(ev.StopReport("stop", active=True))
                healthy.run(healthy.now + choose.one_of([0.3, 20.0]))
                healthy.hear(ev.StopReport("stop", active=False))
                healthy.run(healthy.now + 2.0)  # one reset, and none in the two seconds before it
                for fan in healthy.shop.collectors:
                    healthy.hear(ev.ResetAsked(fan.name))
            case 5:
                healthy.hear(ev.BrokerLost(healthy.now))
                healthy.hear(ev.BrokerConnected())
                healthy.run(healthy.now + 2.0)
            case _:
                pass
        healthy.run(healthy.now + choose.one_of([0.2, 1.0, 5.0, 30.0]))


@pytest.mark.parametrize("seed", range(100))
def test_a_fresh_demand_gets_the_fan_within_the_gates_travel_and_a_tenth(seed: int) -> None:
    choose = Seeded(seed)
    shop = drawn_shop(choose, circuits=False)
    healthy = Healthy(shop, choose)
    healthy.run(choose.one_of([0.6, 1.2, 5.0, 60.0]))
    leave_a_trace(healthy, choose)
    served = 0
    for tool in shop.tools:
        if not can_serve(shop, tool):
            continue
        healthy.run(healthy.now + 2.0 + tool.stop_after)  # seen idle
        begun, fan = healthy.now, tool.collector
        healthy.draw(tool.name, 6.0)
        wait = tool.start_after + longest_travel(shop, fan) + SLACK
        healthy.run(begun + wait)
        assert healthy.is_on(fan), f"{tool.name} has waited {wait} s for {fan}: {healthy.fan_state(fan)}"
        served += 1
        healthy.run(healthy.now + choose.one_of([0.0, 2.0, 12.0]))
        healthy.draw(tool.name, 0.0)
        healthy.run(healthy.now + choose.one_of([0.0, 1.0, 15.0]))
    stopped = healthy.now
    longest = max((tool.run_on + tool.stop_after for tool in shop.tools), default=0.0)
    healthy.run(stopped + longest + 1.0 + SLACK)
    for one in shop.collectors:
        state = healthy.fan_state(one.name)
        kept = isinstance(state.phase, RunOn) and one.starts_per_hour is not None
        assert not state.on_phase or kept, f"{one.name} is still on: {state}"
    healthy.run(healthy.now + 3700.0)
    for one in shop.collectors:
        assert not healthy.is_on(one.name), f"{one.name} never goes off: {healthy.fan_state(one.name)}"


@pytest.mark.parametrize("seed", range(12))
def test_a_budget_of_starts_is_kept_by_staying_on_and_no_cut_is_refused(seed: int) -> None:
    """I8 over half a working day of cuts at random intervals: half a second to five minutes apart."""
    choose = Seeded(seed)
    budget = choose.one_of([1, 2, 4, 6, 12])
    saw = Tool(name="saw", collector="main", gates=("saw",), start_at=2.5, stop_at=1.75, run_on=5.0)
    shop = Shop(
        tools=(saw,),
        gates=(Gate(name="saw", collector="main", reports=True, travel=1.0),),
        collectors=(Collector(name="main", reports=True, starts_per_hour=budget, refresh=0.0),),
    )
    healthy = Healthy(shop, choose)
    healthy.run(2.0)
    while healthy.now < 4 * 3600.0:
        healthy.draw("saw", 8.0)
        healthy.run(healthy.now + 1.0 + SLACK)
        assert healthy.is_on("main"), f"a cut at {healthy.now} s was not served"
        healthy.run(healthy.now + choose.one_of([0.5, 3.0, 20.0]))
        healthy.draw("saw", 0.0)
        healthy.run(healthy.now + choose.one_of([0.5, 7.0, 60.0, 300.0]))
    starts = [at for at, command in healthy.said if isinstance(command, CollectorOn)]
    worst = max(sum(1 for other in starts if at <= other < at + 3600.0) for at in starts)
    assert worst <= budget, f"{worst} starts in one hour, {budget} allowed: {starts}"
    assert len(starts) >= budget


def test_most_generated_shops_have_a_tool_that_can_be_served() -> None:
    able = sum(
        1
        for seed in range(300)
        if any(can_serve(s, t) for s in [drawn_shop(Seeded(seed), circuits=False)] for t in s.tools)
    )
    assert able > 200
