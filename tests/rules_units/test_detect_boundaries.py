"""Tool detection at its boundaries: thresholds, delays, humps, silence, run limit."""

from typing import Any

import pytest
from msgspec.structs import replace
from unit_bench import READY, Bench, commands, events, gate, lines, ready, running, saw_shop, shop, tool

from gatehand_rules import Shop, initial, step
from gatehand_rules import events as ev
from gatehand_rules.state import (
    Freshness,
    SubthresholdRise,
    ToolIdle,
    ToolMuted,
    ToolRunning,
    ToolRunOn,
    ToolUnknown,
)


def saw(**more: Any) -> Shop:  # noqa: ANN401 - the fields of a tool
    return shop(tool(**more), gate())


def test_a_reading_at_the_start_threshold_starts_and_one_below_does_not() -> None:
    assert ready(saw()).amps(READY, 2.999) == []
    assert ready(saw()).amps(READY, 3.0) == [
        "> open saw",
        "tool_started/start_threshold tool=saw collector=main amps=3 start_amps=3 start_after=0",
        "gate_commanded/demand gate=saw collector=main to=open travel=1 instead_of=None",
    ]


def test_a_reading_at_the_stop_threshold_stops_nothing_and_one_below_does() -> None:
    bench = running(saw())
    assert bench.amps(60.0, 2.0) == []
    assert bench.amps(60.5, 1.999) == [
        "tool_stopped/stop_threshold tool=saw collector=main amps=1.999 stop_amps=2 stop_after=0 ran_for=10.5 run_on=4"
    ]
    assert bench.tool_state() == ToolRunOn(1.999, 60.5, 60.5, Freshness.FRESH)


def test_a_negative_reading_counts_as_zero() -> None:
    bench = running(saw())
    assert "amps=0 " in bench.amps(60.0, -4.0)[0]


def test_start_after_is_over_at_its_end_and_not_before() -> None:
    bench = ready(saw(start_after=2.0))
    assert bench.amps(50.0, 5.0) == []
    assert bench.state.wake_at == 52.0
    assert bench.tick(51.999) == []
    assert events(bench.tick(52.0)) == ["tool_started/start_threshold", "gate_commanded/demand"]
    assert bench.tool_state() == ToolRunning(5.0, 50.0, 52.0, Freshness.FRESH)


def test_a_reading_at_the_end_of_start_after_finds_it_over() -> None:
    bench = ready(saw(start_after=2.0))
    bench.amps(50.0, 5.0)
    assert events(bench.amps(52.0, 0.0)) == [
        "tool_started/start_threshold",
        "tool_stopped/stop_threshold",
        "gate_commanded/demand",
    ]
    assert isinstance(bench.tool_state(), ToolRunOn)


def test_a_dip_under_the_threshold_begins_start_after_anew() -> None:
    bench = ready(saw(start_after=2.0))
    bench.amps(50.0, 5.0)
    bench.amps(51.0, 2.9)
    assert bench.state.wake_at is None
    bench.amps(51.5, 5.0)
    assert bench.state.wake_at == 53.5
    assert bench.tick(53.0) == []
    assert events(bench.tick(53.5))[0] == "tool_started/start_threshold"


def test_stop_after_is_over_at_its_end_and_run_on_counts_from_there() -> None:
    bench = running(saw(stop_after=1.5))
    assert bench.amps(60.0, 1.0) == []
    assert bench.tool_state() == ToolRunning(1.0, 60.0, 50.0, Freshness.FRESH, 60.0)
    assert bench.state.wake_at == 61.5
    assert bench.amps(61.0, 0.5) == []
    assert bench.tick(61.499) == []
    assert bench.tick(61.7) == [
        "tool_stopped/stop_threshold tool=saw collector=main amps=0.5 stop_amps=2 stop_after=1.5 ran_for=11.7 run_on=4"
    ]
    assert bench.tool_state() == ToolRunOn(0.5, 61.0, 61.5, Freshness.FRESH)
    assert bench.state.wake_at == 65.5


def test_a_rise_to_the_stop_threshold_within_stop_after_goes_on_cutting() -> None:
    bench = running(saw(stop_after=1.5))
    bench.amps(60.0, 1.0)
    bench.amps(61.0, 2.0)
    assert bench.tool_state() == ToolRunning(2.0, 61.0, 50.0, Freshness.FRESH)
    assert bench.until(70.0) == []


def test_run_on_is_over_at_its_end() -> None:
    bench = running(saw())
    bench.amps(60.0, 0.0)
    assert bench.state.wake_at == 64.0
    assert bench.tick(63.999) == []
    assert bench.tick(64.0) == [
        "> off main",
        "run_on_ended/run_on tool=saw collector=main run_on=4",
        "collector_off/no_demand collector=main coast_down=8 why=None",
    ]
    assert bench.tool_state() == ToolIdle(0.0, 60.0)


