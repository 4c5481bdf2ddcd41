"""Each case of a start that did not happen: a shop under the real engine makes it, and the sentence is read."""

import json
import time
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from support.recorded_shop import SHOP, RecordedShop

from gatehand.cli import main
from gatehand.simshop import CollectorHabits, GateHabits, Habits, ToolHabits, Trouble

SOFT = {name: ToolHabits(inrush=None, noise=0.0, every=1.0) for name in ("band_saw", "router")}


@pytest.fixture(autouse=True)
def _utc(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TZ", "UTC")
    time.tzset()


@pytest.fixture
def make(tmp_path: Path) -> Callable[..., RecordedShop]:
    """A shop at rest, its daemon running."""

    def begin(
        text: str = SHOP,
        gates: Mapping[str, GateHabits] | None = None,
        collectors: Mapping[str, CollectorHabits] | None = None,
    ) -> RecordedShop:
        habits = Habits(tools=SOFT, gates=gates or {}, collectors=collectors or {})
        shop = RecordedShop(tmp_path, text, habits=habits).begin()
        shop.run(30)
        return shop

    return begin


def now(shop: RecordedShop) -> str:
    """The moment, as one would give it."""
    return datetime.fromtimestamp(shop.clocks.wall(), UTC).isoformat(timespec="milliseconds")


def why(shop: RecordedShop, capsys: pytest.CaptureFixture[str], *args: str) -> dict[str, Any]:
    """The answer in JSON; what the text says of it is the same sentence."""
    shop.recorder.flush()
    config = ["--config", str(shop.config)]
    capsys.readouterr()
    code = main(["why", *args, "--json", *config])
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    assert main(["why", *args, *config]) == code
    said = " ".join(capsys.readouterr().out.split())
    assert found["verdict"][1:] in said
    for trial in found["trials"]:
        assert trial[1:] in said
    assert code == (0 if found["case"] in {"started", "already_on", "nothing_in_the_log"} else 1)
    return found


def test_under_threshold_says_how_much_was_missing_and_the_highest_threshold_that_would_have_caught_it(
    make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]
) -> None:
    shop = make()
    shop.cut("band_saw", 20, amps=2.2, then=30)
    found = why(shop, capsys, "band_saw")
    assert found["case"] == "under_threshold"
    assert (
        "band saw drew 2.2 A at most from 08:00:31 to 08:00:51 (20 s), 0.3 A below its start_amps of 2.5 A"
        in found["verdict"]
    )
    assert found["would_have_started"] == {"start_amps": 2.2}
    assert found["findings"][0]["event"] == "start_missed"
    assert any("start_amps = 2.2 would have started it" in trial for trial in found["trials"])
    assert any("it would have made no further start" in trial for trial in found["trials"])


def test_the_threshold_that_would_have_caught_it_is_exact(
    make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]
) -> None:
    """One reading of 2.31 A amid 2.2 A: 2.31 starts it, anything above does not."""
    shop = make()
    shop.shop.tools["band_saw"].switch(on=True, at=shop.clocks.now, amps=2.2)
    shop.run(5)
    shop.shop.tools["band_saw"].spike(shop.clocks.now, 2.31)
    shop.run(5)
    shop.shop.tools["band_saw"].switch(on=False, at=shop.clocks.now)
    shop.run(30)
    assert why(shop, capsys, "band_saw")["would_have_started"] == {"start_amps": 2.31}


def test_a_lower_threshold_that_starts_more_elsewhere_says_so(
    make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]
) -> None:
    shop = make()
    for _ in range(3):
        shop.cut("band_saw", 15, amps=2.3, then=40)
    shop.cut("band_saw", 15, amps=2.2, then=40)
    found = why(shop, capsys, "band_saw")
    assert found["would_have_started"] == {"start_amps": 2.2}
    assert found["extra_starts"] == {"start_amps": 3}
    assert any("it would have made 3 further starts, wanted or not" in trial for trial in found["trials"])


