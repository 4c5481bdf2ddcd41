"""What waited through a standstill of the daemon may stop things; it starts, proves and confirms none."""

import pytest
from unit_bench import READY, Bench, fan, gate, shop, tool

from gatehand_rules import events as ev
from gatehand_rules import interlock
from gatehand_rules.commands import CollectorOff, CollectorOn
from gatehand_rules.findings import Happened, Rule
from gatehand_rules.shop import StopContact
from gatehand_rules.state import CoastDown, Doubt, GateOpen, Held, Running, ToolIdle, ToolRunning, ToolRunOn
from gatehand_rules.words import Position

STOP = StopContact(name="emergency", collectors=("main",))


def ready(*, standing: bool = True, **more: object) -> Bench:
    """Saw, sweep and collector at rest; with `standing` the daemon has just stood still for 4 s."""
    sweep = gate("sweep", on_hand_open="start", **more)
    bench = Bench(shop(tool(), gate(), sweep, fan(senses_motor=True, turns_at=2.0), STOP))
    bench.tell(ev.BrokerConnected(), 0.0)
    bench.tell(ev.CollectorReport("main", on=False, retained=True), 0.1)
    bench.tell(ev.Tick(), 0.5)
    bench.is_off(1.0)
    bench.tell(ev.CollectorReading("main", 0.0), 1.0)
    bench.is_shut(1.0)
    bench.is_shut(1.0, "sweep")
    bench.amps(READY - 1, 0.1)
    if standing:
        bench.tell(ev.LoopStood(4.0), READY)
    return bench


def cutting() -> Bench:
    """The saw cuts and the collector runs."""
    bench = ready(standing=False)
    bench.amps(51.0, 5.0)
    bench.is_open(52.0)
    bench.is_on(52.1)
    bench.tell(ev.CollectorReading("main", 9.0), 52.2)
    bench.tell(ev.Tick(), 56.0)
    assert isinstance(bench.fan_state().phase, Running)
    return bench


def ignored(bench: Bench) -> list[tuple[object, object]]:
    """What was ignored for the standstill, and for whom."""
    found = [each for each in bench.findings if each.event is Happened.MESSAGE_IGNORED]
    assert {each.rule for each in found} <= {Rule.STANDSTILL}
    assert all(dict(each.facts)["stood_for"] == 4.0 for each in found)
    return [(dict(each.facts)["what"], each.gate or each.collector) for each in found]


@pytest.mark.parametrize(
    ("event", "what", "whose"),
    [
        (ev.HandAsked("sweep", on=True), "a hand start", "sweep"),
        (ev.ButtonPressed("sweep"), "a button's press", "sweep"),
        (ev.ResetAsked("main"), "a reset", "main"),
    ],
)
def test_what_somebody_asked_for_meanwhile_starts_nothing_and_is_told(event: ev.Event, what: str, whose: str) -> None:
    bench = ready()
    before = bench.state
    outcome = bench.step(event, READY)
    assert not outcome.commands
    assert outcome.state.gates == before.gates
    assert ignored(bench) == [(what, whose)]
    assert not outcome.state.guard.fans[0].armed


def test_a_press_from_meanwhile_does_not_make_the_next_one_the_same_press() -> None:
    bench = ready()
    bench.tell(ev.ButtonPressed("sweep"), READY)
    bench.tell(ev.LoopCaughtUp(), READY)
    bench.tell(ev.ButtonPressed("sweep"), READY + 0.1)
    assert bench.gate_state(1).hand is not None


def test_a_reset_from_meanwhile_ends_no_hold() -> None:
    bench = ready(standing=False)
    bench.tell(ev.HoldAsked("main", "filter"), 51.0)
    bench.tell(ev.LoopStood(4.0), 60.0)
    bench.tell(ev.ResetAsked("main"), 60.0)
    assert isinstance(bench.fan_state().phase, Held)
    assert bench.state.guard.fans[0].latched


def test_a_reading_from_meanwhile_starts_no_tool() -> None:
    bench = ready()
    bench.amps(READY, 5.0)
    assert isinstance(bench.tool_state(), ToolIdle)
    assert not bench.state.guard.fans[0].armed


def test_a_reading_below_from_meanwhile_makes_an_unknown_tool_idle_and_confirms_nothing() -> None:
    bench = Bench(shop(tool(), gate(), STOP))
    bench.tell(ev.BrokerConnected(), 0.0)
    bench.tell(ev.Tick(), 0.5)
    bench.tell(ev.LoopStood(4.0), 5.0)
    bench.amps(5.0, 0.0)
    assert isinstance(bench.tool_state(), ToolIdle)
    bench.tell(ev.LoopCaughtUp(), 5.1)
    assert bench.state.doubts == (Doubt(),)


