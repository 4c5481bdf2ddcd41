"""Answers about logs written by hand: collectors, sensors, the daemon, and what is shown around them."""

from pathlib import Path
from typing import Any

import pytest

from gatehand_rules.findings import Fact
from why.written_log import AT, BEGUN, FAN, GATE, SAW, ZERO, WrittenLog, cut, started


@pytest.mark.parametrize(("ms", "near"), [(301_000, True), (301_001, False), (-300_000, True), (-300_001, False)])
def test_a_trouble_counts_within_five_minutes_of_what_is_asked_about(tmp_path: Path, ms: int, near: bool) -> None:
    """Asked about the second that ends at 0.999 s."""
    log = started(tmp_path).add(-1_700_000, "collector_off", "no_demand", collector="main")
    log.add(
        ms - (1 if ms > 0 else 0), "fan_unsafe", "fan_against_shut_gates", collector="main", proven_open=0, min_open=1
    )
    log.add(400_000, "daemon_caught_up")
    found = log.told(FAN, 0)
    assert ((found["nearest"] is not None) or found["case"] == "fan_against_shut_gates") is near
    assert (found["nearest"] is not None) is (near and ms > 0), "what is still to come is named beside how it was"
    assert (found["case"] == "fan_against_shut_gates") is (near and ms < 0), "and what went on is told"


@pytest.mark.parametrize(("gap", "case"), [(10_000, "nothing_in_the_log"), (10_001, "daemon_not_running")])
def test_without_a_recording_a_new_start_after_ten_quiet_seconds_tells_that_the_daemon_died(
    tmp_path: Path, gap: int, case: str
) -> None:
    log = started(tmp_path).add(-5000, "run_on_ended", "run_on", **AT)
    log.run = "run2"
    log.add(gap - 5000, "daemon_started", version="0")
    found = log.told(SAW, 0)
    assert found["case"] == case
    if case == "daemon_not_running":
        assert found["verdict"] == (
            "Gatehand was not running at 2026-03-05 09:00:00: it was last heard of at 2026-03-05 08:59:55 and ended "
            "without a "
            "word (a power cut, or it was killed); it started again at 2026-03-05 09:00:05; nothing was watched in "
            "between"
        )
        assert found["next_step"] == "Look at the computer's own journal for that time."


def test_the_broker_away_and_back(tmp_path: Path) -> None:
    log = started(tmp_path).add(-5000, "broker_lost", "broker")
    found = log.told(SAW, 0)
    assert found["verdict"] == (
        "the broker was away from 08:59:55 and was not back within the time looked at: no reading came in and no "
        "command "
        "could go out. What was commanded then is not delivered late"
    )
    assert "until 09:00:25 (30 s)" in log.add(25_000, "broker_connected", "broker").told(SAW, 0)["verdict"]
    assert log.told(SAW, 25_000)["case"] != "broker_away"


def test_lines_that_were_lost_and_a_clock_that_stepped_are_minded(tmp_path: Path) -> None:
    log = started(tmp_path).add(1000, "log_gap", lost=12).add(2000, "clock_stepped", by_seconds=-90)
    assert log.told(SAW, 0)["notes"] == [
        (
            "the wall clock stepped back by 1 min 30 s at 09:00:02: a time that you remember may be that much off in "
            "the log. "
            "Nothing is timed by that clock"
        ),
        "the log lost 12 lines before 09:00:01: what follows may be less than all",
    ]


def test_a_sensor_silent_by_the_log_alone(tmp_path: Path) -> None:
    log = started(tmp_path).add(-9000, "tool_silent", "silent_after", **AT, silent_after=30, topic="shop/band_saw/amps")
    found = log.told(SAW, 0)
    assert found["case"] == "silent"
    log.add(5000, "tool_heard", "silent_after", **AT, silent_for=44)
    assert "; it was heard again at 09:00:05. A silent sensor starts nothing" in log.told(SAW, 0)["verdict"]
    assert log.told(SAW, 6000)["case"] == "nothing_in_the_log"
    log.lines[1]["never_heard"] = True
    assert ", its silent_after, and never one on shop/band_saw/amps; " in log.told(SAW, 0)["verdict"]
    log.lines[1] |= {"key": "current", "beside": '{"volts": 3}', "wanted": "no /amps in it"}
    found = log.told(SAW, 0)
    assert found["case"] == "not_understood"
    assert 'on shop/band_saw/amps it said {"volts": 3} (no /amps in it)' in found["verdict"]


