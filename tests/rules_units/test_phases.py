"""The phases of a collector: one file changes them, by one table, and no edge of it is dead."""

import ast
import random
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import get_args

import pytest
from unit_bench import fan, gate, ready, saw_shop, shop, tool

import gatehand_rules
from gatehand_rules import Shop, State, initial, phases, step
from gatehand_rules import events as ev
from gatehand_rules.context import Context
from gatehand_rules.phases import TABLE, Cause, TransitionError, transition
from gatehand_rules.shop import Circuit, CollectorAt, StopContact
from gatehand_rules.state import Held, Opening, Phase, Running, RunOn, SpinUp
from gatehand_rules.words import Position

RULES = Path(gatehand_rules.__file__).parent
RARELY = 0.3

Edge = tuple[type[Phase], Cause, type[Phase]]
EDGES: set[Edge] = {(before, cause, after) for before, row in TABLE.items() for cause, after in row.items()}


def test_every_phase_has_a_row_and_every_cause_a_use() -> None:
    assert set(TABLE) == set(get_args(Phase))
    assert {cause for _, cause, _ in EDGES} == set(Cause)


def _sets_a_phase(node: ast.AST) -> Iterator[int]:
    if isinstance(node, ast.Call):
        yield from (node.lineno for keyword in node.keywords if keyword.arg == "phase")
    if isinstance(node, ast.Attribute) and node.attr == "phase" and not isinstance(node.ctx, ast.Load):
        yield node.lineno


def test_no_other_file_sets_a_phase() -> None:
    found: dict[str, list[int]] = {}
    for path in sorted(RULES.rglob("*.py")):
        lines = [line for node in ast.walk(ast.parse(path.read_text("utf-8"))) for line in _sets_a_phase(node)]
        if lines:
            found[path.name] = lines
    assert set(found) == {"phases.py"}


def test_what_the_table_does_not_know_is_refused() -> None:
    bench = ready(saw_shop())
    context = Context(bench.shop, bench.state, 60.0)
    with pytest.raises(TransitionError, match="the collector main cannot go from off to spin_up by 'gates ready'"):
        transition(context, CollectorAt(0), Cause.GATES_READY, SpinUp(60.0))
    with pytest.raises(TransitionError, match="from off to running by 'demand'"):
        transition(context, CollectorAt(0), Cause.DEMAND, Running())
    assert context.collectors[0] == bench.fan_state()
    transition(context, CollectorAt(0), Cause.DEMAND, Opening(60.0))
    assert context.collectors[0].phase == Opening(60.0)


def test_whatever_it_does_it_can_be_held_and_only_a_reset_ends_that() -> None:
    assert {before for before, cause, after in EDGES if cause is Cause.HOLD and after is Held} == set(get_args(Phase))
    assert {(cause, after is Held) for before, cause, after in EDGES if before is Held} == {
        (Cause.HOLD, True),
        (Cause.RESET, False),
    }


class Row(Mapping[Cause, type[Phase]]):
    """A row of the table that notes which of its edges were asked for."""

    def __init__(self, before: type[Phase], row: Mapping[Cause, type[Phase]], met: set[Edge]) -> None:
        self.before = before
        self.row = row
        self.met = met

    def __getitem__(self, cause: Cause) -> type[Phase]:
        self.met.add((self.before, cause, self.row[cause]))
        return self.row[cause]

    def __iter__(self) -> Iterator[Cause]:
        return iter(self.row)

    def __len__(self) -> int:
        return len(self.row)


def busy_shop() -> Shop:
    """Two tools, a gate without a report among three, a budget, a circuit and a stop: all that moves a collector."""
    return shop(
        tool("saw", start_after=0.5, run_on=12.0),
        tool("lathe", "blind"),
        gate("saw"),
        gate("blind", reports=False, on_hand_open="ignore"),
        gate("spare", relief=True),
        fan(starts_per_hour=2, on_bin_full="warn", spin_up=8.0),
        StopContact(name="estop", collectors=("main",)),
        Circuit(name="main", tools=("saw",), collectors=("main",), start_gap=2.0),
    )


def anything(chance: random.Random, now: float) -> ev.Event:
    """Something that can happen in that shop."""
    yes, old = chance.choice((True, False)), chance.random() < RARELY
    name, port = chance.choice(("saw", "lathe")), chance.choice(("saw", "spare"))
    where = Position.SHUT if chance.random() < RARELY else Position.OPEN
    events: list[ev.Event] = [
        ev.Reading(name, 5.0 if yes else 0.0, old, young=yes),
        ev.Reading(name, 5.0 if yes else 0.0),
        ev.GateReport(port, where, old),
        ev.GateReport(port, where),
        ev.CollectorReport("main", yes, old),
        ev.CollectorReport("main", yes),
        ev.HandAsked(chance.choice(("saw", "blind")), yes),
        ev.Tick(),
    ]
    if chance.random() < RARELY:
        events += [
            ev.StopReport("estop", active=chance.random() < RARELY),
            ev.StopsLost("gone") if chance.random() < RARELY else ev.StopsHeard(),
            ev.HoldAsked("main") if chance.random() < RARELY else ev.ResetAsked("main"),
            ev.OffAsked("main"),
            ev.LoopStood(3.0) if yes else ev.LoopCaughtUp(),
            ev.BrokerLost(now - chance.choice((0.0, 9.0, 30.0))) if yes else ev.BrokerConnected(),
            ev.BrokerConnected(),
        ]
    return chance.choice(events)


def lose_the_broker_in_a_run_on() -> None:
    """Chance seldom comes to it."""
    bench = ready(busy_shop())
    bench.amps(50.0, 5.0)
    bench.tick(50.5)
    bench.is_open(55.0)
    bench.amps(58.0, 0.0)
    bench.tick(64.0)
    assert isinstance(bench.fan_state().phase, RunOn)
    bench.tell(ev.BrokerLost(54.0), 65.0)


def day(place: Shop, chance: random.Random, steps: int) -> State:
    """The daemon's start, and anything after it, until the daemon is stopped."""
    now = 10.0
    state = initial(place, now)
    state = step(place, state, ev.BrokerConnected(), now).state
    for _ in range(steps):
        now += chance.choice((0.0, 0.1, 0.6, 1.0, 2.5, 5.0, 12.0))
        state = step(place, state, anything(chance, now), now).state
    return step(place, state, ev.ShutdownAsked(), now).state


def test_no_edge_of_the_table_is_dead(monkeypatch: pytest.MonkeyPatch) -> None:
    met: set[Edge] = set()
    monkeypatch.setattr(phases, "TABLE", {before: Row(before, row, met) for before, row in TABLE.items()})
    place, chance = busy_shop(), random.Random(11)
    for _ in range(300):
        day(place, chance, 60)
    lose_the_broker_in_a_run_on()
    assert EDGES - met == set()
