"""One collector's switch and motor: telling it, its answer, the refresh, what is seen of it, the budget of starts."""

from math import inf
from typing import Any

import pytest
from unit_bench import commands, context_of, events, fan, gate, ready, running, said, saw_shop, shop, tool

from gatehand_rules import events as ev
from gatehand_rules.collectors import answer_due, may_turn, refresh_due, see, tell_off
from gatehand_rules.context import Context
from gatehand_rules.findings import Rule
from gatehand_rules.phases import Cause
from gatehand_rules.shop import CollectorAt, GateAt
from gatehand_rules.state import (
    Answer,
    CoastDown,
    CollectorState,
    Held,
    Off,
    Phase,
    ResetSeen,
    Running,
    RunOn,
    SpinUp,
)
from gatehand_rules.timing import Timing

MAIN = CollectorAt(0)

HOUR = 3600.0


# --- whether it may turn


@pytest.mark.parametrize(
    ("state", "turns"),
    [
        (CollectorState(phase=Off(), still_at=-inf), False),
        (CollectorState(phase=Off(), still_at=inf), True),
        (CollectorState(phase=CoastDown(), still_at=60.0), False),
        (CollectorState(phase=CoastDown(), still_at=60.001), True),
        (CollectorState(phase=SpinUp(60.0), still_at=-inf), True),
        (CollectorState(phase=RunOn("run_on"), still_at=-inf), True),
        (CollectorState(phase=Off(), still_at=-inf, reported_on=True), True),
        (CollectorState(phase=Off(), still_at=-inf, drawing=True), True),
        (CollectorState(phase=Off(), still_at=-inf, reported_on=False, drawing=False), False),
        (CollectorState(phase=Held("x"), still_at=-inf), False),
    ],
)
def test_what_may_turn_turns(state: CollectorState, *, turns: bool) -> None:
    assert may_turn(state, 60.0) is turns


# --- telling it


def test_a_start_is_told_once_and_owes_an_answer() -> None:
    bench = ready(saw_shop(starts_per_hour=3))
    bench.amps(50.0, 5.0)
    assert bench.is_open(51.0) == [
        "> on main",
        "gate_open/report gate=saw collector=main took=1 travel=1 late_by=None",
        "collector_on/demand collector=main starts_this_hour=1 starts_per_hour=3",
    ]
    assert bench.fan_state() == CollectorState(
        phase=SpinUp(51.0),
        still_at=inf,
        reported_on=False,
        report_live=True,
        reported_at=0.6,
        told_at=51.0,
        answer=Answer(on=True, since=51.0),
        told_on_at=51.0,
        starts=(51.0,),
        started_at=51.0,
        last_gate=GateAt(0),
        reset=ResetSeen(asked_at=0.0),
    )


@pytest.mark.parametrize(
    ("settings", "owes"),
    [
        ({"reports": False}, False),
        ({"reports": True}, True),
        ({"reports": False, "senses_motor": True}, True),
    ],
)
def test_a_collector_that_shows_nothing_owes_no_answer(settings: dict[str, Any], *, owes: bool) -> None:
    bench = ready(saw_shop(**settings))
    bench.amps(50.0, 5.0)
    bench.is_open(51.0)
    assert (bench.fan_state().answer == Answer(on=True, since=51.0)) is owes
    bench.until(55.0)
    bench.amps(60.0, 0.0)
    bench.tick(64.0)
    assert (bench.fan_state().answer == Answer(on=False, since=64.0)) is owes


def test_told_off_it_coasts_down_from_then_or_without_end_while_it_is_seen_on() -> None:
    for reports, still_at in ((True, inf), (False, 72.0)):
        bench = running(saw_shop(reports=reports))
        bench.amps(60.0, 0.0)
        bench.tick(64.0)
        state = bench.fan_state()
        assert (state.phase, state.still_at, state.told_on_at, state.confirmed) == (CoastDown(), still_at, None, False)


