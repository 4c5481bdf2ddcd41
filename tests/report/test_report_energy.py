"""Energy from the recorded readings, against a sum by hand: measured from watts, estimated from ampere, else none."""

import json
import re
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from support.recorded_shop import MORNING, SHOP, RecordedShop

from gatehand.cli import main
from gatehand.config import load
from gatehand.report.energy import Energy
from gatehand.report.html_page import page
from gatehand.report.plain_text import energy_notes, energy_rows, text
from gatehand.report.summary import Summary, gather
from gatehand.simshop.collector import CollectorHabits
from gatehand.simshop.sim_shop import Habits
from gatehand.simshop.tool import ToolHabits

CIRCUIT = """
[circuit.wall]
amps = 20
members = ["band_saw", "collector.main"]
voltage = 230
"""
AMPS = 'current = { topic = "shop/band_saw/amps" }\nstart_amps = 2.5'
WATTS = 'power = { topic = "shop/band_saw/watts" }\nstart_watts = 250'
ROUTER = 'current = { topic = "shop/router/amps" }\nstart_amps = 2\n'
CONTACT = 'running = { topic = "shop/router/on", active = "1", clear = "0" }\n'
FAN_AMPS = 'current = { topic = "shop/fan/amps" }'
FAN_WATTS = 'power = { topic = "shop/fan/watts" }'
STEADY = ToolHabits(inrush=None, noise=0.0, every=1.0, idle=0.0)


def shop_with(text: str, fan: str = "") -> str:
    return (text.replace("bin_full =", f"{fan}\nbin_full =") if fan else text) + CIRCUIT


BY_WATTS = shop_with(SHOP.replace(AMPS, WATTS).replace(ROUTER, CONTACT), FAN_WATTS)


def begun(place: Path, text: str, saw: ToolHabits = STEADY, fan_every: float = 1.0) -> RecordedShop:
    fan = CollectorHabits(running=6.0 if FAN_AMPS in text else 1500.0, every=fan_every)
    return RecordedShop(place, text, habits=Habits(tools={"band_saw": saw}, collectors={"main": fan})).begin()


def gathered(shop: RecordedShop, since: datetime | None = None, until: datetime | None = None) -> Summary:
    config = load(shop.config).config
    assert config is not None
    summary, skipped = gather(config, shop.folder, since, until)
    assert skipped == []
    return summary


def whole(energy: Energy) -> float:
    """The kWh of what was measured as a whole."""
    assert energy.measured, energy
    assert energy.kwh is not None
    return energy.kwh[0]


def test_energy_of_a_current_is_hours_times_mean_current_times_voltage(tmp_path: Path) -> None:
    """[calc] 0.1 h at 6 A and 230 V is 0.6 Ah and 0.138 kVAh; the fan, 10 s longer, draws 6 A too."""
    shop = begun(tmp_path, shop_with(SHOP, FAN_AMPS))
    shop.cut("band_saw", 360, amps=6.0, then=60)
    shop.end()
    energy = gathered(shop).energy
    saw = energy["band_saw"]
    assert saw.mean == pytest.approx(6.0, rel=0.01)
    assert saw.kvah == pytest.approx(0.138, rel=0.01)
    assert saw.kwh == pytest.approx((0.069, 0.1242), rel=0.01), "its power factor, 0.5 to 0.9, is not known"
    assert saw.as_json()["ampere_hours"] == pytest.approx(0.6, rel=0.01)
    assert saw.as_json()["kwh"] == {"basis": "estimated", "least": 0.069, "most": 0.124}
    assert energy["collector.main"].kvah == pytest.approx(6.0 * 230 * 370 / 3_600_000, rel=0.05)
    router = energy["router"]
    assert router.as_json()["ampere_hours"] == 0.0
    assert (router.kvah, router.kwh) == (None, None), "no circuit names it"


def test_watts_are_summed_up_as_each_reading_held(tmp_path: Path) -> None:
    """[calc] 0.1 h at 1,000 W and, at rest, 0.2 h at 20 W are 0.104 kWh; the fan, 370 s at 1,500 W, 0.154."""
    shop = begun(tmp_path, BY_WATTS, ToolHabits(inrush=None, noise=0.0, every=1.0, idle=20.0))
    shop.run(240)
    shop.cut("band_saw", 360, amps=1000.0, then=480)
    shop.end()
    energy = gathered(shop).energy
    assert whole(energy["band_saw"]) == pytest.approx(0.104, rel=0.003)
    assert energy["band_saw"].mean == pytest.approx(1000, rel=0.001)
    assert whole(energy["collector.main"]) == pytest.approx(1.5 * 370 / 3600, rel=0.03)
    assert energy["band_saw"].as_json() == {
        "measure": "watts",
        "mean_watts": pytest.approx(1000, rel=0.001),
        "recorded_hours": pytest.approx(0.1, rel=0.001),
        "kwh": {"basis": "measured", "least": pytest.approx(0.104, abs=0.001), "most": pytest.approx(0.104, abs=0.001)},
    }


