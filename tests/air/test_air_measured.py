"""`gatehand airflow --measured`: the file with all it may say and every slip in it, what is said, what the JSON has."""

import json
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from measured_shops import across, as_built, file_of, fitted, read, system, what
from shop_files import US, config_of, shop_text

from gatehand.air.duct_model import duct_systems
from gatehand.air.measured import apply, informed
from gatehand.air.measured_words import fit_as_json, fit_as_text
from gatehand.air.readings_file import Measured, MeasuredError
from gatehand.air.readings_file import read as read_file
from gatehand.cli import main
from gatehand.config import Config
from gatehand_air.readings import PROFILE, Measurement, Quantity
from gatehand_air.spread import PLAIN

_DROP, _ = US.split("[duct.planing_drop]")[1].split("[duct.router_drop]")
STATION = US.replace(
    _DROP,
    """
into = "row"
diameter = 6
length = 7
fittings = ["wye_45"]
gate = "planing"
[duct.jointer_hose]
into = "planing_drop"
diameter = 4
length = 3
hood = { entry = "plain", tool = "jointer" }
[duct.sander_hose]
into = "planing_drop"
diameter = 4
length = 5
hood = { entry = "plain", tool = "drum_sander" }
""",
)
"""With two hoods behind one gate."""


@pytest.fixture(name="config", scope="module")
def shop_config() -> Config:
    return config_of(shop_text())


def test_a_blocked_row_is_told_with_both_losses_and_their_spreads(config: Config, tmp_path: Path) -> None:
    of = system(config)
    real = as_built(of.ducting, 3, 0.9, 1.0, {"row": 6.0})
    _, (fit,) = fitted(config, file_of(of, read(real, what(of), 3), "accuracy = 0.02"), tmp_path)
    text, facts = fit_as_text(fit), fit_as_json(fit)
    (said,) = (line for line in text.splitlines() if "the stretch of row between 1 and 7 ft loses" in line)
    assert "something lies in it, or it has fittings that are not described" in said, "no hose, no gate of its own"
    (row,) = (one for one in facts["ducts"] if one["place"] == "row between 1 and 7 ft")
    assert row["differs"]
    assert row["loss"] - row["spread"] > row["described"] + row["described_spread"]
    assert f"{row['loss']:.2f} ± {row['spread']:.2f} in.w.g., as described {row['described']:.2f}" in said
    assert facts["faults"][0]["text"] in said
    assert "the verdicts below count it as described; should it stay so, that is { k = " in said
    assert "} more, first among the fittings of row" in said
    dynamic = 1.2041 / 2 * (row["flow"] * of.units.flow / (3.14159265 / 4 * 0.1524**2)) ** 2 / of.units.pressure
    told = float(said.split("{ k = ")[1].split(" }")[0])
    assert told == pytest.approx((row["loss"] - row["described"]) / dynamic, rel=0.01)
    assert abs(facts["scale"] - 0.9) < 0.05
    assert "lock it" in text


def test_an_outlier_is_told_with_its_own_figure_and_the_others(config: Config, tmp_path: Path) -> None:
    of = system(config)
    text = file_of(of, read(as_built(of.ducting, 3, 0.9), what(of), 3, exact=True), "accuracy = 0.02")
    bench = next(line for line in text.splitlines() if line.startswith("hood = { bench"))
    value = float(bench.split("= ")[-1].removesuffix(" }"))
    _, (fit,) = fitted(config, text.replace(bench, f"hood = {{ bench = {value * 1.31} }}"), tmp_path)
    text, facts = fit_as_text(fit), fit_as_json(fit)
    (fault,) = facts["faults"]
    assert fault["off"] == pytest.approx(0.31, abs=0.08), "by readings of 2 % in ducts known to some 30 %"
    assert fault["others_off"] < 0.02
    told = f"alone is off by {100 * fault['off']:.0f} % (too high), the others by {100 * fault['others_off']:.1f} %"
    assert f"reading 3, bench: hood bench {told}: it is left out of these figures (with it the fan would give" in text
    assert "left out" in next(line for line in text.splitlines() if line.lstrip().startswith("3, bench: hood bench "))
    assert [one["left_out"] for one in facts["readings"]].count(True) == 1


