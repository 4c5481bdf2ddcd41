"""After a silence (I6): what bears a start out, at its boundary, and what does not."""

from collections.abc import Callable
from typing import Any

import pytest
from unit_bench import Bench, commands, events, gate, hose, ready, running, saw_shop, shop, tool

from gatehand_rules import Shop, start
from gatehand_rules import events as ev
from gatehand_rules.context import Context
from gatehand_rules.findings import Alarm
from gatehand_rules.state import (
    Doubt,
    Freshness,
    SubthresholdRise,
    ToolIdle,
    ToolMuted,
    ToolRunning,
    ToolRunOn,
    ToolSilent,
    ToolUnknown,
)
from gatehand_rules.state import ToolState as State
from gatehand_rules.words import Position

STARTED, WAITED = "tool_started/start_threshold", "tool_started/after_silence"


def saw(**more: Any) -> Shop:  # noqa: ANN401 - the fields of a tool
    """A meter that speaks now and then; `silent_after` is a minute."""
    return shop(tool(**({"silent_after": 60.0} | more)), gate())


def broker_back(place: Shop) -> Bench:
    """At 101 s the broker is back after a second."""
    bench = ready(place)
    bench.amps(100.0, 0.0)
    bench.amps(100.1, 0.0)
    bench.tell(ev.BrokerLost(100.2), 100.2)
    bench.tell(ev.BrokerConnected(), 101.0)
    bench.until(101.5)
    return bench


def gone_and_back(place: Shop) -> Bench:
    """At 101 s its device says that it is there again."""
    bench = ready(place)
    bench.amps(100.0, 0.0)
    bench.tell(ev.DeviceOnline("tool", "saw", online=False), 100.5)
    bench.tell(ev.DeviceOnline("tool", "saw", online=True), 101.0)
    return bench


def silent(place: Shop) -> Bench:
    """It has said nothing for its `silent_after` (a minute) at 110 s."""
    bench = ready(place)
    bench.amps(50.0, 0.0)
    bench.until(111.0)
    assert isinstance(bench.tool_state(), ToolSilent)
    return bench


def stood_still(place: Shop) -> Bench:
    """As whoever notices a standstill of the loop marks all tools."""
    bench = ready(place)
    bench.amps(100.0, 0.0)
    context = Context(place, bench.state, 101.0)
    start.doubt_tools(context)
    bench.put(doubts=tuple(context.doubts))
    return bench


Silence = Callable[[Shop], Bench]
SILENCES = [broker_back, gone_and_back, silent, stood_still]


def started(bench: Bench) -> bool:
    return isinstance(bench.tool_state(), ToolRunning)


# --- what bears it out


@pytest.mark.parametrize("silence", SILENCES)
def test_one_reading_after_a_silence_starts_nothing_however_long_it_stands(silence: Silence) -> None:
    bench = silence(saw())
    assert "open saw" not in commands(bench.amps(120.0, 5.0))
    assert not started(bench)
    said = bench.until(179.0)
    assert not started(bench)
    assert commands(said) == []


@pytest.mark.parametrize("silence", SILENCES)
@pytest.mark.parametrize(("later", "starts"), [(0.999, False), (1.0, True)])
def test_a_second_such_reading_a_second_later_bears_it_out(silence: Silence, later: float, *, starts: bool) -> None:
    bench = silence(saw())
    bench.amps(120.0, 5.0)
    said = bench.amps(120.0 + later, 6.0)
    assert (WAITED in events(said)) is starts
    assert started(bench) is starts
    assert ("open saw" in commands(said)) is starts


@pytest.mark.parametrize("silence", SILENCES)
@pytest.mark.parametrize(("later", "starts"), [(0.999, False), (1.0, True)])
def test_a_reading_below_a_second_before_bears_it_out_at_once(silence: Silence, later: float, *, starts: bool) -> None:
    bench = silence(saw())
    bench.amps(120.0, 2.999)
    said = bench.amps(120.0 + later, 5.0)
    assert (STARTED in events(said)) is starts, "nothing had to be waited for"
    assert started(bench) is starts


@pytest.mark.parametrize("silence", SILENCES)
def test_a_young_reading_needs_nothing_else(silence: Silence) -> None:
    bench = silence(saw())
    said = bench.tell(ev.Reading("saw", 5.0, young=True), 120.0)
    assert STARTED in events(said)
    assert "open saw" in commands(said)


def test_a_young_reading_bears_out_the_one_before_it() -> None:
    bench = broker_back(saw())
    bench.amps(120.0, 5.0)
    opened, said = bench.tell(ev.Reading("saw", 5.0, young=True), 120.25)[:2]
    assert opened == "> open saw"
    began = "tool_started/after_silence tool=saw collector=main amps=5 start_amps=3 start_after=0"
    assert said == f"{began} waited=0.25 confirmed_by=a reading that was surely new confirmed it"