def test_a_button_that_was_understood_since_is_not_noted(tmp_path: Path) -> None:
    bad: dict[str, Fact] = {"why": "button: found another word, want '1'", "shown": "PRESS"}
    log = started(tmp_path).add(-9000, "reading_rejected", "bad_value", gate="band_saw", **bad)
    assert log.told(GATE, 0)["notes"] == [
        (
            "on shop/gate/band_saw/button it said 'PRESS' at 08:59:51, which could not be used: found another word, "
            "want "
            "'1'"
        )
    ]
    log.add(-8000, "hand_started", "button", gate="band_saw", collector="main", hand_limit=1800)
    assert log.told(GATE, 0)["notes"] == []


def test_the_last_that_did_not_happen_is_whoever_it_was(tmp_path: Path) -> None:
    log = started(tmp_path).add(0, "start_refused", "bin_full", **AT)
    log.add(60_000, "tool_silent", "silent_after", tool="router", collector="main", silent_after=30)
    log.add(90_000, "command_vetoed", "fan_against_shut_gates", gate="bench", command="shut", forced=True)
    assert log.told(None)["subject"] == "router"
    assert log.told(SAW)["case"] == "bin_full"
    assert log.ask_or_none(("gate", "bench")) is None
    fault: dict[str, Fact] = {"collector": "main", "wanted": "shut", "waited": 3, "travel": 1.5, "retries": 1}
    log.add(100_000, "gate_fault", "travel", gate="band_saw", **fault)
    assert log.ask(SAW).context.at_ms == ZERO, "a gate that did not shut missed no start of its tool"
    log.lines[-1]["wanted"] = "open"
    assert log.ask(SAW).context.at_ms == ZERO + 100_000
    assert log.told(("gate", "band_saw"))["case"] == "gate_jammed"


def test_nobody_named_it_is_the_nearest_that_did_not_happen(tmp_path: Path) -> None:
    log = started(tmp_path).add(0, "start_refused", "bin_full", **AT)
    log.add(10_000, "start_refused", "bin_full", tool="router", collector="main")
    asked: dict[int, Any] = {ms: log.told(None, ms)["subject"] for ms in (-300_998, 4000, 5000, 310_000)}
    assert asked == {-300_998: "band_saw", 4000: "band_saw", 5000: "router", 310_000: "router"}
    assert log.told(None, -300_999)["subject"] == "main"
    assert log.told(None, 310_001)["subject"] == "main"


def test_all_lines_around_are_the_nearest_twenty_four(tmp_path: Path) -> None:
    log = started(tmp_path).add(0, "start_refused", "bin_full", **AT)
    for number in range(40):
        log.add(-20_000 + number * 1000, "bin_cleared", "bin_full", collector="main", n=number)
    log.add(100, "gate_open", "report", gate="router", collector="main")
    log.add(100, "collector_on", "refresh", collector="main")
    log.add(100, "tool_stopped", "stop_threshold", tool="router", collector="main")
    story = log.ask(SAW, 0).story
    assert len(story) == 24
    assert [one.ms for one in story] == sorted(one.ms for one in story)
    assert not any(one.text("gate") or one.text("tool") == "router" or one.is_refresh for one in story)
    assert (story[0].clock, story[-1].clock) == ("08:59:49", "09:00:11")


@pytest.mark.parametrize(("ms", "there"), [(-30_000, True), (-30_001, False), (20_000, True), (20_001, False)])
def test_all_lines_around_reach_half_a_minute_back_and_twenty_seconds_on(tmp_path: Path, ms: int, there: bool) -> None:
    log = (
        started(tmp_path).add(0, "start_refused", "bin_full", **AT).add(ms, "bin_cleared", "bin_full", collector="main")
    )
    assert any(one.is_("bin_cleared") for one in log.ask(SAW, 0).story) is there


def test_what_was_before_the_daemons_start_is_not_of_this_run(tmp_path: Path) -> None:
    log = WrittenLog(tmp_path).add(-1_800_000, "collector_held", "hold", collector="main", why="filter change")
    log.run = "run2"
    log.add(-1_700_000, "daemon_started", version="0").add(0, "start_refused", "hold", **AT)
    assert "because the collector had been on hold; it was not reset" in log.told(SAW, 0)["verdict"]
    log.lines[0]["ts"] = str(log.lines[0]["ts"]).replace("08:30", "08:32")
    assert "on hold (filter change) since 08:32:00; " in log.told(SAW, 0)["verdict"]