def test_the_verdicts_rest_on_the_fits_own_spread(config: Config, tmp_path: Path) -> None:
    of = system(config)
    real = as_built(of.ducting, 3, 0.9)
    readings = read(real, [*what(of), *across(of)], 3)
    changed, fits = fitted(config, file_of(of, readings, "accuracy = 0.02"), tmp_path)
    (known,) = (one.ducting.ignorance for one in informed(duct_systems(changed), fits))
    assert known.fan == fits[0].fit.scale_off < PLAIN.fan
    assert known.filter == fits[0].fit.filter_off < PLAIN.filter
    assert (known.factors, known.entries, known.roughness) == (PLAIN.factors, PLAIN.entries, PLAIN.roughness)
    assert "the verdicts below use this ± of the fan and of the filter, in place of 7 % and 30 %" in fit_as_text(
        fits[0]
    )


def test_a_scale_of_7_percent_is_not_taken_over(config: Config, tmp_path: Path) -> None:
    of = system(config)
    changed, fits = fitted(config, file_of(of, read(as_built(of.ducting, 3, 0.07), what(of), 3)), tmp_path)
    assert changed.fan == config.fan
    text = fit_as_text(fits[0])
    assert "a fan hardly ever gives 7." in text
    assert "Look again at the units of the readings, at the gates that were open, and at the curve." in text
    assert "[fan.main]" not in text
    assert fit_as_json(fits[0])["plausible"] is False
    (known,) = (one.ducting.ignorance for one in informed(duct_systems(changed), fits))
    assert known == PLAIN


@pytest.mark.parametrize("ducts", [US, US.replace("filter_loss = { clean = 0.8, dirty = 2.0, at = 800 }", "")])
@pytest.mark.parametrize("state", ["clean", "dirty"])
def test_the_toml_for_the_config_loads_and_gives_the_fitted_fan(ducts: str, state: str, tmp_path: Path) -> None:
    config = config_of(shop_text(ducts))
    of = system(config)
    readings = read(as_built(of.ducting, 3, 0.85), [*what(of), *across(of)], 3)
    changed, (fit,) = fitted(config, file_of(of, readings, f'filter = "{state}"'), tmp_path)
    lines = [line.strip() for line in fit_as_text(fit).splitlines()]
    printed = tomllib.loads("\n".join(lines[lines.index("[fan.main]") :]))["fan"]["main"]
    again = config_of(
        shop_text(ducts.split("[fan.main]", maxsplit=1)[0] + _table(printed) + "\n[duct" + ducts.split("[duct", 1)[1])
    )
    assert again.fan == changed.fan
    assert system(again).ducting.fan.points[0][1] == pytest.approx(
        fit.fit.scale * of.ducting.fan.points[0][1], rel=1e-3
    )


def _table(fan: dict[str, Any]) -> str:
    loss = fan.get("filter_loss")
    told = "" if loss is None else "filter_loss = { " + ", ".join(f"{k} = {v}" for k, v in loss.items()) + " }\n"
    return f"[fan.main]\ncurve = {fan['curve']}\n{told}"


@pytest.mark.parametrize(
    ("clogged", "told"),
    [
        (6.0, "more than the 2.00 in.w.g. at which it is due for cleaning: clean it, and measure again"),
        (0.1, "less than the 0.80 in.w.g. of a clean one: look for a tear or a seal that leaks"),
    ],
)
def test_a_filter_that_wants_attention_is_told_and_not_written_into_the_config(
    clogged: float, told: str, config: Config, tmp_path: Path
) -> None:
    of = system(config)
    readings = read(as_built(of.ducting, 3, 0.95, clogged), [*what(of), *across(of)], 3)
    changed, fits = fitted(config, file_of(of, readings, "accuracy = 0.02"), tmp_path)
    assert f"{told}; filter_loss stays as it is" in fit_as_text(fits[0])
    assert changed.fan["main"].filter_loss == config.fan["main"].filter_loss
    assert changed.fan["main"].curve != config.fan["main"].curve
    assert abs(fits[0].fit.scale / 0.95 - 1) < 0.05
    (known,) = (one.ducting.ignorance for one in informed(duct_systems(changed), fits))
    assert known.filter == PLAIN.filter


