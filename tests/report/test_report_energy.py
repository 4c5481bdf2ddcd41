"""Energy from the recorded currents, against a sum by hand."""

from pathlib import Path

import pytest
from support.recorded_shop import SHOP, RecordedShop

from gatehand.config import load
from gatehand.report.summary import gather
from gatehand.simshop.collector import CollectorHabits
from gatehand.simshop.sim_shop import Habits
from gatehand.simshop.tool import ToolHabits

CIRCUIT = """
[circuit.wall]
amps = 20
members = ["band_saw", "collector.main"]
voltage = 230
"""


def test_energy_is_hours_times_mean_current_times_voltage(tmp_path: Path) -> None:
    """[calc] 0.1 h at 6 A and 230 V is 0.6 Ah and 0.138 kVAh; the fan, 20 s longer, draws 6 A too."""
    text = SHOP.replace("bin_full =", 'current = { topic = "shop/fan/amps" }\nbin_full =') + CIRCUIT
    habits = Habits(
        tools={"band_saw": ToolHabits(inrush=None, noise=0.0, every=1.0)},
        collectors={"main": CollectorHabits(running=6.0)},
    )
    shop = RecordedShop(tmp_path, text, habits=habits).begin()
    shop.cut("band_saw", 360, amps=6.0, then=60)
    shop.end()
    config = load(shop.config).config
    assert config is not None
    summary, skipped = gather(config, shop.folder)
    assert skipped == []
    saw = summary.energy["band_saw"]
    assert saw.mean_amps == pytest.approx(6.0, rel=0.01)
    assert saw.ampere_hours == pytest.approx(0.6, rel=0.01)
    assert saw.kvah == pytest.approx(0.138, rel=0.01)
    fan = summary.energy["collector.main"]
    assert fan.kvah == pytest.approx(6.0 * 230 * 370 / 3_600_000, rel=0.05)
    router = summary.energy["router"]
    assert router.ampere_hours == 0.0
    assert router.kvah is None, "no circuit names it"
