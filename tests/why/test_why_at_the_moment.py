"""A gate or a collector at a moment: how it was comes first, and trouble that was over or still to come beside it."""

from pathlib import Path

import pytest

from gatehand.why.moment import SubjectKind
from gatehand.why.told import text
from gatehand_rules.findings import Fact
from why.written_log import AT, BEGUN, FAN, GATE, WrittenLog, started

MAIN: dict[str, Fact] = {"collector": "main"}
HAND: dict[str, Fact] = {"gate": "band_saw", "collector": "main"}


def held(place: Path) -> WrittenLog:
    """A reset is refused, since nothing is on hold; the collector is put on hold 18 s later, for 20 s."""
    log = started(place).add(-60_000, "collector_off", "no_demand", **MAIN)
    log.add(-18_000, "reset_refused", "hold", **MAIN, why="not held")
    log.add(0, "collector_off", "hold", **MAIN, why="changing the bag")
    return log.add(0, "collector_held", "hold", **MAIN, why="changing the bag", by="root")


ON_HOLD = "09:00:00 collector is on hold (changing the bag), until somebody resets it; asked for by root"


@pytest.mark.parametrize(("ms", "since"), [(0, "less than a second"), (6000, "6 s"), (19_000, "19 s")])
def test_a_hold_outranks_a_reset_that_was_refused_before_it(tmp_path: Path, ms: int, since: str) -> None:
    found = held(tmp_path).told(FAN, ms)
    assert (found["case"], found["verdict"]) == ("held", f"the collector had been on hold for {since}: {ON_HOLD}")
    assert found["next_step"] == "When the cause is gone, reset the hold."
    assert found["nearest"] == "08:59:42 collector: reset refused, it is not on hold"


@pytest.mark.parametrize("lasts", [60_000, 1000])
def test_a_minute_with_such_a_reset_and_a_hold_is_told_by_the_hold(tmp_path: Path, lasts: int) -> None:
    assert (
        held(tmp_path)
        .told(FAN, -18_000, lasts)["verdict"]
        .startswith("the collector had been on hold" if lasts > 1000 else "at 08:59:42: collector: reset refused")
    )


@pytest.mark.parametrize("subject", [None, FAN, GATE])
def test_without_a_moment_a_hold_that_still_is_is_told_and_not_the_reset_before_it(
    tmp_path: Path, subject: tuple[SubjectKind, str] | None
) -> None:
    answer = held(tmp_path).add(5000, "daemon_caught_up").ask(subject)
    assert answer.verdict.sentence.startswith("the collector had been on hold for ")
    assert answer.verdict.sentence.endswith(ON_HOLD)


@pytest.mark.parametrize("again", ["adoption", "hold"])
def test_an_off_in_a_hold_does_not_end_it(tmp_path: Path, again: str) -> None:
    """A fan that may be turning is told off once more, which says nothing of the hold."""
    log = held(tmp_path).add(500, "collector_off", again, **MAIN)
    assert log.told(FAN, 6000)["verdict"] == f"the collector had been on hold for 6 s: {ON_HOLD}"
    log.run = "run2"  # a hold that the next run does not know is over
    log.add(9000, "daemon_started", version="0").add(9500, "collector_off", "adoption", **MAIN)
    assert log.told(FAN, 12_000)["verdict"].startswith("the collector had been off for 2 s: ")


def test_a_hold_that_was_reset_is_over(tmp_path: Path) -> None:
    log = held(tmp_path).add(20_000, "hold_reset", "hold", **MAIN, why="changing the bag", by="root")
    found = log.told(FAN, 25_000)
    assert (found["case"], found["next_step"]) == ("nothing_in_the_log", None)
    assert found["verdict"] == (
        "the collector was off: 09:00:20 collector is no longer on hold (changing the bag): it was reset by root; the "
        "next fresh start counts; nothing asked for it since"
    )


