"""Generated shops under generated mishaps: time, loss, doubling, reordering, a broker that comes and goes.

The observer (watcher.py) holds every step against I1 to I7; beside that no step may fail, need the interlock, leave a
deadline behind it, or take the short way of a reading wrongly.
"""

import os
import random
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, TypeVar

import pytest
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, precondition, rule
from loose_shop import LooseShop
from rule_shops import drawn_shop
from story import config, scenario
from support.scenario_format import parse
from support.scenario_play import play

from gatehand.config import load_text
from gatehand_rules import Shop
from gatehand_rules import events as ev
from gatehand_rules.words import Position

T = TypeVar("T")
EXAMPLES = int(os.environ.get("GATEHAND_EXAMPLES", "200"))
AMPS = (0.0, 0.3, 1.0, 2.0, 2.49, 2.5, 6.0, 17.5, -0.2)
PAUSES = (0.001, 0.2, 0.5, 1.0, 1.5, 3.0, 8.0, 30.0)


class Drawn:
    """Choices that hypothesis makes and shrinks."""

    def __init__(self, draw: Callable[..., Any]) -> None:
        self._draw = draw

    def whole(self, low: int, high: int) -> int:
        drawn: int = self._draw(st.integers(low, high))
        return drawn

    def one_of(self, options: Sequence[T]) -> T:
        drawn: T = self._draw(st.sampled_from(options))
        return drawn


class Seeded:
    """Choices from a seed."""

    def __init__(self, seed: int) -> None:
        self._random = random.Random(seed)

    def whole(self, low: int, high: int) -> int:
        return self._random.randint(low, high)

    def one_of(self, options: Sequence[T]) -> T:
        return self._random.choice(options)


@st.composite
def shops(draw: st.DrawFn) -> Shop:
    return drawn_shop(Drawn(draw))


AT = st.integers(0, 31)


class Mishaps(RuleBasedStateMachine):
    """What can happen to a shop."""

    loose: LooseShop

    @initialize(shop=shops(), connected=st.booleans())
    def begin(self, shop: Shop, connected: bool) -> None:
        self.loose = LooseShop(shop)
        if connected:
            self.loose.hear(ev.BrokerConnected())
            self.loose.wait(0.5)
            for tool in shop.tools:
                self.loose.hear(ev.Reading(tool.name, 0.0))

    @rule(seconds=st.sampled_from(PAUSES))
    def wait(self, seconds: float) -> None:
        self.loose.wait(seconds)

    @rule(seconds=st.sampled_from(PAUSES))
    def oversleep(self, seconds: float) -> None:
        self.loose.oversleep(seconds)

    @rule(at=AT, keep=st.booleans())
    def deliver(self, at: int, keep: bool) -> None:
        self.loose.deliver(at, keep=keep)

    @rule(at=AT)
    def lose(self, at: int) -> None:
        self.loose.lose(at)

    @precondition(lambda self: self.loose.notes.connected)
    @rule(data=st.data())
    def hear(self, data: st.DataObject) -> None:
        self.loose.hear(some_event(Drawn(data.draw), self.loose.shop))

    @rule(data=st.data())
    def connection(self, data: st.DataObject) -> None:
        self.loose.hear(some_connection(Drawn(data.draw), self.loose))


def some_event(choose: Drawn | Seeded, shop: Shop) -> ev.Event:
    """Anything that a device, a hand or a script may say, now and then about a thing that is not there."""
    tool = choose.one_of([*(one.name for one in shop.tools), "nobody"])
    gate = choose.one_of([*(one.name for one in shop.gates), "nobody"])
    fan = choose.one_of([*(one.name for one in shop.collectors), "nobody"])
    old = choose.whole(0, 5) == 0
    yes = choose.one_of([True, False])
    match choose.whole(0, 19):
        case 0 | 1 | 2 | 3 | 4 | 5:
            return ev.Reading(tool, choose.one_of(AMPS), old)
        case 6 | 7 | 8:
            return ev.GateReport(gate, choose.one_of(list(Position)), old)
        case 9:
            return ev.ButtonPressed(gate, old)
        case 10:
            return ev.HandAsked(gate, yes, old)
        case 11:
            return ev.StopReport("stop", yes, old)
        case 12 | 13:
            return ev.CollectorReport(fan, yes, old)
        case 14:
            return ev.CollectorReading(fan, choose.one_of(AMPS), old)
        case 15:
            return ev.BinReport(fan, yes, old)
        case 16:
            kind, name = choose.one_of([("tool", tool), ("gate", gate), ("collector", fan), ("stop", "stop")])
            return ev.DeviceOnline(kind, name, yes, old)  # type: ignore[arg-type]
        case 17:
            return ev.ResetAsked(fan, old) if yes else ev.ResetButton(fan, choose.one_of([True, False]), old)
        case 18:
            if choose.whole(0, 2) == 0:
                return ev.OffAsked(fan, old)
            return ev.HoldAsked(fan, "", old) if yes else ev.HoldRemembered(fan)
        case _:
            return ev.MessageRejected("tool", tool, "found no number; wanted ampere", "x")


def some_connection(choose: Drawn | Seeded, loose: LooseShop) -> ev.Event:
    """The broker lost or back, rarely the daemon's end; nothing is heard in between."""
    if not loose.notes.connected:
        return ev.BrokerConnected()
    if choose.whole(0, 29) == 0:
        return ev.ShutdownAsked()
    return ev.BrokerLost(max(loose.notes.heard_at, loose.now - choose.one_of([0.0, 0.5, 2.0, 15.0])))


TestMishaps = Mishaps.TestCase
TestMishaps.settings = settings(
    max_examples=EXAMPLES, stateful_step_count=60, deadline=None, suppress_health_check=[HealthCheck.too_slow]
)


def run_seed(seed: int, steps: int) -> LooseShop:
    """A run without hypothesis: many more steps in the same time, every second one in a shop that no config allows."""
    choose = Seeded(seed)
    loose = LooseShop(drawn_shop(choose, wild=seed % 2 == 1))
    loose.hear(ev.BrokerConnected())
    loose.wait(0.5)
    for tool in loose.shop.tools:
        loose.hear(ev.Reading(tool.name, 0.0))
    for _ in range(steps):
        match choose.whole(0, 9):
            case 0 | 1:
                loose.wait(choose.one_of(PAUSES))
            case 2:
                loose.oversleep(choose.one_of(PAUSES))
            case 3 | 4 | 5:
                loose.deliver(choose.whole(0, 31), keep=choose.whole(0, 4) == 0)
            case 6:
                loose.lose(choose.whole(0, 31))
            case 7 if not loose.notes.connected or choose.whole(0, 5) == 0:
                loose.hear(some_connection(choose, loose))
            case _ if loose.notes.connected:
                loose.hear(some_event(choose, loose.shop))
            case _:
                pass
    return loose


@pytest.mark.parametrize("seed", range(100))
def test_a_shop_of_mishaps_breaks_nothing(seed: int) -> None:
    loose = run_seed(seed, 400)
    assert len(loose.story) > 40  # a clean stop early in the story leaves little to tell


@pytest.mark.parametrize("seed", range(0, 40, 2))
def test_a_story_that_was_found_can_be_added_as_it_is(seed: int) -> None:
    loose = run_seed(seed, 200)
    loaded = load_text(config(loose.shop), Path("found.toml"), files=False)
    assert loaded.shop == loose.shop, loaded.problems
    timeline, findings = play(parse(scenario(loose.story)), loose.shop)
    assert len(findings) > 20
    assert timeline