def test_a_centreline_velocity_is_turned_into_the_mean(config: Config, tmp_path: Path) -> None:
    of = system(config)
    real = as_built(of.ducting, 3, 0.9)
    gates = frozenset({"band_saw"})
    others = [m for m in what(of) if m.kind is not Quantity.TAP]
    (mean,) = read(real, [Measurement(gates, Quantity.DUCT, "main", 1.0)], 1, exact=True)
    (centre,) = read(real, [Measurement(gates, Quantity.CENTRELINE, "main", 1.0)], 1, exact=True)
    assert mean.value == pytest.approx(PROFILE * centre.value)
    rest = read(real, [*others, *across(of)], 1, exact=True)
    _, (by_mean,) = fitted(config, file_of(of, [*rest, mean]), tmp_path)
    _, (by_centre,) = fitted(config, file_of(of, [*rest, centre]), tmp_path)
    assert by_centre.fit.scale == pytest.approx(by_mean.fit.scale, rel=0.01)
    assert by_centre.fit.scale_off >= by_mean.fit.scale_off
    assert "counts as the mean over the duct" in fit_as_text(by_mean)
    assert "the mean is 0.817 of it, ± 7 % (power law with n = 7" in fit_as_text(by_centre)


def test_several_hoods_behind_one_gate_go_by_their_tools(tmp_path: Path) -> None:
    config = config_of(shop_text(STATION))
    of = system(config)
    gates = frozenset({"planing"})
    some = [
        Measurement(gates, Quantity.HOOD, "jointer_hose", 1.0),
        Measurement(gates, Quantity.HOOD, "sander_hose", 1.0),
        Measurement(gates, Quantity.SUCTION, "", 1.0),
    ]
    text = file_of(of, read(as_built(of.ducting, 1, 0.9), some, 1))
    assert "hood = { jointer = " in text
    _, (fit,) = fitted(config, text, tmp_path)
    assert "1, planing: hood drum_sander" in fit_as_text(fit)
    _, (by_duct,) = fitted(
        config, text.replace("drum_sander", "sander_hose").replace("jointer =", "jointer_hose ="), tmp_path
    )
    assert by_duct.fit == fit.fit
    with pytest.raises(MeasuredError, match=r"reading 1, hood: no open hood 'planing'; there are "):
        fitted(config, text.replace("drum_sander", "planing"), tmp_path)


def test_a_weak_fan_that_may_be_a_filter_says_what_would_tell(config: Config, tmp_path: Path) -> None:
    of = system(config)
    gates = frozenset({"band_saw"})
    two = [Measurement(gates, Quantity.HOOD, "band_saw_drop", 1.0), Measurement(gates, Quantity.SUCTION, "", 1.0)]
    _, (fit,) = fitted(config, file_of(of, read(as_built(of.ducting, 3, 0.75), two, 3)), tmp_path)
    text = fit_as_text(fit)
    assert "of its curve, and a curve is trusted to ± 7 %: look at its wheel and the way it turns, have its" in text
    assert "lock it out." in text
    assert "these readings cannot tell that from a loss in the filter; a reading of filter_loss would" in text
    assert fit_as_json(fit)["fan_or"] == ["the filter"]


def test_what_cannot_be_told_apart_is_said(config: Config, tmp_path: Path) -> None:
    of = system(config)
    gates = frozenset({"band_saw"})
    two = [Measurement(gates, Quantity.HOOD, "band_saw_drop", 1.0), Measurement(gates, Quantity.SUCTION, "", 1.0)]
    _, (fit,) = fitted(config, file_of(of, read(as_built(of.ducting, 3, 0.9), two, 1, exact=True)), tmp_path)
    text = fit_as_text(fit)
    assert "the filter counts as described, ± 30 %, as these readings cannot tell the two apart" in text
    assert "if the filter was dirty, these readings mean " in text
    assert fit_as_json(fit)["scale_if_not"] == pytest.approx(fit.otherwise, rel=1e-3)
    assert all(note in text for note in fit_as_json(fit)["notes"])
    assert "1 more than needed" in text


GOOD = """
filter = "clean"
[[reading]]
open = ["band_saw"]
hood = { band_saw = 940 }
suction = 6.0
taps = { main = [[1, 5.0]] }
[[reading]]
open = ["bench"]
hood = { bench = 228 }
suction = 10.2
"""