def test_too_short_for_start_after_says_the_longest_delay_that_would_have_started_it(
    make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]
) -> None:
    shop = make(SHOP.replace("start_amps = 2.5", "start_amps = 2.5\nstart_after = 2"))
    shop.cut("band_saw", 1.2, amps=6, then=30)
    found = why(shop, capsys, "band_saw")
    assert found["case"] == "too_short"
    assert "above its start_amps of 2.5 A, but for 1.2 s at the longest; its start_after wants 2 s" in found["verdict"]
    assert found["would_have_started"] == {"start_after": 1.2}


def test_a_silent_sensor_is_named_with_its_times(
    make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]
) -> None:
    shop = make()
    shop.shop.tools["band_saw"].silence(on=True)
    shop.run(60)
    asked = now(shop)
    shop.cut("band_saw", 20, amps=6)
    shop.shop.tools["band_saw"].silence(on=False)
    shop.run(30)
    found = why(shop, capsys, "band_saw", "--at", asked)
    assert found["case"] == "silent"
    assert (
        "the sensor of band saw was silent from 08:01:00: it had said nothing for 30 s (silent_after)"
        in found["verdict"]
    )
    assert "it was heard again at 08:01:5" in found["verdict"]
    assert found["would_have_started"] == {}


def test_a_rejected_payload_is_shown(make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]) -> None:
    shop = make()
    shop.say("shop/band_saw/amps", "6,3 A")
    shop.run(20)
    found = why(shop, capsys, "band_saw")
    assert found["case"] == "rejected"
    assert "the reading of band saw at 08:00:31 was rejected" in found["verdict"]
    assert "6,3 A" in found["verdict"]
    assert "topic, pointer, scale" in found["next_step"]


def test_a_retained_reading_starts_nothing_and_why_says_so(
    make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]
) -> None:
    shop = make()
    shop.say("shop/band_saw/amps", "6.3", retained=True)
    shop.run(20)
    found = why(shop, capsys, "band_saw")
    assert found["case"] == "retained"
    assert "(6.3 A) was one that the broker had kept" in found["verdict"]
    assert "its age is unknown, so it is shown and starts nothing" in found["verdict"]


def test_a_broker_that_was_away_is_named_with_its_times(
    make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]
) -> None:
    shop = make()
    shop.lose_broker()
    shop.run(10)
    asked = now(shop)
    shop.cut("band_saw", 20, amps=6)
    shop.connect()
    shop.run(20)
    found = why(shop, capsys, "band_saw", "--at", asked)
    assert found["case"] == "broker_away"
    assert (
        "the broker was away from 08:00:31 until 08:01:01 (30 s): no reading came in and no command could go out"
        in found["verdict"]
    )


def test_a_jammed_gate_is_named_and_no_travel_would_have_helped(
    make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]
) -> None:
    shop = make()
    shop.shop.gates["band_saw"].suffer(Trouble.JAM, shop.clocks.now)
    shop.cut("band_saw", 20, amps=6, then=30)
    found = why(shop, capsys)
    assert found["subject"] == "band_saw"
    assert found["case"] == "gate_jammed"
    assert (
        "gate band saw was told to open and had not reported open 3 s later (travel 1.5 s, 1 retry)" in found["verdict"]
    )
    assert found["would_have_started"] == {}
    assert found["trials"] == ["gate band saw did not report open in the time looked at: no travel would have helped"]


def test_a_late_gate_says_how_late_and_the_shortest_travel_that_would_have_been_enough(
    make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]
) -> None:
    """It reports 3.9 s after its command; one retry makes twice the travel: 2.0 s would have sufficed."""
    shop = make(gates={"band_saw": GateHabits(late_by=3.0)})
    shop.shop.gates["band_saw"].suffer(Trouble.LATE, shop.clocks.now)
    shop.cut("band_saw", 20, amps=6, then=30)
    found = why(shop, capsys, "band_saw")
    assert found["case"] == "gate_late"
    assert any(
        "gate band saw reported open 3.92 s after it was told, 2.42 s after its travel of 1.5 s ran out" in one
        for one in found["trials"]
    )
    assert found["would_have_started"] == {"travel": 2.0}
    assert any(
        "travel = 2 in [gate.band_saw] would have started it without a refusal; it is the shortest" in one
        for one in found["trials"]
    )


