"""Times in these tests are UTC, and a shop at rest is a fixture."""

import sys
import time
from collections.abc import Callable, Mapping
from pathlib import Path

import pytest
from support.recorded_shop import SHOP, RecordedShop

from gatehand.simshop.collector import CollectorHabits
from gatehand.simshop.gate import GateHabits
from gatehand.simshop.sim_shop import Habits
from why.why_support import SOFT

sys.path.insert(0, str(Path(__file__).parents[1] / "sim"))  # the simulated days stand there, as modules of their own


@pytest.fixture(autouse=True)
def _utc(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TZ", "UTC")
    time.tzset()


@pytest.fixture
def make(tmp_path: Path) -> Callable[..., RecordedShop]:
    """A shop at rest, its daemon running."""

    def begin(
        text: str = SHOP,
        gates: Mapping[str, GateHabits] | None = None,
        collectors: Mapping[str, CollectorHabits] | None = None,
    ) -> RecordedShop:
        habits = Habits(tools=SOFT, gates=gates or {}, collectors=collectors or {})
        shop = RecordedShop(tmp_path, text, habits=habits).begin()
        shop.run(30)
        return shop

    return begin
