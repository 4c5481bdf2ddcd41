"""`gatehand airflow --measured`: that what it says of the readings is so, and what is taken over or left."""

import json
from pathlib import Path

import pytest
from measured_shops import across, as_built, file_of, fitted, read, system, what
from msgspec.structs import replace
from shop_files import US, config_of, shop_text

from gatehand.air.measured_words import fit_as_json, fit_as_text
from gatehand.cli import main
from gatehand.config import Config
from gatehand_air.fit import Fault
from gatehand_air.fit_state import Suspect
from gatehand_air.readings import Quantity, split
from gatehand_air.tree import Network

ROOT = Path(__file__).parents[2]


@pytest.fixture(name="config", scope="module")
def shop_config() -> Config:
    return config_of(shop_text())


def test_the_rows_say_how_far_a_reading_is_off_the_same_way_round_as_the_fault(config: Config, tmp_path: Path) -> None:
    """One in another unit is told by its factor, and a reading that is right has no sign."""
    of = system(config)
    text = file_of(of, read(as_built(of.ducting, 3, 0.9), what(of), 3, exact=True), "accuracy = 0.02")
    bench = next(line for line in text.splitlines() if line.startswith("hood = { bench"))
    value = float(bench.split("= ")[-1].removesuffix(" }"))
    _, (fit,) = fitted(config, text.replace(bench, f"hood = {{ bench = {value * 11.0} }}"), tmp_path)
    text, facts = fit_as_text(fit), fit_as_json(fit)
    assert "hood bench alone is too high by a factor of 11, the others are off by " in text
    assert "; look at its unit, or measure it again with these gates open" in text
    (row,) = (one for one in facts["readings"] if one["left_out"])
    assert row["off"] == pytest.approx(row["measured"] / row["fitted"] - 1, rel=2e-3)
    (line,) = (line for line in text.splitlines() if line.endswith("left out"))
    assert f"+{100 * row['off']:.0f}" in line
    assert "-0.0 %" not in text


def test_the_example_fits_the_example_shop(capsys: pytest.CaptureFixture[str]) -> None:
    """Its readings were made up with a fan at 91 % of its curve and its filter clean."""
    config, file = ROOT / "config.example.toml", ROOT / "deploy" / "measured-air.toml"
    main(["airflow", "--config", str(config), "--measured", str(file), "--json"])
    (fit,) = json.loads(capsys.readouterr().out)["fits"]
    assert abs(fit["scale"] - 0.91) < fit["scale_spread"] < 0.05
    assert abs(fit["filter"]["loss"] - 0.8) < fit["filter"]["spread"] < 0.1
    assert (fit["plausible"], fit["faults"]) == (True, [])
    assert {one["kind"] for one in fit["readings"]} == set(Quantity) - {Quantity.DUCT}


@pytest.mark.parametrize(
    ("factor", "kinds"), [(1.699, "hood"), (1 / 0.472, "hood"), (11.46, "hood"), (25.4, "suction"), (0.25, "suction")]
)
def test_readings_all_in_another_unit_are_not_taken_over(
    factor: float, kinds: str, config: Config, tmp_path: Path
) -> None:
    of = system(config)
    some = [one for one in what(of, 0.05) if one.kind is not Quantity.TAP]
    readings = read(as_built(of.ducting, 3, 0.9), some, 3, exact=True)
    wrong = [replace(one, value=one.value * factor) if one.kind == kinds else one for one in readings]
    changed, (fit,) = fitted(config, file_of(of, wrong), tmp_path)
    text = fit_as_text(fit)
    assert changed.fan == config.fan
    assert (
        "so the fan stays as the config has it, and nothing below changes. Look again at the units of the readings"
        in text
    )
    assert "[fan.main]" not in text
    if not fit.fit.told:
        assert "these readings do not tell what the fan gives" in text
        assert "of its curve" not in text
    assert fit_as_json(fit)["plausible"] is False


def test_a_loss_read_across_the_filter_is_not_fitted_away(tmp_path: Path) -> None:
    """Three readings that contradict each other once took the filter away, and the one across it was "off by 5e8 %"."""
    text = """
[[reading]]
open = ["band_saw"]
hood = { band_saw = 690 }
suction = 5.2
filter_loss = 1.0
[[reading]]
open = ["planing"]
hood = { planing = 400 }
suction = 5.2
[[reading]]
open = ["sweep"]
hood = { sweep = 150 }
centreline = { row = 1400 }
"""
    config = config_of((ROOT / "config.example.toml").read_text("utf-8"))
    _, (fit,) = fitted(config, text, tmp_path)
    assert fit.fit.filter.at(800 * 0.3048**3 / 60)[0] > 0.1 * 249.1
    assert all(abs(one["off"]) < 20 for one in fit_as_json(fit)["faults"] if one["off"] is not None)