@pytest.mark.parametrize(
    ("find", "put", "message"),
    [
        ("open =", "opn =", 'reading 1: there is no key "opn"; did you mean open?'),
        ("open =", "opn =", "reading 1: open is missing; wanted a list of the gates that were open"),
        ('open = ["band_saw"]', 'open = "band_saw"', 'reading 1, open: found "band_saw"; wanted a list of the gates'),
        ('open = ["band_saw"]', "open = []", "reading 1, open: no gate is open, so no air moves"),
        ("suction = 6.0", "suction = true", "reading 1, suction: found true; wanted a number"),
        (
            "suction = 6.0",
            "suction = 1500",
            "reading 1, band_saw: suction: found 1,500.00 in.w.g., where these ducts give",
        ),
        ("hood = { band_saw = 940 }", "hood = { band_saw = 0.4 }", "reading 1, band_saw: hood band_saw: found 0 cfm"),
        ("suction = 6.0", "suction = nan", "reading 1, suction: found nan; wanted a number"),
        ("suction = 6.0", "suction = -6.0", "reading 1, suction: found -6.0; wanted a number above 0"),
        ("hood = { band_saw = 940 }", "hood = 940", "reading 1, hood: found 940; wanted a table"),
        (
            "[[1, 5.0]]",
            "[1, 5.0]",
            "reading 1, taps.main: found 1; wanted pairs of a distance from the duct's hood end",
        ),
        ("[[1, 5.0]]", "5.0", "reading 1, taps.main: found 5.0; wanted pairs"),
        ("[[1, 5.0]]", "[[1, -5.0]]", "reading 1, taps.main: found [1, -5]; wanted a distance of 0 or more"),
        ("[[1, 5.0]]", "[[11, 5.0]]", "reading 1, taps: found a tap at 11 ft in 'main', which is 10 ft long"),
        ("main =", "sweep_drop =", "reading 1, taps: no air goes through 'sweep_drop' with these gates open"),
        ("main =", "mian =", "reading 1, taps: no duct 'mian'; did you mean main?"),
        ('filter = "clean"', "accuracy = 5", "accuracy: found 5; wanted how far a reading may be off"),
        ('filter = "clean"', "accuracy = { flw = 0.1 }", 'there is no key "flw"; did you mean flow?'),
        ('filter = "clean"', "accuracy = { flow = 5 }", "accuracy.flow: found 5; wanted how far a reading may be off"),
        ('filter = "clean"', 'filter = "new"', 'filter: found "new"; wanted "clean" or "dirty"'),
        ('filter = "clean"', "filtr = 1", 'there is no key "filtr"; did you mean filter?'),
        ("[[reading]]", "[[redaing]]", "there is no reading: give one [[reading]] with open"),
        ("[[reading]]", "[reading]", "is not valid TOML"),
        ('filter = "clean"', "filter = ", "is not valid TOML"),
        ('filter = "clean"', "x = " + "[" * 5000, "is not valid TOML"),
        ("[[1, 5.0]]", str([[1 + i / 100, 5.0] for i in range(90)]), "has 94 values; wanted 80 at most"),
    ],
)
def test_a_bad_file_says_where_and_what_to_do(
    find: str, put: str, message: str, config: Config, tmp_path: Path
) -> None:
    with pytest.raises(MeasuredError) as told:
        fitted(config, GOOD.replace(find, put), tmp_path)
    assert message in str(told.value)


def test_a_file_that_cannot_be_read_says_so(tmp_path: Path) -> None:
    with pytest.raises(MeasuredError, match=r"cannot be read \(No such file or directory\): name a file that is there"):
        read_file(tmp_path / "none.toml")
    path = tmp_path / "latin.toml"
    path.write_bytes(b'filter = "\xff"')
    with pytest.raises(MeasuredError, match="is not text in UTF-8: save it as such"):
        read_file(path)