def test_a_young_reading_below_bears_out_nothing_by_itself() -> None:
    bench = broker_back(saw())
    bench.tell(ev.Reading("saw", 0.0, young=True), 120.0)
    bench.amps(120.5, 5.0)
    assert not started(bench)


@pytest.mark.parametrize("silence", [broker_back, gone_and_back, stood_still])
@pytest.mark.parametrize(("at", "starts"), [(122.999, False), (123.0, True)])
def test_a_sensor_on_change_is_believed_when_nothing_contrary_comes_for_3_s(
    silence: Silence, at: float, *, starts: bool
) -> None:
    bench = silence(saw(silent_after=0.0))
    bench.amps(120.0, 5.0)
    assert bench.state.wake_at == 123.0
    said = bench.tick(at)
    assert (WAITED in events(said)) is starts
    assert started(bench) is starts


@pytest.mark.parametrize(("at", "starts"), [(122.999, False), (123.0, True)])
def test_a_contrary_word_within_the_3_s_is_heard(at: float, *, starts: bool) -> None:
    bench = broker_back(saw(silent_after=0.0))
    bench.amps(120.0, 5.0)
    said = events(bench.amps(at, 0.0))
    assert ("tool_stopped/stop_threshold" in said) is starts
    assert ("start_missed/not_confirmed" in said) is not starts
    assert not started(bench)


def test_a_broker_lost_within_the_3_s_is_no_assent() -> None:
    bench = broker_back(saw(silent_after=0.0))
    bench.amps(120.0, 5.0)
    bench.tell(ev.BrokerLost(121.0), 121.0)
    assert bench.until(130.0) == []
    assert "start_missed/not_confirmed" in events(bench.tell(ev.BrokerConnected(), 131.0))
    bench.until(140.0)
    assert not started(bench)


def test_a_contact_is_served_after_3_s_and_a_meter_that_speaks_every_10_s_with_its_second_reading() -> None:
    contact = broker_back(saw(silent_after=0.0))
    contact.amps(103.0, 5.0)
    assert "open saw" in commands(contact.until(106.0))
    meter = broker_back(saw())
    meter.amps(103.0, 0.0)
    assert "open saw" in commands(meter.amps(113.0, 5.0)), "a reading below came before"
    meter = broker_back(saw())
    meter.amps(103.0, 5.0)
    assert "open saw" in commands(meter.amps(113.0, 5.0))


# --- what does not


def test_a_burst_of_what_was_held_back_starts_nothing() -> None:
    bench = broker_back(saw())
    for place in range(12):
        bench.amps(120.0 + place * 0.08, 5.0 if place % 3 else 0.0)
    assert not started(bench)


def test_a_reading_below_begins_the_wait_anew() -> None:
    bench = broker_back(saw())
    bench.amps(120.0, 5.0)
    bench.amps(120.1, 0.0)
    bench.amps(120.2, 5.0)
    bench.amps(121.05, 5.0)
    assert not started(bench), "the rise of 120.2 s is 0.85 s old, and the reading below 0.95 s"
    bench.amps(121.1, 5.0)
    assert started(bench)


def test_a_rise_that_nothing_bore_out_says_so_when_it_is_over() -> None:
    bench = broker_back(saw())
    bench.amps(120.0, 5.0)
    assert bench.amps(120.5, 0.0) == [
        "start_missed/not_confirmed tool=saw collector=main peak=5 start_amps=3 above_for=0.5 lasted=0.5"
    ]


def test_a_rise_shorter_than_start_after_says_that_instead() -> None:
    bench = broker_back(saw(start_after=1.0))
    bench.amps(120.0, 5.0)
    assert events(bench.amps(120.5, 0.0)) == ["start_missed/shorter_than_start_after"]


def test_a_rise_that_still_waits_when_the_next_silence_begins_says_so() -> None:
    bench = broker_back(saw())
    bench.amps(120.0, 5.0)
    said = events(bench.tell(ev.DeviceOnline("tool", "saw", online=False), 120.5))
    assert "start_missed/not_confirmed" in said
    bench.amps(121.5, 5.0)
    assert not started(bench), "the reading of 120 s came before this silence"


def test_start_after_counts_from_the_first_reading() -> None:
    bench = broker_back(saw(start_after=5.0))
    bench.amps(120.0, 5.0)
    bench.amps(121.0, 5.0)
    assert bench.state.wake_at == 125.0
    assert bench.tick(124.999) == []
    assert STARTED in events(bench.tick(125.0))
    bench = broker_back(saw(start_after=5.0))
    bench.amps(120.0, 5.0)
    assert WAITED in events(bench.amps(130.0, 5.0))


