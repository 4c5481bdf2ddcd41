"""`check` says what does not fit a meter's rhythm, where that was seen, and where a first cut is lost."""

import json
from pathlib import Path
from typing import Any

import pytest
from support.recorded_shop import SHOP, RecordedShop

from gatehand.cli import main
from gatehand.config import load_text
from gatehand.config.check_rhythm import check_rhythm
from gatehand.rhythm import Rhythm
from gatehand.shell.ports import HoldKept, Remembered
from gatehand.shell.state_file import FILE, encoded
from gatehand.simshop.sim_shop import Habits
from gatehand.simshop.tool import ToolHabits

SAW = "shop/band_saw/amps#"
EVERY_20 = Rhythm(20.0, 40.4, steady=True, on_change=False, count=140)
CHANGING = Rhythm(30.0, 1900.0, steady=False, on_change=True, count=60)
FIRST_CUT = "the first cut after each start of the daemon is missed; add poll"


def with_silence(seconds: float) -> str:
    return SHOP.replace("start_amps = 2.5", f"start_amps = 2.5\nsilent_after = {seconds:g}")


def warned(text: str, seen: dict[str, Rhythm] | None = None, retained: tuple[str, ...] = ()) -> dict[str, str]:
    config = load_text(text, Path("config.toml"), files=False).config
    assert config is not None
    faults = list(check_rhythm(config, seen or {}, retained))
    assert all(fault.level == "warning" for fault in faults)
    return {".".join(map(str, fault.path)): fault.message for fault in faults}


def checked(config: Path, capsys: pytest.CaptureFixture[str], *args: str) -> list[Any]:
    capsys.readouterr()
    assert main(["check", "--json", "--config", str(config), *args]) == 0
    problems: list[Any] = json.loads(capsys.readouterr().out)["problems"]
    return problems


def test_where_nothing_was_seen_nothing_is_said_of_a_meter_that_speaks_by_the_clock() -> None:
    assert warned(SHOP) == {}


@pytest.mark.parametrize(("rhythm", "fits", "misfits"), [(EVERY_20, 50, 30), (CHANGING, 0, 30), (EVERY_20, 60, 0)])
def test_a_silent_after_that_does_not_fit_is_warned_of_at_its_key(rhythm: Rhythm, fits: float, misfits: float) -> None:
    seen, kept = {SAW: rhythm}, ("shop/band_saw/amps",)
    assert warned(with_silence(fits), seen, kept) == {}
    (where,) = warned(with_silence(misfits), seen, kept)
    assert where == "tool.band_saw.silent_after"


def test_what_another_topic_said_is_nothing_of_this_one() -> None:
    assert warned(SHOP, {"shop/other#": EVERY_20, "shop/band_saw/amps#/amps": EVERY_20}) == {}


def test_an_on_change_meter_that_can_show_nothing_at_the_start_is_warned_of() -> None:
    found = warned(with_silence(0))
    assert list(found) == ["tool.band_saw.current"]
    assert FIRST_CUT in found["tool.band_saw.current"]
    assert "if its word is not retained and it cannot be asked" in found["tool.band_saw.current"]


def test_nothing_is_said_where_its_word_is_known_to_be_retained_where_it_can_be_asked_or_where_it_speaks_anyway() -> (
    None
):
    asked = with_silence(0).replace(
        'topic = "shop/band_saw/amps"', 'topic = "shop/band_saw/amps", poll = { topic = "shop/get", payload = "?" }'
    )
    assert warned(asked) == {}
    assert warned(with_silence(0), retained=("shop/band_saw/amps",)) == {}
    assert warned(with_silence(0), retained=("shop/other",)) != {}
    steady = Rhythm(10.0, 10.0, steady=True, on_change=True, count=9)
    assert warned(with_silence(0), {SAW: steady}) == {}


# --- the command: what it knows it has from the state folder and from the recording


def recorded(folder: Path, every: float | None, text: str = SHOP) -> RecordedShop:
    """A morning of cuts."""
    habits = Habits(tools={"band_saw": ToolHabits(inrush=None, idle=0.1, every=every)})
    shop = RecordedShop(folder, text, habits=habits).begin()
    for _ in range(8):
        shop.cut("band_saw", 45, amps=6.0, then=75)
    shop.end()
    return shop


def test_check_knows_it_from_the_daemons_recording(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    shop = recorded(tmp_path, 20.0, with_silence(60))
    assert checked(shop.config, capsys) == []
    shop.config.write_text(with_silence(30), "utf-8")
    (problem,) = checked(shop.config, capsys)
    assert problem["where"] == "tool.band_saw.silent_after"
    assert (problem["level"], problem["line"]) == (
        "warning",
        with_silence(30).splitlines().index("silent_after = 30") + 1,
    )
    assert "too short for a meter that speaks every 20 s (seen " in problem["message"]
    shop.config.write_text(with_silence(30).replace("shop/band_saw/amps", "shop/another"), "utf-8")
    assert checked(shop.config, capsys) == [], "another meter"


def test_check_knows_it_from_the_state_folder_before_the_recording(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    shop = recorded(tmp_path, 20.0)
    folder = tmp_path / "state"
    folder.mkdir()
    assert len(checked(shop.config, capsys)) == 1
    (folder / FILE).write_bytes(encoded(Remembered(rhythms={SAW: CHANGING})))
    (problem,) = checked(shop.config, capsys, "--state", str(folder))
    assert "speaks only on change (seen 60 times)" in problem["message"]
    monkeypatch.setenv("STATE_DIRECTORY", str(folder))
    assert checked(shop.config, capsys) == [problem]


def test_a_state_or_a_recording_that_cannot_be_read_says_nothing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    config = tmp_path / "config.toml"
    config.write_text(SHOP, "utf-8")
    (tmp_path / FILE).write_bytes(b"{")
    log = tmp_path / "log"
    log.mkdir()
    (log / "readings-000001.rec").write_bytes(b"nothing of ours")
    assert checked(config, capsys) == []
    hold = HoldKept("0" * 16, "main", "shop/fan/set", "estop", "2026-03-05T08:00:00Z")
    (tmp_path / FILE).write_bytes(encoded(Remembered(holds=(hold,))))
    assert checked(config, capsys) == []


def test_the_daemon_itself_leaves_what_check_wants_to_know(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    shop = recorded(tmp_path, None, with_silence(0))
    (problem,) = checked(shop.config, capsys)
    assert FIRST_CUT in problem["message"]
