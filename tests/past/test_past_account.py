"""What is counted of a run, line by line, beside tests/report/test_report_account.py, which counts whole logs."""

import time
from collections.abc import Iterator, Mapping
from datetime import UTC, date, datetime

import pytest

from gatehand.past.account import Account, Use, account, is_refresh
from gatehand_rules import Fact

HOUR_MS = 3_600_000


@pytest.fixture(autouse=True)
def _in_utc(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setenv("TZ", "UTC")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


def counted(*lines: tuple[int, Mapping[str, Fact]]) -> Account:
    found = Account()
    for ms, line in lines:
        found.take(ms, line)
    return found


# Spans


def test_a_start_while_it_runs_and_a_stop_while_it_does_not_change_nothing() -> None:
    use = Use()
    use.end(5)
    assert (use.spans, use.starts) == ([], 0)
    use.begin(10)
    use.begin(20)
    use.end(30)
    use.end(40)
    use.begin(50)
    assert (use.spans, use.starts) == ([(10, 30), (50, None)], 2)
    assert use.ended(90) == [(10, 30), (50, 90)]


def test_time_is_counted_after_a_moment_and_up_to_another() -> None:
    use = Use([(10, 30), (50, None)])
    assert use.total_ms(90) == 60
    assert use.total_ms(90, since=20) == 50
    assert use.total_ms(90, since=40) == 40
    assert use.total_ms(90, since=60) == 30
    assert Use([(0, HOUR_MS // 2)]).hours(0) == 0.5
    assert Use([(0, HOUR_MS)]).hours(0, since=HOUR_MS // 4) == 0.75


def test_what_ran_already_when_first_seen_counts_and_its_beginning_is_not_known() -> None:
    use = Use()
    assert use.longest(0) == (0, True)
    use.begin(10)
    use.find(20)  # it runs by what was seen before
    use.end(30)
    use.find(40)
    use.end(90)
    assert (use.spans, use.starts, use.longest(90)) == ([(10, 30), (40, 90)], 2, (50, False))
    use.begin(100)
    assert use.longest(200) == (100, True)


@pytest.mark.parametrize(("paused", "starts"), [(59_999, 1), (60_000, 2)])
def test_a_cut_that_goes_on_over_a_restart_is_one_cut(paused: int, starts: int) -> None:
    use = Use()
    use.begin(0)
    use.end(500, seen=False)
    assert use.longest(500) == (500, False)
    use.find(500 + paused)
    use.end(800 + paused)
    assert (use.spans, use.starts) == ([(0, 500), (500 + paused, 800 + paused)], starts)
    use.find(801 + paused)  # its end was seen: this is another
    assert use.starts == starts + 1


def test_hours_are_told_by_local_day_over_several_midnights() -> None:
    """[calc] From 22:00 on the 5th to 01:30 on the 7th, and half an hour more on that day."""
    at = {
        name: round(datetime(2026, 3, day, hour, minute, tzinfo=UTC).timestamp() * 1000)
        for name, day, hour, minute in (("a", 5, 22, 0), ("b", 7, 1, 30), ("c", 7, 9, 0), ("d", 7, 9, 30))
    }
    use = Use([(at["a"], at["b"]), (at["c"], None)])
    assert use.hours_by_day(at["d"]) == {date(2026, 3, 5): 2.0, date(2026, 3, 6): 24.0, date(2026, 3, 7): 2.0}
    assert Use([(at["a"], at["a"])]).hours_by_day(0) == {}


# Lines


def test_first_and_last_line_are_kept_whatever_they_say() -> None:
    found = counted((50, {"event": "broker_lost"}), (70, {"event": "broker_connected"}))
    assert (found.first_ms, found.last_ms, found.until_ms) == (50, 70, 70)
    assert found.events == {"broker_lost": 1, "broker_connected": 1}
    assert (Account().first_ms, Account().until_ms) == (None, 0)


@pytest.mark.parametrize(
    ("line", "counter", "key"),
    [
        ({"event": "start_missed", "rule": "r", "tool": "t", "collector": "c"}, "missed", ("t", "r")),
        ({"event": "start_missed", "rule": "r", "collector": "c"}, "missed", ("c", "r")),
        ({"event": "start_refused", "rule": "r", "tool": "t", "gate": "g"}, "refused", ("t", "r")),
        ({"event": "start_refused", "rule": "r", "gate": "g"}, "refused", ("g", "r")),
        ({"event": "gate_commanded", "rule": "demand", "gate": "g"}, "movements", "g"),
        ({"event": "gate_fault", "gate": "g"}, "faults", "g"),
        ({"event": "alarm_raised", "alarm": "a"}, "alarms", "a"),
        ({"event": "stop_active", "stop": "s"}, "stops", "s"),
        ({"event": "reading_rejected", "tool": "t", "gate": "g", "collector": "c", "stop": "s"}, "rejected", "t"),
        ({"event": "reading_rejected", "gate": "g", "collector": "c", "stop": "s"}, "rejected", "g"),
        ({"event": "reading_rejected", "collector": "c", "stop": "s"}, "rejected", "c"),
        ({"event": "reading_rejected", "stop": "s"}, "rejected", "s"),
        ({"event": "bin_full", "collector": "c"}, "bins_full", "c"),
    ],
)
def test_each_kind_of_line_is_counted_under_its_subject(line: Mapping[str, Fact], counter: str, key: object) -> None:
    found = counted((5, line), (6, line))
    assert getattr(found, counter) == {key: 2}
    others = {"missed", "refused", "movements", "faults", "alarms", "stops", "rejected", "bins_full"} - {counter}
    assert all(not getattr(found, other) for other in others)


@pytest.mark.parametrize("rule", ["retry", "broker"])
def test_a_gate_told_the_same_again_has_not_moved(rule: str) -> None:
    assert counted((5, {"event": "gate_commanded", "rule": rule, "gate": "g"})).movements == {}


@pytest.mark.parametrize("event", ["tool_stopped", "tool_muted", "tool_silent"])
@pytest.mark.parametrize(("was", "ends"), [(None, True), ("running", True), ("run_on", False), ("idle", False)])
def test_a_tool_that_ran_is_ended_by_what_ends_a_cut(event: str, was: str | None, ends: bool) -> None:
    said = {} if was is None else {"was": was}
    found = counted((10, {"event": "tool_started", "tool": "t"}), (30, {"event": event, "tool": "t", **said}))
    assert found.tools["t"].spans == [(10, 30 if ends else None)]


def test_a_collector_runs_from_on_or_adoption_to_off_and_an_adoption_is_no_start() -> None:
    found = counted(
        (10, {"event": "collector_adopted", "collector": "main"}),
        (20, {"event": "collector_off", "collector": "main"}),
        (30, {"event": "collector_on", "rule": "refresh", "collector": "main"}),
        (40, {"event": "collector_on", "rule": "demand", "collector": "main"}),
        (50, {"event": "collector_on", "rule": "demand", "collector": "shed"}),
    )
    assert found.collectors["main"].spans == [(10, 20), (30, None)]
    assert found.switched_on == {"main": [40], "shed": [50]}
    assert "" not in found.collectors


def test_an_on_to_a_fan_that_turns_already_is_no_start() -> None:
    found = counted(
        (10, {"event": "collector_adopted", "collector": "main"}),
        (20, {"event": "collector_on", "rule": "demand", "collector": "main", "starts_this_hour": None}),
        (30, {"event": "collector_off", "collector": "main"}),
        (40, {"event": "collector_on", "rule": "demand", "collector": "main", "starts_this_hour": 8}),
    )
    assert (found.switched_on, found.collectors["main"].spans) == ({"main": [40]}, [(10, 30), (40, None)])


def test_a_cut_that_ran_already_when_first_seen_is_counted_from_there_on() -> None:
    refused = {"event": "start_refused", "tool": "t", "collector": "main"}
    found = counted(
        (10, {**refused, "rule": "first_seen_drawing"}),
        (75, {"event": "tool_stopped", "tool": "t"}),
        (80, {**refused, "rule": "hold"}),
        (90, {"event": "start_refused", "gate": "g", "rule": "first_seen_drawing"}),
    )
    assert {name: use.spans for name, use in found.tools.items()} == {"t": [(10, 75)]}
    assert found.refused["t", "first_seen_drawing"] == 1


def test_the_daemons_end_ends_whatever_runs() -> None:
    found = counted(
        (10, {"event": "tool_started", "tool": "t", "collector": "main"}),
        (10, {"event": "collector_on", "rule": "demand", "collector": "main"}),
        (90, {"event": "daemon_stopped"}),
    )
    assert (found.tools["t"].spans, found.collectors["main"].spans) == ([(10, 90)], [(10, 90)])


def test_a_clock_step_moves_what_its_run_saw_and_leaves_the_runs_before() -> None:
    found = Account()
    found.begin_run("a", 10)
    found.take(10, {"event": "tool_started", "tool": "t"})
    found.take(20, {"event": "tool_stopped", "tool": "t"})
    found.begin_run("b", 30)
    found.take(30, {"event": "tool_started", "tool": "t"})
    found.take(30, {"event": "collector_on", "rule": "demand", "collector": "main"})
    found.shift_run(1000)
    assert found.tools["t"].spans == [(10, 20), (1030, None)]
    assert found.collectors["main"].spans == [(1030, None)]
    assert found.switched_on == {"main": [1030]}
    assert ([run.begin for run in found.runs], found.first_ms) == ([10, 1030], 10)
    found.stop_all(1100)
    found.shift_run(5)
    assert found.tools["t"].spans == [(10, 20), (1035, 1105)]


def test_the_worst_hour_is_the_first_of_the_fullest_and_shorter_than_an_hour() -> None:
    found = Account(switched_on={"main": [0, HOUR_MS - 1, HOUR_MS, HOUR_MS + 5, 9 * HOUR_MS, 9 * HOUR_MS + 1]})
    assert found.worst_hour("main") == (3, HOUR_MS - 1)
    assert found.worst_hour("shed") == (0, None)
    assert Account(switched_on={"main": [7, 3 * HOUR_MS]}).worst_hour("main") == (1, 7)


def test_only_a_repeated_on_is_a_refresh() -> None:
    assert is_refresh("collector_on", "refresh")
    assert not is_refresh("collector_on", "demand")
    assert not is_refresh("collector_off", "refresh")


# Clocks


def line(ts: str, event: str, run: str | None = None, mono: float | None = None, **facts: Fact) -> dict[str, Fact]:
    return {
        "ts": f"2026-03-05T{ts}Z",
        "event": event,
        **({} if run is None else {"run": run}),
        **({} if mono is None else {"mono": mono}),
        **facts,
    }


EIGHT = round(datetime(2026, 3, 5, 8, tzinfo=UTC).timestamp() * 1000)


def test_a_lines_time_is_its_runs_own_clock_from_the_runs_first_line_on() -> None:
    """[calc] The second line's own time of day is 5 s off; the run's clock says that 20 s had passed."""
    found = account(
        [
            line("08:00:00.000", "collector_on", "a", 100.0, rule="demand", collector="main"),
            line("08:00:25.000", "collector_off", "a", 120.0, rule="no_demand", collector="main"),
            line("08:01:00.000", "collector_on", "b", 3.0, rule="demand", collector="main"),
            line("08:01:10.000", "collector_off", "b", 13.0004, rule="no_demand", collector="main"),
        ]
    )
    assert found.collectors["main"].spans == [(EIGHT, EIGHT + 20_000), (EIGHT + 60_000, EIGHT + 70_000)]


def test_after_a_step_of_the_wall_clock_times_go_on_from_the_new_one() -> None:
    found = account(
        [
            line("08:00:00.000", "collector_on", "a", 100.0, rule="demand", collector="main"),
            line("09:00:10.000", "clock_stepped", "a", 110.0),
            line("09:00:15.000", "collector_off", "a", 115.0, rule="no_demand", collector="main"),
        ]
    )
    hour = EIGHT + HOUR_MS
    assert found.collectors["main"].spans == [(hour, hour + 15_000)]
    assert (found.first_ms, found.last_ms) == (hour, hour + 15_000)


@pytest.mark.parametrize(
    ("passed", "ended"), [("", 10_000), ("2026-03-05T08:00:40Z", 40_000), ("2026-03-05T08:00:04Z", 10_000)]
)
def test_what_a_dead_daemon_left_on_ends_with_its_last_line_of_any_kind(passed: str, ended: int) -> None:
    found = account(
        [
            line("08:00:00.000", "collector_on", "a", 100.0, rule="demand", collector="main"),
            line("08:00:10.000", "broker_lost", "a", 110.0),
            line("09:00:00.000", "daemon_started", "b", 5.0),
        ],
        lambda: passed,
    )
    assert found.collectors["main"].spans == [(EIGHT, EIGHT + ended)]


def test_the_first_run_has_nothing_to_end_and_a_line_without_a_clock_counts_by_the_wall() -> None:
    found = account([line("08:00:00.000", "tool_started", tool="t"), line("08:00:05.000", "tool_stopped", tool="t")])
    assert found.tools["t"].spans == [(EIGHT, EIGHT + 5000)]
    found = account(
        [line("08:00:00.000", "tool_started", tool="t"), line("08:00:09.000", "daemon_started", "a", 2.0)], lambda: ""
    )
    assert found.tools["t"].spans == [(EIGHT, None)]
