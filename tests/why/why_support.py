"""A shop whose starts are asked about, and the asking."""

import json
from datetime import UTC, datetime
from typing import Any

import pytest
from support.recorded_shop import RecordedShop

from gatehand.cli import main
from gatehand.config import load
from gatehand.shell.active_config import ActiveConfig
from gatehand.simshop.tool import ToolHabits
from gatehand_rules.reshape import Rewired, adopt_shop

DAY = "2026-03-05"

SOFT = {name: ToolHabits(inrush=None, noise=0.0, every=1.0) for name in ("band_saw", "router")}


def now(shop: RecordedShop) -> str:
    """The moment, as one would give it."""
    return datetime.fromtimestamp(shop.clocks.wall(), UTC).isoformat(timespec="milliseconds")


def why(shop: RecordedShop, capsys: pytest.CaptureFixture[str], *args: str) -> dict[str, Any]:
    """The answer in JSON; what the text says of it is the same sentence."""
    shop.recorder.flush()
    config = ["--config", str(shop.config)]
    capsys.readouterr()
    code = main(["why", *args, "--json", *config])
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    assert main(["why", *args, *config]) == code
    said = " ".join(capsys.readouterr().out.split())
    assert found["verdict"][1:] in said
    for trial in found["trials"]:
        assert trial[1:] in said
    assert code == (0 if found["case"] in {"started", "already_on", "nothing_in_the_log"} else 1)
    return found


def swap(shop: RecordedShop, text: str, *, renamed: dict[str, str] | None = None) -> None:
    """The daemon takes a changed config."""
    shop.config.write_text(text, "utf-8")
    active, before = ActiveConfig.of(load(shop.config)), shop.engine.active
    now = shop.engine.now()
    shop.engine.swap(
        active, adopt_shop(before.shop, active.shop, shop.engine.state, now, Rewired(renamed=renamed or {}))
    )
