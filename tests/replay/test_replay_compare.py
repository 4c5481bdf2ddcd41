"""How two runs are compared: events paired or alone, cuts gained, and each line that a person or a program reads."""

import time
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime

import pytest

from gatehand.journal.sentences import sentence
from gatehand.past.account import Use
from gatehand.replay.compare import Comparison, Side, as_json, diff, gained, only_in_one, table
from gatehand.replay.history import History
from gatehand_rules import Fact, Finding, Outcome, State, initial
from gatehand_rules.findings import Happened, Rule
from gatehand_rules.shop import Shop

MINUTE = 60_000
EIGHT = round(datetime(2026, 3, 5, 8, tzinfo=UTC).timestamp() * 1000)


@pytest.fixture(autouse=True)
def _in_utc(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setenv("TZ", "UTC")
    time.tzset()
    yield
    monkeypatch.undo()
    time.tzset()


# Cuts


@pytest.mark.parametrize(
    ("before", "after", "count"),
    [
        ([], [(10, 20)], 1),
        ([(10, 20)], [], 0),
        ([(10, 20)], [(20, 30)], 0),  # they touch
        ([(10, 20)], [(21, 30)], 1),
        ([(10, 20)], [(1, 9)], 1),
        ([(10, 20)], [(1, 10)], 0),
        ([(10, 20), (30, 40)], [(22, 28), (35, 36), (41, 50)], 2),
        ([(10, 20), (30, 40), (50, 60)], [(15, 55)], 0),
        ([(10, 100)], [(20, 30), (40, 50)], 0),
    ],
)
def test_a_cut_is_gained_that_no_cut_of_before_overlaps(
    before: list[tuple[int, int | None]], after: list[tuple[int, int | None]], count: int
) -> None:
    assert gained(Use(before), Use(after), 1000) == count


def test_a_cut_that_still_runs_lasts_to_the_end() -> None:
    assert gained(Use([(10, None)]), Use([(900, 950)]), 1000) == 0
    assert gained(Use([(10, None)]), Use([(900, 950)]), 800) == 1
    assert gained(Use([(800, 820)]), Use([(10, None)]), 900) == 0


# Events


def on(rule: str = "demand", **facts: Fact) -> Mapping[str, Fact]:
    return {"event": "collector_on", "rule": rule, "collector": "main", **facts}


def alone(recorded: list[tuple[int, Mapping[str, Fact]]], changed: list[tuple[int, Mapping[str, Fact]]]) -> list[str]:
    """`-100` for one at 100 ms that the recorded run alone has, `+100` for the changed run's."""
    return [f"{'+' if one.changed else '-'}{one.wall_ms}" for one in only_in_one(recorded, changed)]


@pytest.mark.parametrize("apart", [250, 0, -250])
def test_like_events_a_quarter_of_a_second_apart_are_one(apart: int) -> None:
    assert alone([(1000, on())], [(1000 + apart, on("run_on", amps=4.0))]) == []


@pytest.mark.parametrize(("apart", "told"), [(251, ["-1000", "+1251"]), (-251, ["+749", "-1000"])])
def test_further_apart_they_are_two_in_their_order(apart: int, told: list[str]) -> None:
    assert alone([(1000, on())], [(1000 + apart, on())]) == told


@pytest.mark.parametrize("key", ["event", "tool", "gate", "collector", "to", "alarm"])
def test_events_of_another_kind_or_subject_are_never_one(key: str) -> None:
    whole = {"event": "gate_commanded", "tool": "t", "gate": "g", "collector": "c", "to": "open", "alarm": "a"}
    assert alone([(1000, whole)], [(1000, whole | {key: "another"})]) == ["-1000", "+1000"]


def test_each_event_is_paired_once_and_the_oldest_first() -> None:
    assert alone([(1000, on()), (1100, on())], [(1200, on())]) == ["-1100"]
    assert alone([(1000, on())], [(1010, on()), (1020, on())]) == ["+1020"]
    assert alone([(1000, on()), (1240, on())], [(1300, on())]) == ["-1000"], "too old, and the next is paired"


def test_a_repeated_on_is_no_event_but_counts_its_place() -> None:
    assert alone([(1000, on()), (2000, on("refresh"))], [(1000, on())]) == []
    (one,) = only_in_one([(1000, on("refresh")), (1000, on())], [])
    assert (one.wall_ms, one.changed, one.place, one.line) == (1000, False, 1, on())


def test_in_one_millisecond_the_recorded_ones_come_first_each_in_the_order_of_its_run() -> None:
    kinds = [{"event": f"e{number}"} for number in range(4)]
    found = only_in_one([(5, kinds[1]), (5, kinds[0])], [(5, kinds[3]), (5, kinds[2])])
    assert [one.line["event"] for one in found] == ["e1", "e0", "e3", "e2"]


def test_a_side_keeps_each_finding_and_counts_it() -> None:
    side, state = Side(), initial(Shop(tools=(), gates=(), collectors=()), 0.0)
    side.hear(500, outcome(state, Finding(event=Happened.TOOL_STARTED, rule=Rule.START_THRESHOLD, tool="saw")))
    side.hear(900, outcome(state, Finding(event=Happened.TOOL_STOPPED, rule=Rule.STOP_THRESHOLD, tool="saw")))
    assert [(ms, line["event"], line["tool"]) for ms, line in side.events] == [
        (500, "tool_started", "saw"),
        (900, "tool_stopped", "saw"),
    ]
    assert side.account.tools["saw"].spans == [(500, 900)]


def outcome(state: State, *findings: Finding) -> Outcome:
    return Outcome(state, (), findings)


# The table


def said(side: Side, minute: float, event: str, rule: str = "demand", **facts: Fact) -> None:
    ms, line = EIGHT + round(minute * MINUTE), {"event": event, "rule": rule, **facts}
    side.account.take(ms, line)
    side.events.append((ms, line))


def two_runs() -> Comparison:
    """An hour: the recorded run cuts once and misses a start; the changed run serves it, and the router is gone."""
    one, other = Side(), Side()
    for side, ends in ((one, 12.0), (other, 13.5)):
        said(side, 10, "tool_started", "start_threshold", tool="saw", collector="main", amps=6.0, start_amps=2.5)
        said(side, 10, "gate_commanded", gate="saw", collector="main", to="open")
        said(side, 10, "collector_on", collector="main")
        said(side, 10.5, "collector_on", "refresh", collector="main")
        said(side, 12, "tool_stopped", "stop_threshold", tool="saw", collector="main")
        said(side, ends, "collector_off", "no_demand", collector="main")
    said(one, 20, "start_missed", "start_threshold", tool="saw", collector="main")
    said(one, 30, "tool_started", "start_threshold", tool="router", collector="main")
    said(one, 31, "start_refused", "bin_full", tool="router", collector="main")
    said(one, 32, "command_vetoed", "I1", collector="main")
    said(one, 33, "gate_fault", "travel", gate="saw", collector="main")
    said(other, 20, "tool_started", "start_threshold", tool="saw", collector="main")
    said(other, 20, "collector_on", collector="main")
    said(other, 50, "collector_on", collector="shed")
    history = History(files=2, readings=12_345, first_ms=EIGHT, last_ms=EIGHT + 60 * MINUTE, gaps=1)
    return Comparison(history, one, other)


def test_the_table_counts_both_runs_and_what_changes() -> None:
    """[calc] By hand from the lines above; what still runs at the end lasts to it, 9:00."""
    assert list(table(two_runs())) == [
        "12,345 readings in 2 files, 2026-03-05 08:00:00.000 to 2026-03-05 09:00:00.000, 1 gap",
        "                                       recorded       then     change",
        "router: starts                                1          0         -1  1 lost",
        "router: minutes running                    30.0        0.0        -30",
        "saw: starts                                   1          2         +1  1 gained",
        "saw: minutes running                        2.0       42.0        +40",
        "main: starts                                  1          2         +1",
        "main: minutes on                            2.0       43.5      +41.5",
        "main: starts in the worst hour                1          2         +1",
        "shed: starts                                  0          1         +1",
        "shed: minutes on                            0.0       10.0        +10",
        "shed: starts in the worst hour                0          1         +1",
        "gate movements                                1          1",
        "gate faults                                   1          0         -1",
        "starts missed                                 1          0         -1",
        "starts refused                                1          0         -1",
        "commands vetoed                               1          0         -1",
    ]


def test_one_file_without_a_gap_and_nothing_in_it_is_told_as_that() -> None:
    empty = Comparison(History(files=1, readings=1000), Side(), Side())
    lines = list(table(empty))
    assert lines[0] == "1,000 readings in 1 file, - to -"
    assert lines[2] == "gate movements                                0          0"
    assert as_json(empty, events=False)["from"] is None


def test_a_change_that_would_show_as_nothing_shows_nothing() -> None:
    """Minutes are shown with one digit: 0.04 of them are not."""
    one, other = Side(), Side()
    for side, ends in ((one, 12.0), (other, 12.04)):
        said(side, 10, "collector_on", collector="main")
        said(side, ends, "collector_off", "no_demand", collector="main")
    lines = list(table(Comparison(History(files=1, last_ms=EIGHT + 60 * MINUTE), one, other)))
    assert lines[3] == "main: minutes on                            2.0        2.0"
    said(one, 20, "collector_on", collector="main")
    said(one, 21, "collector_off", "no_demand", collector="main")
    said(other, 20, "collector_on", collector="main")
    said(other, 20.9, "collector_off", "no_demand", collector="main")
    lines = list(table(Comparison(History(files=1, last_ms=EIGHT + 60 * MINUTE), one, other)))
    assert lines[3] == "main: minutes on                            3.0        2.9       -0.1"


def test_a_tool_may_gain_one_cut_and_lose_another() -> None:
    one, other = Side(), Side()
    for side, begins in ((one, 10), (other, 30)):
        said(side, begins, "tool_started", "start_threshold", tool="saw")
        said(side, begins + 1, "tool_stopped", "stop_threshold", tool="saw")
    figure = next(Comparison(History(last_ms=EIGHT), one, other).figures())
    assert (figure.what, figure.recorded, figure.changed, figure.note) == ("saw: starts", 1, 1, "1 gained, 1 lost")


def test_what_still_runs_at_the_end_overlaps_what_the_other_run_cut_meanwhile() -> None:
    for still in (0, 1):
        sides = Side(), Side()
        said(sides[still], 10, "tool_started", "start_threshold", tool="saw")
        said(sides[1 - still], 40, "tool_started", "start_threshold", tool="saw")
        said(sides[1 - still], 41, "tool_stopped", "stop_threshold", tool="saw")
        figures = list(Comparison(History(last_ms=EIGHT + 60 * MINUTE), *sides).figures())
        assert figures[0].note == ""
        minutes = figures[1].recorded, figures[1].changed
        assert minutes == ((50.0, 1.0) if still == 0 else (1.0, 50.0))


def test_the_diff_marks_the_recorded_runs_events_and_the_changed_runs() -> None:
    lines = list(diff(two_runs()))
    assert [(line[:2], line[13:21]) for line in lines] == [
        ("- ", "08:12:00"),
        ("+ ", "08:13:30"),
        ("- ", "08:20:00"),
        ("+ ", "08:20:00"),
        ("+ ", "08:20:00"),
        ("- ", "08:30:00"),
        ("- ", "08:31:00"),
        ("- ", "08:32:00"),
        ("- ", "08:33:00"),
        ("+ ", "08:50:00"),
    ]
    off = {"event": "collector_off", "rule": "no_demand", "collector": "main"}
    assert lines[0] == f"- 2026-03-05 08:12:00.000  {sentence(off)}"


def test_programs_get_the_same_facts() -> None:
    found = as_json(two_runs(), events=True)
    assert {key: found[key] for key in found if key not in {"rows", "events"}} == {
        "from": "2026-03-05T08:00:00.000Z",
        "to": "2026-03-05T09:00:00.000Z",
        "readings": 12_345,
        "files": 2,
        "gaps": 1,
    }
    assert found["rows"][2] == {"what": "saw: starts", "recorded": 1, "changed": 2, "note": "1 gained"}
    assert len(found["rows"]) == 15
    assert found["events"][0] == {
        "ts": "2026-03-05T08:12:00.000Z",
        "only": "recorded",
        "event": "collector_off",
        "rule": "no_demand",
        "collector": "main",
    }
    assert found["events"][1]["only"] == "changed"
    assert len(found["events"]) == 10
    assert "events" not in as_json(two_runs(), events=False)
