"""The collector, the daemon or the clock stood between a cut and its start: the sentence is read."""

from collections.abc import Callable

import pytest
from support.recorded_shop import SHOP, RecordedShop

from gatehand.simshop.collector import CollectorHabits
from why.why_support import now, why


def test_a_collector_that_did_not_answer_is_named(
    make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]
) -> None:
    shop = make()
    shop.shop.commands["shop/fan/set"] = lambda _payload, _at: None  # the switch has lost its power
    shop.cut("band_saw", 30, amps=6, then=30)
    found = why(shop, capsys, "band_saw", "--at", now(shop)[:16])
    assert found["case"] == "no_answer"
    switched = "the collector was switched on at 08:00:31, but that was not confirmed: its switch last reported off, "
    assert f"{switched}36 s before" in found["verdict"]
    assert "breaker" in found["next_step"]
    assert "look at command in [collector.main]: it is told '1' on shop/fan/set." in found["next_step"]


@pytest.mark.parametrize("subject", ["band_saw", "main"])
def test_a_switch_whose_word_is_another_is_told_with_its_word(
    make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str], subject: str
) -> None:
    shop = make()
    shop.shop.commands["shop/fan/set"] = lambda _payload, _at: shop.say("shop/fan/state", "ON")
    shop.cut("band_saw", 30, amps=6, then=1)
    found = why(shop, capsys, subject)
    assert found["case"] == "no_answer"
    said = "on shop/fan/state it said 'ON' at 08:00:31, which could not be used: found another word, want '1' or '0'"
    assert said in found["verdict"]
    assert found["next_step"].startswith("Look at what is published there, and at [collector.main] state: topic")


def test_a_motor_that_draws_nothing_is_told_from_a_switch_that_says_off(
    make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]
) -> None:
    text = SHOP.replace("bin_full =", 'current = { topic = "shop/fan/amps" }\nbin_full =')
    shop = make(text, collectors={"main": CollectorHabits(running=0.0)})
    shop.cut("band_saw", 30, amps=6, then=30)
    found = why(shop, capsys, "band_saw")
    assert found["case"] == "no_answer"
    assert "that was not confirmed: its switch reports on; its motor draws nothing (0 A). It" in found["verdict"]
    step = "Lock it out, then look at its overload, its breaker and its thermal trip."
    assert found["next_step"] == step, "its switch has heard its command"
    assert why(shop, capsys, "main")["next_step"] == step


def test_a_daemon_that_was_stopped_is_named(
    make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]
) -> None:
    shop = make()
    shop.end("asked to")
    shop.run(60, alive=False)
    asked = now(shop)
    shop.shop.tools["band_saw"].switch(on=True, at=shop.clocks.now, load=6)
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


def test_a_start_of_the_run_before_is_none_of_a_refusal_after_a_restart(
    make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]
) -> None:
    shop = make()
    shop.shop.tools["band_saw"].switch(on=True, at=shop.clocks.now, load=6)
    shop.run(10)
    shop.close()
    shop.run(5, alive=False)
    shop.begin()
    shop.run(10)
    found = why(shop, capsys, "band_saw")
    assert found["case"] == "already_on", "the fan was left on, and stayed on for it"
    (at,) = [one["ts"][11:19] for one in found["story"] if one["text"].startswith("start refused")]
    assert found["at"][11:19] == at


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
    assert "may be that much off in the log" in note
