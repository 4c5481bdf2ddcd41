"""A sensor, a threshold or the broker stood between a cut and its start: the sentence is read."""

from collections.abc import Callable

import pytest
from support.recorded_shop import SHOP, RecordedShop

from gatehand_rules.events import MessageRejected
from why.why_support import now, why


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
    shop.shop.tools["band_saw"].switch(on=True, at=shop.clocks.now, load=2.2)
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
    assert "by 08:01:00 the sensor of band saw had sent no reading for 30 s, its silent_after; " in found["verdict"]
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


def test_a_start_that_nothing_bore_out_after_a_silence_says_so(
    make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]
) -> None:
    """The broker was away; back, the saw says 6 A once, and then that it stands."""
    shop = make()
    shop.shop.tools["band_saw"].silence(on=True)
    shop.lose_broker()
    shop.run(2)
    shop.connect()
    shop.say("shop/band_saw/amps", "6")
    shop.run(0.5)
    shop.say("shop/band_saw/amps", "0")
    shop.run(5)
    found = why(shop, capsys, "band_saw")
    assert found["case"] == "not_confirmed"
    assert "band saw drew 6 A" in found["verdict"]
    assert "no second reading a second later" in found["verdict"]


def test_a_reading_that_was_held_back_is_named_with_its_age(
    make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]
) -> None:
    shop = make()
    shop.engine.handle(MessageRejected("tool", "band_saw", "current: it is 15 s old, want at most 5 s", old=True))
    shop.run(2)
    found = why(shop, capsys, "band_saw")
    assert found["case"] == "too_old"
    assert "it is 15 s old" in found["verdict"]
