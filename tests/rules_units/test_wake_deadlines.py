"""The next deadline: never behind, never idle, never forgotten."""

from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace
from unit_bench import Bench, fan, gate, ready, running, saw_shop, shop, tool

from gatehand_rules import events as ev
from gatehand_rules import next_deadline, step
from gatehand_rules.shop import Circuit, StopContact
from gatehand_rules.state import CollectorState, Running
from gatehand_rules.words import Position

SHOP = shop(
    tool("saw", start_after=0.2, stop_after=1.5, silent_after=20.0, run_limit=40.0),
    tool("jointer", "jointer", "sweep", silent_after=0.0),
    tool("lathe", collector="other", assist=("chips",)),
    gate("saw"),
    gate("jointer", reports=False, travel=0.0),
    gate("sweep", on_hand_open="start", hand_limit=15.0, retries=0, relief=True),
    gate("lathe", collector="other", reports=False),
    gate("chips", collector="other"),
    fan(refresh=5.0, starts_per_hour=2, max_open=2, senses_motor=True),
    fan("other", reports=False, spin_up=0.0, coast_down=0.0, rest="leave"),
    StopContact(name="estop", collectors=("main", "other")),
    Circuit(name="wall", tools=("saw", "lathe"), collectors=("main", "other"), start_gap=2.0),
)
EVENTS = st.one_of(
    st.just(ev.Tick()),
    st.builds(ev.Reading, st.sampled_from(("saw", "jointer", "lathe")), st.sampled_from((0.0, 1.6, 2.5, 5.0))),
    st.builds(ev.GateReport, st.sampled_from([one.name for one in SHOP.gates]), st.sampled_from(list(Position))),
    st.builds(ev.ButtonPressed, st.sampled_from(("saw", "sweep"))),
    st.builds(ev.HandAsked, st.sampled_from(("sweep", "lathe")), st.booleans()),
    st.builds(ev.CollectorReport, st.just("main"), st.booleans()),
    st.builds(ev.CollectorReading, st.just("main"), st.sampled_from((0.0, 9.0))),
    st.builds(ev.StopReport, st.just("estop"), st.booleans()),
    st.builds(ev.BinReport, st.just("main"), st.booleans()),
    st.builds(ev.ResetAsked, st.sampled_from(("main", "other"))),
    st.builds(ev.DeviceOnline, st.just("tool"), st.just("saw"), st.booleans()),
    st.just(ev.BrokerConnected()),
    st.builds(ev.BrokerLost, st.just(0.0)),
)
STORY = st.lists(st.tuples(st.sampled_from((0.0, 0.001, 0.4, 1.0, 3.0, 9.0, 700.0)), EVENTS), max_size=30)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(STORY)
def test_a_deadline_is_never_behind_and_a_tick_there_moves_it_on(story: list[tuple[float, ev.Event]]) -> None:
    bench = Bench(SHOP)
    bench.step(ev.BrokerConnected(), 0.0)
    for later, event in story:
        until = round(bench.now + later, 3)
        while bench.state.wake_at is not None and bench.state.wake_at <= until:
            at = bench.state.wake_at
            assert at >= bench.now
            bench.step(ev.Tick(), at)
            assert bench.state.wake_at is None or bench.state.wake_at > at
        bench.step(event, until)
        # A plain reading may leave the deadline of the reading before it, never one that has passed.
        assert bench.state.wake_at is None or bench.state.wake_at > bench.now
        assert type(event) is ev.Reading or bench.state.wake_at == next_deadline(SHOP, bench.state)


@settings(max_examples=60, deadline=None, derandomize=True)
@given(STORY)
def test_before_its_deadline_a_tick_changes_nothing_and_says_nothing(story: list[tuple[float, ev.Event]]) -> None:
    bench = Bench(SHOP)
    bench.step(ev.BrokerConnected(), 0.0)
    for later, event in story:
        until = round(bench.now + later, 3)
        while bench.state.wake_at is not None and bench.state.wake_at <= until:
            bench.step(ev.Tick(), bench.state.wake_at)
        bench.step(event, until)
        wake = bench.state.wake_at
        early = bench.now + 5.0 if wake is None else round(wake - 0.001, 3)
        if early > bench.now:
            outcome = step(SHOP, bench.state, ev.Tick(), early)
            assert outcome.commands == ()
            assert outcome.findings == ()


