"""A cut that had air for a part of it, and one that had air though it started nothing; how a fan that ran is told."""

from collections.abc import Callable
from pathlib import Path

import pytest
from support.recorded_shop import SHOP, RecordedShop

from gatehand_rules.findings import Fact
from why.why_support import now, why
from why.written_log import AT, BEGUN, SAW, WrittenLog, cut, started

Make = Callable[..., RecordedShop]
Out = pytest.CaptureFixture[str]
METERED = SHOP.replace("spin_up = 2\n", 'spin_up = 2\ncurrent = { topic = "shop/fan/amps" }\nrunning_amps = 2\n')
RESET = "When the cause is gone, reset the hold; then switch the tool off and on again."
STARTED = "band saw started at 09:00:00 (6 A, at or above its start_amps of 2.5 A); the collector was "
HELD: tuple[str, str] = ("collector_off", "hold")


def served(place: Path) -> WrittenLog:
    """A cut to 09:00:20 whose collector was switched on 0.95 s after its start."""
    log = cut(place).add(900, "gate_open", "report", gate="band_saw", collector="main", took=0.9, travel=1.5)
    return log.add(950, "collector_on", "demand", collector="main", starts_this_hour=1, starts_per_hour=6)


def on_before(place: Path, **facts: Fact) -> WrittenLog:
    """A cut to 09:00:20 with the collector on since 08:59."""
    return cut(place).add(-60_000, "collector_on", "demand", collector="main", **facts)


def test_a_hold_in_a_cut_ends_its_air(make: Make, capsys: Out) -> None:
    shop = make()
    shop.shop.tools["band_saw"].switch(on=True, at=shop.clocks.now, load=6)
    shop.run(10)
    shop.say("gatehand/collector/main/hold", "changing the bag")
    shop.run(5)
    asked = now(shop)
    shop.run(10)
    found = why(shop, capsys, "band_saw", "--at", asked)
    assert (found["case"], found["next_step"], found["not_proven"]) == ("air_lost", RESET, None)
    assert "; the collector was switched on " in found["verdict"]
    assert found["verdict"].endswith("; the band saw had air only until the hold at 08:00:41 (changing the bag)")
    assert found["findings"][0]["event"] == "collector_off"


def test_a_stop_contact_in_a_cut_that_found_the_fan_on_ends_its_air(make: Make, capsys: Out) -> None:
    shop = make()
    shop.shop.tools["router"].switch(on=True, at=shop.clocks.now, load=6)
    shop.run(15)
    shop.shop.tools["band_saw"].switch(on=True, at=shop.clocks.now, load=6)
    shop.run(10)
    shop.say("shop/estop", "1")
    shop.run(5)
    found = why(shop, capsys, "band_saw", "--at", now(shop))
    assert (found["case"], found["next_step"]) == ("air_lost", RESET)
    assert found["verdict"].endswith(
        "; the collector was on already, for the router, since 08:00:32; the band saw had air only until stop contact "
        "emergency at 08:00:56"
    )


@pytest.mark.parametrize(("ms", "case"), [(19_999, "air_lost"), (20_000, "started"), (950, "started")])
def test_what_comes_with_the_end_of_a_cut_takes_nothing_from_it(tmp_path: Path, ms: int, case: str) -> None:
    log = served(tmp_path).add(ms, "collector_off", "no_demand", collector="main")
    assert log.told(SAW, 0)["case"] == case


def test_a_hold_without_a_reason_that_was_over_within_the_cut(tmp_path: Path) -> None:
    log = served(tmp_path).add(5000, *HELD, collector="main", why="asked for")
    log.add(9000, "collector_on", "demand", collector="main", starts_this_hour=2, starts_per_hour=6)
    assert log.told(SAW, 0)["verdict"].endswith(
        "; the band saw had air only until the hold at 09:00:05 (no reason given), and again from 09:00:09"
    )


def test_another_collectors_hold_takes_nothing(tmp_path: Path) -> None:
    assert served(tmp_path).add(5000, *HELD, collector="shed", why="x").told(SAW, 0)["case"] == "started"


def test_a_fan_switched_off_for_another_reason_says_it_as_the_log_does(tmp_path: Path) -> None:
    found = on_before(tmp_path).add(5000, "collector_off", "broker", collector="main").told(SAW, 0)
    assert (found["case"], found["next_step"]) == ("air_lost", None)
    assert found["verdict"].endswith(
        "since 08:59:00; the band saw had air only until 09:00:05 (collector switched off, the broker had been away)"
    )