def test_no_deadline_stands_for_a_start_that_waits_to_be_borne_out() -> None:
    bench = broker_back(saw(start_after=5.0, silent_after=30.0))
    bench.amps(120.0, 5.0)
    assert bench.state.wake_at == 150.0, "when it falls silent"


# --- demands from before


@pytest.mark.parametrize(
    ("readings", "standing"),
    [
        ([(62.0, 5.0)], Freshness.UNCONFIRMED),
        ([(62.0, 5.0), (62.999, 5.0)], Freshness.UNCONFIRMED),
        ([(62.0, 5.0), (63.0, 2.0)], Freshness.FRESH),
    ],
)
def test_a_demand_from_before_a_lost_broker_is_borne_out_alike(
    readings: list[tuple[float, float]], standing: Freshness
) -> None:
    bench = running(saw_shop())
    bench.tell(ev.BrokerLost(60.0), 60.0)
    bench.tell(ev.BrokerConnected(), 61.0)
    for at, amps in readings:
        bench.amps(at, amps)
    state = bench.tool_state()
    assert isinstance(state, ToolRunning)
    assert state.freshness is standing


def test_a_demand_of_a_sensor_on_change_is_borne_out_by_3_s_without_a_contrary_word() -> None:
    bench = running(saw_shop())
    bench.tell(ev.BrokerLost(60.0), 60.0)
    bench.tell(ev.BrokerConnected(), 61.0)
    bench.tell(ev.Reading("saw", 5.0), 62.0)
    bench.until(64.999)
    assert bench.tool_state() == ToolRunning(5.0, 62.0, 50.0, Freshness.UNCONFIRMED)
    bench.until(65.0)
    assert bench.tool_state() == ToolRunning(5.0, 62.0, 50.0, Freshness.FRESH)


# --- retained readings


def first_connection(*said: ev.Event, **more: Any) -> Bench:  # noqa: ANN401 - the fields of a tool
    bench = Bench(saw(**more))
    bench.tell(ev.BrokerConnected(), 0.0)
    bench.tell(ev.CollectorReport("main", on=False, retained=True), 0.1)
    for event in said:
        bench.tell(event, 0.2)
    bench.until(1.0)
    return bench


@pytest.mark.parametrize(
    ("amps", "state"), [(1.999, ToolIdle(1.999, 0.0)), (2.0, ToolUnknown(None, 0.0)), (9.0, ToolUnknown(None, 0.0))]
)
def test_a_retained_reading_below_the_stop_threshold_makes_an_unknown_tool_idle(amps: float, state: State) -> None:
    bench = first_connection(ev.Reading("saw", amps, retained=True))
    assert bench.tool_state() == state
    assert bench.state.doubts == (Doubt(),), "it bears nothing out"


def test_a_tool_that_the_broker_remembers_idle_starts_when_it_is_borne_out() -> None:
    bench = first_connection(ev.Reading("saw", 0.0, retained=True))
    bench.amps(2.0, 5.0)
    assert not started(bench)
    assert "open saw" in commands(bench.amps(3.0, 5.0))
    bench.is_open(4.0)
    assert bench.state.collectors[0].on_phase, "the interlock has seen the rise too"


def test_a_tool_that_nothing_has_shown_idle_starts_nothing_however_well_borne_out() -> None:
    for event in (ev.Reading("saw", 9.0, retained=True), ev.Reading("saw", 9.0, young=True)):
        bench = first_connection(event)
        bench.amps(2.0, 5.0)
        bench.amps(4.0, 5.0)
        assert Alarm("tool", "saw", "not_fresh") in bench.state.alarms
        assert not bench.state.collectors[0].on_phase
        assert bench.state.gates[0].hand is None


def test_a_retained_reading_is_none_after_a_live_one() -> None:
    bench = first_connection(ev.Reading("saw", 5.0))
    assert events(bench.tell(ev.Reading("saw", 0.0, retained=True), 1.5)) == ["reading_rejected/retained"]
    assert started(bench)


def test_a_cut_that_ended_while_the_broker_was_away_is_over_by_what_the_broker_remembers() -> None:
    bench = running(saw_shop())
    bench.tell(ev.BrokerLost(60.0), 60.0)
    bench.tell(ev.BrokerConnected(), 70.0)
    assert events(bench.tell(ev.Reading("saw", 0.0, retained=True), 70.1)) == ["tool_stopped/stop_threshold"]
    assert bench.tool_state() == ToolRunOn(0.0, 70.0, 70.1, Freshness.UNCONFIRMED)


