"""What answers the commands of a replay: ideal devices to the millisecond, or the recorded reports, and which.

The times are worked out by hand from `travel` and from `IN_STEP_MS`, 250 ms.
"""

from typing import Any

import pytest
from msgspec.structs import replace

from gatehand.past.replay_devices import NEVER, Devices, IdealDevices, RecordedDevices, switch_reports
from gatehand_rules import Position, Shop, State, initial
from gatehand_rules.commands import ClearAlarm, CollectorOff, CollectorOn, Command, OpenGate, Poll, RaiseAlarm, ShutGate
from gatehand_rules.events import BrokerConnected, CollectorReading, CollectorReport, Event, GateReport, Tick
from gatehand_rules.findings import Alarm
from gatehand_rules.shop import Collector, Gate
from gatehand_rules.state import FanSeen, GateOpen, GateSeen, GateShut
from gatehand_rules.words import Measure

OPEN, SHUT, BETWEEN = Position.OPEN, Position.SHUT, Position.BETWEEN
FAN = Collector(name="main", reports=True)
SHOP = Shop(
    tools=(),
    gates=(
        Gate(name="saw", collector="main", reports=True, travel=1.5),
        Gate(name="mute", collector="main", travel=2.0),
        Gate(name="slow", collector="main", reports=True, travel=4.0),
    ),
    collectors=(FAN,),
)


def all_of(devices: Devices, most: int = 20) -> list[tuple[int, Event]]:
    """All reports that are due, in their order."""
    found: list[tuple[int, Event]] = []
    while devices.next_ms < NEVER and len(found) < most:
        ms = devices.next_ms
        event, at = devices.pop()
        assert at == ms
        found.append((at, event))
    return found


def test_devices_that_are_all_in_the_recording_answer_nothing_and_all_of_it_counts() -> None:
    devices = Devices()
    devices.take_command(OpenGate("saw"), 5)
    assert devices.next_ms == NEVER
    assert devices.counts(GateReport("saw", OPEN), 5) is True
    assert devices.motor_counts("main", 5) is True
    with pytest.raises(IndexError, match="no device reports"):
        devices.pop()


def test_an_ideal_gate_reports_exactly_its_travel_after_its_last_command() -> None:
    devices = IdealDevices(SHOP)
    devices.take_command(OpenGate("slow"), 900)
    devices.take_command(OpenGate("saw"), 1000)
    devices.take_command(ShutGate("saw"), 2000)
    devices.take_command(OpenGate("mute"), 2000)
    assert all_of(devices) == [(3500, GateReport("saw", SHUT)), (4900, GateReport("slow", OPEN))]
    assert devices.next_ms == NEVER


@pytest.mark.parametrize(
    ("changes", "on", "says"),
    [
        ({"reports": True}, True, [CollectorReport("main", True, False)]),
        ({"reports": True}, False, [CollectorReport("main", False, False)]),
        ({"senses_motor": True, "turns_at": 3.0}, True, [CollectorReading("main", 6.0, False)]),
        ({"senses_motor": True, "turns_at": 3.0}, False, [CollectorReading("main", 0.0, False)]),
        (
            {"reports": True, "senses_motor": True, "measure": Measure.RUNNING, "turns_at": 1.0},
            True,
            [CollectorReport("main", True, False), CollectorReading("main", 1.0, False)],
        ),
        ({}, True, []),
    ],
)
def test_an_ideal_switch_and_its_motors_sensor_answer_at_once(
    changes: dict[str, Any], on: bool, says: list[Event]
) -> None:
    fan = Collector(name="main", **changes)
    assert switch_reports(fan, on=on) == says
    devices = IdealDevices(replace(SHOP, collectors=(fan,)))
    devices.take_command(CollectorOn("main") if on else CollectorOff("main"), 700)
    assert all_of(devices) == [(700, each) for each in says]
    kept = switch_reports(fan, on=on, retained=True)
    assert [each.retained for each in kept if isinstance(each, CollectorReport | CollectorReading)] == [True] * len(
        says
    )