def test_its_only_gate_that_shuts_in_mid_cut_ends_its_air(tmp_path: Path) -> None:
    gate: dict[str, Fact] = {"gate": "band_saw", "collector": "main"}
    log = served(tmp_path).add(5000, "gate_shut", "moved_by_hand", **gate)
    found = log.told(SAW, 0)
    assert (found["case"], found["findings"][0]["event"]) == ("air_lost", "gate_shut")
    assert found["verdict"].endswith("had air only until 09:00:05 (gate band saw was shut by hand)")
    log.add(8000, "gate_open", "moved_by_hand", **gate)
    assert log.told(SAW, 0)["verdict"].endswith("(gate band saw was shut by hand), and again from 09:00:08")
    log = on_before(tmp_path).add(500, "gate_shut", "report", **gate)
    assert log.told(SAW, 0)["case"] == "already_on", "it was on its way to shut, and opens only now"


def test_an_on_to_a_fan_that_ran_is_no_start_of_it(tmp_path: Path) -> None:
    log = cut(tmp_path).add(-300_000, "daemon_started", version="0")
    log.add(-299_000, "collector_adopted", "adoption", collector="main", grace=15)
    log.add(0, "collector_on", "demand", collector="main", starts_this_hour=None, starts_per_hour=6)
    log.add(900, "gate_open", "report", gate="band_saw", collector="main", took=0.9, travel=1.5)
    found = log.told(SAW, 0)
    assert found["case"] == "already_on"
    assert found["verdict"] == STARTED + "on already (on when Gatehand started, at 08:55:00)"


def test_a_fan_says_for_whom_it_is_on_by_the_start_and_not_for_whom_it_came_on(tmp_path: Path) -> None:
    router: dict[str, Fact] = {"tool": "router", "collector": "main"}
    log = on_before(tmp_path, starts_this_hour=6, starts_per_hour=6)
    log.add(-61_000, "tool_started", "start_threshold", **router, amps=6, start_amps=2)
    on = STARTED + "on already"
    assert log.told(SAW, 0)["verdict"] == on + ", for the router, since 08:59:00"
    log.add(-50_000, "tool_muted", "button", tool="router")
    assert log.told(SAW, 0)["verdict"] == on + ", since 08:59:00"
    log.add(-50_000, "collector_kept_on", "starts_per_hour", collector="main", starts_this_hour=6, starts_per_hour=6)
    limit = "since 08:59:00, and was kept on for its start limit (6 of 6 starts in the last hour)"
    assert log.told(SAW, 0)["verdict"] == f"{on}, {limit}"
    log.add(-10_000, "hand_started", "button", gate="bench", collector="main", hand_limit=40)
    hand = "since 08:59:00, and was kept on for a hand start of gate bench"
    assert log.told(SAW, 0)["verdict"] == f"{on}, {hand}"
    log.add(-5000, "hand_ended", "button", gate="bench", collector="main", lasted=5)
    assert log.told(SAW, 0)["verdict"] == f"{on}, {limit}"


@pytest.mark.parametrize(("run_on", "whom"), [(10.0, ", for the router"), (4.999, ""), (5.0, "")])
def test_a_tool_wants_the_fan_through_its_run_on(tmp_path: Path, run_on: float, whom: str) -> None:
    router: dict[str, Fact] = {"tool": "router", "collector": "main"}
    log = on_before(tmp_path).add(-61_000, "tool_started", "start_threshold", **router)
    log.add(-5000, "tool_stopped", "stop_threshold", **router, run_on=run_on)
    assert log.told(SAW, 0)["verdict"] == STARTED + f"on already{whom}, since 08:59:00"


def test_a_daemon_killed_in_mid_cut_takes_no_air_from_it(make: Make, capsys: Out) -> None:
    shop = make()
    shop.shop.tools["band_saw"].switch(on=True, at=shop.clocks.now, load=6)
    shop.run(10)
    before = now(shop)
    shop.run(5)
    shop.close()
    shop.run(5, alive=False)
    shop.begin()
    shop.run(30)
    asked = now(shop)
    shop.shop.tools["band_saw"].switch(on=False, at=shop.clocks.now)
    shop.run(60)
    found = why(shop, capsys, "band_saw", "--at", before)
    assert found["case"] == "started", "what the later run said is of another start"
    for found in (why(shop, capsys, "band_saw"), why(shop, capsys, "band_saw", "--at", asked)):
        assert (found["case"], found["next_step"]) == ("already_on", None)
        assert found["verdict"] == (
            "band saw was already running when first seen, at 08:00:51 (6 A), which starts nothing; but the collector "
            "was on already (on when Gatehand started, at 08:00:51), and stayed on for the band saw"
        )


def refused(place: Path) -> WrittenLog:
    """Found running at 09:00:01, with its gate open and the fan adopted; it stops at 09:00:20."""
    log = started(place).add(0, "daemon_started", version="0")
    log.add(1000, "start_refused", "first_seen_drawing", **BEGUN)
    return log.add(20_000, "tool_stopped", "stop_threshold", **AT, was="running")


