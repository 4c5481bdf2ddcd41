"""A replay of a recording takes the decisions that were taken, to the millisecond of rule time, file by file."""

import random
from pathlib import Path

import pytest
from journal_support import FakeClock
from msgspec.structs import replace

from gatehand.recording.recorder import Recorder
from gatehand.recording.recording import Recording, recordings
from gatehand_rules.commands import Command
from gatehand_rules.events import (
    BinReport,
    BrokerConnected,
    BrokerLost,
    ButtonPressed,
    CollectorReading,
    CollectorReport,
    Event,
    GateReport,
    MessageRejected,
    Reading,
    ResetAsked,
    StopReport,
    StopUnclear,
    Tick,
)
from gatehand_rules.findings import Finding
from gatehand_rules.shop import Collector, Gate, Shop, StopContact, Tool
from gatehand_rules.start import initial
from gatehand_rules.state import State
from gatehand_rules.step import step
from gatehand_rules.words import Position

Decision = tuple[int, tuple[Command, ...], tuple[Finding, ...]]

SHOP = Shop(
    tools=(
        Tool(name="band_saw", collector="main", gates=("band_saw",), start_at=2.5, stop_at=1.8, start_after=0.3),
        Tool(name="router", collector="main", gates=("router",), start_at=1.5, stop_at=1.0, run_on=0),
    ),
    gates=(
        Gate(name="band_saw", collector="main", reports=True),
        Gate(name="router", collector="main"),
        Gate(name="bench", collector="main"),
    ),
    collectors=(Collector(name="main", reports=True, senses_motor=True, max_open=2, starts_per_hour=12),),
    stops=(StopContact(name="emergency", collectors=("main",)),),
)


def some_event(rng: random.Random) -> Event:
    """Mostly readings, and everything else that a day brings."""
    if rng.random() < 0.8:
        amps = rng.choice((0.02, 0.02, 1.2, 6.4, 9.0)) + rng.gauss(0, 0.3)
        return Reading(rng.choice(("band_saw", "router")), round(amps, 3), rng.random() < 0.01, rng.random() < 0.3)
    return rng.choice(
        (
            GateReport("band_saw", rng.choice(list(Position))),
            ButtonPressed("bench"),
            CollectorReport("main", on=rng.random() < 0.5),
            CollectorReading("main", round(rng.uniform(0, 9), 3)),
            StopReport("emergency", active=rng.random() < 0.2),
            StopUnclear("emergency", "pressed"),
            ResetAsked("main"),
            BinReport("main", full=rng.random() < 0.1),
            MessageRejected("tool", "router", "not a number", "abc"),
            BrokerLost(0.0),
            BrokerConnected(),
            BrokerConnected(),
        )
    )


def live(folder: Path, seed: int, events: int) -> tuple[list[Decision], State]:
    """A daemon's part: tick when due, record, step; what was decided, and the last state."""
    rng = random.Random(seed)
    recorder = Recorder(folder, run="run1", clock=FakeClock(), threaded=False)
    names = tuple(tool.name for tool in SHOP.tools)
    recorder.begin("# the config", names, ("main",))
    now_ms, state, decided = 1_000_000, initial(SHOP, 1000.0), list[Decision]()

    def give(event: Event) -> None:
        nonlocal state
        recorder.record(now_ms, event, state)
        outcome = step(SHOP, state, event, now_ms / 1000)
        state = outcome.state
        if outcome.commands or outcome.findings:
            decided.append((now_ms, outcome.commands, outcome.findings))

    give(BrokerConnected())
    for n in range(events):
        target = now_ms + rng.choice((0, 1, 40, 400, 1000, 5000))
        while state.wake_at is not None and state.wake_at * 1000 <= target:
            now_ms = max(now_ms, min(target, -int(-state.wake_at * 1000 // 1)))
            before = state
            give(Tick())
            if state == before:
                break
        now_ms = target
        give(some_event(rng))
        if n % 500 == 250:
            recorder.clock_stepped()
        if n % 500 == 499:
            recorder.begin(f"# the config, read again at {n}", names, ("main",))
    recorder.close(now_ms, rng.choice(("full", "shutdown")))
    return decided, state


@pytest.mark.parametrize("seed", range(4))
def test_each_file_of_a_random_day_replays_to_the_same_decisions(tmp_path: Path, seed: int) -> None:
    decided, last = live(tmp_path, seed, 2000)
    replayed: list[Decision] = []
    state: State | None = None
    files = [Recording(listed.path) for listed in recordings(tmp_path)]
    assert len(files) > 5
    for file in files:
        assert state is None or state == file.header.state, "the next file begins where the last one ended"
        state = file.header.state
        for now_ms, event in file.events():
            outcome = step(SHOP, state, event, now_ms / 1000)
            state = outcome.state
            if outcome.commands or outcome.findings:
                replayed.append((now_ms, outcome.commands, outcome.findings))
    assert replayed == decided
    assert state == last
    assert sum(len(commands) for _, commands, _ in decided) > 100


def test_another_threshold_would_be_noticed(tmp_path: Path) -> None:
    """The check above can fail: the same day with one threshold a little higher decides otherwise."""
    decided, _ = live(tmp_path, 0, 500)
    saw = replace(SHOP.tools[0], start_at=2.6)
    other = replace(SHOP, tools=(saw, SHOP.tools[1]))
    replayed: list[Decision] = []
    for listed in recordings(tmp_path):
        file = Recording(listed.path)
        state = file.header.state
        for now_ms, event in file.events():
            outcome = step(other, state, event, now_ms / 1000)
            state = outcome.state
            if outcome.commands or outcome.findings:
                replayed.append((now_ms, outcome.commands, outcome.findings))
    assert replayed != decided