def test_a_meter_that_speaks_only_on_change_is_summed_up_too(tmp_path: Path) -> None:
    """[calc] 4,500 s at 1,000 W, the saw's two words in two files of the recording; the fan's, 4,510 s at 1,500 W.

    A first word of 36 s makes it known; that cut is not served, as the saw was not seen idle before.
    """
    text = BY_WATTS.replace("start_watts = 250", "start_watts = 250\nsilent_after = 0")
    shop = begun(tmp_path, text, ToolHabits(inrush=None, noise=0.0, every=0.0, idle=0.0), fan_every=0.0)
    shop.cut("band_saw", 36, amps=1000.0, then=60)
    shop.cut("band_saw", 4500, amps=1000.0, then=60)
    shop.end()
    assert len(list(shop.folder.glob("readings-*"))) > 1
    energy = gathered(shop).energy
    assert whole(energy["band_saw"]) == pytest.approx(1.26, rel=0.003)
    fan = 1.5 * 4510 / 3600
    assert whole(energy["collector.main"]) == pytest.approx(fan, rel=0.06), "one word of it, with its noise"


def test_a_reading_holds_no_longer_than_until_silence(tmp_path: Path) -> None:
    """[calc] 60 s of readings at 1,000 W, 30 s (silent_after) that the last one holds, and then nothing for ten min."""
    shop = begun(tmp_path, BY_WATTS)
    saw = shop.shop.tools["band_saw"]
    saw.switch(on=True, at=shop.clocks.now, load=1000.0)
    shop.run(60)
    saw.silence(on=True)
    shop.run(600)
    saw.switch(on=False, at=shop.clocks.now)
    saw.silence(on=False)
    shop.run(60)
    shop.end()
    found = gathered(shop).energy["band_saw"]
    assert found.kwh is not None
    assert found.kwh[0] == pytest.approx(90 / 3600, rel=0.02)


def test_while_the_daemon_was_away_nothing_held(tmp_path: Path) -> None:
    """[calc] 100 s at 1,000 W, a death and a pause of 20 s, and 100 s more: 0.0556 kWh, and the fan's 200 s 0.083."""
    shop = begun(tmp_path, BY_WATTS.replace("start_watts = 250", "start_watts = 250\nsilent_after = 0"), fan_every=0.0)
    shop.shop.tools["band_saw"].switch(on=True, at=shop.clocks.now, load=1000.0)
    shop.run(100)
    shop.close()
    shop.run(20, alive=False)
    shop.begin()
    shop.run(99)
    shop.end()
    found = gathered(shop).energy["band_saw"]
    assert found.kwh is not None
    assert found.kwh[0] == pytest.approx(200 / 3600, rel=0.02)


def test_a_window_counts_only_what_lies_in_it(tmp_path: Path) -> None:
    """[calc] Of 600 s at 1,000 W the first 200 s and the last 100 s are cut off."""
    shop = begun(tmp_path, BY_WATTS)
    shop.run(59)
    shop.cut("band_saw", 600, amps=1000.0, then=60)
    shop.end()
    start = datetime.fromtimestamp(MORNING, UTC)
    found = gathered(shop, start + timedelta(seconds=260), start + timedelta(seconds=560)).energy["band_saw"]
    assert found.kwh is not None
    assert found.kwh[0] == pytest.approx(300 / 3600, rel=0.005)


def test_hours_that_are_not_recorded_are_told_and_widen_the_figure(tmp_path: Path) -> None:
    """[calc] Of two cuts of 0.1 h at 1,000 W the first one's recording is gone: 0.1 to 0.2 kWh."""
    shop = begun(tmp_path, BY_WATTS)
    shop.cut("band_saw", 360, amps=1000.0, then=60)
    shop.end()
    for path in shop.folder.glob("readings-*"):
        path.unlink()
    shop.begin()
    shop.cut("band_saw", 360, amps=1000.0, then=60)
    shop.end()
    summary = gathered(shop)
    found = summary.energy["band_saw"]
    assert found.kwh is not None
    assert list(found.kwh) == [pytest.approx(0.1, rel=0.01), pytest.approx(0.2, rel=0.01)]
    assert found.as_json()["kwh"]["basis"] == "estimated"
    (row,) = (row for row in energy_rows(summary) if row.name == "band_saw")
    assert (row.kwh, row.how) == ("0.10 to 0.20", "measured for 6 min of 12 min")
    assert "What is not recorded counts as nothing at the least" in " ".join(energy_notes(summary))


