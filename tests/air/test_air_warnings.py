"""What `check` says about the air, with numbers, at the key that it is about."""

import json
from pathlib import Path

import pytest
from shop_files import US, config_of, shop_text

from gatehand.air import AirWarning, warnings
from gatehand.cli import main


def said(text: str) -> dict[tuple[str, ...], str]:
    return dict(warnings(config_of(text)))


def light(text: str) -> str:
    """The shop for light dust: no tool needs an assist."""
    return text.replace('units = "us"', 'units = "us"\nmin_velocity = 2500\nmain_velocity = 2500')


def test_a_run_on_shorter_than_the_clearing_time() -> None:
    found = said(shop_text())
    short = found["tool", "carving_router", "run_on"]
    assert short.startswith("a run-on of 2 s is too short to clear the duct: dust takes up to ")
    assert "with band_saw and router open" in short, "the drop is slower with another gate open"
    assert short.endswith("; set run_on = 4")
    assert "12 s spin-down" in found["tool", "band_saw", "run_on"]
    assert ("tool", "jointer", "run_on") not in found


def test_a_run_on_counts_no_assist_that_nobody_configured_or_that_has_no_room() -> None:
    """The router alone needs longer than with the sweep's gate open, which with room for one gate stays shut."""
    alone = said(shop_text(max_open=1))["tool", "carving_router", "run_on"]
    assert "with router alone" in alone
    helped = shop_text(max_open=1).replace("run_on = 2\n", 'run_on = 2\nassist = ["sweep"]\n')
    assert said(helped)["tool", "carving_router", "run_on"] == alone


def test_a_max_open_beyond_what_the_fan_carries() -> None:
    message = said(shop_text(light(US)))["collector", "main", "max_open"]
    assert message.startswith("max_open = 2 is too many: the fan carries 1 at once: with ")
    assert "of the 150 cfm wanted" in message
    assert ("collector", "main", "max_open") not in said(shop_text(light(US), max_open=1))


def test_no_max_open_where_there_should_be_one() -> None:
    message = said(shop_text(light(US), max_open=None))["collector", "main"]
    assert message.startswith("there is no max_open, and the fan carries 1 at once")
    assert message.endswith("set max_open = 1")


def test_a_max_open_that_an_assist_needs_is_not_called_too_many() -> None:
    """The router's assist wants two gates; what then falls short together is told, without a smaller number."""
    message = said(shop_text())["collector", "main", "max_open"]
    assert message.startswith("the fan does not carry all that can open with max_open = 2: with ")
    assert "set max_open" not in message


def test_a_max_open_without_room_for_the_assist_that_cures() -> None:
    found = said(shop_text(max_open=1))
    assert found["collector", "main", "max_open"] == (
        "max_open = 1 leaves no room for the assist gates of carving_router; set max_open = 2"
    )
    assert 'assist = ["bench"] and max_open = 2 raise ' in found["tool", "carving_router", "gates"]


def test_a_single_gate_that_leaves_the_main_under_its_velocity() -> None:
    found = said(shop_text())
    assert found["gate", "bench"].startswith("with bench alone")
    assert "row runs at 1,2" in found["gate", "bench"]
    assert "sawdust settles" in found["gate", "bench"]
    assert ("gate", "sweep") not in found


def test_a_tool_whose_assist_cures_the_main_is_not_warned_of() -> None:
    ducts = US.replace('units = "us"', 'units = "us"\nmin_velocity = 2500').replace("diameter = 2.5", "diameter = 3")
    ducts = ducts.replace("flow = 150", 'flow = 100, tool = "carver"')
    tool = '\n[tool.carver]\ngates = ["bench"]\ncurrent = { topic = "shop/carver/amps" }\nstart_amps = 1\n'
    without = said(shop_text(ducts) + tool)
    assert 'assist = ["sweep"] raises ' in without["tool", "carver", "gates"]
    helped = said(shop_text(ducts) + tool + 'assist = ["sweep"]\n')
    assert ("tool", "carver", "gates") not in helped
    assert ("tool", "carver", "assist") not in helped


def test_beyond_the_curve_is_a_warning_too() -> None:
    found = said(shop_text(US.replace(", [800, 8.1], [1100, 5.0], [1400, 0.5]]", "]")))
    assert "nothing is known" in found["fan", "main", "curve"]
    assert "is too many" not in found.get(("collector", "main", "max_open"), "")


def test_no_ducts_no_warnings() -> None:
    assert warnings(config_of(shop_text(""))) == ()


def test_check_shows_them_with_their_lines(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    config = tmp_path / "config.toml"
    config.write_text(shop_text(light(US)), encoding="utf-8")
    assert main(["check", "--config", str(config), "--json"]) == 0
    problems = json.loads(capsys.readouterr().out)["problems"]
    by_where = {problem["where"]: problem for problem in problems}
    assert by_where["collector.main.max_open"]["level"] == "warning"
    lines = shop_text(light(US)).splitlines()
    assert lines[by_where["tool.carving_router.run_on"]["line"] - 1] == "run_on = 2"
    assert isinstance(warnings(config_of(shop_text()))[0], AirWarning)