def test_a_tool_first_seen_running_had_air_only_with_fan_and_gate(tmp_path: Path) -> None:
    log = refused(tmp_path)
    assert log.told(SAW, 1000)["case"] == "not_fresh"
    log.add(1500, "collector_adopted", "adoption", collector="main", grace=15)
    assert log.told(SAW, 1000)["case"] == "not_fresh", "its gate is not known open"
    log.add(1400, "gate_open", "report", gate="band_saw", collector="main")
    assert log.told(SAW, 1000)["case"] == "already_on"
    log.add(5000, *HELD, collector="main", why="changing the bag")
    found = log.told(SAW, 1000)
    assert (found["case"], found["next_step"]) == ("air_lost", RESET)
    assert found["verdict"] == (
        "band saw was already running when first seen, at 09:00:01 (6 A), which starts nothing; but the collector was "
        "on already (on when Gatehand started, at 09:00:00); the band saw had air only until the hold at 09:00:05 "
        "(changing the bag)"
    )
    log = refused(tmp_path).add(1400, "gate_open", "report", gate="band_saw", collector="main")
    log.add(1500, "collector_off", "adoption", collector="main")
    assert log.told(SAW, 1000)["case"] == "not_fresh"


@pytest.mark.parametrize("first", ["", "router"], ids=["its own start", "found on"])
def test_a_motor_that_trips_in_mid_cut_ran_until_then(make: Make, capsys: Out, first: str) -> None:
    shop = make(METERED)
    if first:
        shop.shop.tools[first].switch(on=True, at=shop.clocks.now, load=6)
        shop.run(15)
    shop.shop.tools["band_saw"].switch(on=True, at=shop.clocks.now, load=6)
    shop.run(30)
    shop.shop.collectors["main"].trip(shop.clocks.now)
    tripped = now(shop)[11:19]
    shop.run(20)
    found = why(shop, capsys, "band_saw", "--at", now(shop))
    assert (found["case"], found["findings"][0]["event"]) == ("no_answer", "collector_unanswered")
    begun = "" if first else " from 08:00:31"
    fell = f"; the collector ran{begun} to about {tripped[:7]}"
    assert fell in found["verdict"]
    assert found["verdict"].endswith(", when its motor stopped, though its switch says on: it may have tripped")
    assert found["next_step"] == "Lock it out, then look at its overload, its breaker and its thermal trip."


def test_a_cut_whose_fan_was_switched_off_on_request_had_air_until_then(make: Make, capsys: Out) -> None:
    shop = make()
    shop.shop.tools["band_saw"].switch(on=True, at=shop.clocks.now, load=6)
    shop.run(10)
    asked = now(shop)
    shop.run(2)
    shop.say("gatehand/collector/main/off", "")
    shop.run(5)
    for found in (why(shop, capsys, "band_saw", "--at", asked), why(shop, capsys, "band_saw")):
        assert found["case"] == "air_lost"
        assert "; the band saw had air only until 08:00:43 (collector switched off on request" in found["verdict"]
        assert found["next_step"] == "Switch the band saw off and on again. No setting changes this."
        assert found["findings"][0]["event"] == "start_refused"


def test_a_cut_held_and_reset_before_it_ended_had_air_until_the_hold(tmp_path: Path) -> None:
    log = served(tmp_path).add(5000, *HELD, collector="main", why="changing the bag")
    log.add(9000, "start_refused", "not_fresh", **BEGUN)
    assert log.told(SAW, 9000)["case"] == "not_fresh", "that is why the reset started nothing"
    found = log.told(SAW, 3000)
    assert found["verdict"].endswith("; the band saw had air only until the hold at 09:00:05 (changing the bag)")
    assert (found["case"], found["findings"][0]["event"]) == ("air_lost", "start_refused")
    log = cut(tmp_path).add(-5000, *HELD, collector="main", why="changing the bag")
    assert log.add(9000, "start_refused", "not_fresh", **BEGUN).told(SAW, 3000)["case"] == "not_fresh"


def test_a_fan_that_comes_on_again_gives_no_air_through_a_gate_that_is_shut(tmp_path: Path) -> None:
    log = served(tmp_path).add(5000, *HELD, collector="main", why="changing the bag")
    log.add(6000, "gate_shut", "report", gate="band_saw", collector="main")
    log.add(9000, "collector_on", "demand", collector="main", starts_this_hour=2, starts_per_hour=6)
    assert log.told(SAW, 0)["verdict"].endswith(" the hold at 09:00:05 (changing the bag)")
