"""A tool that says it runs by watts or by a contact: the same questions, in its own words, with its own settings."""

from collections.abc import Callable
from pathlib import Path

import pytest
from support.recorded_shop import SHOP, RecordedShop

from gatehand.simshop.collector import CollectorHabits
from gatehand.simshop.sim_shop import Habits
from gatehand.simshop.tool import ToolHabits
from why.why_support import SOFT, now, why

SAW = 'current = { topic = "shop/band_saw/amps" }\nstart_amps = 2.5'
ROUTER = 'current = { topic = "shop/router/amps" }\nstart_amps = 2\n'
WATTS = 'power = { topic = "shop/band_saw/meter", pointer = "/power" }\nstart_watts = 140'
CONTACT = 'running = { topic = "shop/router/on", active = "ON", clear = "OFF" }\n'
MIXED = SHOP.replace(SAW, WATTS).replace(ROUTER, CONTACT)
SLOW = MIXED.replace(CONTACT, f"{CONTACT}start_after = 2\n")
ON_CHANGE = {"band_saw": SOFT["band_saw"], "router": ToolHabits()}

Make = Callable[..., RecordedShop]


def begun(place: Path, text: str = MIXED, router: ToolHabits | None = None) -> RecordedShop:
    """A shop at rest, its router's contact speaking on change alone."""
    tools = {**SOFT, "router": router or ToolHabits()}
    shop = RecordedShop(place, text, habits=Habits(tools=tools)).begin()
    shop.run(30)
    return shop


@pytest.mark.parametrize(("watts", "lower"), [(118.0, ""), (90.0, " (and stop_watts at 90 W or lower)")])
def test_under_its_start_watts_the_highest_that_would_have_started_it_is_named(
    make: Make, capsys: pytest.CaptureFixture[str], watts: float, lower: str
) -> None:
    shop = make(MIXED)
    shop.cut("band_saw", 20, amps=watts, then=30)
    found = why(shop, capsys, "band_saw")
    assert found["case"] == "under_threshold"
    assert f"drew {watts:g} W at most" in found["verdict"]
    assert f"{140 - watts:g} W below its start_watts of 140 W" in found["verdict"]
    assert found["would_have_started"] == {"start_watts": watts}
    assert found["trials"][0].startswith(f"start_watts = {watts:g} would have started it{lower}; it is the highest")


def test_the_watts_that_would_have_caught_it_are_exact(make: Make, capsys: pytest.CaptureFixture[str]) -> None:
    shop = make(MIXED)
    shop.shop.tools["band_saw"].switch(on=True, at=shop.clocks.now, load=112)
    shop.run(5)
    shop.shop.tools["band_saw"].spike(shop.clocks.now, 118.43)
    shop.run(5)
    shop.shop.tools["band_saw"].switch(on=False, at=shop.clocks.now)
    shop.run(30)
    assert why(shop, capsys, "band_saw")["would_have_started"] == {"start_watts": 118.43}


def test_what_was_missed_before_the_sensor_was_another_one_is_told_as_it_was_then(
    make: Make, capsys: pytest.CaptureFixture[str]
) -> None:
    shop = make()
    shop.cut("band_saw", 20, amps=2.2, then=30)
    shop.end()
    shop.config.write_text(MIXED, "utf-8")
    found = why(shop, capsys, "band_saw")
    assert "0.3 A below its start_amps of 2.5 A" in found["verdict"]
    assert found["would_have_started"] == {"start_amps": 2.2}
    assert "start_amps = 2.2 would have started it" in found["trials"][0]


@pytest.mark.parametrize("before", [30, 600])
def test_a_contact_closed_for_less_than_start_after_names_the_longest_that_would_have_started_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], before: float
) -> None:
    """Also where its last word before is long past (beyond what is replayed), for it speaks on change only."""
    shop = begun(tmp_path, SLOW)
    shop.run(before)
    shop.cut("router", 1.2, then=30)
    found = why(shop, capsys, "router")
    assert found["case"] == "too_short"
    assert "according to its contact, router ran at" in found["verdict"]
    assert "for 1.2 s at the longest; its start_after wants 2 s" in found["verdict"]
    assert found["would_have_started"] == {"start_after": 1.2}
    assert found["trials"][0].startswith("start_after = 1.2 would have started it; it is the longest that would")
    recorded = "1 min" if before == 30 else "11 min"
    assert f"Elsewhere, in the {recorded} recorded around it" in found["trials"][0], "not from word to word"