def test_a_retained_reading_ends_a_mute_and_no_silence() -> None:
    bench = running(saw(run_limit=8.0))
    bench.until(60.0)
    assert isinstance(bench.tool_state(), ToolMuted)
    bench.tell(ev.BrokerLost(60.0), 60.0)
    bench.tell(ev.BrokerConnected(), 61.0)
    assert "alarm_cleared/stop_threshold" in str(bench.tell(ev.Reading("saw", 0.0, retained=True), 61.1))
    assert bench.tool_state() == ToolIdle(0.0, 61.0)
    bench = silent(saw())
    bench.tell(ev.BrokerLost(112.0), 112.0)
    bench.tell(ev.BrokerConnected(), 113.0)
    bench.tell(ev.Reading("saw", 0.0, retained=True), 113.1)
    assert isinstance(bench.tool_state(), ToolSilent)


def test_a_silent_tool_that_was_let_go_is_idle_by_a_retained_reading() -> None:
    bench = running(saw(silent_after=20.0))
    bench.until(80.0)
    bench.tell(ev.BrokerLost(80.0), 80.0)
    bench.tell(ev.BrokerConnected(), 81.0)
    bench.tell(ev.Reading("saw", 0.0, retained=True), 81.1)
    assert bench.tool_state() == ToolSilent(ToolIdle(0.0, 50.0), 70.0, let_go=True)
    assert STARTED not in events(bench.amps(90.0, 5.0))
    assert bench.tool_state() == ToolIdle(5.0, 90.0, SubthresholdRise(90.0, 5.0, 90.0, -1.0))


# --- the rest of the shop


def test_undoubted_tools_take_the_short_way() -> None:
    bench = ready(shop(hose("saw"), hose("router")))
    bench.amps(60.0, 0.0)
    assert bench.state.doubts == (None, Doubt(low_at=0.2)), "two readings below, a second apart, end the doubt"
    before = bench.state
    bench.amps(62.0, 0.1)
    assert bench.state.collectors is before.collectors, "no full step"
    bench.amps(62.0, 0.1, "router")
    assert bench.state.collectors is not before.collectors


def test_a_state_of_before_has_no_doubts() -> None:
    bench = ready(saw_shop())
    bench.put(doubts=())
    bench.amps(60.0, 5.0)
    assert started(bench)
    assert bench.state.doubts == (None,)


# --- the daemon's start, with a sensor that speaks only on change


def begun(*first: ev.Reading) -> Bench:
    """At 100 s nothing has come of the saw but this, in the first half second."""
    bench = Bench(saw(silent_after=0.0))
    bench.tell(ev.BrokerConnected(), 0.0)
    bench.tell(ev.GateReport("saw", Position.SHUT, retained=True), 0.1)
    bench.tell(ev.CollectorReport("main", on=False, retained=True), 0.1)
    for reading in first:
        bench.tell(reading, 0.2)
    bench.until(100.0)
    return bench


@pytest.mark.parametrize(("at", "starts"), [(122.999, False), (123.0, True)])
def test_a_kept_word_that_shows_the_tool_idle_lets_the_first_cut_start_when_it_has_stood_for_3_s(
    at: float, *, starts: bool
) -> None:
    bench = begun(ev.Reading("saw", 0.0, retained=True))
    bench.amps(120.0, 5.0)
    assert bench.state.wake_at == 123.0
    said = bench.tick(at)
    assert ("open saw" in commands(said)) is starts
    assert started(bench) is starts


@pytest.mark.parametrize("kept", [True, False])
def test_an_answer_that_shows_the_tool_idle_lets_the_first_cut_start_at_once(*, kept: bool) -> None:
    """Also where the broker keeps what the tool did before the daemon's start."""
    old = (ev.Reading("saw", 5.0, retained=True),) if kept else ()
    bench = begun(*old, ev.Reading("saw", 0.0, young=True))
    said = bench.amps(120.0, 5.0)
    assert STARTED in events(said)
    assert "open saw" in commands(said)


@pytest.mark.parametrize("kept", [True, False])
def test_where_nothing_has_shown_the_tool_idle_its_first_cut_is_refused_and_its_second_served(*, kept: bool) -> None:
    bench = begun(*((ev.Reading("saw", 5.0, retained=True),) if kept else ()))
    said = [*bench.amps(120.0, 5.0), *bench.until(160.0)]
    assert "start_refused/first_seen_drawing" in events(said)
    assert commands(said) == ["raise tool.saw.not_fresh"]
    bench.amps(160.0, 0.0)
    assert "open saw" in commands(bench.amps(170.0, 5.0))


def test_an_answer_that_shows_the_tool_drawing_already_is_no_start() -> None:
    bench = begun(ev.Reading("saw", 5.0, young=True))
    assert [alarm.what for alarm in bench.state.alarms] == ["not_fresh"]
    assert not any("open" in command or "on " in command for command in commands(bench.until(130.0)))
