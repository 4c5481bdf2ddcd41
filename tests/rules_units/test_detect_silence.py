"""A sensor that says nothing, and one that speaks again."""

from typing import Any

from unit_bench import Bench, events, gate, ready, running, shop, tool

from gatehand_rules import Shop
from gatehand_rules import events as ev
from gatehand_rules.state import (
    Freshness,
    SubthresholdRise,
    ToolIdle,
    ToolMuted,
    ToolRunning,
    ToolRunOn,
    ToolSilent,
    tool_word,
)


def saw(**more: Any) -> Shop:  # noqa: ANN401 - the fields of a tool
    return shop(tool(**more), gate())


def test_a_sensor_is_silent_at_the_end_of_silent_after() -> None:
    bench = ready(saw(silent_after=100.0))
    assert bench.state.wake_at == 100.2
    assert bench.tick(100.199) == []
    assert bench.tick(100.3) == [
        "> raise tool.saw.silent",
        "tool_silent/silent_after tool=saw collector=main was=idle silent_after=100 last_amps=0 run_on=4",
        "alarm_raised/silent_after tool=saw alarm=tool.saw.silent silent_after=100",
    ]
    assert bench.tool_state() == ToolSilent(ToolIdle(0.0, 0.2), 100.2)


def test_a_sensor_that_speaks_on_change_is_never_silent() -> None:
    assert ready(saw(silent_after=0.0)).until(1e6) == []


def test_silence_counts_only_while_connected() -> None:
    bench = ready(saw(silent_after=100.0))
    bench.tell(ev.BrokerLost(60.0), 60.0)
    assert bench.state.wake_at is None
    assert bench.tick(1000.0) == []
    bench.tell(ev.BrokerConnected(), 1000.0)
    assert bench.tick(1000.5) == ["> off main", "collector_off/broker collector=main coast_down=8 why=None"]
    bench.is_off(1000.6)
    bench.until(1099.9)
    assert tool_word(bench.tool_state()) == "idle"
    bench.until(1100.0)
    assert tool_word(bench.tool_state()) == "silent"


def test_a_tool_silent_while_cutting_is_held_for_its_run_on_from_the_silence() -> None:
    bench = running(saw(silent_after=20.0))
    said = bench.until(75.0)
    assert said[:3] == [
        "> raise tool.saw.silent",
        "tool_silent/silent_after tool=saw collector=main was=running silent_after=20 last_amps=5 run_on=4",
        "alarm_raised/silent_after tool=saw alarm=tool.saw.silent silent_after=20",
    ]
    assert said[3:] == [
        "> off main",
        "run_on_ended/silent_after tool=saw collector=main run_on=4",
        "collector_off/no_demand collector=main coast_down=8 why=None",
    ]
    assert bench.tool_state() == ToolSilent(ToolRunning(5.0, 50.0, 50.0, Freshness.FRESH), 70.0, let_go=True)


def test_a_silent_tool_is_let_go_at_the_end_of_its_run_on() -> None:
    bench = running(saw(silent_after=20.0))
    bench.until(70.0)
    assert bench.state.wake_at == 74.0
    assert bench.tick(73.999) == []
    assert events(bench.tick(74.0)) == ["run_on_ended/silent_after", "collector_off/no_demand"]
    assert bench.state.wake_at is not None
    assert bench.state.wake_at > 74.0


def test_a_tool_silent_in_its_run_on_keeps_what_is_left_of_it() -> None:
    bench = running(saw(silent_after=20.0, run_on=30.0))
    bench.amps(60.0, 0.0)
    assert events(bench.until(80.0)) == ["tool_silent/silent_after", "alarm_raised/silent_after"]
    assert bench.state.wake_at == 90.0
    assert events(bench.tick(90.0)) == ["run_on_ended/silent_after", "collector_off/no_demand"]


def test_an_idle_tool_fallen_silent_is_let_go_without_a_word() -> None:
    bench = ready(saw(silent_after=100.0))
    bench.until(100.2)
    assert bench.tick(104.2) == []
    assert bench.tool_state() == ToolSilent(ToolIdle(0.0, 0.2), 100.2, let_go=True)
    assert bench.state.wake_at is None


def test_a_silent_tool_heard_cutting_again_cuts_on() -> None:
    bench = running(saw(silent_after=20.0))
    bench.until(72.0)
    assert bench.amps(72.5, 4.0) == [
        "> clear tool.saw.silent",
        "tool_heard/silent_after tool=saw amps=4 silent_for=22.5",
        "alarm_cleared/silent_after tool=saw alarm=tool.saw.silent",
    ]
    assert bench.tool_state() == ToolRunning(4.0, 72.5, 50.0, Freshness.UNCONFIRMED)
    assert bench.amps(73.5, 4.0) == []
    assert bench.tool_state() == ToolRunning(4.0, 73.5, 50.0, Freshness.FRESH)


def silent_for(said: list[str]) -> str:
    return next(line.rpartition("silent_for=")[2] for line in said if line.startswith("tool_heard/"))


