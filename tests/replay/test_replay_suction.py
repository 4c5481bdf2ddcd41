"""A recorded day with a suction sensor: replayed as it was decided, with it and without it; in `report` and `log`."""

import json
from pathlib import Path

import pytest
from support.recorded_shop import SHOP, RecordedShop

from gatehand.cli import main
from gatehand.recording.recording import Recording, recordings

SENSOR = 'suction = { topic = "shop/fan/inlet", unit = "Pa" }\n'
WATCHED = SHOP.replace("coast_down = 6\n", f"coast_down = 6\n{SENSOR}") + "\n[upkeep.filter]\nevery_hours = 40\n"


def day(folder: Path) -> RecordedShop:
    """Two cuts, a baseline taken in the first, a filter that clogs before the second, which brings the alarm."""
    shop = RecordedShop(folder, WATCHED).begin()
    shop.run(5)
    airway = shop.shop.collectors["main"].airway
    assert airway is not None
    shop.shop.tools["band_saw"].switch(on=True, at=shop.clocks.now)
    shop.run(40)
    assert shop.engine.suctions.take_baseline("main").ok
    shop.cut("band_saw", 20, then=60)
    airway.clog = 2.0
    shop.cut("band_saw", 60, then=60)
    airway.clog = 9.0
    shop.cut("band_saw", 60, then=60)
    shop.cut("router", 20, then=40)
    shop.end()
    return shop


@pytest.fixture(scope="module")
def recorded(tmp_path_factory: pytest.TempPathFactory) -> RecordedShop:
    return day(tmp_path_factory.mktemp("shop"))


def out(capsys: pytest.CaptureFixture[str], *words: str) -> str:
    capsys.readouterr()
    assert main([*words]) == 0
    return capsys.readouterr().out


def test_the_day_is_decided_as_it_was_with_the_sensor_and_without_it(
    recorded: RecordedShop, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    plain = tmp_path / "plain.toml"
    plain.write_text(recorded.config.read_text().replace(SENSOR, ""))
    log = str(recorded.folder)
    found = [
        json.loads(out(capsys, "replay", "--config", str(config), "--log", log, "--json"))
        for config in (recorded.config, plain)
    ]
    assert found[0]["rows"] == found[1]["rows"]
    assert all(row["recorded"] == row["changed"] for row in found[0]["rows"])
    assert found[0]["rows"][0]["recorded"] == 3


def test_it_was_recorded_once_a_second(recorded: RecordedShop) -> None:
    values = [value for one in recordings(recorded.folder) for value in Recording(one.path).suctions("main")[1]]
    assert len(values) > 300
    assert max(values) > 1_500_000
    assert min(values) == 0


def test_the_log_tells_what_was_measured_and_what_was_wrong(
    recorded: RecordedShop, capsys: pytest.CaptureFixture[str]
) -> None:
    shown = " ".join(out(capsys, "log", "--config", str(recorded.config)).split())
    assert "its suction with gate band saw open is 2,0" in shown
    assert "the baseline from now on" in shown
    assert "alarm suction low: With band saw open the suction at collector main is" in shown
    assert "alarm over for collector: suction low: the collector is off" in shown
    assert "against a baseline of 2,0" in shown


def test_report_tells_the_filter_by_what_was_measured_last(
    recorded: RecordedShop, capsys: pytest.CaptureFixture[str]
) -> None:
    shown = " ".join(out(capsys, "report", "--config", str(recorded.config)).split())
    assert "filter suction with band saw open has fallen" in shown
    assert (
        "since the baseline of 2026-03-05 (clean the filter at 30 %: common practice, no published source): due"
        in shown
    )
