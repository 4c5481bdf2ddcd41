"""`gatehand airflow` from end to end: the JSON of the contract, the text, exit codes, the drawing, the readings."""

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import pytest
from shop_files import US, metric_twin, shop_text, three_branch_text

from gatehand.cli import main

CASE = {  # three-branch case [calc]: m3/s
    "b1,b2,b3": {"b1": 0.133859, "b2": 0.147391, "b3": 0.152049},
    "b1,b2": {"b1": 0.180128, "b2": 0.198014},
    "b1": {"b1": 0.266110},
    "b2": {"b2": 0.282187},
    "b3": {"b3": 0.266705},
}
HOOD_KEYS = {"gate", "tool", "flow", "spread", "wanted", "verdict"}


@pytest.fixture(name="written")
def written_config(tmp_path: Path) -> Path:
    path = tmp_path / "config.toml"
    path.write_text(shop_text(), encoding="utf-8")
    return path


def airflow(config: Path, *options: str) -> int:
    return main(["airflow", "--config", str(config), *options])


def report(config: Path, capsys: pytest.CaptureFixture[str], *options: str) -> dict[str, Any]:
    airflow(config, "--json", *options)
    found: dict[str, Any] = json.loads(capsys.readouterr().out)
    return found


@pytest.mark.parametrize("gates", CASE)
def test_the_published_case_through_the_front_door(
    gates: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    config = tmp_path / "config.toml"
    config.write_text(three_branch_text(), encoding="utf-8")
    (one,) = report(config, capsys, "--open", gates)["sets"]
    assert one["open"] == gates.split(",")
    assert one["collector"] == "main"
    for gate, flow in CASE[gates].items():
        assert one["hoods"][gate]["flow"] / 3600 == pytest.approx(flow, rel=2e-4)
        assert one["ducts"][gate]["flow"] == one["hoods"][gate]["flow"]
        assert one["hoods"][gate]["wanted"] == 400
        area = 3.141592653589793 / 4 * 0.1016**2
        assert one["ducts"][gate]["velocity"] == pytest.approx(flow / area, rel=2e-4)
    total = sum(CASE[gates].values())
    assert one["flow"] / 3600 == pytest.approx(total, rel=2e-4)
    assert one["pressure"] == pytest.approx(2400 - 8000 * total**2, rel=5e-4)


def test_a_blank_in_a_gates_name_is_taken_for_an_underscore(written: Path, capsys: pytest.CaptureFixture[str]) -> None:
    name = next(gate for gate in report(written, capsys)["sets"][-1]["open"] if "_" in gate)
    (one,) = report(written, capsys, "--open", f" {name.replace('_', '  ')} ,")["sets"]
    assert one["open"] == [name]
    assert airflow(written, "--open", "no such gate") == 2
    assert "--open: there is no gate 'no_such_gate'" in capsys.readouterr().err


def test_the_json_has_the_shape_of_the_contract(written: Path, capsys: pytest.CaptureFixture[str]) -> None:
    found = report(written, capsys)
    assert found["units"] == "us"
    assert len(found["sets"]) == 16
    for one in found["sets"]:
        assert {"open", "collector", "flow", "pressure", "ducts", "hoods", "short"} <= one.keys()
        assert {hood["gate"] for hood in one["hoods"].values()} == set(one["open"])
        assert one["hoods"].keys() <= one["ducts"].keys()
        assert all(duct.keys() == {"flow", "velocity", "velocity_spread"} for duct in one["ducts"].values())
        assert all(hood.keys() == HOOD_KEYS for hood in one["hoods"].values())
        assert all(isinstance(text, str) for text in one["short"])
    assert found["proposals"]["max_open"].keys() == {"main"}
    assert set(found["proposals"]["run_on"]) == {"band_saw", "jointer", "drum_sander", "carving_router"}


def test_metric_in_and_out_agrees_with_us(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    us, metric = tmp_path / "us.toml", tmp_path / "metric.toml"
    us.write_text(shop_text(), encoding="utf-8")
    metric.write_text(metric_twin(shop_text()), encoding="utf-8")
    ours, theirs = report(us, capsys), report(metric, capsys)
    assert theirs["units"] == "metric"
    assert len(ours["sets"]) == len(theirs["sets"])
    for here, there in zip(ours["sets"], theirs["sets"], strict=True):
        assert here["open"] == there["open"]
        assert there["flow"] == pytest.approx(here["flow"] * 1.69901082, rel=1e-5)
        assert there["pressure"] == pytest.approx(here["pressure"] * 249.08891, rel=1e-5)
        assert there["suction"] == pytest.approx(here["suction"] * 249.08891, rel=1e-5)
        for name, duct in here["ducts"].items():
            assert there["ducts"][name]["velocity"] == pytest.approx(duct["velocity"] * 0.00508, rel=1e-5)
        assert len(here["short"]) == len(there["short"])
    assert ours["proposals"]["max_open"] == theirs["proposals"]["max_open"]


def test_the_text_says_what_falls_short_and_what_would_help(written: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert airflow(written, "--open", "bench") == 1
    text = capsys.readouterr().out
    assert "main and row run at 1,2" in text
    assert "sawdust settles; with" in text
    assert "open as well it would run at" in text
    for honest in ("anemometer or a pitot tube", "Opinions on gating differ", "Local rules come first", "fan's inlet"):
        assert honest in text


def test_the_text_shows_working_points_suction_wants_and_proposals(
    written: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert airflow(written) == 1
    text = capsys.readouterr().out
    assert "planing: 483 cfm wanted (jointer under 410 mm, TRGS 553 Annex 2 [pub])" in text
    assert "band_saw: 550 cfm wanted (yours)" in text
    assert "All gates at once is shown for comparison: no set of tools asks for it, and max_open forbids it." in text
    assert "clean cfm   dirty cfm  suction\n" in text
    assert 'tool carving_router: assist = ["bench"] raises row from 3,190 to 3,780 ft/min' in text
    assert "hand start at bench still falls short: with bench alone, row runs at 1,210 ± " in text
    assert '[tool.carving_router]\n  assist = ["bench"]  # raises row' in text
    assert "run_on = 14  # 10 is set; 12 s spin-down and twice the 0.4 s to the collector and 1 s" in text
    assert "jointer" not in text[text.index("as TOML:") :], "only what changes"


def test_the_proposed_toml_is_toml(written: Path, capsys: pytest.CaptureFixture[str]) -> None:
    import tomllib

    found = report(written, capsys)["proposals"]
    proposed = tomllib.loads(found["toml"])
    assert found["max_open"] == {"main": 2}
    assert "collector" not in proposed, "it is 2 already"
    assert proposed["tool"]["carving_router"]["assist"] == found["assist"]["carving_router"] == ["bench"]
    assert proposed["tool"]["band_saw"]["run_on"] == 14


def test_a_shop_where_all_is_well_exits_with_0(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    config = tmp_path / "config.toml"
    text = shop_text(
        US.replace('units = "us"', 'units = "us"\nmin_velocity = 100\nmain_velocity = 100').replace(
            "flow = ", "flow = 0.0"
        )
    )
    config.write_text(
        text.replace('hood = { entry = "flanged", tool = ["jointer", "drum_sander"] }', ""), encoding="utf-8"
    )
    assert airflow(config) == 0
    assert "well" in capsys.readouterr().out


def test_a_set_beyond_the_curve_claims_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    config = tmp_path / "config.toml"
    config.write_text(shop_text(US.replace(", [1100, 5.0], [1400, 0.5]]", "]")), encoding="utf-8")
    (one,) = report(config, capsys, "--open", "band_saw,planing")["sets"]
    assert (one["flow"], one["pressure"], one["ducts"]) == (None, None, {})
    assert one["hoods"]["band_saw_drop"] == {
        "gate": "band_saw",
        "tool": "band_saw",
        "flow": None,
        "spread": None,
        "wanted": 550,
        "verdict": None,
    }
    assert one["bound"] == {"flow_is": "over", "flow": 800}
    assert (one["short"], one["too_close_to_call"]) == ([], [])
    assert "more than 800 cfm, where its curve ends: beyond it nothing is known" in one["unknown"][0]
    assert airflow(config) == 1
    text = capsys.readouterr().out
    assert "unknown: beyond the fan's curve" in text
    assert "no answer" not in text
    assert "give [fan.main] more points" in text


def test_wrong_usage_exits_with_2_and_says_what_is_meant(written: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert airflow(written, "--open", "bandsaw") == 2
    assert "there is no gate 'bandsaw'; did you mean band_saw?" in capsys.readouterr().err


def test_a_config_without_ducts_says_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    config = tmp_path / "config.toml"
    config.write_text(shop_text(""), encoding="utf-8")
    assert airflow(config) == 1
    assert "the config has no ducts" in capsys.readouterr().err


def test_the_drawing_has_words_and_dashes_beside_colours(written: Path, tmp_path: Path) -> None:
    picture = tmp_path / "air.svg"
    airflow(written, "--open", "bench,band_saw", "--plot", str(picture))
    tree = ET.parse(picture).getroot()  # noqa: S314 - we wrote it
    assert tree.tag.endswith("svg")
    words = [node.text for node in tree.iter() if node.tag.endswith("text")]
    for said in (
        "so slow that sawdust settles",
        "fast enough",
        "bench_port, 2.5 in",
        "main, 6 in",
        "fan main",
        "static pressure, in.w.g.",
    ):
        assert said in words
    assert any(word is not None and "ft/min" in word for word in words)
    dashes = {node.get("stroke-dasharray") for node in tree.iter() if node.tag.endswith("polyline")}
    assert len(dashes) >= 4


def test_a_drawing_that_cannot_be_written_says_so(
    written: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert airflow(written, "--plot", str(tmp_path / "nowhere" / "air.svg")) == 1
    assert "cannot be written" in capsys.readouterr().err


READINGS = """
filter = "clean"
[[reading]]
open = ["band_saw"]
hood = { band_saw = 940 }
suction = 6.0
[[reading]]
open = ["bench"]
hood = { bench = 228 }
[[reading]]
open = ["router", "sweep"]
duct = { main = 5010 }
"""


def test_readings_of_a_weaker_fan_find_it(written: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    weak = tmp_path / "weak.toml"
    points = "[[0, 9.9], [400, 9.36], [800, 7.29], [1100, 4.5], [1400, 0.45]]"
    weak.write_text(shop_text(US.replace("[[0, 11.0], [400, 10.4], [800, 8.1], [1100, 5.0], [1400, 0.5]]", points)))
    real = {tuple(one["open"]): one for one in report(weak, capsys)["sets"]}
    saw, bench, both = real["band_saw",], real["bench",], real["router", "sweep"]
    text = READINGS.replace("940", str(saw["flow"])).replace("6.0", str(saw["suction"]))
    text = text.replace("228", str(bench["flow"])).replace("5010", str(both["ducts"]["main"]["velocity"]))
    file = tmp_path / "readings.toml"
    file.write_text(text, encoding="utf-8")
    airflow(written, "--measured", str(file))
    shown = capsys.readouterr().out
    assert "fitted to 4 readings, 3 more than needed: the fan gives 90 ± " in shown
    assert "off by" in shown
    assert "curve = [[0, 9.9], [400, 9.36]" in shown
    assert "filter_loss = { clean = 0.8, dirty = 2, at = 800 }" in shown
    found = report(written, capsys, "--measured", str(file), "--open", "band_saw")
    assert found["fits"][0]["rms"] < 1e-4
    assert found["sets"][0]["flow"] == pytest.approx(saw["flow"], rel=1e-3)


@pytest.mark.parametrize(
    ("find", "put", "message"),
    [
        ('open = ["bench"]', 'open = ["bnch"]', "reading 2, open: no gate 'bnch'; did you mean bench?"),
        ("hood = { bench = 228 }", "hood = { sweep = 228 }", "reading 2, hood: no open hood 'sweep'"),
        ("duct = { main = 5010 }", "duct = { mian = 5010 }", "reading 3, duct: no duct 'mian'; did you mean main?"),
        ("hood = { bench = 228 }", "", "reading 2: nothing was measured"),
        ("hood = { bench = 228 }", "hood = { bench = -1 }", "above 0"),
        ('filter = "clean"', 'filter = "new"', "filter"),
        ('filter = "clean"', "filter = ", "is not valid TOML"),
    ],
)
def test_bad_readings_say_what_is_wrong(
    find: str, put: str, message: str, written: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = written.parent / "readings.toml"
    file.write_text(READINGS.replace(find, put), encoding="utf-8")
    assert airflow(written, "--measured", str(file)) == 1
    assert message in capsys.readouterr().err


def test_nothing_heavy_is_imported(written: Path) -> None:
    code = "import sys; from gatehand.cli import main; main(); print(*sys.modules, file=sys.stderr)"
    command = [sys.executable, "-c", code, "airflow", "--config", str(written), "--json"]
    env = {"PYTHONPATH": os.pathsep.join(sys.path)}
    shown = subprocess.run(command, capture_output=True, text=True, check=True, env=env)  # noqa: S603
    assert json.loads(shown.stdout)["units"] == "us"
    loaded = set(shown.stderr.split())
    assert "gatehand_air.solve" in loaded
    assert not loaded & {"numpy", "scipy", "fluids", "matplotlib", "aiomqtt", "paho", "structlog"}