@pytest.mark.parametrize(("first", "then"), [(AMPS, WATTS), (WATTS, AMPS)])
def test_what_was_read_by_another_sensor_is_no_energy_of_this_one(tmp_path: Path, first: str, then: str) -> None:
    """A tool that had a clamp and has a meter now, or the other way: 6 A are no 6 W, nor 1,000 W 1,000 A."""
    text = shop_with(SHOP)
    shop = begun(tmp_path, text.replace(AMPS, first))
    shop.cut("band_saw", 360, amps=6.0 if first is AMPS else 1000.0, then=60)
    shop.end()
    shop.config.write_text(text.replace(AMPS, then), "utf-8")
    shop = RecordedShop(tmp_path, habits=Habits(tools={"band_saw": STEADY}), wall=MORNING + 3600).begin()
    shop.cut("band_saw", 360, amps=6.0 if then is AMPS else 1000.0, then=60)
    shop.end()
    found = gathered(shop).energy["band_saw"]
    assert found.hours == pytest.approx(0.2, rel=0.01)
    assert found.mean == pytest.approx(6.0 if then is AMPS else 1000.0, rel=0.01)
    assert found.recorded == pytest.approx(0.1, rel=0.01)
    if then is WATTS:
        assert found.kwh is not None
        assert list(found.kwh) == [pytest.approx(0.1, rel=0.01), pytest.approx(0.2, rel=0.01)]


def of_each_kind(place: Path) -> Summary:
    """The saw says watts, the router has a contact, the fan says ampere on a circuit with a voltage."""
    shop = begun(place, shop_with(SHOP.replace(AMPS, WATTS).replace(ROUTER, CONTACT), FAN_AMPS))
    shop.cut("band_saw", 360, amps=1000.0, then=60)
    shop.cut("router", 120, then=60)
    shop.end()
    return gathered(shop)


def test_the_text_says_of_each_what_is_measured_and_what_is_estimated(tmp_path: Path) -> None:
    summary = of_each_kind(tmp_path)
    lines = list(text(summary))
    rows = {row.name: row for row in energy_rows(summary)}
    assert rows["band_saw"][1:] == ("1,000 W", "0.10", "measured")
    assert rows["router"][1:] == ("", "", "not measured")
    fan = rows["collector main"]
    assert fan.mean in {"6.0 A", "6.1 A"}, "with its inrush"
    assert re.fullmatch(r"0\.0\d to 0\.1\d", fan.kwh)
    assert re.fullmatch(r"estimated, 0\.1\d kVAh at 230 V", fan.how)
    assert re.fullmatch(r"0\.1\d to 0\.2\d", rows["in all"].kwh)
    assert rows["in all"].how == "of it 0.10 measured; 1 of 3 not known"
    at = next(number for number, line in enumerate(lines) if line.startswith("energy "))
    assert [line.split()[0] for line in lines[at + 1 : at + 5]] == ["band_saw", "router", "collector", "in"]
    assert all(len(line) <= 80 for line in lines)
    notes = " ".join(energy_notes(summary))
    for words in ("at rest too", "power factor", "0.5 to 0.9", "recorded file"):
        assert words in notes
    assert "What is not recorded" not in notes


def test_a_current_without_a_voltage_says_what_it_wants(tmp_path: Path) -> None:
    shop = begun(tmp_path, SHOP)
    shop.cut("band_saw", 360, amps=6.0, then=60)
    shop.end()
    (row,) = energy_rows(gathered(shop))[:1]
    assert row == ("band_saw", "6.0 A", "", "wants a voltage in a [circuit.NAME]")


def test_json_and_page_have_the_same_facts(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    summary = of_each_kind(tmp_path)
    assert main(["report", "--json", "--config", str(tmp_path / "config.toml")]) == 0
    found = json.loads(capsys.readouterr().out)
    by_tool = {one["tool"]: one["energy"] for one in found["tools"]}
    assert by_tool["band_saw"]["kwh"] == {"basis": "measured", "least": 0.1, "most": 0.1}
    assert by_tool["router"] == {"measure": "running", "kwh": {"basis": "none", "least": None, "most": None}}
    fan = found["collectors"][0]["energy"]
    assert fan["kwh"]["basis"] == "estimated"
    assert fan["kwh"]["least"] == pytest.approx(0.5 * fan["kvah"], abs=0.001)
    drawn = page(summary)
    assert "<h2>Energy</h2>" in drawn
    for row in energy_rows(summary):
        assert f"<td>{row.name.replace('_', ' ')}: {row.how}</td><td>{row.mean}</td><td>{row.kwh}</td>" in drawn