def test_what_moves_nothing_is_not_answered() -> None:
    devices = IdealDevices(SHOP)
    alarm = Alarm("gate", "saw", "fault")
    for command in (RaiseAlarm(alarm), ClearAlarm(alarm), Poll("gate", "saw")):
        devices.take_command(command, 5)
    assert devices.next_ms == NEVER


# For a changed run


def beside(
    changed: Shop = SHOP, *, told: dict[str, tuple[Position, float]] | None = None, on: bool = False
) -> RecordedDevices:
    """Devices of a changed run that begins with these gates told there, at these seconds, and arrived."""
    return RecordedDevices(SHOP, changed, began(told or {}, on=on))


def began(told: dict[str, tuple[Position, float]], *, on: bool = False) -> State:
    state = initial(SHOP, 0.0)
    seen = tuple(GateSeen(*told[gate.name]) if gate.name in told else GateSeen() for gate in SHOP.gates)
    moves = {OPEN: GateOpen(), SHUT: GateShut()}
    gates = tuple(
        replace(each, move=moves[told[gate.name][0]]) if gate.name in told else each
        for gate, each in zip(SHOP.gates, state.gates, strict=True)
    )
    guard = replace(state.guard, gates=seen, fans=(FanSeen(told_on=on),))
    return replace(state, gates=gates, guard=guard)


def recorded(*commands: tuple[int, Command]) -> list[tuple[int, Command]]:
    return list(commands)


@pytest.mark.parametrize(("after", "answered"), [(-251, True), (-250, False), (0, False), (250, False), (251, True)])
def test_within_250_ms_of_the_recorded_command_the_recorded_answer_counts_and_no_model_answers(
    after: int, answered: bool
) -> None:
    devices = beside()
    devices.follow(recorded((5000, OpenGate("saw"))))
    devices.take_command(OpenGate("saw"), 5000 + after)
    assert devices.counts(GateReport("saw", OPEN), 6200) is not answered
    assert all_of(devices) == ([(6500 + after, GateReport("saw", OPEN))] if answered else [])


def test_a_gate_told_elsewhere_is_out_of_step_and_is_answered_for() -> None:
    devices = beside()
    devices.follow(recorded((5000, OpenGate("saw"))))
    devices.take_command(ShutGate("saw"), 5000)
    assert devices.counts(GateReport("saw", OPEN), 6200) is False
    assert all_of(devices) == [(6500, GateReport("saw", SHUT))]


def test_told_again_to_the_same_place_a_gate_stays_in_step() -> None:
    devices = beside()
    devices.follow(recorded((5000, OpenGate("saw")), (6000, OpenGate("saw"))))
    devices.take_command(OpenGate("saw"), 5100)
    devices.take_command(OpenGate("saw"), 9000)
    assert devices.next_ms == NEVER
    assert devices.counts(GateReport("saw", OPEN), 9500) is True


def test_out_of_step_a_gate_takes_the_time_that_it_took_most_often_by_then() -> None:
    """[calc] It took 800, 1000 and 1300 ms to open: the middle one; to shut it was never seen, so its travel."""
    devices = beside()
    at = 0
    for took in (1300, 800, 1000):
        at += 10_000
        devices.follow(recorded((at, OpenGate("saw")), (at + 5000, ShutGate("saw"))))
        devices.take_command(OpenGate("saw"), at)
        assert devices.counts(GateReport("saw", OPEN), at + took) is True
        devices.take_command(ShutGate("saw"), at + 5000)
    devices.follow([])
    devices.take_command(OpenGate("saw"), 100_000)
    assert all_of(devices) == [(101_000, GateReport("saw", OPEN))]
    devices.take_command(ShutGate("saw"), 110_000)
    assert all_of(devices) == [(111_500, GateReport("saw", SHUT))]


def test_of_two_times_the_shorter_is_the_usual_one() -> None:
    devices = beside()
    for at, took in ((10_000, 1200), (20_000, 900)):
        devices.follow(recorded((at, OpenGate("saw")), (at + 5000, ShutGate("saw"))))
        devices.counts(GateReport("saw", OPEN), at + took)
        devices.counts(GateReport("saw", SHUT), at + 5000 + 1400)
    devices.follow([])
    devices.take_command(OpenGate("saw"), 50_000)
    assert all_of(devices) == [(50_900, GateReport("saw", OPEN))]