def test_a_word_that_the_contact_does_not_know_is_named_with_its_table(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shop = begun(tmp_path)
    shop.say("shop/router/on", "run")
    shop.run(20)
    found = why(shop, capsys, "router")
    assert found["case"] == "rejected"
    assert (
        "on shop/router/on it said 'run': found another word, want 'ON' or 'OFF'; what cannot be read"
        in found["verdict"]
    )
    assert (
        found["next_step"]
        == "Look at what the sensor publishes, and at [tool.router] running: topic, pointer, active, clear."
    )


def test_a_meters_payload_that_is_none_is_named_with_its_key(make: Make, capsys: pytest.CaptureFixture[str]) -> None:
    shop = make(MIXED)
    shop.say("shop/band_saw/meter", '{"power": "six"}')
    shop.run(20)
    found = why(shop, capsys, "band_saw")
    assert "[tool.band_saw] power: topic, pointer, scale" in found["next_step"]


def test_a_contacts_kept_word_starts_nothing_and_is_well(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    shop = begun(tmp_path)
    shop.say("shop/router/on", "ON", retained=True)
    shop.run(20)
    found = why(shop, capsys, "router")
    assert found["case"] == "retained"
    assert "(its contact says running) was one that the broker had kept" in found["verdict"]
    assert "The next live word counts." in found["next_step"]
    assert "retain flag" not in found["next_step"]


def test_a_contacts_start_that_nothing_bore_out_says_what_would(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shop = begun(tmp_path)
    shop.lose_broker()
    shop.run(2)
    shop.connect()
    shop.say("shop/router/on", "ON")
    shop.run(0.5)
    shop.say("shop/router/on", "OFF")
    shop.run(5)
    found = why(shop, capsys, "router")
    assert found["case"] == "not_confirmed"
    assert "according to its contact, router ran at" in found["verdict"]
    assert "for 0.5 s; but its contact or the broker had been silent before" in found["verdict"]
    assert "Have the device of router report its state" in found["next_step"]


def test_a_contact_that_never_spoke_leaves_its_tool_unknown(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    shop = begun(tmp_path, router=ToolHabits(retains=False))
    found = why(shop, capsys, "router", "--at", now(shop))
    assert found["case"] == "unknown"
    assert found["verdict"] == (
        "since Gatehand started, the contact of router has not been heard: it starts nothing until it has said once "
        "that router has stopped"
    )


def test_a_meter_between_its_thresholds_since_the_start_leaves_its_tool_unknown(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    saw = ToolHabits(inrush=None, noise=0.0, every=1.0, idle=120.0)
    shop = RecordedShop(tmp_path, MIXED, habits=Habits(tools={"band_saw": saw})).begin()
    shop.run(30)
    found = why(shop, capsys, "band_saw", "--at", now(shop))
    assert found["case"] == "unknown"
    assert "until it has been seen below its stop_watts of 98 W" in found["verdict"]


def test_a_contact_that_was_not_asked_to_do_anything_says_what_held(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shop = begun(tmp_path)
    shop.cut("router", 20, then=3600)
    found = why(shop, capsys, "router", "--at", now(shop))
    assert found["case"] == "nothing_in_the_log"
    assert "the sensor of router speaks only on change and was silent around 09:00:51" in found["verdict"]
    assert "still held (its contact says stopped): as far as it says, router did not run" in found["verdict"]


def test_a_contact_that_repeats_that_it_stands_did_not_run(make: Make, capsys: pytest.CaptureFixture[str]) -> None:
    shop = make(MIXED)
    shop.run(200)
    asked = now(shop)
    shop.run(200)
    found = why(shop, capsys, "router", "--at", asked)
    assert found["case"] == "nothing_in_the_log"
    assert "according to its contact, router was not running around 08:03:51" in found["verdict"]
    assert "its words active and clear are exchanged" in found["next_step"]
    saw = why(shop, capsys, "band_saw", "--at", asked)
    assert saw["case"] == "under_threshold"
    assert "it counts as running from its start_watts of 140 W on" in saw["verdict"]


def test_a_cut_that_was_served_says_what_it_drew_where_that_is_known(
    make: Make, capsys: pytest.CaptureFixture[str]
) -> None:
    shop = make(MIXED)
    asked = now(shop)
    shop.cut("band_saw", 20, amps=900, then=60)
    assert (
        "started at 08:00:31 (900 W, at or above its start_watts of 140 W); the collector"
        in why(shop, capsys, "band_saw", "--at", asked)["verdict"]
    )
    asked = now(shop)
    shop.cut("router", 20, then=60)
    assert (
        "router started at 08:01:51 (its contact says running); the collector was switched on"
        in (why(shop, capsys, "router", "--at", asked)["verdict"])
    )


def test_a_contact_that_is_muted_waits_for_its_word(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = MIXED.replace(
        "[gate.router]\n", '[gate.router]\nbutton = { topic = "shop/gate/router/button", pressed = "1" }\n'
    )
    shop = begun(tmp_path, text)
    shop.shop.tools["router"].switch(on=True, at=shop.clocks.now)
    shop.run(10)
    shop.say("shop/gate/router/button", "1")
    shop.run(20)
    found = why(shop, capsys, "router", "--at", now(shop))
    assert found["case"] == "muted"
    assert "the tool is ignored until its contact says that it has stopped" in found["verdict"]


def test_a_contact_closed_already_at_the_daemons_start_is_not_fresh(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shop = begun(tmp_path, router=ToolHabits(retains=False))
    shop.end()
    shop.shop.tools["router"].switch(on=True, at=shop.clocks.now)
    shop.run(2, alive=False)
    shop.begin()
    shop.say("shop/router/on", "ON")
    shop.run(10)
    found = why(shop, capsys, "router")
    assert found["case"] == "not_fresh"
    assert (
        "already running when first seen, so it got no air: its first word since Gatehand's start" in found["verdict"]
    )
    assert "add poll = { topic = ..., payload = ... } to [tool.router] running" in found["next_step"]


@pytest.mark.parametrize(
    ("sensor", "says"),
    [
        ('power = { topic = "shop/fan/w" }', "its switch reports on; its motor draws nothing (0 W). It"),
        (
            'running = { topic = "shop/fan/air", active = "1", clear = "0" }',
            "its switch reports on; its motor's contact says stopped. It",
        ),
    ],
)
def test_a_motor_that_stands_is_told_by_what_sees_it(
    make: Make, capsys: pytest.CaptureFixture[str], sensor: str, says: str
) -> None:
    text = MIXED.replace("bin_full =", f"{sensor}\nbin_full =")
    shop = make(text, collectors={"main": CollectorHabits(reports_contact=False)})
    shop.shop.collectors["main"].trip(shop.clocks.now)
    asked = now(shop)
    shop.cut("band_saw", 30, amps=900, then=5)
    found = why(shop, capsys, "band_saw", "--at", asked)
    assert found["case"] == "no_answer"
    assert says in found["verdict"]
