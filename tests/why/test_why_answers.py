"""What else can be asked, and what is said where nothing went wrong."""

from collections.abc import Callable
from pathlib import Path

import pytest
from support.recorded_shop import SHOP, RecordedShop

from gatehand.cli import main
from gatehand.simshop.gate import GateTrouble
from gatehand.text import as_sentence
from why.why_support import now, why


def test_a_cut_that_was_served_says_how(make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]) -> None:
    shop = make()
    asked = now(shop)
    shop.cut("band_saw", 20, amps=6, then=30)
    found = why(shop, capsys, "band_saw", "--at", asked)
    assert found["case"] == "started"
    assert (
        found["verdict"]
        == "band saw started at 08:00:31 (6 A, at or above its start_amps of 2.5 A); the collector was "
        "switched on 0.92 s later, once gate band saw was open"
    )


def test_a_cut_with_the_collector_on_already_says_so(
    make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]
) -> None:
    shop = make()
    shop.shop.tools["router"].switch(on=True, at=shop.clocks.now, load=6)
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
    shop.shop.tools["band_saw"].switch(on=True, at=shop.clocks.now, load=6)
    shop.run(100)
    found = why(shop, capsys, "main", "--at", now(shop))
    assert "the collector had been on for 1 min 39 s" in found["verdict"]
    assert "band saw started: 6 A" in found["verdict"]


def test_the_collector_says_how_it_stands_where_the_log_ends_beside_what_it_did_not_do(
    make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]
) -> None:
    shop = make(SHOP.replace("coast_down = 6", "coast_down = 6\nstarts_per_hour = 1"))
    shop.cut("band_saw", 20, amps=2.2, then=30)
    shop.cut("band_saw", 20, amps=6, then=30)
    found = why(shop, capsys, "main")
    assert found["case"] == "under_threshold"
    assert "the collector had been on for" in found["at_the_end"]
    assert "the motor has used 1 of 1 start in the last hour" in found["at_the_end"]
    assert why(shop, capsys, "main", "--at", now(shop))["at_the_end"] is None


def test_a_start_that_was_refused_is_no_reason_why_the_collector_is_on(
    make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]
) -> None:
    shop = make(SHOP.replace("spin_up = 2", "spin_up = 2\nmax_open = 1"))
    shop.shop.tools["router"].switch(on=True, at=shop.clocks.now, load=6)
    shop.run(30)
    shop.cut("band_saw", 20, amps=6, then=30)
    assert why(shop, capsys, "main")["at_the_end"] == (
        "the collector had been on for 1 min: 08:00:32 collector switched on; 08:00:31 router started: 6 A, at or "
        "above its start_amps of 2 A"
    )


def test_a_collector_that_did_not_answer_is_no_matter_of_a_tool_that_did_not_run(
    make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]
) -> None:
    shop = make()
    shop.shop.commands["shop/fan/set"] = lambda _payload, _at: None
    shop.cut("band_saw", 20, amps=6, then=30)
    assert why(shop, capsys, "band_saw")["case"] == "no_answer"
    assert main(["why", "router", "--config", str(shop.config)]) == 0
    assert "Nothing about router in the log" in capsys.readouterr().out


def test_a_hold_that_ended_a_cut_is_told_of_until_its_reset_whoever_is_asked_about(
    make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]
) -> None:
    shop = make()
    shop.shop.tools["band_saw"].switch(on=True, at=shop.clocks.now, load=6)
    shop.run(10)
    shop.say("gatehand/collector/main/hold", "filter change")
    shop.run(5)
    for asked in ([], ["band_saw"], ["gate.band_saw"]):
        found = why(shop, capsys, *asked)
        assert (found["case"], found["subject"]) == ("held", "main")
        assert "collector is on hold (filter change), until somebody resets it" in found["verdict"]
    shop.shop.tools["band_saw"].switch(on=False, at=shop.clocks.now)
    shop.run(5)
    shop.say("gatehand/collector/main/reset", "1")
    shop.run(5)
    assert main(["why", "band_saw", "--config", str(shop.config)]) == 0
    assert "Nothing about band_saw in the log" in capsys.readouterr().out


def test_a_hold_since_a_missed_start_is_told_of_beside_it(
    make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]
) -> None:
    shop = make()
    shop.cut("band_saw", 20, amps=2.2, then=30)
    assert why(shop, capsys, "band_saw")["at_the_end"] is None
    shop.say("gatehand/collector/main/hold", "filter change")
    shop.run(5)
    found = why(shop, capsys, "band_saw")
    assert found["case"] == "under_threshold"
    assert found["at_the_end"].startswith("collector is on hold (filter change), until somebody resets it")
    assert " (since 08:0" in found["at_the_end"]
    assert why(shop, capsys)["at_the_end"] == found["at_the_end"]


def test_a_collector_that_did_all_it_should_says_how_it_stands(
    make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]
) -> None:
    """What a gate of its did not do is the gate's to answer."""
    shop = make()
    shop.cut("band_saw", 20, amps=6)
    shop.shop.gates["band_saw"].suffer(GateTrouble.JAM, shop.clocks.now)
    shop.run(600)
    jammed = why(shop, capsys, "gate.band_saw")
    assert jammed["case"] == "gate_jammed"
    assert "look at command in [gate.band_saw]: it is told 'shut' on shop/gate/band_saw/set." in jammed["next_step"]
    found = why(shop, capsys, "main")
    assert found["case"] == "nothing_in_the_log"
    assert "the collector had been off for" in found["verdict"]
    assert found["at_the_end"] is None, "nothing of its own was missed, so that is the answer itself"


def test_a_collector_switched_just_now_is_not_told_in_noughts(
    make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]
) -> None:
    shop = make()
    shop.shop.tools["band_saw"].switch(on=True, at=shop.clocks.now, load=6)
    shop.run(1.2)
    found = why(shop, capsys, "main", "--at", now(shop))
    assert "the collector had been on for less than a second" in found["verdict"]


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
    assert "Nothing in the log that should have happened and did not." in " ".join(capsys.readouterr().out.split())


def test_the_story_is_told_with_its_times(
    make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]
) -> None:
    shop = make()
    shop.shop.gates["band_saw"].suffer(GateTrouble.JAM, shop.clocks.now)
    shop.cut("band_saw", 20, amps=6, then=30)
    told = [(one["ts"], one["text"]) for one in why(shop, capsys, "--all")["story"]]
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
    assert "'teatime' is not a time" in capsys.readouterr().err


def test_of_a_moment_still_to_come_nothing_is_told(
    make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]
) -> None:
    shop = make()
    assert main(["why", "band_saw", "--at", "2199-03-05 10:00", "--config", str(shop.config)]) == 2
    found = capsys.readouterr()
    assert "argument --at: 2199-03-05 10:00:00 is still to come" in found.err
    assert "was not running" not in found.out


def test_without_a_log_it_says_what_to_do(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    config = tmp_path / "config.toml"
    config.write_text(SHOP, "utf-8")
    assert main(["why", "--config", str(config)]) == 1
    assert "has the daemon run with this config?" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        ("the broker was away", "The broker was away."),
        ("start_amps is 2.5 A", "start_amps is 2.5 A."),
        ("travel = 3 would have given it air", "travel = 3 would have given it air."),
        ("does it stand open?", "Does it stand open?"),
    ],
)
def test_a_sentence_begins_large_but_for_a_key_and_ends_with_its_stop(words: str, sentence: str) -> None:
    assert as_sentence(words) == sentence