def test_whole_ducts_that_lose_what_is_described_take_one_line(config: Config, tmp_path: Path) -> None:
    """Three rows said "as described"; a shop of twelve gates had twelve. What a tap tells has its row."""
    of = system(config)
    some = [one for one in what(of) if one.kind is not Quantity.TAP]
    _, (fit,) = fitted(config, file_of(of, read(as_built(of.ducting, 3, 0.9), some, 3, exact=True)), tmp_path)
    assert len(fit.fit.places) > 1
    assert not any(place.off for place in fit.fit.places)
    assert f"{len(fit.fit.places)} ducts lose as much as described, as far as these readings tell" in fit_as_text(fit)
    assert "the ducts by these readings" not in fit_as_text(fit)
    assert len(fit_as_json(fit)["ducts"]) == len(fit.fit.places)
    _, (fit,) = fitted(config, file_of(of, read(as_built(of.ducting, 3, 0.9), what(of), 3, exact=True)), tmp_path)
    assert "the hood band_saw with the first 1 ft of band_saw_drop  " in fit_as_text(fit)


def test_a_filter_fitted_to_nothing_is_written_as_nothing(tmp_path: Path) -> None:
    """Once 1.5e-07 in.w.g., which the config refuses: the command ended with a traceback."""
    text = """
filter = "dirty"
[[reading]]
open = ["band_saw"]
hood = { band_saw = 389.7 }
suction = 8.198
duct = { main = 3427 }
[[reading]]
open = ["sweep"]
hood = { sweep = 408.5 }
suction = 8.073
taps = { bench_port = [[1, 6.213], [4, 6.878]] }
"""
    _, (fit,) = fitted(config_of((ROOT / "config.example.toml").read_text("utf-8")), text, tmp_path)
    assert fit.fan.filter_loss is not None
    assert fit.fan.filter_loss.clean == 0
    assert "the filter loses 0.00 ± 0.00" not in fit_as_text(fit)


def test_a_fault_beyond_all_measure_is_told_without_a_figure(config: Config, tmp_path: Path) -> None:
    """Made up: what has no logarithm, no fan that fits, a piece of which no more is known."""
    of = system(config)
    _, (fit,) = fitted(config, file_of(of, read(as_built(of.ducting, 3, 0.9), what(of), 3)), tmp_path)
    row = next(piece for piece in split(of.ducting.network, fit.readings).pieces.values() if piece.duct == "row")
    faults = (Fault(Suspect(reading=0), (), -1.0, 0.02, 50.0), Fault(Suspect(piece=row), (), 0.0, 0.02, 1.1))
    text = fit_as_text(replace(fit, fit=replace(fit.fit, faults=faults, places=())))
    assert (
        "alone is too low by far, the others are off by 2.0 %: it is left out of these figures (with it no fan" in text
    )
    assert (
        "row up to 1 ft does not lose what is described: its loss was fitted (with it the fan would give 110 %" in text
    )
    assert "the filter does not" not in text


def test_a_hood_that_loses_more_is_written_as_its_own_entry(config: Config, tmp_path: Path) -> None:
    """The first foot's fittings and friction, which the piece has too, are not counted in: the config has them."""
    of = system(config)
    duct = of.ducting.network.duct("band_saw_drop")
    assert duct.entry is not None
    real = as_built(of.ducting, 3, 0.95)
    ducts = tuple(replace(d, entry=duct.entry + 1.2) if d.name == duct.name else d for d in of.ducting.network.ducts)
    real = replace(of.ducting.clean, network=Network(ducts))
    _, (fit,) = fitted(config, file_of(of, read(real, what(of), 3, exact=True), "accuracy = 0.02"), tmp_path)
    text = fit_as_text(fit)
    assert "something blocks the hood, its gate is not fully open, or hood and machine lose more than described" in text
    told = float(text.split("that is entry = ")[1].split(" ")[0])
    assert told == pytest.approx(duct.entry + 1.2, abs=0.15)


def test_a_curve_that_was_told_otherwise_says_what_to_leave_out(config: Config, tmp_path: Path) -> None:
    of = system(config)
    readings = read(as_built(of.ducting, 3, 0.9), [*what(of), *across(of)], 3)
    _, (plain,) = fitted(config, file_of(of, readings), tmp_path)
    head = "for the config, in place of its [fan.main] (there a curve counts as known to ± 7 %)"
    assert f"{head}:\n  [fan.main]\n" in fit_as_text(plain)
    other = config_of(shop_text(US.replace("[fan.main]", "[fan.main]\nspeed = { curve = 3450, run = 3300 }")))
    _, (fit,) = fitted(other, file_of(of, readings), tmp_path)
    assert f"{head}, without speed, as this curve is fan static pressure at the speed it runs at:" in fit_as_text(fit)