def test_a_silence_lasts_from_the_last_reading_also_over_a_lost_broker_and_for_a_device_that_was_gone() -> None:
    bench = running(saw(silent_after=20.0))
    bench.until(72.0)
    bench.tell(ev.BrokerLost(73.0), 73.0)
    bench.tell(ev.BrokerConnected(), 74.0)
    bench.until(75.0)
    assert silent_for(bench.amps(80.0, 0.0)) == "30"
    bench.until(85.0)
    bench.tell(ev.DeviceOnline("tool", "saw", online=False), 86.0)
    assert silent_for(bench.amps(90.0, 0.0)) == "10"


def test_a_sensor_that_speaks_on_change_was_silent_for_as_long_as_its_device_was_gone() -> None:
    bench = running(saw(silent_after=0.0))
    bench.tell(ev.DeviceOnline("tool", "saw", online=False), 86.0)
    assert silent_for(bench.amps(90.0, 0.0)) == "4"


def test_a_silent_tool_let_go_and_heard_at_rest_is_idle_at_once() -> None:
    bench = running(saw(silent_after=20.0))
    bench.until(76.0)
    assert events(bench.amps(77.0, 1.999)) == ["tool_heard/silent_after", "alarm_cleared/silent_after"]
    assert bench.tool_state() == ToolIdle(1.999, 77.0, SubthresholdRise(77.0, 1.999, longest=-1.0))


def test_a_silent_tool_let_go_and_heard_at_its_stop_threshold_cuts_on() -> None:
    bench = running(saw(silent_after=20.0))
    bench.until(76.0)
    bench.amps(77.0, 2.0)
    assert bench.tool_state() == ToolRunning(2.0, 77.0, 50.0, Freshness.UNCONFIRMED)


def test_a_silent_tool_within_its_run_on_and_heard_at_rest_stops_as_any() -> None:
    bench = running(saw(silent_after=20.0))
    bench.until(71.0)
    assert events(bench.amps(72.0, 0.0))[-1] == "tool_stopped/stop_threshold"
    assert bench.tool_state() == ToolRunOn(0.0, 72.0, 72.0, Freshness.UNCONFIRMED)


def test_a_low_spell_from_before_the_silence_does_not_count() -> None:
    bench = running(saw(silent_after=20.0, stop_after=30.0, run_on=100.0))
    bench.amps(60.0, 1.0)
    bench.until(81.0)
    bench.amps(85.0, 1.0)
    assert bench.tool_state() == ToolRunning(1.0, 85.0, 50.0, Freshness.UNCONFIRMED, 85.0)


def test_a_rise_from_before_the_silence_does_not_count() -> None:
    bench = ready(saw(silent_after=100.0, start_after=200.0))
    bench.amps(51.0, 5.0)
    bench.until(160.0)
    bench.amps(161.0, 5.0)
    assert bench.tool_state() == ToolIdle(5.0, 161.0, SubthresholdRise(161.0, 5.0, 161.0, -1.0))


def test_a_tool_silent_in_its_run_on_and_heard_goes_on_with_it_or_is_idle_when_it_was_let_go() -> None:
    for at, state in (
        (85.0, ToolRunOn(0.5, 85.0, 60.0, Freshness.FRESH)),
        (95.0, ToolIdle(0.5, 95.0)),
    ):
        bench = running(saw(silent_after=20.0, run_on=30.0))
        bench.amps(60.0, 0.0)
        bench.until(at)
        bench.amps(at, 0.5)
        assert bench.tool_state() == state


def test_a_muted_tool_fallen_silent_stays_muted() -> None:
    bench = running(saw(silent_after=20.0, run_limit=8.0))
    bench.until(80.0)
    assert bench.tool_state() == ToolSilent(ToolMuted(5.0, 50.0), 70.0, let_go=True)
    bench.amps(81.0, 5.0)
    assert bench.tool_state() == ToolMuted(5.0, 81.0)


def test_a_tool_let_go_in_its_run_on_and_heard_again_says_no_second_end_of_it() -> None:
    bench = running(saw(silent_after=20.0, run_on=30.0))
    bench.amps(60.0, 0.0)
    bench.until(92.0)
    bench.is_off(92.0)
    assert events(bench.amps(95.0, 0.5)) == ["tool_heard/silent_after", "alarm_cleared/silent_after"]


def test_a_rise_in_run_on_from_before_the_silence_does_not_count() -> None:
    bench = running(saw(silent_after=20.0, run_on=100.0))
    was = ToolRunOn(5.0, 60.0, 55.0, Freshness.FRESH, SubthresholdRise(59.0, 5.0, 59.0))
    bench.put(tools=(ToolSilent(was, 80.0),))
    bench.amps(81.0, 1.6)
    assert bench.tool_state() == ToolRunOn(1.6, 81.0, 55.0, Freshness.FRESH, SubthresholdRise(81.0, 1.6, longest=-1.0))


def test_what_was_refused_as_not_fresh_is_told_over_with_its_tools_name() -> None:
    bench = Bench(saw(silent_after=30.0))
    bench.tell(ev.BrokerConnected(), 0.0)
    bench.amps(0.1, 5.0)
    bench.until(40.0)
    assert "alarm_cleared/stop_threshold tool=saw alarm=tool.saw.not_fresh" in bench.amps(41.0, 0.0)
