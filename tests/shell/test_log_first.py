"""A log that stalls costs a command its bound, at whatever instant: the deadline is one that the clock can tell."""

from collections.abc import Callable

from shell_support import Clocks, FakeLog, Timers, World

from gatehand.journal.line import Stamper
from gatehand.shell.log_first import BOUND, Batch, LogFirst
from gatehand.shell.ports import Timer
from gatehand_rules.commands import CollectorOn

OFF_THE_GRID = 127.983
"""Its sum with the bound lies a hair above a whole millisecond."""


class CountedTimers:
    """Timers that say how often they were asked, and take no more than a few."""

    def __init__(self, timers: Timers) -> None:
        self.asked = 0
        self._timers = timers

    def call_at(self, when: float, callback: Callable[[], None]) -> Timer:
        self.asked += 1
        assert self.asked < 10, "it asks for one instant again and again"
        return self._timers.call_at(when, callback)


def command_left(began: float) -> tuple[float, int]:
    """When a command that was decided at `began` left under a stalled log, and how many timers that took."""
    clocks, log = Clocks(), FakeLog()
    clocks.now = began
    calls = Timers(clocks)
    timers = CountedTimers(calls)
    left: list[float] = []

    def send(batch: Batch) -> None:
        assert batch.commands == (CollectorOn("main"),)
        left.append(clocks.mono())

    queue = LogFirst(log, timers, Stamper("run", clocks), send, lambda _error: None)
    log.stalled = True
    queue.put([], (CollectorOn("main"),), began)
    calls.run_until(began + 1)
    (at,) = left
    assert queue.idle
    return at, timers.asked


def test_a_command_leaves_at_its_bound_at_any_instant_and_asks_for_one_timer() -> None:
    assert OFF_THE_GRID + BOUND > 128.003, "the sum of the floats, and what this test is for"
    for began in (OFF_THE_GRID, 100.0, 0.001, 86_400.021, 4_000_000.019):
        assert command_left(began) == (round(began + BOUND, 3), 1)


def test_a_daemon_whose_log_stalls_gets_on_at_that_instant() -> None:
    world = World()
    world.rested()
    world.run(OFF_THE_GRID - world.clocks.now)
    world.log.stalled = True
    world.say("shop/band_saw/amps", "5")
    world.run(0.021)
    assert ("shop/gate/band_saw/set", "open") in world.commands(OFF_THE_GRID)