def test_a_later_cut_that_was_served_is_not_taken_for_this_ones(
    make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]
) -> None:
    """The gate jams, the cut ends, the gate is mended, and the next cut, a second later, is served."""
    shop = make()
    shop.shop.gates["band_saw"].suffer(Trouble.JAM, shop.clocks.now)
    shop.cut("band_saw", 5, amps=6, then=1)
    shop.shop.gates["band_saw"].suffer(None, shop.clocks.now)
    shop.cut("band_saw", 20, amps=6, then=30)
    found = why(shop, capsys, "band_saw")
    assert found["case"] == "gate_jammed"
    assert "was the collector told on" not in found["verdict"]
    assert found["would_have_started"] == {}
    assert found["trials"] == ["gate band saw did not report open in the time looked at: no travel would have helped"]


def test_the_gate_itself_can_be_asked(make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]) -> None:
    shop = make(gates={"band_saw": GateHabits(late_by=3.0)})
    shop.shop.gates["band_saw"].suffer(Trouble.LATE, shop.clocks.now)
    shop.cut("band_saw", 20, amps=6)
    shop.shop.gates["band_saw"].suffer(None, shop.clocks.now)
    shop.run(30)
    found = why(shop, capsys, "gate.band_saw")
    assert found["kind"] == "gate"
    assert found["case"] == "gate_late"
    assert "gate band saw was told to open at 08:00:31 and had not reported it 3 s later" in found["verdict"]
    assert found["would_have_started"] == {"travel": 2.0}


def test_a_cut_that_ended_before_its_gate_was_open_says_so(
    make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]
) -> None:
    """The gate cannot report and has 1.5 s of travel, the cut lasts 1 s: 0.9 s of travel would have been in time."""
    shop = make()
    shop.cut("router", 1.0, amps=6, then=30)
    found = why(shop, capsys, "router")
    assert found["case"] == "gate_late"
    assert "before its gate was proven open" in found["verdict"]
    assert found["would_have_started"] == {"travel": 0.9}
    assert any("cannot report and counts as open after its travel of 1.5 s" in one for one in found["trials"])


def test_a_stop_contact_is_named(make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]) -> None:
    shop = make()
    shop.say("shop/estop", "1")
    shop.run(5)
    shop.cut("band_saw", 20, amps=6, then=30)
    found = why(shop, capsys, "band_saw")
    assert found["case"] == "stop_contact"
    assert "held off by the stop contact emergency since 08:00:31" in found["verdict"]
    assert "only a fresh one counts" in found["verdict"]
    assert found["next_step"] == "When the cause is gone, reset the hold; then switch the tool off and on again."


def test_a_hold_that_somebody_asked_for_is_named(
    make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]
) -> None:
    shop = make()
    shop.say("gatehand/collector/main/hold", "filter change")
    shop.run(5)
    shop.cut("band_saw", 20, amps=6, then=30)
    found = why(shop, capsys, "band_saw")
    assert found["case"] == "held"
    assert "held off (filter change) since 08:00:31" in found["verdict"]


def test_a_full_bin_is_named_and_warn_would_have_started_it(
    make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]
) -> None:
    shop = make()
    shop.say("shop/bin/full", "1")
    shop.run(5)
    shop.cut("band_saw", 20, amps=6, then=30)
    found = why(shop, capsys, "band_saw")
    assert found["case"] == "bin_full"
    assert 'the bin has been full since 08:00:31, and on_bin_full = "refuse" starts nothing then' in found["verdict"]
    assert found["would_have_started"] == {"on_bin_full": "warn"}