def test_a_tool_without_run_on_is_idle_at_once() -> None:
    bench = running(saw(run_on=0.0))
    assert events(bench.amps(60.0, 0.0)) == [
        "tool_stopped/stop_threshold",
        "run_on_ended/run_on",
        "collector_off/no_demand",
    ]


def test_a_cut_within_run_on_goes_on_without_a_word_of_the_collector() -> None:
    bench = running(saw(start_after=1.0))
    bench.amps(60.0, 0.0)
    assert bench.amps(61.0, 3.0) == []
    assert bench.state.wake_at == 62.0
    assert events(bench.tick(62.0)) == ["tool_started/start_threshold"]


def test_a_rise_that_outlives_run_on_starts_when_its_own_delay_is_over() -> None:
    bench = running(saw(start_after=2.0))
    bench.amps(60.0, 0.0)
    bench.amps(63.0, 5.0)
    assert events(bench.until(64.5)) == ["run_on_ended/run_on", "collector_off/no_demand"]
    assert isinstance(bench.tool_state(), ToolIdle)
    assert events(bench.until(65.0))[0] == "tool_started/start_threshold"


# --- a rise that never became a start


@pytest.mark.parametrize(("peak", "lasts", "said"), [(1.499, 5.0, False), (1.5, 1.0, True), (1.5, 0.999, False)])
def test_a_rise_from_half_the_threshold_on_leaves_word_when_it_lasted_a_second(
    peak: float, lasts: float, *, said: bool
) -> None:
    bench = ready(saw())
    assert bench.amps(50.0, peak) == []
    told = bench.amps(50.0 + lasts, 1.0)
    line = f"start_missed/below_start_threshold tool=saw collector=main peak={peak:g} start_amps=3 lasted={lasts:g}"
    assert told == ([line] if said else [])
    assert bench.tool_state() == ToolIdle(1.0, 50.0 + lasts)


def test_a_rise_keeps_its_peak_and_its_longest_spell() -> None:
    bench = ready(saw(start_after=2.0))
    bench.amps(50.0, 1.6)
    assert bench.tool_state() == ToolIdle(1.6, 50.0, SubthresholdRise(50.0, 1.6, longest=-1.0))
    bench.amps(50.1, 4.0)
    bench.amps(50.2, 3.5)
    assert bench.tool_state() == ToolIdle(3.5, 50.2, SubthresholdRise(50.0, 4.0, above_since=50.1, longest=-1.0))
    bench.amps(51.1, 2.0)
    bench.amps(51.2, 3.0)
    bench.amps(51.5, 2.0)
    assert bench.tool_state() == ToolIdle(2.0, 51.5, SubthresholdRise(50.0, 4.0, longest=1.0))
    assert bench.amps(52.0, 0.0) == [
        (
            "start_missed/shorter_than_start_after tool=saw collector=main peak=4 start_amps=3 above_for=1 "
            "start_after=2 lasted=2"
        ),
    ]


def test_a_spell_that_ends_the_rise_counts_too_however_short() -> None:
    bench = ready(saw(start_after=2.0))
    bench.amps(50.0, 3.0)
    assert bench.amps(50.25, 0.0) == [
        (
            "start_missed/shorter_than_start_after tool=saw collector=main peak=3 start_amps=3 above_for=0.25 "
            "start_after=2 lasted=0.25"
        ),
    ]


def test_a_rise_of_no_length_at_the_threshold_is_told_as_one() -> None:
    bench = ready(saw(start_after=2.0))
    bench.amps(50.0, 3.0)
    assert "above_for=0 " in bench.amps(50.0, 0.0)[0]


# --- the first reading


@pytest.mark.parametrize(
    ("amps", "state"),
    [
        (1.999, ToolIdle(1.999, 50.0)),
        (2.0, ToolUnknown(2.0, 50.0)),
        (2.999, ToolUnknown(2.999, 50.0)),
        (3.0, ToolRunning(3.0, 50.0, 50.0, Freshness.STALE)),
    ],
)
def test_the_first_reading_tells_idle_from_running_outside_of_the_thresholds_only(amps: float, state: object) -> None:
    outcome = step(saw(), initial(saw(), 0.0), ev.Reading("saw", amps), 50.0)
    assert outcome.state.tools[0] == state
    if amps < 3:
        assert lines(outcome) == []
        return
    assert lines(outcome) == [
        "> raise tool.saw.not_fresh",
        "start_refused/first_seen_drawing tool=saw collector=main amps=3 start_amps=3",
        "alarm_raised/first_seen_drawing tool=saw alarm=tool.saw.not_fresh amps=3",
    ]


# --- run limit, muted


