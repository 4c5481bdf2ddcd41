"""Answers about logs written by hand: each case and each boundary, to the millisecond."""

from pathlib import Path

import pytest

from gatehand_rules.findings import Fact
from why.written_log import AT, BEGUN, FAN, SAW, WHY, cut, faulty, started


def test_a_served_cut_is_told_with_its_gate_and_its_collector(tmp_path: Path) -> None:
    log = cut(tmp_path).add(900, "gate_open", "report", gate="band_saw", collector="main", took=0.9, travel=1.5)
    log.add(950, "collector_on", "demand", collector="main")
    found = log.told(SAW, 0)
    assert (found["case"], found["verdict"]) == (
        "started",
        (
            "band saw started at 09:00:00 (6 A, at or above its start_amps of 2.5 A); the collector was switched on "
            "0.95 s "
            "later, once gate band saw was open"
        ),
    )
    assert [one["event"] for one in found["findings"]] == ["collector_on", "tool_started", "gate_open"]
    assert found["not_proven"] == "not proven: the readings from that time are not recorded"


@pytest.mark.parametrize(("ms", "case"), [(33_000, "started"), (33_001, "waiting")])
def test_a_start_of_the_collector_belongs_to_a_cut_through_its_run_on_and_three_seconds(
    tmp_path: Path, ms: int, case: str
) -> None:
    """The cut ended at 20 s; the run-on is 10 s, but what is looked at ends 3 s after the cut."""
    log = cut(tmp_path).add(ms - 10_000, "collector_on", "demand", collector="main")
    log.add(60_000, "daemon_caught_up")
    assert log.told(SAW, 0)["case"] == case


def test_a_refresh_is_no_start_of_the_collector(tmp_path: Path) -> None:
    log = cut(tmp_path).add(-60_000, "collector_on", "demand", collector="main")
    log.add(5000, "collector_on", "refresh", collector="main")
    found = log.told(SAW, 0)
    assert found["case"] == "already_on"
    assert found["verdict"].endswith("; the collector was on already, since 08:59:00")


def test_a_collector_that_had_been_switched_off_was_not_on_already(tmp_path: Path) -> None:
    log = cut(tmp_path).add(-60_000, "collector_on", "demand", collector="main")
    log.add(-30_000, "collector_off", "no_demand", collector="main")
    found = log.told(SAW, 0)
    assert (found["case"], found["verdict"]) == (
        "waiting",
        (
            "band saw started at 09:00:00 (6 A, at or above its start_amps of 2.5 A); neither a start of the "
            "collector nor a "
            "refusal followed while it ran (to 09:00:20): its gates were still on their way"
        ),
    )


def test_an_adopted_collector_was_on_already(tmp_path: Path) -> None:
    log = cut(tmp_path).add(-60_000, "collector_adopted", "switched_by_hand", collector="main")
    assert log.told(SAW, 0)["case"] == "already_on"


def test_a_veto_and_a_wait_for_another_inrush(tmp_path: Path) -> None:
    log = cut(tmp_path).add(1000, "command_vetoed", "min_open", collector="main", command="collector on")
    found = log.told(SAW, 0)
    assert (found["case"], found["verdict"]) == ("vetoed", WHY + "the interlock stepped in (min open)")
    assert found["next_step"] == "This should not happen: please report it with the log around this time."
    assert found["findings"][0]["event"] == "command_vetoed"
    log = cut(tmp_path).add(1000, "collector_waited", "start_gap", collector="main", for_seconds=2)
    found = log.told(SAW, 0)
    assert (found["case"], found["verdict"]) == (
        "start_gap",
        (
            "band saw started at 09:00:00 (6 A, at or above its start_amps of 2.5 A); the collector waited 2 s with "
            "its "
            "start, so that two inrushes on one circuit do not meet"
        ),
    )
    assert found["findings"][0]["event"] == "collector_waited"


