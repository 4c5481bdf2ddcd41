"""What the report counts, by hand: hours, starts, the worst hour, clocks that step, daemons that die, midnight."""

import time
from datetime import UTC, datetime

import pytest
from report_support import NOON, Log

from gatehand.past.account import Account, Use, account

MINUTE = 60_000


def test_hours_and_cuts_are_those_of_the_lines() -> None:
    """[calc] Two cuts of 60 and 30 s, the collector 10 s longer each time."""
    log = Log().begin().cut(60).pass_time(100).cut(30)
    found = account(log.lines)
    use, fan = found.tools["band_saw"], found.collectors["main"]
    assert use.starts == 2
    assert use.total_ms(found.until_ms) == 90_000
    assert fan.total_ms(found.until_ms) == 110_000
    assert found.movements["band_saw"] == 2
    assert len(found.switched_on["main"]) == 2


def test_a_repeated_on_is_no_start() -> None:
    log = Log().begin().say("collector_on", collector="main", rule="demand").pass_time(20)
    log.say("collector_on", collector="main", rule="refresh").pass_time(20)
    log.say("collector_off", collector="main", rule="no_demand")
    found = account(log.lines)
    assert len(found.switched_on["main"]) == 1
    assert found.collectors["main"].total_ms(found.until_ms) == 40_000


def test_what_still_runs_counts_to_the_last_line() -> None:
    log = Log().begin().say("collector_on", collector="main", rule="demand").pass_time(90)
    log.say("broker_lost", rule="broker")
    found = account(log.lines)
    assert found.collectors["main"].total_ms(found.until_ms) == 90_000


def test_a_wall_clock_that_steps_adds_no_hours() -> None:
    log = Log().begin().say("collector_on", collector="main", rule="demand").pass_time(30)
    log.wall += 3600
    log.say("clock_stepped", by_seconds=3600.0).pass_time(30)
    log.say("collector_off", collector="main", rule="no_demand")
    found = account(log.lines)
    assert found.events["clock_stepped"] == 1
    assert found.collectors["main"].total_ms(found.until_ms) == 60_000


def test_a_daemon_that_died_ran_nothing_on() -> None:
    log = Log().begin().say("collector_on", collector="main", rule="demand").pass_time(30)
    log.say("gate_between", gate="band_saw", rule="report").pass_time(7200).begin().pass_time(5).cut(10)
    found = account(log.lines)
    assert found.events["daemon_started"] == 2
    assert found.collectors["main"].total_ms(found.until_ms) == 30_000 + 20_000


def test_lines_passed_over_still_say_how_long_a_dead_daemons_fan_ran() -> None:
    log = Log().begin().say("collector_on", collector="main", rule="demand").pass_time(20).begin()
    ended = datetime.fromtimestamp(NOON + 15, UTC).isoformat(timespec="milliseconds")
    found = account(log.lines, lambda: ended)
    assert found.collectors["main"].total_ms(found.until_ms) == 15_000


def test_the_worst_hour_is_any_sixty_minutes() -> None:
    """[calc] Starts at 10:50, 10:55, 11:05, 11:45 and 12:30: four lie within the hour from 10:50."""
    counts = Account()
    for minute in (650, 655, 665, 705, 750):
        counts.take(minute * MINUTE, {"event": "collector_on", "rule": "demand", "collector": "main"})
    assert counts.worst_hour("main") == (4, 650 * MINUTE)


def test_starts_an_hour_apart_are_not_in_one_hour() -> None:
    counts = Account()
    for minute in (0, 60, 120):
        counts.take(minute * MINUTE, {"event": "collector_on", "rule": "demand", "collector": "main"})
    assert counts.worst_hour("main")[0] == 1


def test_a_run_over_midnight_is_parted_there(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TZ", "UTC")
    time.tzset()
    start = datetime(2026, 3, 5, 23, 30, tzinfo=UTC).timestamp() * 1000
    days = Use([(round(start), round(start) + 75 * MINUTE)]).hours_by_day(0)
    assert {str(day): hours for day, hours in days.items()} == {"2026-03-05": 0.5, "2026-03-06": 0.75}


def test_a_muted_or_silent_tool_has_stopped_working() -> None:
    for event, facts in (("tool_muted", {}), ("tool_silent", {"was": "running"})):
        log = Log().begin().say("tool_started", tool="band_saw", collector="main", rule="start_threshold").pass_time(9)
        log.say(event, tool="band_saw", rule="button", **facts).pass_time(60).say("broker_lost")
        found = account(log.lines)
        assert found.tools["band_saw"].total_ms(found.until_ms) == 9000


def test_an_idle_sensor_that_falls_silent_ends_no_cut() -> None:
    log = Log().begin().say("tool_silent", tool="band_saw", rule="silent_after", was="idle")
    assert account(log.lines).tools.get("band_saw", Use()).spans == []


def test_a_line_without_a_time_costs_no_more_than_itself() -> None:
    log = Log().begin().cut(60)
    log.lines.insert(2, {"ts": "once upon a time", "event": "alarm_raised", "alarm": "x"})
    found = account(log.lines)
    assert found.tools["band_saw"].total_ms(found.until_ms) == 60_000


def test_a_clock_that_is_set_moves_nothing_of_an_earlier_run() -> None:
    """[calc] The second run begins an hour early by its clock, which is then set right."""
    log = Log().begin().cut(60).pass_time(600).begin()
    log.wall -= 3600
    log.cut(30).pass_time(5)
    log.wall += 3600
    log.say("clock_stepped", by_seconds=3600.0)
    found = account(log.lines)
    start = round(NOON * 1000)
    assert found.first_ms == start
    assert [begun - start for begun, _ in found.tools["band_saw"].spans] == [0, 670_000]
    assert found.collectors["main"].spans == [(start, start + 70_000), (start + 670_000, start + 710_000)]
    assert found.switched_on["main"] == [start, start + 670_000]
    assert [(run.begin - start, run.end - start, run.clean) for run in found.runs] == [
        (0, 70_000, False),
        (670_000, 715_000, False),
    ]
    assert [(one.begin - start, one.lasted_ms, one.at_most) for one in found.unrecorded] == [(70_000, 600_000, True)]


def test_a_log_without_runs_has_none_missing() -> None:
    found = account({"ts": f"2026-03-05T{hour}:00:00Z", "event": "bin_full"} for hour in (12, 18))
    assert (found.runs, found.unrecorded, found.events["bin_full"]) == ([], [], 2)