def test_after_a_standstill_a_tool_starts_only_when_something_bears_it_out() -> None:
    bench = ready()
    bench.amps(READY, 0.0)
    bench.tell(ev.LoopCaughtUp(), READY + 0.1)
    bench.amps(READY + 2, 5.0)
    assert isinstance(bench.tool_state(), ToolIdle)
    bench.amps(READY + 3, 5.0)
    assert isinstance(bench.tool_state(), ToolRunning)


def test_what_a_sensor_on_change_said_before_the_standstill_stands_when_nothing_contrary_comes() -> None:
    bench = ready(standing=False)
    bench.amps(51.0, 5.0)
    bench.tell(ev.LoopStood(4.0), 55.5)
    bench.is_open(55.6)
    bench.tell(ev.LoopCaughtUp(), 55.8)
    bench.is_open(56.0)
    bench.until(58.799)
    assert not bench.fan_state().on_phase
    bench.until(58.8)
    assert bench.fan_state().on_phase


@pytest.mark.parametrize(("confirmed", "starts"), [(False, False), (True, True)])
def test_what_a_sensor_on_change_said_before_a_lost_connection_is_not_borne_out_by_a_standstill(
    *, confirmed: bool, starts: bool
) -> None:
    bench = cutting()
    bench.tell(ev.BrokerLost(60.0), 60.0)
    bench.tell(ev.BrokerConnected(), 61.0)
    bench.tell(ev.CollectorReport("main", on=True, retained=True), 61.1)
    bench.tell(ev.StopsHeard(), 61.1)
    if confirmed:
        bench.amps(62.0, 5.0)
    bench.is_open(70.0)
    bench.tell(ev.LoopStood(4.0), 80.0)
    bench.tell(ev.CollectorReport("main", on=False), 80.0)
    bench.tell(ev.LoopCaughtUp(), 80.1)
    assert isinstance(bench.fan_state().phase, CoastDown)
    bench.until(100.0)
    assert bench.fan_state().on_phase is starts


def test_a_rise_that_ended_within_the_standstill_is_over() -> None:
    bench = Bench(shop(tool(start_after=3.0), gate(), STOP))
    bench.tell(ev.BrokerConnected(), 0.0)
    bench.amps(1.0, 0.0)
    bench.amps(3.0, 5.0)
    bench.tell(ev.LoopStood(1.5), 5.0)
    bench.amps(5.0, 0.0)
    bench.until(20.0)
    assert isinstance(bench.tool_state(), ToolIdle)


def test_a_reading_below_the_stop_threshold_ends_a_cut() -> None:
    bench = cutting()
    bench.tell(ev.LoopStood(4.0), 60.0)
    bench.amps(60.0, 5.0)
    assert isinstance(bench.tool_state(), ToolRunning)
    bench.amps(60.0, 0.0)
    assert isinstance(bench.tool_state(), ToolRunOn)


def test_a_gate_opened_meanwhile_is_neither_proof_nor_a_hand_start() -> None:
    bench = ready()
    bench.is_open(READY, "sweep")
    assert bench.gate_state(1).hand is None
    assert not isinstance(bench.gate_state(1).move, GateOpen)
    assert not bench.state.guard.gates[1].live
    assert not bench.state.guard.fans[0].armed


def test_a_gate_shut_meanwhile_ends_the_hand_start_that_began_by_opening_it() -> None:
    bench = ready(standing=False)
    bench.is_open(51.0, "sweep")
    bench.is_on(52.0)
    bench.tell(ev.CollectorReading("main", 9.0), 52.2)
    assert bench.gate_state(1).hand is not None
    bench.tell(ev.LoopStood(4.0), 60.0)
    bench.is_shut(60.0, "sweep")
    assert bench.gate_state(1).hand is None
    assert bench.fan_state().phase == CoastDown(tripped=True)


@pytest.mark.parametrize("event", [ev.StopReport("emergency", active=True), ev.HoldAsked("main", "filter")])
def test_a_stop_or_a_hold_from_meanwhile_holds(event: ev.Event) -> None:
    bench = cutting()
    bench.tell(ev.LoopStood(4.0), 60.0)
    outcome = bench.step(event, 60.0)
    assert CollectorOff("main") in outcome.commands
    assert isinstance(bench.fan_state().phase, Held)
    assert outcome.state.guard.fans[0].latched