@settings(max_examples=40, deadline=None, derandomize=True)
@given(STORY)
def test_a_doubled_tick_is_harmless_and_a_late_one_catches_up(story: list[tuple[float, ev.Event]]) -> None:
    bench = Bench(SHOP)
    bench.step(ev.BrokerConnected(), 0.0)
    for later, event in story:
        bench.step(event, round(bench.now + later, 3))
        for _ in range(4):  # late by up to minutes, one thing may lead to the next
            if bench.state.wake_at is not None and bench.state.wake_at <= bench.now:
                bench.step(ev.Tick())
        assert bench.state.wake_at is None or bench.state.wake_at > bench.now
        again = step(SHOP, bench.state, ev.Tick(), bench.now)
        assert again.commands == ()
        assert again.findings == ()


# --- which part's deadline it is


def test_nobody_is_waited_for_without_a_deadline() -> None:
    assert next_deadline(saw_shop(), ready(saw_shop()).state) is None


def test_a_gates_travel_and_a_collectors_answer_are_waited_for_only_while_something_can_be_told() -> None:
    bench = ready(saw_shop())
    bench.amps(50.0, 5.0)
    assert bench.state.wake_at == 51.0
    bench.tell(ev.BrokerLost(50.0), 50.5)
    assert bench.state.wake_at is None
    bench.tell(ev.BrokerConnected(), 60.0)
    assert bench.state.wake_at == 60.5


def test_the_settling_is_waited_for_alone_but_for_tools_and_hands() -> None:
    bench = running(shop(tool(), gate(hand_limit=5.2), fan(refresh=9.0)))
    bench.tell(ev.HandAsked("saw", on=True), 55.0)
    bench.tell(ev.BrokerLost(55.0), 55.0)
    assert bench.state.wake_at == 60.2
    bench.tell(ev.BrokerConnected(), 60.0)
    assert bench.state.wake_at == 60.2
    bench.tell(ev.BrokerConnected(), 60.1)
    bench.tick(60.2)
    assert bench.state.wake_at == 60.6


def test_after_the_end_only_tools_are_waited_for() -> None:
    bench = running(shop(tool(run_limit=100.0), gate(), fan(refresh=9.0)))
    bench.tell(ev.ShutdownAsked(), 56.0)
    assert bench.state.wake_at == 150.0
    bench.tell(ev.BrokerConnected(), 57.0)
    assert bench.state.wake_at == 150.0


@pytest.mark.parametrize(
    ("connected", "adopted", "wake"), [(True, True, 100.2), (False, True, None), (True, False, None)]
)
def test_silence_is_waited_for_once_the_daemon_hears_everything(
    connected: bool, adopted: bool, wake: float | None
) -> None:
    place = shop(tool(silent_after=100.0), gate())
    bench = ready(place)
    bench.put(connected=connected, adopted=adopted)
    assert next_deadline(place, bench.state) == wake


def test_a_settling_that_nobody_hears_or_that_the_end_has_overtaken_is_not_waited_for() -> None:
    place = saw_shop()
    bench = ready(place)
    cases: tuple[tuple[dict[str, Any], float | None], ...] = (
        ({"settle_at": 60.0}, 60.0),
        ({"settle_at": 60.0, "connected": False}, None),
        ({"settle_at": 60.0, "stopping": True}, None),
    )
    for changes, wake in cases:
        assert next_deadline(place, replace(bench.state, **changes)) == wake


def test_a_grace_in_the_first_second_of_a_clock_is_waited_for() -> None:
    bench = ready(saw_shop())
    bench.put(collectors=(CollectorState(phase=Running(), grace_until=0.5),))
    assert next_deadline(bench.shop, bench.state) == 0.5