def test_the_coast_down_of_a_reporting_switch_counts_from_its_off_and_its_gate_is_told_to_shut_at_its_end() -> None:
    bench = running(saw_shop())
    bench.amps(60.0, 0.0)
    bench.tick(64.0)
    bench.is_off(64.5)
    assert bench.state.wake_at == 72.5
    assert bench.tick(72.499) == []
    assert bench.tick(72.5) == ["> shut saw", "gate_commanded/rest gate=saw collector=main to=shut travel=1"]
    assert bench.fan_state().phase == Off()
    assert bench.fan_state().still_at == -inf


# --- the answer


def test_an_unanswered_on_is_told_again_after_five_seconds_and_an_alarm_stands_at_the_third_telling() -> None:
    bench = ready(saw_shop())
    bench.amps(50.0, 5.0)
    bench.is_open(51.0)
    told = "collector_unanswered/answer collector=main told=on tries={} reported_on=False drawing=None"
    assert bench.until(55.999) == []
    assert bench.tick(56.0) == ["> on main", told.format(1)]
    assert bench.tick(60.999) == []
    assert bench.tick(61.0) == [
        "> on main",
        "> raise collector.main.no_answer",
        told.format(2),
        ("alarm_raised/answer collector=main alarm=collector.main.no_answer told=on reported_on=False drawing=None"),
    ]
    assert bench.tick(80.999) == []
    assert bench.tick(81.0) == ["> on main", told.format(3)]
    assert bench.fan_state().answer == Answer(on=True, since=81.0, tries=3)
    assert bench.is_on(82.0) == [
        "> clear collector.main.no_answer",
        "collector_running/report collector=main reported_on=True drawing=None",
        "alarm_cleared/answer collector=main alarm=collector.main.no_answer",
    ]
    assert bench.fan_state().answer is None
    assert bench.fan_state().confirmed
    assert bench.until(1000.0) == []


def test_an_unanswered_off_is_told_again_too() -> None:
    bench = running(saw_shop())
    bench.amps(60.0, 0.0)
    bench.tick(64.0)
    assert bench.tick(69.0) == [
        "> off main",
        "collector_unanswered/answer collector=main told=off tries=1 reported_on=True drawing=None",
    ]
    assert "told=off" in bench.tick(74.0)[-1]
    assert commands(bench.is_off(75.0)) == ["clear collector.main.no_answer"]
    assert not bench.fan_state().confirmed


@pytest.mark.parametrize(
    ("settings", "answer", "due"),
    [
        ({}, None, inf),
        ({}, Answer(on=True, since=10.0), 15.0),
        ({}, Answer(on=True, since=10.0, tries=1), 15.0),
        ({}, Answer(on=True, since=10.0, tries=2), 30.0),
        ({"senses_motor": True, "spin_up": 7.0}, Answer(on=True, since=10.0), 17.0),
        ({"senses_motor": True, "spin_up": 3.0}, Answer(on=True, since=10.0), 15.0),
        ({"senses_motor": True, "spin_up": 7.0, "coast_down": 9.0}, Answer(on=False, since=10.0), 19.0),
        ({"senses_motor": True, "spin_up": 40.0}, Answer(on=True, since=10.0, tries=2), 50.0),
        ({"spin_up": 40.0, "coast_down": 40.0}, Answer(on=False, since=10.0), 15.0),
    ],
)
def test_how_long_an_answer_is_waited_for(settings: dict[str, Any], answer: Answer | None, due: float) -> None:
    assert answer_due(Timing(), fan(**settings), CollectorState(answer=answer)) == due


@pytest.mark.parametrize(
    ("reports", "senses", "reported_on", "drawing", "answered"),
    [
        (True, False, True, None, True),
        (True, False, False, None, False),
        (False, True, None, True, True),
        (False, True, None, False, False),
        (True, True, True, False, False),
        (True, True, False, True, False),
        (True, True, True, True, True),
        (True, True, True, None, False),
    ],
)
def test_an_on_is_answered_when_everything_that_watches_the_fan_says_so(
    reports: bool, senses: bool, reported_on: bool | None, drawing: bool | None, *, answered: bool
) -> None:
    state = CollectorState(phase=SpinUp(50.0), answer=Answer(on=True, since=50.0))
    context = context_of(state, 51.0, reports=reports, senses_motor=senses)
    see(context, MAIN, reported=reported_on, drawing=drawing, live=True)
    assert (context.collectors[0].answer is None) is answered
    assert context.collectors[0].confirmed is answered