@pytest.mark.parametrize(
    ("rule", "facts", "case", "because", "step"),
    [
        (
            "bin_full",
            {},
            "bin_full",
            'the bin had been full, and with on_bin_full = "refuse" nothing starts then',
            "Lock the collector out",
        ),
        (
            "max_open",
            {"max_open": 1, "taken": "router"},
            "max_open",
            (
                "router had the air, and no more gates than max_open = 1 may be open at once: a tool that is "
                "cutting keeps its air"
            ),
            "Stop the other tool, or see with gatehand airflow whether the ducts bear one gate more.",
        ),
        (
            "no_gate_proven",
            {"gates": "band_saw"},
            "gate_jammed",
            "none of its gates (band saw) was proven open: the collector does not start against shut gates",
            "Look at the gate, its power and its end switches: gatehand exercise.",
        ),
        (
            "gate_by_hand_is_shut",
            {"gates": "band_saw"},
            "gate_by_hand_is_shut",
            "its gate band saw was shut, and only a hand moves it: the collector does not start against shut gates",
            "Open gate band saw by hand; the collector then starts, as long as the tool still runs.",
        ),
        (
            "not_heard_live",
            {"gates": "band_saw"},
            "gate_not_heard_live",
            (
                "its gate band saw is moved by hand, and only an old message said open: the collector does not start "
                "on that"
            ),
            "Shut and open gate band saw once by hand; the collector then starts.",
        ),
        (
            "min_open",
            {"proven_open": 1, "min_open": 2},
            "min_open",
            "too few gates were proven open: 1, and min_open = 2 must be before the fan may turn",
            "Look at why the others did not open: gatehand why GATE.",
        ),
        ("broker", {}, "broker", "the connection to the broker changed", None),
        (
            "hold",
            {},
            "held",
            "the collector had been on hold; it was not reset in the time looked at",
            "When the cause",
        ),
    ],
)
def test_each_refusal_says_what_had_to_come_together(
    tmp_path: Path, *, rule: str, facts: dict[str, Fact], case: str, because: str, step: str | None
) -> None:
    found = cut(tmp_path).add(0, "start_refused", rule, **AT, **facts).told(SAW, 0)
    assert found["case"] == case
    assert found["verdict"].startswith(WHY + because)
    assert found["next_step"] == step or str(found["next_step"]).startswith(str(step))
    assert found["findings"][0]["event"] == "start_refused"


@pytest.mark.parametrize(
    ("rule", "because"),
    [
        ("not_fresh", "the hold was reset"),
        ("off_asked", "the collector was switched off on request"),
        ("switched_by_hand", "the collector was switched off at its own switch"),
    ],
)
def test_a_tool_that_was_running_already_is_not_fresh(tmp_path: Path, rule: str, because: str) -> None:
    found = started(tmp_path).add(0, "start_refused", rule, **AT, amps=6).told(SAW, 0)
    assert (found["case"], found["verdict"], found["next_step"]) == (
        "not_fresh",
        (
            f"band saw was already running (6 A) when {because} at 09:00:00, so it got no air: only a tool "
            "that is seen to go from idle to running starts the collector, so that nothing comes on by itself"
        ),
        "Switch the band saw off and on again. No setting changes this.",
    )


def test_a_tool_of_which_no_start_was_seen_was_running(tmp_path: Path) -> None:
    found = started(tmp_path).add(0, "start_refused", "no_gate_proven", **AT, gates="band_saw").told(SAW, 0)
    assert found["verdict"].startswith("band saw was running and got no air, because none of its gates")


@pytest.mark.parametrize(
    ("rule", "rest"),
    [
        (
            "cut_ended_before_gate",
            "before its gate was proven open (1.5 s of waiting): a fan is not started for work that is over",
        ),
        ("stops_unheard", "before the stop contacts were heard (1.5 s of waiting): nothing starts without them"),
    ],
)
def test_a_cut_that_was_over_too_soon_is_told_by_tool_and_by_collector(tmp_path: Path, rule: str, rest: str) -> None:
    log = cut(tmp_path, until=1500).add(1500, "start_missed", rule, collector="main", waited=1.5)
    for subject in (SAW, FAN):
        found = log.told(subject, 1000)
        assert found["verdict"] == f"{WHY}it stopped at 09:00:01, {rest}"
        assert found["findings"][0]["event"] == "start_missed"


