"""What the daemon has said is written on the page: each state of collector, gates and tools, in the config's order."""

import re
import time
from datetime import datetime, timedelta
from itertools import pairwise
from typing import Literal

import pytest
from moments import MOMENTS, Stage
from page_boxes import measured
from page_shop import SHOP, RunningPage
from playwright.sync_api import expect
from support.mosquitto import Mosquitto
from support.page_sample import sampled
from support.ports import free_port

pytestmark = pytest.mark.broker
SCHEMES: tuple[Literal["light", "dark"], ...] = ("light", "dark")
STATIONS = ["band_saw", "planing", "router", "sweep"]


def test_each_state_is_written_in_words_holds_and_can_be_read(stage: Stage) -> None:
    """In both schemes of colours, at a sample of the moments each time."""
    stage.at(MOMENTS["rest"])
    seen = stage.looks()
    measured_at = sampled(MOMENTS, 3, always=("fault", "hand start"))
    for name, moment in MOMENTS.items():
        shop = stage.at(moment)
        assert {what: shop.said(what)["state"] for what in moment.states} == moment.states, name
        for what, word in moment.states.items():
            seen.shows(shop.part_of(what), word.replace("_", "-"))
        assert set(moment.alarms) <= set(shop.alarms), name
        expect(seen.alarms, name).to_have_count(len(shop.alarms))
        assert sorted(seen.alarm_ids()) == sorted(shop.alarms), name
        for scheme in SCHEMES if name in measured_at else ():
            seen.page.emulate_media(color_scheme=scheme)
            found = measured(seen.page)
            assert found.texts
            assert found.found["dark"] is (scheme == "dark")
            assert not found.faults_of_contrast(), (name, scheme)
            assert not found.faults_of_layout(), name
    expect(seen.reached).to_contain_text("is running")


def test_stations_come_in_the_order_of_the_config(stage: Stage) -> None:
    stage.at(MOMENTS["rest"])
    seen = stage.looks()
    seen.shows("station:sweep", "shut")
    assert seen.stations() == STATIONS
    tile = seen.words("station:planing").lower()
    assert tile.index("jointer") < tile.index("drum sander")


def test_what_a_part_has_in_words_is_on_the_screen(stage: Stage) -> None:
    stage.at(MOMENTS["run-on"])
    seen = stage.looks()
    seen.shows("collector:main", "run-on")
    parts = stage.served.parts()
    collector, tile = parts["collector:main"], parts["station:band_saw"]
    wanted = [(key, text) for key in ("collector:main",) for text in (collector["word"], *collector["facts"])]
    wanted += [("station:band_saw", text) for text in (tile["title"], tile["word"], tile["note"])]
    for tool in tile["tools"]:
        wanted += [("station:band_saw", text) for text in (tool["title"], tool["word"], tool["reading"])]
    assert wanted
    for key, text in wanted:
        assert text.lower() in seen.words(key).lower(), (key, text)


def test_time_left_is_counted_down_by_the_page_itself(stage: Stage, broker: Mosquitto) -> None:
    stage.at(MOMENTS["hand start"])
    (stage.folder / "config.toml").write_text(f"[broker]\nport = {broker.port}\n{SHOP}")
    with RunningPage(stage.folder) as served:  # one that finds the shop as it is, and measures no difference of clocks
        seen = stage.phone(served.url, clock=True)
        seen.shows("collector:main", "running")
        seen.expects("ERR_")  # the page ends before the phone does
        seen.page.clock.pause_at(time.time() + 1)
        samples = [seen.counted("collector:main")]
        for _ in range(3):
            seen.page.clock.run_for(1000)
            samples.append(seen.counted("collector:main"))
    assert 270 < samples[0][1] <= 300  # the sweep's hand_limit is 5 min
    for (earlier, more), (later, less) in pairwise(samples):
        assert more - less == pytest.approx(later - earlier, abs=1)  # each is rounded up to a second
        assert less < more