def test_a_report_of_unknown_age_answers_nothing() -> None:
    context = context_of(CollectorState(phase=SpinUp(50.0), answer=Answer(on=True, since=50.0)), 51.0)
    see(context, MAIN, reported=True, live=False)
    assert context.collectors[0].answer == Answer(on=True, since=50.0)
    assert said(context) == ["collector_running/retained collector=main reported_on=True drawing=None"]


def test_a_current_of_unknown_age_can_say_that_it_draws_and_not_that_it_stands() -> None:
    for drawing, known in ((True, True), (False, None)):
        context = context_of(CollectorState(), 51.0, senses_motor=True)
        see(context, MAIN, drawing=drawing, live=False)
        assert context.collectors[0].drawing is known


def test_the_motor_draws_from_its_running_amps_on() -> None:
    for amps, drawing in ((2.0, True), (1.999, False)):
        bench = ready(saw_shop(senses_motor=True, turns_at=2.0))
        bench.tell(ev.CollectorReading("main", amps), 50.0)
        assert bench.fan_state().drawing is drawing


def test_a_motor_that_trips_while_its_switch_says_on_owes_its_answer_anew() -> None:
    bench = ready(saw_shop(senses_motor=True, spin_up=1.0))
    bench.amps(50.0, 5.0)
    bench.is_open(51.0)
    bench.is_on(51.1)
    bench.tell(ev.CollectorReading("main", 9.0), 51.2)
    assert bench.fan_state().confirmed
    assert bench.tell(ev.CollectorReading("main", 0.1), 60.0) == []
    assert bench.fan_state().answer is None
    assert bench.tick(62.0) == []
    assert bench.fan_state().answer == Answer(on=True, since=62.0)
    assert not bench.fan_state().confirmed
    assert commands(bench.until(67.0)) == ["on main"]


@pytest.mark.parametrize(
    "state",
    [
        CollectorState(phase=CoastDown(), confirmed=True, reported_on=True, drawing=True),
        CollectorState(phase=Running(), confirmed=False, reported_on=True, drawing=True),
    ],
)
def test_a_motor_that_stands_where_it_was_not_confirmed_on_owes_nothing(state: CollectorState) -> None:
    context = context_of(state, 60.0, senses_motor=True)
    see(context, MAIN, drawing=False, live=True)
    assert context.collectors[0].answer is None


def test_told_off_seen_to_stand_and_seen_to_turn_again_is_somebody_elses_doing() -> None:
    stood = Answer(on=False, since=50.0, stood=True)
    for answer, on, left in (
        (Answer(on=False, since=50.0), False, stood),
        (Answer(on=False, since=50.0), True, Answer(on=False, since=50.0)),
        (stood, True, None),
        (stood, False, stood),
        (Answer(on=True, since=50.0), False, Answer(on=True, since=50.0)),
    ):
        context = context_of(CollectorState(phase=CoastDown(), answer=answer), 51.0, senses_motor=True)
        see(context, MAIN, reported=on, live=False)
        assert context.collectors[0].answer == left


def test_seen_to_stand_its_coast_down_begins_unless_it_is_told_on() -> None:
    for phase, still_at in ((CoastDown(), 59.0), (Running(), inf), (Held("x"), 59.0)):
        context = context_of(CollectorState(phase=phase, reported_on=True), 51.0)
        see(context, MAIN, reported=False, live=True)
        assert context.collectors[0].still_at == still_at
        assert said(context) == ["collector_stood/report collector=main reported_on=False drawing=None"]


def test_seen_to_turn_it_stands_at_no_known_time() -> None:
    context = context_of(CollectorState(phase=Off(), still_at=-inf), 51.0)
    see(context, MAIN, reported=True, live=True)
    assert context.collectors[0].still_at == inf
    assert context.collectors[0].report_live


def test_seen_as_before_there_is_nothing_to_say() -> None:
    context = context_of(CollectorState(phase=Off(), still_at=20.0, reported_on=False), 51.0)
    see(context, MAIN, reported=False, live=True)
    assert said(context) == []
    assert context.collectors[0].still_at == 20.0