@pytest.mark.parametrize(
    ("why", "step"),
    [
        ("current: found text", "[tool.band_saw] current: topic, pointer, scale."),
        ("power: found text", "[tool.band_saw] power: topic, pointer, scale."),
        ("running: found text", "[tool.band_saw] running: topic, pointer, active, clear."),
        ("online: found text", "[tool.band_saw] online: topic, pointer, active, clear."),
        ("state: found text", "[tool.band_saw] state: topic, pointer, on, off."),
    ],
)
def test_a_message_that_was_not_understood_names_the_keys_that_say_how_it_is_read(
    tmp_path: Path, why: str, step: str
) -> None:
    log = started(tmp_path).add(0, "reading_rejected", "bad_value", **AT, why=why, shown="six")
    found = log.told(SAW, 0)
    assert found["next_step"] == f"Look at what the sensor publishes, and at {step}"
    topic = "shop/band_saw/amps" if why.startswith("current") else f"the topic of its {why.split(':', maxsplit=1)[0]}"
    assert found["verdict"] == (
        f"the reading of band saw at 09:00:00 was rejected: on {topic} it said 'six': found text; what cannot be read "
        "changes nothing and starts nothing"
    )
    log.add(1000, "reading_rejected", "bad_value", **AT, why=why)
    assert "was rejected, 2 times within the time looked at: on " in log.told(SAW, 0)["verdict"]
    assert f"on {topic} it said something: found text" in log.told(SAW, 1000)["verdict"]


@pytest.mark.parametrize(
    ("rule", "start"),
    [
        ("retained", "the reading of band saw at 09:00:00 (6 A) was one that the broker had kept: its age is unknown"),
        ("max_age", "the reading of band saw at 09:00:00 was refused: it is 15 s old; what its device has held back"),
    ],
)
def test_a_reading_of_unknown_age_and_one_too_old(tmp_path: Path, rule: str, start: str) -> None:
    log = started(tmp_path).add(0, "reading_rejected", rule, **AT, amps=6, why="current: it is 15 s old")
    found = log.told(SAW, 0)
    assert found["verdict"].startswith(start)
    assert found["case"] == ("retained" if rule == "retained" else "too_old")


SWITCH = "Lock the collector out, then look at its switch, its breaker and its overload."
GONE = "Look at its device's power and network."
LATE = (
    "Look at the fan: what watches its motor has not spoken since. If it does not turn, lock it out, then look at its "
    "overload and its breaker."
)
RUNS = "The motor runs: look at what its switch reports, and at state in [collector.main] (topic, pointer, on, off)."
TOLD = " If the device itself is in order, look at command in [collector.main]: it is told '1' on shop/fan/set."


@pytest.mark.parametrize(
    ("facts", "shown", "step"),
    [
        ({"reported_on": False}, "its switch reports off", SWITCH + TOLD),
        (
            {"reported_on": False, "reported_ago": 36, "told_ago": 5},
            "its switch last reported off, 36 s before",
            SWITCH + TOLD,
        ),
        ({"watched_by": "switch"}, "its switch has not been heard since Gatehand started", SWITCH + TOLD),
        ({}, "nothing has reported it", SWITCH + TOLD),
        (
            {"reported_on": True, "drawing": False, "motor_amps": 0, "motor_ago": 1},
            "its switch reports on; its motor draws nothing (0 A)",
            "Lock it out, then look at its overload, its breaker and its thermal trip.",
        ),
        ({"offline": True, "offline_for": 62}, "its device has been offline for 1 min 2 s", GONE),
        (
            {"reported_on": False, "reported_ago": 90, "offline": True},
            "its switch last reported off, 1 min 30 s before; its device is offline",
            GONE,
        ),
        (
            {
                "reported_on": False,
                "reported_ago": 18.0,
                "told_ago": 5.0,
                "drawing": True,
                "motor_amps": 6.4,
                "motor_ago": 0.5,
            },
            "its switch last reported off, 18 s before; its motor draws 6.4 A",
            RUNS,
        ),
        (
            {"reported_on": True, "drawing": False, "motor_amps": 0.0, "motor_ago": 7.0, "told_ago": 5.0},
            "its switch reports on; its motor's meter last said 0 A, 7 s before",
            LATE,
        ),
    ],
)
def test_a_switch_that_did_not_answer_says_what_it_shows(
    tmp_path: Path, facts: dict[str, Fact], shown: str, step: str
) -> None:
    log = cut(tmp_path).add(950, "collector_on", "demand", collector="main")
    log.add(5950, "collector_unanswered", "answer", collector="main", told="on", tries=1, **facts)
    found = log.told(SAW, 0)
    assert (found["case"], found["verdict"]) == (
        "no_answer",
        (
            "band saw started at 09:00:00 (6 A, at or above its start_amps of 2.5 A), and the collector was switched "
            f"on at 09:00:00, but that was not confirmed: {shown}. It was switched on again at 09:00:05"
        ),
    )
    assert found["next_step"] == step
    of_fan = log.told(FAN, 5950)
    assert (of_fan["case"], of_fan["next_step"]) == ("no_answer", step)