def test_a_tool_is_muted_at_its_run_limit() -> None:
    bench = running(saw(run_limit=20.0))
    assert bench.state.wake_at == 70.0
    assert bench.tick(69.999) == []
    assert bench.tick(70.0) == [
        "> raise tool.saw.run_limit",
        "> off main",
        "tool_muted/run_limit tool=saw amps=5 stop_amps=2",
        "alarm_raised/run_limit tool=saw alarm=tool.saw.run_limit run_limit=20",
        "collector_off/no_demand collector=main coast_down=8 why=None",
    ]
    assert bench.tool_state() == ToolMuted(5.0, 50.0)


def test_no_run_limit_is_no_limit() -> None:
    assert running(saw(run_limit=0.0)).until(1e6) == []


def test_a_muted_tool_is_idle_below_its_stop_threshold_and_not_at_it() -> None:
    bench = running(saw(run_limit=20.0))
    bench.until(70.0)
    assert bench.amps(71.0, 2.0) == []
    assert bench.tool_state() == ToolMuted(2.0, 71.0)
    assert bench.amps(72.0, 1.999) == [
        "> clear tool.saw.run_limit",
        "tool_stopped/stop_threshold tool=saw amps=1.999 was=muted",
        "alarm_cleared/stop_threshold tool=saw alarm=tool.saw.run_limit",
    ]
    assert bench.tool_state() == ToolIdle(1.999, 72.0)


# --- not fresh


def test_the_alarm_of_a_tool_that_drew_already_ends_with_its_stop() -> None:
    bench = Bench(saw())
    bench.tell(ev.BrokerConnected(), 0.0)
    bench.amps(0.1, 5.0)
    bench.is_open(0.2)
    bench.until(20.0)
    assert commands(bench.amps(20.0, 0.0)) == ["clear tool.saw.not_fresh"]


def test_the_alarm_of_a_tool_that_drew_already_ends_when_it_is_heard_at_rest_after_silence() -> None:
    bench = Bench(saw(silent_after=30.0))
    bench.tell(ev.BrokerConnected(), 0.0)
    bench.amps(0.1, 5.0)
    bench.until(40.0)
    assert commands(bench.amps(41.0, 0.0)) == ["clear tool.saw.silent", "clear tool.saw.not_fresh"]


def test_a_start_while_held_or_with_a_full_bin_is_stale_and_says_so() -> None:
    for event, rule in ((ev.HoldAsked("main"), "hold"), (ev.BinReport("main", full=True), "bin_full")):
        bench = ready(saw_shop())
        bench.tell(event, 50.0)
        said = bench.amps(51.0, 5.0)
        assert said == [
            "> raise tool.saw.not_fresh",
            "tool_started/start_threshold tool=saw collector=main amps=5 start_amps=3 start_after=0",
            f"start_refused/{rule} tool=saw collector=main amps=5 start_amps=3",
            f"alarm_raised/{rule} tool=saw alarm=tool.saw.not_fresh amps=5",
        ]
        assert bench.tool_state() == ToolRunning(5.0, 51.0, 51.0, Freshness.STALE)


def test_a_full_bin_refuses_no_tool_beside_one_that_is_served_and_none_where_it_only_warns() -> None:
    two = shop(tool("saw"), tool("jointer"), gate("saw"), gate("jointer"))
    bench = running(two)
    bench.tell(ev.BinReport("main", full=True), 55.0)
    assert events(bench.amps(56.0, 5.0, "jointer")) == ["tool_started/start_threshold", "gate_commanded/demand"]
    bench = ready(saw_shop(on_bin_full="warn"))
    bench.tell(ev.BinReport("main", full=True), 55.0)
    assert commands(bench.amps(56.0, 5.0)) == ["open saw"]


def test_an_unconfirmed_demand_is_fresh_again_with_a_reading_at_its_stop_threshold() -> None:
    for amps, standing in ((2.0, Freshness.FRESH), (1.999, Freshness.UNCONFIRMED)):
        bench = running(saw(stop_after=5.0))
        bench.tell(ev.BrokerLost(60.0), 60.0)
        bench.tell(ev.BrokerConnected(), 61.0)
        state = bench.tool_state()
        assert isinstance(state, ToolRunning)
        assert state.freshness is Freshness.UNCONFIRMED
        bench.amps(62.0, amps)
        assert bench.tool_state() == replace(state, value=amps, heard_at=62.0, low_since=None if amps == 2.0 else 62.0)
        bench.amps(63.0, amps)
        state = bench.tool_state()
        assert isinstance(state, ToolRunning)
        assert state.freshness is standing


def test_a_rise_in_run_on_keeps_its_beginning() -> None:
    bench = running(saw(run_on=30.0, start_after=2.0))
    bench.amps(60.0, 0.0)
    bench.amps(61.0, 1.6)
    bench.amps(62.0, 5.0)
    bench.amps(62.5, 4.0)
    assert bench.tool_state() == ToolRunOn(4.0, 62.5, 60.0, Freshness.FRESH, SubthresholdRise(61.0, 5.0, 62.0, -1.0))