# --- the refresh


def test_on_is_repeated_at_each_end_of_the_refresh_and_is_no_start() -> None:
    bench = running(saw_shop(refresh=20.0, starts_per_hour=5))
    assert bench.state.wake_at == 71.0
    assert bench.tick(70.999) == []
    assert bench.tick(71.0) == [
        "> on main",
        "collector_on/refresh collector=main starts_this_hour=None starts_per_hour=5",
    ]
    assert bench.state.wake_at == 91.0
    state = bench.fan_state()
    assert (state.phase, state.starts, state.started_at, state.told_on_at) == (Running(), (51.0,), 51.0, 71.0)
    assert state.confirmed
    assert state.answer is None


def test_no_refresh_is_none() -> None:
    assert running(saw_shop(refresh=0.0)).until(1e5) == []


@pytest.mark.parametrize(
    ("state", "refresh", "due"),
    [
        (CollectorState(phase=Running(), told_on_at=10.0), 20.0, 30.0),
        (CollectorState(phase=Running(), told_on_at=0.0), 20.0, 20.0),
        (CollectorState(phase=Running(), told_on_at=None), 20.0, inf),
        (CollectorState(phase=Running(), told_on_at=10.0), 0.0, inf),
        (CollectorState(phase=Running(), told_on_at=10.0), 1.0, 11.0),
        (CollectorState(phase=CoastDown(), told_on_at=10.0), 20.0, inf),
    ],
)
def test_when_on_is_repeated(state: CollectorState, refresh: float, due: float) -> None:
    assert refresh_due(fan(refresh=refresh), state) == due


# --- spin-up


def test_spin_up_is_over_at_its_end_and_not_before() -> None:
    bench = ready(saw_shop())
    bench.amps(50.0, 5.0)
    bench.is_open(51.0)
    bench.is_on(51.1)
    phases: list[Phase] = []
    for at in (53.999, 54.0):
        bench.tick(at)
        phases.append(bench.fan_state().phase)
    assert phases == [SpinUp(51.0), Running()]


def test_run_on_is_its_own_word_and_cutting_again_is_running() -> None:
    bench = running(shop(tool(), gate(), fan()))
    bench.amps(60.0, 0.0)
    assert bench.fan_state().phase == RunOn("run_on")
    bench.amps(61.0, 5.0)
    assert bench.fan_state().phase == Running()


def test_a_refresh_leaves_an_answer_owed() -> None:
    bench = ready(saw_shop(refresh=3.0))
    bench.amps(50.0, 5.0)
    bench.is_open(51.0)
    assert "collector_on/refresh" in events(bench.tick(54.0))
    assert bench.fan_state().answer == Answer(on=True, since=51.0)


def test_an_unanswered_telling_shows_what_is_seen_of_the_motor() -> None:
    bench = ready(saw_shop(senses_motor=True, spin_up=1.0))
    bench.amps(50.0, 5.0)
    bench.is_open(51.0)
    bench.is_on(51.1)
    said = bench.tick(56.0) + bench.tick(61.0)
    facts = "collector=main told=on {}reported_on=True drawing=False"
    assert "collector_unanswered/answer " + facts.format("tries=1 ") in said
    alarm = "alarm_raised/answer collector=main alarm=collector.main.no_answer told=on reported_on=True drawing=False"
    assert alarm in said


def test_what_is_seen_of_the_motor_is_told() -> None:
    context = context_of(CollectorState(phase=Off(), still_at=-inf), 51.0, senses_motor=True)
    see(context, MAIN, drawing=True, live=True)
    assert said(context) == ["collector_running/report collector=main reported_on=None drawing=True"]


def test_told_off_nothing_is_left_of_an_adoption() -> None:
    bench = ready(saw_shop())
    bench.put(collectors=(CollectorState(phase=Running(), grace_until=99.0, by_hand=True),))
    context = Context(bench.shop, bench.state, 60.0)
    tell_off(context, MAIN, Rule.HOLD, Cause.HOLD, Held("x"))
    assert context.collectors[0].grace_until == -inf
    assert not context.collectors[0].by_hand
