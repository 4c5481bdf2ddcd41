"""A stop, a hold, a full bin, a limit or a hand stood between a cut and its start: the sentence is read."""

from collections.abc import Callable

import pytest
from support.recorded_shop import SHOP, RecordedShop

from why.why_support import now, why


def test_a_stop_contact_is_named(make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]) -> None:
    shop = make()
    shop.say("shop/estop", "1")
    shop.run(5)
    shop.cut("band_saw", 20, amps=6, then=30)
    found = why(shop, capsys, "band_saw")
    assert found["case"] == "stop_contact"
    assert "because the collector had been on hold by stop contact emergency since 08:00:31" in found["verdict"]
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
    assert "because the collector had been on hold (filter change) since 08:00:31" in found["verdict"]


def test_a_full_bin_is_named_and_warn_would_have_started_it(
    make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]
) -> None:
    shop = make()
    shop.say("shop/bin/full", "1")
    shop.run(5)
    shop.cut("band_saw", 20, amps=6, then=30)
    found = why(shop, capsys, "band_saw")
    assert found["case"] == "bin_full"
    said = 'because the bin had been full since 08:00:31, and with on_bin_full = "refuse" nothing starts then'
    assert said in found["verdict"]
    assert found["would_have_started"] == {"on_bin_full": "warn"}


def test_not_fresh_after_a_reset(make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]) -> None:
    shop = make()
    shop.shop.tools["band_saw"].switch(on=True, at=shop.clocks.now, load=6)
    shop.run(10)
    shop.say("shop/estop", "1")
    shop.run(5)
    shop.say("shop/estop", "0")
    shop.say("gatehand/collector/main/reset", "1")
    shop.run(20)
    found = why(shop, capsys, "band_saw")
    assert found["case"] == "not_fresh"
    assert "was already running (6 A) when the hold was reset at 08:00:46, so it got no air" in found["verdict"]
    assert "Switch the band saw off and on again" in found["next_step"]


def test_not_fresh_after_a_start_of_the_daemon(
    make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]
) -> None:
    shop = make()
    shop.end()
    shop.shop.tools["band_saw"].switch(on=True, at=shop.clocks.now, load=6)
    shop.run(10, alive=False)
    shop.begin()
    shop.run(20)
    found = why(shop, capsys, "band_saw")
    assert found["case"] == "not_fresh"
    assert (
        "was already running when first seen, so it got no air: its first word since Gatehand's start, at 08:00:"
        in found["verdict"]
    )
    assert "said so (6 A)" in found["verdict"]
    assert found["next_step"] == "Switch the band saw off and on again. No setting changes this."


@pytest.mark.parametrize("asked", [False, True])
def test_a_first_cut_unseen_by_a_meter_on_change_names_the_poll_that_would_have_told(
    make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str], asked: bool
) -> None:
    poll = ', poll = { topic = "shop/band_saw/get", payload = "?" }' if asked else ""
    heard = 'current = { topic = "shop/band_saw/amps"'
    assert heard in SHOP
    shop = make(SHOP.replace(heard, f"silent_after = 0\n{heard}{poll}"))
    shop.end()
    shop.shop.tools["band_saw"].switch(on=True, at=shop.clocks.now, load=6)
    shop.run(10, alive=False)
    shop.begin()
    shop.run(20)
    found = why(shop, capsys, "band_saw")
    assert found["case"] == "not_fresh"
    assert ("add poll =" in found["next_step"]) is not asked
    assert ("have the device retain its word" in found["next_step"]) is not asked


def test_max_open_names_who_had_the_gates(
    make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]
) -> None:
    shop = make(SHOP.replace("coast_down = 6", "coast_down = 6\nmax_open = 1"))
    shop.shop.tools["router"].switch(on=True, at=shop.clocks.now, load=6)
    shop.run(10)
    shop.cut("band_saw", 20, amps=6, then=30)
    found = why(shop, capsys, "band_saw")
    assert found["case"] == "max_open"
    assert "because router had the air, and no more gates than max_open = 1 may be open at once" in found["verdict"]
    assert found["would_have_started"] == {"max_open": 2}


def test_muted_by_hand_says_when_and_until_when(
    make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]
) -> None:
    shop = make()
    shop.shop.tools["band_saw"].switch(on=True, at=shop.clocks.now, load=6)
    shop.run(10)
    shop.say("shop/gate/band_saw/button", "1")
    shop.run(20)
    asked = now(shop)
    shop.run(60)
    found = why(shop, capsys, "band_saw", "--at", asked)
    assert found["case"] == "muted"
    assert found["verdict"] == (
        "you pressed its gate's button at 08:00:41, while band saw ran: the tool is ignored until it stops "
        "(falls below its "
        "stop_amps of 1.75 A)"
    )


def test_muted_by_its_run_limit_is_another_case(
    make: Callable[..., RecordedShop], capsys: pytest.CaptureFixture[str]
) -> None:
    shop = make(SHOP.replace("start_amps = 2.5", "start_amps = 2.5\nrun_limit = 60"))
    shop.shop.tools["band_saw"].switch(on=True, at=shop.clocks.now, load=6)
    shop.run(80)
    found = why(shop, capsys, "band_saw", "--at", now(shop))
    assert found["case"] == "run_limit"
    assert "taken for a stuck sensor" in found["verdict"]