@pytest.mark.parametrize(("old", "new"), [(1400, 600), (600, 1400)])
def test_the_last_16_times_are_kept(old: int, new: int) -> None:
    """[calc] Of 20 times eight are new: the median of the last 16 is 600 ms. Of 17, or of 15, it would be 1,400 ms."""
    devices = beside()
    for number in range(20):
        at, took = 100_000 + 10_000 * number, old if number < 12 else new
        devices.follow(recorded((at, OpenGate("saw")), (at + 5000, ShutGate("saw"))))
        devices.counts(GateReport("saw", OPEN), at + took)
    devices.follow([])
    devices.take_command(OpenGate("saw"), 910_000)
    assert all_of(devices) == [(910_600, GateReport("saw", OPEN))]


def test_an_answer_is_one_answer_and_what_no_command_explains_is_a_hand() -> None:
    devices = beside(told={"saw": (SHUT, 1.0)})
    assert devices.counts(GateReport("saw", SHUT), 4000) is True, "both had it shut, and it still is"
    assert devices.counts(GateReport("saw", OPEN), 4500) is True, "nobody told it to open: a hand did"
    devices.follow(recorded((5000, OpenGate("saw"))))
    assert devices.counts(GateReport("saw", BETWEEN), 5400) is False, "on its way in the recorded run alone"
    assert devices.counts(GateReport("saw", SHUT), 5500) is True, "it was told to open: whoever shuts it is a hand"
    assert devices.counts(GateReport("saw", OPEN), 6000) is False
    assert devices.counts(GateReport("saw", OPEN), 6500) is False, "the changed run still has it shut"
    assert devices.counts(GateReport("saw", BETWEEN), 7000) is True, "arrived, it is moved by a hand"


def test_once_arrived_a_gates_report_counts_where_the_changed_run_has_it_too_however_late_it_was_told() -> None:
    devices = beside(told={"saw": (SHUT, 1.0)})
    devices.follow(recorded((5000, OpenGate("saw"))))
    devices.take_command(OpenGate("saw"), 5200)
    assert devices.counts(GateReport("saw", OPEN), 6000) is True
    assert devices.counts(GateReport("saw", OPEN), 9000) is True
    devices.follow(recorded((20_000, ShutGate("saw"))))
    devices.take_command(ShutGate("saw"), 21_000)
    assert devices.counts(GateReport("saw", SHUT), 21_300) is False
    assert devices.counts(GateReport("saw", SHUT), 22_000) is True


def test_a_gate_that_reports_in_one_config_only_is_answered_for_and_its_recorded_word_is_left_out() -> None:
    gates = (replace(SHOP.gates[0], reports=False), replace(SHOP.gates[1], reports=True), SHOP.gates[2])
    devices = beside(replace(SHOP, gates=gates))
    devices.follow(recorded((5000, OpenGate("saw")), (5000, OpenGate("mute"))))
    for name in ("saw", "mute"):
        devices.take_command(OpenGate(name), 5000)
        assert devices.counts(GateReport(name, OPEN), 6000) is False
    assert all_of(devices) == [(7000, GateReport("mute", OPEN))], "by its travel in the recorded config"


def test_a_gate_that_is_new_is_answered_for_by_its_own_travel() -> None:
    new = Gate(name="new", collector="main", reports=True, travel=3.0)
    devices = beside(replace(SHOP, gates=(*SHOP.gates[1:], new)))
    devices.take_command(OpenGate("new"), 1000)
    devices.take_command(OpenGate("new"), 2000)
    assert devices.counts(GateReport("new", OPEN), 1500) is False
    assert devices.counts(GateReport("saw", OPEN), 1500) is False, "a gate that is gone"
    assert all_of(devices) == [(5000, GateReport("new", OPEN))]


def test_a_gate_told_again_before_the_model_answered_is_answered_once() -> None:
    devices = beside()
    devices.take_command(OpenGate("saw"), 1000)
    devices.take_command(OpenGate("saw"), 1600)
    assert all_of(devices) == [(3100, GateReport("saw", OPEN))]