@pytest.mark.parametrize(("off", "is_tool"), [(250, True), (251, False), (-250, True), (-251, False)])
def test_whose_cut_was_over_is_known_by_how_long_it_had_waited(tmp_path: Path, off: int, is_tool: bool) -> None:
    log = cut(tmp_path, until=1500).add(2000, "start_missed", "cut_ended_before_gate", collector="main", waited=2)
    log.lines[-1]["waited"] = (2000 + off) / 1000
    found = log.told(FAN, 2000)
    assert found["verdict"].startswith(WHY if is_tool else "at 09:00:02: the work ended before a gate was open") is True


def test_a_hold_is_told_with_its_stop_contact_and_its_reset(tmp_path: Path) -> None:
    log = cut(tmp_path).add(-60_000, "collector_held", "stop_contact", collector="main", why="by_the_door")
    log.add(0, "start_refused", "hold", **AT)
    log.add(30_000, "hold_reset", "hold", collector="other")
    assert "it was not reset in the time looked at" in log.told(SAW, 0)["verdict"]
    log.add(40_000, "hold_reset", "hold", collector="main")
    found = log.told(SAW, 0)
    assert found["case"] == "stop_contact"
    assert found["verdict"] == (
        WHY + "the collector had been on hold by stop contact by the door since 08:59:00; it was reset at 09:00:40. On "
        "hold "
        "nothing starts it, and a start from that time is stale: only a fresh one counts"
    )
    assert [one["ts"][11:19] for one in found["story"]] == ["08:59:00", "09:00:00"]


def test_a_full_bin_says_since_when(tmp_path: Path) -> None:
    log = cut(tmp_path).add(-60_000, "bin_full", "bin_full", collector="main")
    found = log.add(0, "start_refused", "bin_full", **AT).told(SAW, 0)
    assert "because the bin had been full since 08:59:00, and with on_bin_full" in found["verdict"]


JAMMED = (
    "gate band saw was told to open and had not reported open 3 s later (travel 1.5 s, 1 retry), so it counts as faulty"
)


def test_a_faulty_gate_with_and_without_a_refusal(tmp_path: Path) -> None:
    log = faulty(tmp_path)
    said = WHY + JAMMED + "; the collector does not start against shut gates"
    found = log.told(SAW, 0)
    assert (found["case"], found["verdict"], found["findings"][0]["event"]) == ("gate_jammed", said, "gate_fault")
    log.add(3000, "start_refused", "no_gate_proven", **AT, gates="band_saw")
    found = log.told(SAW, 0)
    assert (found["case"], found["verdict"], found["findings"][0]["event"]) == ("gate_jammed", said, "start_refused")
    assert found["next_step"] == (
        "Look at the gate, its power and its end switches: gatehand exercise. If the device itself is in order, look "
        "at "
        "command in [gate.band_saw]: it is told 'open' on shop/gate/band_saw/set."
    )


@pytest.mark.parametrize(("ms", "late"), [(33_000, True), (33_001, False)])
def test_a_start_that_followed_a_fault_belongs_to_the_cut_to_the_end_of_its_run_on(
    tmp_path: Path, ms: int, late: bool
) -> None:
    log = faulty(tmp_path).add(3000, "start_refused", "no_gate_proven", **AT, gates="band_saw")
    found = log.add(ms, "collector_on", "demand", collector="main").told(SAW, 0)
    assert (found["case"] == "gate_late") is late
    if late:
        assert found["verdict"] == (
            "band saw got its air late, at 09:00:33, 33 s after its start at 09:00:00 (6 A, at or above its start_amps "
            "of "
            f"2.5 A), because {JAMMED}"
        )


def test_the_next_cuts_start_is_not_this_ones(tmp_path: Path) -> None:
    log = faulty(tmp_path).add(3000, "start_refused", "no_gate_proven", **AT, gates="band_saw")
    log.add(25_000, "tool_started", "start_threshold", **BEGUN)
    assert log.add(25_000, "collector_on", "demand", collector="main").told(SAW, 0)["case"] == "gate_jammed"
    log.lines[-1]["ts"] = log.lines[-1]["ts"].replace("25.000", "24.999")  # type: ignore[union-attr]
    assert log.told(SAW, 0)["case"] == "gate_late"
