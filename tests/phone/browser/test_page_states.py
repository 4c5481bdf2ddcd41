"""What the daemon has said is written on the page: each state of collector, gates and tools, in the config's order."""

import re
import time

import pytest
from moments import MOMENTS, Moment, Stage
from page_shop import SHOP, RunningPage
from playwright.sync_api import expect
from support.mosquitto import Mosquitto

pytestmark = pytest.mark.broker
STATIONS = ["band_saw", "planing", "router", "sweep"]


@pytest.mark.parametrize("moment", MOMENTS.values(), ids=MOMENTS)
def test_each_state_is_written_in_words(stage: Stage, moment: Moment) -> None:
    shop = stage.at(moment)
    assert {what: shop.said(what)["state"] for what in moment.states} == moment.states
    seen = stage.looks()
    expect(seen.reached).to_contain_text(re.compile("running", re.IGNORECASE))
    for what, word in moment.states.items():
        seen.shows(shop.part_of(what), word.replace("_", "-"))
    assert [each for each in shop.alarms if each not in seen.alarm_ids()] == []
    assert set(moment.alarms) <= set(shop.alarms)


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
        seen.page.clock.pause_at(time.time() + 1)
        left = [seen.seconds_left("collector:main")]
        for _ in range(2):
            seen.page.clock.run_for(1000)
            left.append(seen.seconds_left("collector:main"))
    assert 270 < left[0] <= 300  # the sweep's hand_limit is 5 min
    assert [left[0] - each for each in left] == [0, 1, 2]


def test_alarm_comes_on_top_with_what_to_do_next_is_announced_and_goes(stage: Stage) -> None:
    shop = stage.at(MOMENTS["rest"])
    seen = stage.looks()
    seen.shows("station:sweep", "shut")
    expect(seen.alarms).to_have_count(0)
    stage.at(MOMENTS["fault"], shop=shop)
    seen.shows("alarms", str(shop.said("alarm/gate.band_saw.fault")["next"]))
    assert sorted(seen.alarm_ids()) == sorted(shop.alarms)
    first = seen.page.locator("[data-part]:visible").first
    assert first.get_attribute("data-part") in {"reached", "alarms"}
    top = seen.part("alarms").bounding_box()
    tile = seen.part("collector:main").bounding_box()
    assert top is not None
    assert tile is not None
    assert top["y"] < tile["y"]
    spoken = seen.page.locator("[role=alert], [aria-live=assertive]")
    expect(spoken.filter(has_text=re.compile("band saw", re.IGNORECASE))).not_to_have_count(0)
    stage.broadcast.say("gatehand/alarm/gate.band_saw.fault", b"")
    stage.broadcast.say("gatehand/alarm/tool.band_saw.not_served", b"")
    expect(seen.alarms).to_have_count(0)
    expect(seen.part("alarms")).not_to_contain_text(re.compile("band saw", re.IGNORECASE))


def test_changed_config_changes_the_page_without_a_restart(stage: Stage, broker: Mosquitto) -> None:
    head = f"[broker]\nport = {broker.port}\n"
    config = stage.folder / "config.toml"
    config.write_text(head + SHOP)
    stage.at(MOMENTS["rest"])
    with RunningPage(stage.folder) as served:
        seen = stage.phone(served.url)
        seen.shows("station:sweep", "shut")
        assert seen.stations() == STATIONS
        gates = re.split(r"(?=^\[gate\.)", SHOP.partition("[tool")[0], flags=re.MULTILINE)
        turned = gates[0] + "".join(reversed(gates[1:])) + "[tool" + SHOP.partition("[tool")[2]
        config.write_text(head + turned)
        seen.page.wait_for_function(
            "want => JSON.stringify([...document.querySelectorAll('[data-part^=\"station:\"]:not(button)')].map("
            "each => each.dataset.part.slice(8))) === JSON.stringify(want)",
            arg=STATIONS[::-1],
        )
        config.write_text(head + "[gate\n")  # what cannot be read changes nothing
        config.write_text(head + SHOP)
        seen.page.wait_for_function(
            "() => document.querySelector('[data-part^=\"station:\"]:not(button)').dataset.part.endsWith('band_saw')"
        )
        assert seen.stations() == STATIONS