STILL = (
    "Look at the fan. If it turns, switch it off at its own switch or breaker and have the relay looked at; if it has "
    "stopped, look at what has not said so."
)
WELDED = "Switch it off at its own switch or breaker and have the relay looked at: it may be welded."
WORDS = "Look at what is published there, and at [collector.main] state: topic, pointer, on, off."


@pytest.mark.parametrize(
    ("facts", "odd", "step"),
    [
        ({"reported_on": True, "drawing": False}, False, STILL),
        ({"reported_on": True, "reported_ago": 30.0, "told_ago": 12.0, "drawing": False}, True, WORDS),
        ({"reported_on": True, "reported_ago": 1.0, "told_ago": 12.0}, False, WELDED),
        ({"reported_on": False, "drawing": True, "motor_ago": 1.0, "told_ago": 12.0}, False, WELDED),
        ({}, False, STILL),
    ],
)
def test_an_off_that_is_not_confirmed_sends_to_the_fan_or_to_what_was_not_understood(
    tmp_path: Path, facts: dict[str, Fact], odd: bool, step: str
) -> None:
    log = started(tmp_path).add(-12_000, "collector_off", "no_demand", collector="main")
    if odd:
        bad: dict[str, Fact] = {"why": "state: found another word, want '1' or '0'", "shown": "OFFF"}
        log.add(-11_000, "reading_rejected", "bad_value", collector="main", **bad)
    found = log.add(0, "collector_unanswered", "answer", collector="main", told="off", tries=2, **facts).told(FAN, 0)
    assert (found["case"], found["next_step"]) == ("no_answer", step)


@pytest.mark.parametrize(
    ("spoke", "understood"),
    [
        (("collector_running", "report"), True),
        (("collector_running", "travel"), False),
        (("collector_on", "demand"), False),
    ],
)
def test_what_a_switch_said_counts_until_it_is_understood(
    tmp_path: Path, spoke: tuple[str, str], understood: bool
) -> None:
    log = cut(tmp_path).add(950, "collector_on", "demand", collector="main")
    bad: dict[str, Fact] = {"why": "state: found another word, want '1' or '0'", "shown": "ON"}
    log.add(1000, "reading_rejected", "bad_value", collector="main", **bad)
    log.add(2000, *spoke, collector="main")
    log.add(5950, "collector_unanswered", "answer", collector="main", told="on", tries=1)
    found = log.told(SAW, 0)
    said = "on shop/fan/state it said 'ON' at 09:00:01, which could not be used: found another word, want '1' or '0'"
    assert (said in found["verdict"]) is not understood
    if not understood:
        step = "Look at what is published there, and at [collector.main] state: topic, pointer, on, off."
        assert found["next_step"] == step


def test_a_switch_that_says_on_is_not_told_by_an_odd_word_of_before(tmp_path: Path) -> None:
    log = cut(tmp_path).add(950, "collector_on", "demand", collector="main")
    odd = "state: found another word, want '1' or '0'"
    log.add(1000, "reading_rejected", "bad_value", collector="main", why=odd, shown="ON")
    log.add(5950, "collector_unanswered", "answer", collector="main", told="on", tries=1, reported_on=True)
    found = log.told(SAW, 0)
    assert ": its switch reports on. It was switched on again at 09:00:05" in found["verdict"]
    assert found["next_step"] == SWITCH