def test_a_phone_in_another_zone_tells_times_as_the_shops_computer_does(stage: Stage, broker: Mosquitto) -> None:
    stage.at(MOMENTS["rest"])
    (stage.folder / "config.toml").write_text(f"[broker]\nport = {broker.port}\n{SHOP}")
    here = datetime.now().astimezone().utcoffset() == timedelta(hours=-5)
    with RunningPage(stage.folder) as served:
        seen = stage.phone(served.url, zone="Etc/GMT+8" if here else "Etc/GMT+5")
        seen.expects("ERR_")
        seen.shows("station:sweep", "shut")
        expect(seen.page.locator("#note")).to_contain_text("Times here are by the shop's computer")
    expect(seen.page.locator("#asof")).to_contain_text("Everything below is from that time.")
    found = re.search(r"As of (\d+):(\d+):(\d+)\.", seen.page.locator("#asof").inner_text())
    assert found is not None
    hours, minutes, seconds = map(int, found.groups())
    now = datetime.now().astimezone()
    ago = (now - now.replace(hour=hours, minute=minutes, second=seconds)).total_seconds() % 86_400
    assert ago < 1800, "not by the clock of this computer"


def test_of_a_shop_that_was_never_heard_nothing_is_said(stage: Stage) -> None:
    (stage.folder / "config.toml").write_text(f"[broker]\nport = {free_port()}\n{SHOP}")
    with RunningPage(stage.folder) as served:
        seen = stage.phone(served.url)
        expect(seen.reached).to_contain_text("LOST: no connection to the broker at")
        expect(seen.page.locator("#calm")).to_be_hidden()
        expect(seen.page.locator("#asof")).to_be_hidden()
        seen.expects("ERR_")
    expect(seen.reached).to_contain_text("no word from the page's server")
    expect(seen.page.locator("#calm")).to_be_hidden()
    expect(seen.page.locator("#asof")).to_be_hidden()


def test_alarm_comes_on_top_with_what_to_do_next_is_announced_and_goes(stage: Stage) -> None:
    shop = stage.at(MOMENTS["rest"])
    seen = stage.looks()
    seen.shows("station:sweep", "shut")
    expect(seen.alarms).to_have_count(0)
    stage.at(MOMENTS["fault"], shop=shop)
    following = str(shop.said("alarm/gate.band_saw.fault")["next"])
    expect(seen.part("alarms")).to_contain_text(following.replace("`", ""))
    assert "`gatehand exercise band_saw`" in following
    expect(seen.alarms.locator("code").first).to_have_text("gatehand exercise band_saw")
    expect(seen.page.locator("#calm")).to_have_text(f"{len(shop.alarms)} active alarms.")  # wherever one is
    assert sorted(seen.alarm_ids()) == sorted(shop.alarms)
    boxes = dict(measured(seen.page).parts)
    below = [key for key in boxes if key not in {"alarms", "shop", "reached"}]
    assert below
    assert all(boxes["alarms"][3] <= boxes[key][1] for key in below), "the alarms are not on top"
    spoken = seen.page.locator("[role=alert], [aria-live=assertive]")
    expect(spoken.filter(has_text=re.compile("band saw", re.IGNORECASE))).not_to_have_count(0)
    stage.broadcast.say("gatehand/alarm/gate.band_saw.fault", b"")
    stage.broadcast.say("gatehand/alarm/tool.band_saw.not_served", b"")
    expect(seen.alarms).to_have_count(0)
    expect(seen.page.locator("#calm")).to_have_text("No active alarms.")
    expect(seen.part("alarms")).not_to_contain_text(re.compile("band saw", re.IGNORECASE))


def test_changed_config_changes_the_page_without_a_restart(stage: Stage, broker: Mosquitto) -> None:
    head = f"[broker]\nport = {broker.port}\n"
    config = stage.folder / "config.toml"
    config.write_text(head + SHOP)
    stage.at(MOMENTS["rest"])
    with RunningPage(stage.folder) as served:
        seen = stage.phone(served.url)
        seen.expects("ERR_")  # the page ends before the phone does
        seen.shows("station:sweep", "shut")
        assert seen.stations() == STATIONS
        gates = re.split(r"(?=^\[gate\.)", SHOP.partition("[tool")[0], flags=re.MULTILINE)
        turned = gates[0] + "".join(reversed(gates[1:])) + "[tool" + SHOP.partition("[tool")[2]
        config.write_text(head + turned)
        seen.page.wait_for_function(
            "want => JSON.stringify([...document.querySelectorAll('[data-part^=\"station:\"]')].map("
            "each => each.dataset.part.slice(8))) === JSON.stringify(want)",
            arg=STATIONS[::-1],
        )
        config.write_text(head + "[gate\n")  # what cannot be read changes nothing
        config.write_text(head + SHOP)
        seen.page.wait_for_function(
            "() => document.querySelector('[data-part^=\"station:\"]').dataset.part.endsWith('band_saw')"
        )
        assert seen.stations() == STATIONS