def test_one_reading_is_refused_at_the_front_door(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    config, file = tmp_path / "config.toml", tmp_path / "readings.toml"
    config.write_text(shop_text(), encoding="utf-8")
    file.write_text('[[reading]]\nopen = ["band_saw"]\nsuction = 2.4\n', encoding="utf-8")
    assert main(["airflow", "--config", str(config), "--measured", str(file)]) == 1
    out, err = capsys.readouterr()
    assert out == ""
    assert "collector main: there is 1 reading, and the fan alone takes one: give at least 3, better 6" in err


KEYS = st.sampled_from(
    ["open", "hood", "duct", "centreline", "suction", "taps", "filter_loss", "filter", "accuracy", "x"]
)
NAMES = st.sampled_from(["band_saw", "bench", "main", "row", "bench_port", "band_saw_drop", "", "nobody"])
LEAF = st.one_of(
    st.floats(),
    st.floats(0.01, 2000),
    st.integers(-(10**30), 10**30),
    st.booleans(),
    NAMES,
    st.text(max_size=4),
    st.sampled_from(["clean", "dirty"]),
)
JUNK = st.recursive(
    LEAF, lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(NAMES, inner, max_size=3)), max_leaves=6
)
READING = st.one_of(
    st.fixed_dictionaries(
        {"open": st.lists(st.sampled_from(["band_saw", "bench"]), max_size=2)},
        optional={
            "hood": st.dictionaries(NAMES, st.floats(1e-3, 1e9), max_size=2),
            "duct": st.dictionaries(NAMES, st.floats(1e-3, 1e9), max_size=2),
            "suction": st.floats(1e-6, 1e9),
            "filter_loss": st.floats(1e-6, 1e9),
            "taps": st.dictionaries(
                st.sampled_from(["main", "row"]),
                st.lists(st.tuples(st.floats(0, 8), st.floats(1e-3, 1e6)).map(list), max_size=3),
            ),
        },
    ),
    st.dictionaries(KEYS, JUNK, max_size=4),
)
FILES = st.fixed_dictionaries(
    {"reading": st.one_of(st.lists(READING, max_size=3), JUNK)}, optional={"filter": JUNK, "accuracy": JUNK}
)


@settings(max_examples=25, deadline=None, derandomize=True, suppress_health_check=list(HealthCheck))
@given(FILES)
def test_any_junk_gets_a_message_or_an_answer(
    config: Config, tmp_path_factory: pytest.TempPathFactory, tree: dict[str, Any]
) -> None:
    path = tmp_path_factory.getbasetemp() / "junk.toml"
    path.write_text(_toml(tree), encoding="utf-8")
    try:
        _, fits = apply(config, read_file(path))
    except MeasuredError as error:
        said, fits = str(error), ()
    else:
        said = fit_as_text(fits[0])
    assert len(said) > 20
    for fit in fits:
        assert "NaN" not in json.dumps(fit_as_json(fit))
        assert fit_as_text(fit)


def _toml(tree: dict[str, Any]) -> str:
    return "\n".join(f"{json.dumps(key)} = {_value(value)}" for key, value in tree.items())


def _value(value: object) -> str:
    match value:
        case dict():
            return "{ " + ", ".join(f"{json.dumps(k)} = {_value(v)}" for k, v in value.items()) + " }"
        case list() | tuple():
            return "[" + ", ".join(map(_value, value)) + "]"
        case bool():
            return str(value).lower()
        case float() | int():
            return repr(value)
        case _:
            return json.dumps(value)


def test_the_defaults_of_a_file_are_those_of_its_help() -> None:
    file = Measured.model_validate({"reading": [{"open": ["a"], "suction": 1}]})
    assert (file.filter, file.accuracy.flow, file.accuracy.velocity, file.accuracy.pressure) == (
        "clean",
        0.05,
        0.05,
        0.05,
    )


def test_accuracy_may_differ_by_kind(config: Config, tmp_path: Path) -> None:
    """A fine manometer beside a coarse anemometer: each reading counts by its own."""
    of = system(config)
    readings = read(as_built(of.ducting, 3, 0.9), what(of), 3)
    _, (fit,) = fitted(config, file_of(of, readings, "accuracy = { pressure = 0.01, flow = 0.1 }"), tmp_path)
    accuracies = {one.kind: one.accuracy for one in fit.readings}
    assert accuracies == {Quantity.HOOD: 0.1, Quantity.SUCTION: 0.01, Quantity.TAP: 0.01}
    assert "each reading counts as good to" not in fit_as_text(fit)