def test_not_fresh_after_a_reset(make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]) -> None:
    shop = make()
    shop.shop.tools["band_saw"].switch(on=True, at=shop.clocks.now, amps=6)
    shop.run(10)
    shop.say("shop/estop", "1")
    shop.run(5)
    shop.say("shop/estop", "0")
    shop.say("gatehand/collector/main/reset", "1")
    shop.run(20)
    found = why(shop, capsys, "band_saw")
    assert found["case"] == "not_fresh"
    assert "band saw drew 6 A already when the hold was reset, at 08:00:46" in found["verdict"]
    assert "Switch the band saw off and on again" in found["next_step"]


def test_not_fresh_after_a_start_of_the_daemon(
    make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]
) -> None:
    shop = make()
    shop.end()
    shop.shop.tools["band_saw"].switch(on=True, at=shop.clocks.now, amps=6)
    shop.run(10, alive=False)
    shop.begin()
    shop.run(20)
    found = why(shop, capsys, "band_saw")
    assert found["case"] == "not_fresh"
    assert "already when it was first seen after Gatehand's start" in found["verdict"]


def test_max_open_names_who_had_the_gates(
    make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]
) -> None:
    shop = make(SHOP.replace("coast_down = 6", "coast_down = 6\nmax_open = 1"))
    shop.shop.tools["router"].switch(on=True, at=shop.clocks.now, amps=6)
    shop.run(10)
    shop.cut("band_saw", 20, amps=6, then=30)
    found = why(shop, capsys, "band_saw")
    assert found["case"] == "max_open"
    assert "no more gates than max_open = 1 may stand open at once, and router had the air" in found["verdict"]
    assert found["would_have_started"] == {"max_open": 2}


def test_muted_by_hand_says_when_and_until_when(
    make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]
) -> None:
    shop = make()
    shop.shop.tools["band_saw"].switch(on=True, at=shop.clocks.now, amps=6)
    shop.run(10)
    shop.say("shop/gate/band_saw/button", "1")
    shop.run(20)
    asked = now(shop)
    shop.run(60)
    found = why(shop, capsys, "band_saw", "--at", asked)
    assert found["case"] == "muted"
    assert "band saw was muted by hand at 08:00:41" in found["verdict"]
    assert "until its current has fallen below its stop_amps (1.75 A)" in found["verdict"]


def test_muted_by_its_run_limit_is_another_case(
    make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]
) -> None:
    shop = make(SHOP.replace("start_amps = 2.5", "start_amps = 2.5\nrun_limit = 60"))
    shop.shop.tools["band_saw"].switch(on=True, at=shop.clocks.now, amps=6)
    shop.run(80)
    found = why(shop, capsys, "band_saw", "--at", now(shop))
    assert found["case"] == "run_limit"
    assert "taken for a stuck sensor" in found["verdict"]


def test_a_collector_that_did_not_answer_is_named(
    make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]
) -> None:
    shop = make()
    shop.shop._takers["shop/fan/set"] = lambda _payload, _at: None  # noqa: SLF001 - the switch has lost its power
    shop.cut("band_saw", 30, amps=6, then=30)
    found = why(shop, capsys, "band_saw", "--at", now(shop)[:16])
    assert found["case"] == "no_answer"
    assert "the collector was told on at 08:00:31, but it did not answer: its switch says off" in found["verdict"]
    assert "breaker" in found["next_step"]


def test_a_motor_that_draws_nothing_is_told_from_a_switch_that_says_off(
    make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]
) -> None:
    text = SHOP.replace("bin_full =", 'current = { topic = "shop/fan/amps" }\nbin_full =')
    shop = make(text, collectors={"main": CollectorHabits(running_amps=0.0)})
    shop.cut("band_saw", 30, amps=6, then=30)
    found = why(shop, capsys, "band_saw")
    assert found["case"] == "no_answer"
    assert "its switch says on, and its motor draws no current" in found["verdict"]