def kept_on(place: Path) -> WrittenLog:
    """On for a cut from 09:00 that a button ends at 5 s; kept on then. At 40 s it was told off, and did not obey."""
    log = started(place).add(-60_000, "collector_off", "no_demand", **MAIN)
    log.add(0, "tool_started", "start_threshold", **BEGUN).add(800, "collector_on", "demand", **MAIN)
    log.add(5000, "tool_muted", "button", tool="band_saw", amps=6, stop_amps=1.75)
    starts: dict[str, Fact] = {"starts_this_hour": 6, "starts_per_hour": 6, "for_seconds": 1800}
    log.add(5000, "collector_kept_on", "starts_per_hour", **MAIN, **starts)
    log.add(40_000, "collector_off", "off_asked", **MAIN)
    off: dict[str, Fact] = {"told": "off", "reported_on": True, "told_ago": 5, "tries": 1}
    log.add(45_000, "collector_unanswered", "answer", **MAIN, **off)
    log.add(50_000, "collector_unanswered", "answer", **MAIN, **{**off, "told_ago": 10, "tries": 2})
    log.add(50_000, "alarm_raised", "answer", **MAIN, alarm="collector.main.no_answer", told="off")
    log.add(60_000, "collector_stood", "report", **MAIN, reported_on=False)
    return log.add(60_000, "alarm_cleared", "answer", **MAIN, alarm="collector.main.no_answer")


def test_a_forced_run_on_is_why_it_is_on_and_not_the_cut_that_is_over(tmp_path: Path) -> None:
    found = kept_on(tmp_path).told(FAN, 20_000)
    assert found["verdict"] == (
        "the collector had been on for 19 s: 09:00:00 collector switched on; 09:00:05 collector stays on for 30 min: "
        "the motor has used 6 of 6 starts in the last hour"
    )
    assert found["nearest"].startswith("09:00:45 collector was switched off, but that is not confirmed")


@pytest.mark.parametrize(
    ("ms", "begins"),
    [
        (42_000, "at 09:00:45: collector was switched off, but that is not confirmed"),
        (47_000, "at 09:00:45: collector was switched off, but that is not confirmed"),
        (55_000, "at 09:00:50: collector was switched off, but that is not confirmed"),
        (70_000, "the collector had been off for 10 s: 09:00:40 collector switched off on request; "),
    ],
)
def test_an_off_that_is_not_confirmed_is_told_until_the_fan_stands(tmp_path: Path, ms: int, begins: str) -> None:
    found = kept_on(tmp_path).told(FAN, ms)
    assert found["verdict"].startswith(begins)
    assert (found["nearest"] is not None) is (ms == 70_000)


def test_a_first_telling_that_raised_no_alarm_is_soon_over(tmp_path: Path) -> None:
    log = started(tmp_path).add(0, "collector_on", "demand", **MAIN)
    log.add(5000, "collector_unanswered", "answer", **MAIN, told="on", tries=1, told_ago=5)
    assert log.told(FAN, 15_000)["case"] == "no_answer"
    assert log.told(FAN, 15_001)["verdict"] == "the collector had been on for 15 s: 09:00:00 collector switched on"


def test_who_asked_in_vain_since_it_was_switched_off_is_named(tmp_path: Path) -> None:
    log = started(tmp_path).add(0, "collector_off", "no_demand", **MAIN)
    log.add(1000, "start_refused", "no_gate_proven", **HAND, gates="band_saw")
    found = log.told(FAN, 5000)
    assert found["verdict"] == (
        "the collector had been off for 5 s: 09:00:00 collector switched off, nothing needs it any more; the last "
        "that asked for it: 09:00:01 start refused for gate band saw: no gate is proven open (band saw)"
    )
    assert found["nearest"] is None, "it is told already"