def test_the_state_at_the_beginning_says_where_both_runs_told_the_gates_and_when() -> None:
    devices = beside(told={"saw": (SHUT, 9.8)})
    devices.follow(recorded((10_040, ShutGate("saw"))))
    devices.take_command(ShutGate("saw"), 10_300)
    assert devices.next_ms == NEVER, "still in step since 9.8 s"
    assert devices.counts(GateReport("saw", SHUT), 10_500) is True


# Switches and motors


def test_a_switch_told_the_same_in_both_runs_answers_from_the_recording() -> None:
    devices = beside()
    devices.follow(recorded((5000, CollectorOn("main"))))
    assert devices.counts(CollectorReport("main", False), 4000) is True
    devices.take_command(CollectorOn("main"), 5000)
    assert devices.counts(CollectorReport("main", True), 5050) is True
    assert devices.motor_counts("main", 5050) is True
    assert devices.counts(CollectorReading("main", 6.0), 5050) is True
    assert devices.counts(BrokerConnected(), 5060) is True
    assert all_of(devices) == [(5000, Tick())], "the moment from which the motor's readings count anew"


@pytest.mark.parametrize(("at", "answered"), [(4749, True), (4750, False), (5000, False), (5250, False), (5251, True)])
def test_a_switch_is_answered_for_where_the_recorded_run_told_it_at_another_time(at: int, answered: bool) -> None:
    devices = beside()
    devices.follow(recorded((5000, CollectorOn("main"))))
    devices.take_command(CollectorOn("main"), at)
    said = [(ms, event) for ms, event in all_of(devices) if event != Tick()]
    assert said == ([(at, CollectorReport("main", True, False))] if answered else [])


def test_a_switch_told_again_what_both_runs_told_it_already_is_not_answered_for() -> None:
    devices = beside(on=True)
    devices.take_command(CollectorOn("main"), 50_000)
    assert devices.next_ms == NEVER
    devices.take_command(CollectorOff("main"), 60_000)
    assert devices.counts(CollectorReport("main", True), 60_100) is False, "the recorded fan still runs"
    assert devices.motor_counts("main", 60_100) is False
    devices.take_command(CollectorOff("main"), 70_000)
    off = CollectorReport("main", False, False)
    assert all_of(devices) == [(60_000, off), (70_000, off)]


def test_the_changed_run_looks_up_whenever_the_recorded_collector_is_switched() -> None:
    devices = beside()
    devices.follow(recorded((100, CollectorOn("main")), (150, OpenGate("saw")), (300, CollectorOff("main"))))
    devices.take_command(OpenGate("slow"), 0)
    assert devices.next_ms == 100
    assert all_of(devices) == [(100, Tick()), (300, Tick()), (4000, GateReport("slow", OPEN))]
    devices.follow(recorded((9000, CollectorOn("main"))))
    devices.take_command(CollectorOn("main"), 1000)
    assert all_of(devices) == [(1000, CollectorReport("main", True, False)), (9000, Tick())]


@pytest.mark.parametrize(
    ("before", "now", "modelled"),
    [
        ({}, {"senses_motor": True}, {"main"}),
        ({"senses_motor": True}, {"senses_motor": True}, set()),
        ({"senses_motor": True}, {"senses_motor": True, "measure": Measure.WATTS}, {"main"}),
        ({"senses_motor": True}, {}, set()),
    ],
)
def test_a_motor_that_something_else_looks_at_now_is_answered_for(
    before: dict[str, Any], now: dict[str, Any], modelled: set[str]
) -> None:
    was, then = (replace(SHOP, collectors=(replace(FAN, **one),)) for one in (before, now))
    devices = RecordedDevices(was, then, began({}))
    assert devices.modelled == modelled
    devices.follow(recorded((5000, CollectorOn("main"))))
    devices.take_command(CollectorOn("main"), 5000)
    assert devices.motor_counts("main", 5100) is not bool(modelled)
    assert devices.counts(CollectorReport("main", True), 5100) is True
    said = [(ms, event) for ms, event in all_of(devices) if event != Tick()]
    assert said == ([(5000, CollectorReading("main", 4.0, False))] if modelled else [])