def test_a_daemon_that_was_stopped_is_named(
    make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]
) -> None:
    shop = make()
    shop.end("asked to")
    shop.run(60, alive=False)
    asked = now(shop)
    shop.shop.tools["band_saw"].switch(on=True, at=shop.clocks.now, amps=6)
    shop.run(20, alive=False)
    shop.shop.tools["band_saw"].switch(on=False, at=shop.clocks.now)
    shop.run(10, alive=False)
    shop.begin()
    shop.run(20)
    found = why(shop, capsys, "band_saw", "--at", asked)
    assert found["case"] == "daemon_not_running"
    assert (
        "Gatehand was not running at 2026-03-05 08:01:31: it was stopped at 2026-03-05 08:00:31 (asked to)"
        in found["verdict"]
    )
    assert "it started again at 2026-03-05 08:02:01" in found["verdict"]


def test_a_daemon_that_ended_without_a_word_is_named(
    make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]
) -> None:
    shop = make()
    shop.close()
    shop.run(60, alive=False)
    asked = now(shop)
    shop.run(30, alive=False)
    shop.begin()
    shop.run(20)
    found = why(shop, capsys, "band_saw", "--at", asked)
    assert found["case"] == "daemon_not_running"
    assert "last heard of at 2026-03-05 08:00:3" in found["verdict"]
    assert "ended without a word (a power cut, or it was killed)" in found["verdict"]


def test_before_the_log_begins_nothing_ran(
    make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]
) -> None:
    shop = make()
    found = why(shop, capsys, "band_saw", "--at", "2026-03-04 10:00")
    assert found["case"] == "daemon_not_running"
    assert "the log begins at 2026-03-05 08:00:00" in found["verdict"]


def test_a_clock_that_stepped_is_minded(make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]) -> None:
    shop = make()
    shop.clocks.ahead += 300
    shop.run(10)
    shop.cut("band_saw", 20, amps=2.2, then=30)
    found = why(shop, capsys, "band_saw")
    assert found["case"] == "under_threshold"
    (note,) = found["notes"]
    assert "the wall clock stepped forward by 5 min at 08:05:3" in note
    assert "may stand in the log that much off" in note


def test_a_cut_that_was_served_says_how(make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]) -> None:
    shop = make()
    asked = now(shop)
    shop.cut("band_saw", 20, amps=6, then=30)
    found = why(shop, capsys, "band_saw", "--at", asked)
    assert found["case"] == "started"
    assert (
        "band saw started at 08:00:31 and drew 6 A; the collector was told on 0.92 s later, once gate band saw was open"
        in found["verdict"]
    )


def test_a_cut_with_the_collector_on_already_says_so(
    make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]
) -> None:
    shop = make()
    shop.shop.tools["router"].switch(on=True, at=shop.clocks.now, amps=6)
    shop.run(100)
    asked = now(shop)
    shop.cut("band_saw", 20, amps=6, then=5)
    found = why(shop, capsys, "band_saw", "--at", asked)
    assert found["case"] == "already_on"


def test_a_tool_that_did_nothing_shows_its_highest_reading(
    make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]
) -> None:
    shop = make()
    shop.run(200)
    asked = now(shop)
    shop.run(200)
    found = why(shop, capsys, "band_saw", "--at", asked)
    assert found["case"] == "under_threshold"
    assert "band saw drew 0.052 A at most around 08:03:51" in found["verdict"]
    assert "sits on the wrong wire" in found["next_step"]


def test_without_a_recording_the_log_alone_tells_the_case(
    make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]
) -> None:
    shop = make()
    shop.cut("band_saw", 20, amps=2.2, then=30)
    shop.end()
    for path in shop.folder.glob("readings-*"):
        path.unlink()
    found = why(shop, capsys, "band_saw")
    assert found["case"] == "under_threshold"
    assert found["would_have_started"] == {}
    assert found["trials"] == [
        "its readings of that time are no longer recorded: no other setting can be tried on them"
    ]