def test_what_an_earlier_run_saw_start_is_no_reason(tmp_path: Path) -> None:
    log = started(tmp_path).add(0, "tool_started", "start_threshold", **BEGUN)
    log.run = "run2"
    log.add(2000, "daemon_started", version="0").add(2500, "start_refused", "first_seen_drawing", **AT, amps=6)
    log.add(10_000, "tool_started", "start_threshold", tool="router", **MAIN, amps=6, start_amps=2)
    log.add(11_000, "collector_on", "demand", **MAIN).add(
        15_000, "tool_stopped", "stop_threshold", tool="router", **MAIN
    )
    assert log.told(FAN, 20_000)["verdict"] == (
        "the collector had been on for 9 s: 09:00:11 collector switched on; 09:00:15 router stopped"
    )


def unsafe(place: Path, *, told_on: bool) -> WrittenLog:
    """A fan turns against shut gates at 30 s: after its last gate shut, or switched on at its own switch."""
    log = started(place).add(0, "collector_on", "demand", **MAIN).add(100, "collector_running", "report", **MAIN)
    if not told_on:
        log.add(10_000, "collector_stood", "report", **MAIN).add(12_000, "collector_off", "switched_by_hand", **MAIN)
    log.add(19_000, "gate_shut", "report", gate="band_saw", **MAIN)
    if not told_on:
        log.add(30_000, "collector_running", "report", **MAIN)
    shut: dict[str, Fact] = {**MAIN, "proven_open": 0, "min_open": 1}
    log.add(30_000, "fan_unsafe", "fan_against_shut_gates", **shut)
    log.add(30_000, "collector_off", "fan_against_shut_gates", **MAIN)
    return log.add(90_000, "alarm_cleared", "fan_against_shut_gates", **MAIN, alarm="collector.main.shut_gates")


@pytest.mark.parametrize(
    ("told_on", "step"),
    [
        (True, "Look at which gate shut under the running fan, and why."),
        (
            False,
            "It came on at its own switch at 09:00:30 with no gate open: open a gate before you switch it on there.",
        ),
    ],
)
def test_a_fan_that_came_on_at_its_own_switch_is_not_told_by_a_gate_that_shut(
    tmp_path: Path, told_on: bool, step: str
) -> None:
    found = unsafe(tmp_path, told_on=told_on).told(FAN, 42_000)
    assert (found["case"], found["next_step"]) == ("fan_against_shut_gates", step)


def test_a_fan_that_was_seen_to_stand_is_not_just_told_on(tmp_path: Path) -> None:
    """Switched off at its own switch, which the rules take for that two seconds later."""
    assert unsafe(tmp_path, told_on=False).told(FAN, 11_000)["verdict"] == (
        "the collector had been on for 11 s: 09:00:00 collector switched on; 09:00:10 collector is off, as everything "
        "that watches it says"
    )


def test_trouble_of_a_fan_still_to_come_is_not_how_it_was(tmp_path: Path) -> None:
    found = unsafe(tmp_path, told_on=False).told(FAN, 5000)
    assert (found["case"], found["verdict"]) == (
        "already_on",
        "the collector had been on for 5 s: 09:00:00 collector switched on",
    )
    assert found["nearest"].startswith("09:00:30 collector turns against shut gates")


def by_hand(place: Path) -> WrittenLog:
    """A hand start from 1 s that a hold ends at 6.5 s; another is refused at 14 s. Reset at 30 s, shut at 31 s."""
    log = started(place).add(1000, "hand_started", "button", **HAND, hand_limit=40)
    log.add(1000, "gate_commanded", "demand", **HAND, to="open").add(1800, "gate_open", "report", **HAND, took=0.8)
    log.add(6500, "collector_held", "hold", **MAIN, why="changing the bag")
    log.add(6501, "hand_ended", "hold", **HAND, lasted=5.5, hand_limit=40)
    log.add(14_000, "start_refused", "hold", **HAND, asked_by="button")
    log.add(31_000, "gate_commanded", "rest", **HAND, to="shut").add(32_000, "gate_shut", "report", **HAND, took=0.8)
    return log.add(130_000, "daemon_caught_up")