def test_the_end_of_a_hand_start_asked_for_meanwhile_ends_it() -> None:
    bench = ready(standing=False)
    bench.tell(ev.HandAsked("sweep", on=True), 51.0)
    bench.is_open(52.0, "sweep")
    bench.is_on(52.1)
    bench.tell(ev.LoopStood(4.0), 60.0)
    assert bench.gate_state(1).hand is not None
    bench.tell(ev.HandAsked("sweep", on=False), 60.0)
    assert bench.gate_state(1).hand is None


def test_a_hand_start_that_had_not_started_yet_ends() -> None:
    bench = ready(standing=False)
    bench.tell(ev.HandAsked("sweep", on=True), 51.0)
    bench.tell(ev.LoopStood(4.0), 55.0)
    assert bench.gate_state(1).hand is None
    assert any(each.event is Happened.HAND_ENDED and each.rule is Rule.STANDSTILL for each in bench.findings)


def test_nothing_starts_before_the_daemon_has_caught_up_and_the_tool_is_heard_again() -> None:
    bench = ready(standing=False)
    bench.amps(51.0, 5.0)
    bench.tell(ev.LoopStood(4.0), 55.5)
    for outcome in (
        bench.step(ev.GateReport("saw", Position.OPEN), 55.6),
        bench.step(ev.Tick(), 55.7),
        bench.step(ev.LoopCaughtUp(), 55.8),
        bench.step(ev.GateReport("saw", Position.OPEN), 55.9),
    ):
        assert CollectorOn("main") not in outcome.commands
    assert not any(each.event is Happened.START_MISSED for each in bench.findings)
    assert CollectorOn("main") in bench.step(ev.Reading("saw", 5.0), 57.5).commands


def test_a_collector_that_went_off_meanwhile_is_left_off() -> None:
    bench = cutting()
    bench.tell(ev.LoopStood(4.0), 60.0)
    bench.is_off(60.0)
    bench.is_on(60.0)
    assert isinstance(bench.fan_state().phase, Running)
    bench.is_off(60.0)
    outcome = bench.step(ev.LoopCaughtUp(), 60.1)
    assert CollectorOff("main") in outcome.commands
    assert isinstance(bench.fan_state().phase, CoastDown)


def test_an_on_that_the_switchs_own_time_limit_may_have_ended_is_not_repeated() -> None:
    blind = shop(tool(), gate(), fan(reports=False, refresh=20.0))
    bench = Bench(blind)
    bench.tell(ev.BrokerConnected(), 0.0)
    bench.tell(ev.Tick(), 0.5)
    bench.is_shut(1.0)
    bench.amps(49.0, 0.0)
    bench.amps(51.0, 5.0)
    assert CollectorOn("main") in bench.step(ev.GateReport("saw", Position.OPEN), 52.0).commands
    bench.tell(ev.Tick(), 56.0)
    assert CollectorOn("main") not in bench.step(ev.LoopStood(40.0), 95.0).commands
    for at in (95.1, 96.0):
        assert CollectorOn("main") not in bench.step(ev.Tick(), at).commands


def test_a_second_standstill_within_the_first_is_the_longer_of_the_two() -> None:
    bench = ready()
    bench.tell(ev.LoopStood(2.0), READY + 1)
    assert bench.state.stood_for == 4.0
    bench.tell(ev.LoopCaughtUp(), READY + 2)
    assert not bench.state.standstill
    bench.tell(ev.LoopCaughtUp(), READY + 2)
    assert sum(each.event is Happened.DAEMON_CAUGHT_UP for each in bench.findings) == 1


def test_the_interlock_holds_back_a_start_in_a_standstill_by_its_own_record() -> None:
    bench = ready(standing=False)
    bench.amps(51.0, 5.0)
    bench.tell(ev.LoopStood(4.0), 51.1)
    guard = bench.state.guard
    live = interlock.observe(bench.shop, guard, ev.LoopCaughtUp(), 51.2)
    live = interlock.observe(bench.shop, live, ev.GateReport("saw", Position.OPEN), 52.0)
    _, passed, _ = interlock.judge(bench.shop, live, (CollectorOn("main"),), 52.0)
    assert passed == (CollectorOn("main"),)
    old = interlock.observe(bench.shop, live, ev.LoopStood(2.0), 53.0)
    _, passed, vetoes = interlock.judge(bench.shop, old, (CollectorOn("main"),), 53.0)
    assert (passed, [each.rule for each in vetoes]) == ((), [Rule.STANDSTILL])