@pytest.mark.parametrize(
    ("event", "rule", "case"),
    [
        ("fan_unsafe", "fan_against_shut_gates", "fan_against_shut_gates"),
        ("reset_refused", "stop_contact", "held"),
        ("command_vetoed", "min_open", "vetoed"),
    ],
)
def test_a_collectors_own_troubles(tmp_path: Path, event: str, rule: str, case: str) -> None:
    log = started(tmp_path).add(0, event, rule, collector="main", proven_open=0, min_open=1, active="emergency")
    found = log.told(FAN, 0)
    steps = {
        "held": "Clear the cause first; then reset.",
        "fan_against_shut_gates": "Look at which gate shut under the running fan, and why.",
    }
    assert (found["case"], found["next_step"]) == (case, steps.get(case))
    assert found["verdict"].startswith("at 09:00:00: ")


@pytest.mark.parametrize(
    ("rule", "step"),
    [
        ("hold", ""),
        ("reset_press", ""),
        ("reset_repeated", ""),
        ("stop_unread", ""),
        ("stops_unheard", "Look at the broker and its log: the stop contacts must be heard first."),
    ],
)
def test_a_reset_refused_for_no_cause_has_none_to_clear(tmp_path: Path, rule: str, step: str) -> None:
    found = started(tmp_path).add(0, "reset_refused", rule, collector="main", why="not held").told(FAN, 0)
    assert (found["case"], found["next_step"] or "") == ("held", step)


def test_a_collector_that_is_on_says_since_when_and_for_whom(tmp_path: Path) -> None:
    log = started(tmp_path).add(-120_000, "collector_off", "no_demand", collector="main")
    log.add(-90_000, "hand_started", "button", gate="bench", collector="main", hand_limit=1800)
    log.add(-60_000, "tool_started", "start_threshold", **BEGUN)
    log.add(-59_000, "collector_on", "demand", collector="main")
    log.add(-30_000, "tool_started", "start_threshold", tool="router", collector="main", amps=6, start_amps=2)
    log.add(-20_000, "collector_on", "refresh", collector="main")
    found = log.told(FAN, 0)
    assert found["case"] == "already_on"
    assert found["verdict"] == (
        "the collector had been on for 59 s: 08:59:01 collector switched on; 08:58:30 gate bench: hand start with its "
        "button, for 30 min at most; 08:59:00 band saw started: 6 A, at or above its start_amps of 2.5 A; 08:59:30 "
        "router "
        "started: 6 A, at or above its start_amps of 2 A"
    )
    log.add(-10_000, "collector_held", "hold", collector="main", why="filter change")
    found = log.told(FAN, 0)
    assert (found["case"], found["next_step"]) == ("held", "When the cause is gone, reset the hold.")
    assert found["verdict"] == (
        "the collector had been on hold for 10 s: 08:59:50 collector is on hold (filter change), until somebody resets "
        "it"
    )


def test_what_an_earlier_run_switched_on_is_not_on_for_all_that_is_known(tmp_path: Path) -> None:
    """A power cut: the fan has stopped, and nothing was there to say so."""
    log = started(tmp_path).add(-90_000_000, "collector_on", "demand", collector="main")
    log.run = "run2"
    log.add(-60_000, "daemon_started", version="0").add(-59_000, "broker_connected", "broker")
    found = log.told(FAN, 0)
    assert (found["case"], found["verdict"]) == (
        "nothing_in_the_log",
        (
            "the collector has not been switched since Gatehand started at 2026-03-05 08:59:00; the last before that: "
            "2026-03-04 08:00:00 collector switched on"
        ),
    )
    log.add(0, "tool_started", "start_threshold", **BEGUN).add(500, "tool_stopped", "stop_threshold", **AT)
    assert log.told(SAW, 0)["case"] == "waiting", "and a start is not served by it"
    log.add(-30_000, "collector_adopted", "adoption", collector="main")
    assert log.told(SAW, 0)["case"] == "already_on"
    assert log.told(FAN, 0)["verdict"].startswith("the collector had been on for 30 s: 08:59:30 collector was on when ")


def test_a_gate_that_was_late_and_in_time_for_the_cut_says_by_how_much(tmp_path: Path) -> None:
    log = cut(tmp_path).add(1900, "gate_open", "report", gate="band_saw", took=1.9, travel=1.5, late_by=0.4)
    found = log.add(1950, "collector_on", "demand", collector="main").told(SAW, 0)
    assert found["verdict"].endswith(
        "; the collector was switched on 1.95 s later, once gate band saw was open (0.4 s after its travel of 1.5 s)"
    )