def test_a_gate_is_told_with_its_hand_start_and_by_what_that_ended(tmp_path: Path) -> None:
    log = by_hand(tmp_path)
    refused = "09:00:14 start refused for gate band saw: the collector is on hold until somebody resets it"
    began = "09:00:01 gate band saw: hand start with its button, for 40 s at most; "
    opened = "09:00:01 gate band saw told to open; 09:00:01 gate band saw is open: it reported after 0.8 s"
    ended = "; 09:00:06 gate band saw: hand start ended after 5.5 s, the collector is on hold until somebody resets it"
    for ms, said in ((3000, began + opened), (8000, opened + ended)):
        found = log.told(GATE, ms)
        quiet = f"nothing asked gate band saw to move at 09:00:0{ms // 1000}; the last about it: "
        assert (found["verdict"], found["nearest"]) == (quiet + said, refused)
    assert f"The nearest trouble: {refused}." in text(log.ask(GATE, 3000))
    assert log.told(GATE, 14_000)["verdict"].startswith("at 09:00:14: start refused for gate band saw")


def test_a_gates_minute_is_all_of_it(tmp_path: Path) -> None:
    log = started(tmp_path).add(-16_000, "gate_commanded", "demand", **HAND, to="open")
    log.add(24_000, "hand_ended", "hand_limit", **HAND, lasted=40, hand_limit=40)
    log.add(29_000, "gate_commanded", "demand", **HAND, to="shut").add(30_000, "gate_shut", "report", **HAND, took=0.8)
    ended = "gate band saw: hand start ended at its hand_limit of 40 s"
    assert log.told(GATE, 0, 60_000)["verdict"] == (
        f"at 09:00: 09:00:24 {ended}; 09:00:29 gate band saw told to shut; 09:00:30 gate band saw is shut: it "
        "reported after 0.8 s"
    )
    assert log.told(GATE, 24_000)["verdict"] == f"at 09:00:24: {ended}"
    assert log.told(GATE, 60_000, 60_000)["verdict"].startswith("nothing asked gate band saw to move at 09:01; the ")
    for ms in range(40_000, 46_000, 1000):
        log.add(ms, "gate_commanded", "demand", **HAND, to="open")
    assert log.told(GATE, 0, 60_000)["verdict"].endswith("09:00:45 gate band saw told to open; 3 lines before that")


def test_a_collectors_minute_is_told_by_its_end_with_what_was_before(tmp_path: Path) -> None:
    log = started(tmp_path).add(-15_000, "collector_on", "demand", **MAIN)
    log.add(24_000, "collector_off", "no_demand", **MAIN)
    assert log.told(FAN, 0, 60_000)["verdict"] == (
        "the collector had been off for 36 s: 09:00:24 collector switched off, nothing needs it any more; nothing "
        "asked for it since; before that: 08:59:45 collector switched on"
    )


def test_where_nothing_tells_how_it_was_the_nearest_is_told_with_its_distance(tmp_path: Path) -> None:
    log = started(tmp_path).add(0, "command_vetoed", "min_open", **MAIN, command="on", proven_open=0, min_open=1)
    found = log.told(FAN, -120_000)
    assert (found["case"], found["lead"]) == (
        "vetoed",
        "Nothing happened to the collector at 08:58:00; the nearest is at 09:00:00: ",
    )


NEVER = "never heard: shop/reset, its reset: the topic is another, the device is away, or it has not been pressed yet"


def test_a_reset_that_was_never_pressed_matters_only_to_a_hold(tmp_path: Path) -> None:
    log = held(tmp_path).add(-30_000, "signal_unheard", **MAIN, key="reset", topic="shop/reset")
    assert log.told(FAN, 5000)["notes"] == [NEVER]
    assert log.told(FAN, -25_000)["notes"] == []
    assert log.add(3000, "signal_heard", **MAIN, key="reset", topic="shop/reset").told(FAN, 5000)["notes"] == []