def test_the_collector_answers_for_the_tool_that_it_did_not_start_for(
    make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]
) -> None:
    shop = make()
    shop.cut("band_saw", 20, amps=2.2, then=30)
    found = why(shop, capsys, "main")
    assert found["kind"] == "collector"
    assert found["case"] == "under_threshold"


def test_the_collector_says_why_it_is_off_and_since_when(
    make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]
) -> None:
    shop = make()
    shop.cut("band_saw", 20, amps=6, then=600)
    found = why(shop, capsys, "main", "--at", now(shop))
    assert "the collector had been off for 9 min 50 s" in found["verdict"]
    assert "nothing needs it any more" in found["verdict"]


def test_the_collector_says_why_it_is_on(make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]) -> None:
    shop = make()
    shop.shop.tools["band_saw"].switch(on=True, at=shop.clocks.now, amps=6)
    shop.run(100)
    found = why(shop, capsys, "main", "--at", now(shop))
    assert "the collector had been on for 1 min 39 s" in found["verdict"]
    assert "band saw started: 6 A" in found["verdict"]


def test_a_gate_without_trouble_says_where_it_stands(
    make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]
) -> None:
    shop = make()
    shop.cut("band_saw", 20, amps=6, then=60)
    found = why(shop, capsys, "gate.band_saw", "--at", now(shop))
    assert "nothing asked gate band saw to move" in found["verdict"]
    assert "gate band saw is shut" in found["verdict"]


def test_without_arguments_it_is_the_last_thing_that_did_not_happen(
    make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]
) -> None:
    shop = make()
    shop.cut("band_saw", 20, amps=2.2, then=30)
    shop.say("shop/bin/full", "1")
    shop.cut("router", 20, amps=6, then=30)
    shop.say("shop/bin/full", "0")
    shop.cut("band_saw", 20, amps=6, then=60)
    found = why(shop, capsys)
    assert (found["subject"], found["case"]) == ("router", "bin_full")
    assert why(shop, capsys, "--last")["case"] == "bin_full"
    assert why(shop, capsys, "band_saw", "--last")["case"] == "under_threshold"


def test_a_shop_in_which_all_went_well_says_so(
    make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]
) -> None:
    shop = make()
    shop.cut("band_saw", 20, amps=6, then=60)
    assert main(["why", "--config", str(shop.config)]) == 0
    assert "nothing that should have happened and did not" in " ".join(capsys.readouterr().out.split())


def test_the_story_is_told_with_its_times(
    make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]
) -> None:
    shop = make()
    shop.shop.gates["band_saw"].suffer(Trouble.JAM, shop.clocks.now)
    shop.cut("band_saw", 20, amps=6, then=30)
    told = [(one["ts"], one["text"]) for one in why(shop, capsys)["story"]]
    assert ("2026-03-05T08:00:31.030Z", "band saw started: 6 A, at or above its start_amps of 2.5 A") in told
    assert any(text.startswith("gate band saw told to open again") for _, text in told)
    assert [ts for ts, _ in told] == sorted(ts for ts, _ in told)


def test_a_name_that_is_not_there_is_wrong_usage(
    make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]
) -> None:
    shop = make()
    assert main(["why", "bandsaw", "--config", str(shop.config)]) == 2
    assert "there is no tool, gate or collector 'bandsaw'; did you mean band_saw?" in capsys.readouterr().err


def test_a_time_that_is_none_is_wrong_usage(
    make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]
) -> None:
    shop = make()
    assert main(["why", "band_saw", "--at", "teatime", "--config", str(shop.config)]) == 2
    assert "'teatime' is no time" in capsys.readouterr().err


def test_without_a_log_it_says_what_to_do(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    config = tmp_path / "config.toml"
    config.write_text(SHOP, "utf-8")
    assert main(["why", "--config", str(config)]) == 1
    assert "has the daemon run with this config?" in capsys.readouterr().err
