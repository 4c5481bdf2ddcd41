"""`gatehand airflow --size`: the file and its mistakes, the cuts of a run, what is printed, the exit code."""

import json
import tomllib
from pathlib import Path
from typing import Any

import pytest
from shop_files import shop_text
from sizing_shops import job_of, odd_file

from gatehand.air.sizing_file import SizeFile, SizingFileError, faults, read
from gatehand.air.sizing_job import from_file
from gatehand.air.sizing_report import Answer, as_json, as_text
from gatehand.cli import main
from gatehand.config import load_text
from gatehand_air.properties import FOOT, INCH
from gatehand_air.sizing import size

EXAMPLE = Path(__file__).parents[2] / "deploy" / "ducts-to-size.toml"

FIVE = """
at_once = 1
stick = 5
[fan]
curve = [[0, 12], [400, 11.5], [800, 9], [1200, 4], [1400, 1]]
filter_loss = { clean = 0.8, dirty = 2.0, at = 800 }
[run.main]
length = 24
elbows = { elbow_90 = 2 }
[run.band_saw]
into = "main"
at = 6
length = 6
[run.planing]
into = "main"
at = 12
length = 6
tool = ["jointer", "drum_sander"]
port = 5
[run.router]
into = "main"
at = 18
length = 9
hose = 3
flow = 350
[run.mitre_saw]
into = "main"
length = 4
port = 3
flow = 360
[run.sweep]
into = "main"
length = 8
join = 45
flow = 400
"""


def written(folder: Path, text: str) -> Path:
    path = folder / "size.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_the_example_is_sized(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["airflow", "--size", str(EXAMPLE)]) == 0
    text = capsys.readouterr().out
    assert "Look for a fan whose curve passes above 483 cfm at " in text
    assert "fan needed (cfm, in.w.g.)" in text
    assert "[memory]" in text
    for caution in (
        "bond and earth it",
        "burn and explode",
        "Local rules come first",
        "someone competent",
        "anemometer",
    ):
        assert caution in text


def test_five_tools_fit_on_a_page_and_what_is_to_be_pasted_is_a_config(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = written(tmp_path, FIVE)
    main(["airflow", "--size", str(path)])
    text = capsys.readouterr().out
    assert len(text.splitlines()) <= 60
    pasted = text.partition("for the config:\n")[2].partition("\nSources")[0]
    ducts = tomllib.loads(pasted)["duct"]
    assert {"main", "main_2", "main_3", "main_4", "mitre_saw_port", "router_hose"} <= ducts.keys()
    assert ducts["main_4"]["into"] == "main_3"
    assert ducts["router"]["into"] == "main_3"
    assert ducts["mitre_saw_port"]["hood"]["tool"] == "mitre_saw"
    main(["airflow", "--size", str(path), "--json"])
    assert tomllib.loads(json.loads(capsys.readouterr().out)["collectors"]["main"]["toml"])["duct"] == ducts


def test_the_json_says_the_same(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    main(["airflow", "--json", "--size", str(written(tmp_path, FIVE))])
    found = json.loads(capsys.readouterr().out)
    assert found["units"] == "us"
    whole = found["collectors"]["main"]
    job = from_file(read(tmp_path / "size.toml"))
    sized = size(job.plan)
    assert whole["sizes"] == {name: pytest.approx(each / INCH) for name, each in sized.laid.sizes.items()}
    assert [need["asked_by"] for need in whole["needs"]] == [list(need.asked.who) for need in sized.needs]
    assert all(need["pressure"] < need["up_to"] for need in whole["needs"])
    assert whole["max_open"] == sized.max_open
    assert {part["kind"] for part in whole["parts"]} >= {"duct", "hose", "elbow", "wye", "gate"}
    assert len(whole["fan"]) == len(sized.needs)


def test_a_weak_fan_is_told_and_ends_with_1(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    weak = FIVE.replace("[[0, 12], [400, 11.5], [800, 9], [1200, 4], [1400, 1]]", "[[0, 3], [400, 2.5], [800, 0.5]]")
    assert main(["airflow", "--size", str(written(tmp_path, weak))]) == 1
    text = capsys.readouterr().out
    assert "your fan: jointer or drum_sander: the hood at planing gets " in text
    strong = FIVE.replace("curve = [[0, 12], [400, 11.5], [800, 9]", "curve = [[0, 90], [400, 80], [800, 70]")
    assert main(["airflow", "--size", str(written(tmp_path, strong))]) == 0


def test_the_configs_own_ducts_are_sized_anew(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "config.toml"
    path.write_text(shop_text(max_open=1), encoding="utf-8")
    main(["airflow", "--config", str(path), "--size"])
    text = capsys.readouterr().out
    assert "for the config, in place of its [duct.NAME] tables:" in text
    pasted = text.partition("tables:\n")[2].partition("\nSources")[0]
    assert set(tomllib.loads(pasted)["duct"]) == {
        "main",
        "row",
        "band_saw_drop",
        "planing_drop",
        "router_drop",
        "sweep_drop",
        "bench_port",
    }
    assert "spin_down = 12" in pasted
    before = shop_text(max_open=1).partition("[duct.main]")[0]
    loaded = load_text(before + pasted, path)
    assert loaded.config is not None, [str(each) for each in loaded.errors]


def test_thin_air_asks_for_more_on_a_makers_curve(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = "[run.m]\nlength = 9\nflow = 400\nentry = 0.5\n"
    main(["airflow", "--json", "--size", str(written(tmp_path, text))])
    (low,) = json.loads(capsys.readouterr().out)["collectors"]["main"]["needs"]
    path = written(tmp_path, f"[airflow]\naltitude = 5000\n{text}")
    main(["airflow", "--json", "--size", str(path)])
    (high,) = json.loads(capsys.readouterr().out)["collectors"]["main"]["needs"]
    thin = (1 - 2.25577e-5 * 1524) ** 5.25588  # the standard atmosphere, as a part of sea level
    assert high["pressure"] == pytest.approx(low["pressure"] * thin, rel=0.01)  # friction falls a little less
    main(["airflow", "--size", str(path)])
    curve = f"(it is drawn for standard air) passes above 400 cfm at {high['up_to'] / thin:.2f} in.w.g."
    assert curve in capsys.readouterr().out


def test_metric_and_us_files_give_the_same_ducts() -> None:
    def shop(foot: float, inch: float, cfm: float) -> dict[str, Any]:
        return {
            "sold": [each * inch for each in (3, 4, 5, 6)],
            "run": {
                "main": {"length": 20 * foot, "elbows": {"elbow_90": 1}},
                "a": {"into": "main", "at": 8 * foot, "length": 5 * foot, "flow": 400 * cfm, "port": 3 * inch},
                "b": {"into": "main", "length": 5 * foot, "flow": 600 * cfm, "hose": 2 * foot},
            },
        }

    airflow = {"units": "metric", "min_velocity": 20.32, "main_velocity": 17.78}
    us = size(job_of(shop(1, 1, 1)).plan)
    metric = size(job_of(shop(0.3048, 25.4, 1.69901082) | {"airflow": airflow}).plan)
    assert metric.laid.sizes == {name: pytest.approx(each) for name, each in us.laid.sizes.items()}
    for one, other in zip(us.needs, metric.needs, strict=True):
        assert other.most == pytest.approx(one.most, rel=1e-6)


def test_who_runs_together_is_said_by_tool_or_by_run() -> None:
    runs = {
        "main": {"length": 5},
        "saw": {"into": "main", "length": 3, "tool": "table_saw"},
        "planing": {"into": "main", "length": 3, "tool": ["jointer", "drum_sander"]},
        "sweep": {"into": "main", "length": 3},
    }
    job = job_of({"run": runs, "together": [["saw", "sweep"], ["drum_sander", "table_saw"]]})
    assert [asked.who for asked in job.plan.asked] == [
        ("table_saw",),
        ("jointer or drum_sander",),
        ("sweep",),
        ("table_saw", "sweep"),
        ("table_saw", "jointer or drum_sander"),
    ]
    assert [asked.by_hand for asked in job.plan.asked] == [False, False, True, False, False]
    assert job.tools["jointer or drum_sander"] == ("jointer", "drum_sander")
    assert job.tools["sweep"] == ()


def test_a_run_is_cut_where_others_join() -> None:
    end = {"length": 3, "flow": 400}
    job = job_of(
        {
            "run": {
                "main": {"length": 10, "elbows": {"elbow_90": 2}, "k": 0.2},
                "a": {"into": "main", "at": 4, **end},
                "b": {"into": "main", "at": 4, "join": 90, **end},
                "c": {"into": "main", "at": 10, "join": 45, **end},
                "d": {"into": "main", **end},
                "e": {"into": "main", "join": 30, **end},
            }
        }
    )
    runs = {run.name: run for run in job.plan.runs}
    assert {name: (run.into, round(run.length / FOOT, 3)) for name, run in runs.items()} == {
        "main": (None, 4),
        "main_2": ("main", 6),
        "a": ("main", 3),
        "b": ("main", 3),
        "c": ("main_2", 3),
        "d": ("main_2", 3),
        "e": ("main_2", 3),
    }
    assert runs["main"].fittings == ("elbow_90", "elbow_90", 0.2)
    assert runs["main_2"].fittings == ()
    joins = {name: runs[name].join for name in "abcde"}
    assert joins == {"a": "wye_45", "b": "tee", "c": "wye_45", "d": None, "e": "wye_30"}


BAD = [
    ("[run.main]\nlength = 3\nflow = 100\n", None),
    ("", "describe each run in a table [run.NAME]"),
    ("[run.main\n", ":1: "),
    ("[run.main]\nlenght = 3\nflow = 9\n", 'size.toml:2: run.main.lenght: there is no key "lenght" here; did you mean'),
    ("[run.main]\nlength = -3\nflow = 100\n", "size.toml:2: run.main.length: found -3; wanted a number of 0 or more"),
    ("[run.main]\nlength = 3\nflow = 100\n[run.a]\nlength = 2\nflow = 9\n", "'main' is at the collector already"),
    ('[run.main]\nlength = 3\nflow = 100\n[run.a]\ninto = "mian"\nlength = 2\nflow = 9\n', "did you mean main?"),
    ('[run.a]\ninto = "b"\nlength = 1\n[run.b]\ninto = "a"\nlength = 1\n', "the one at the collector has no into"),
    ('[run.m]\nlength = 5\n[run.a]\ninto = "m"\nat = 7\nlength = 1\nflow = 9\n', "cannot join 7 from its end"),
    ('[run.m]\nlength = 5\n[run.a]\ninto = "m"\nat = 3\nlength = 1\nflow = 9\n', "the last 2 of it leads nowhere"),
    ('[run.m]\nlength = 5\nflow = 100\n[run.a]\ninto = "m"\nlength = 1\nflow = 9\n', "so no machine can be there"),
    ('[run.m]\nlength = 5\n[run.a]\ninto = "m"\njoin = 50\nlength = 1\nflow = 9\n', "wanted the angle of the branch"),
    ('[run.m]\nlength = 5\ntool = "lathe"\n', "give its flow, or its port"),
    ("[run.m]\nlength = 5\nelbows = { elbow = 2 }\nflow = 100\n", 'there is no elbow "elbow"; '),
    ('[run.m]\nlength = 5\nflow = 100\ndust = "chips"\n', 'there is no kind of dust "chips"; '),
    ('together = [["m", "x"]]\n[run.m]\nlength = 5\nflow = 100\n', "there is no tool 'x'; "),
    ("sold = []\n[run.m]\nlength = 5\nflow = 100\n", "sold"),
    ("sold = [4, true]\n[run.m]\nlength = 5\nflow = 100\n", "sold[1]: found true; wanted a number"),
    ("[run.m]\nlength = 0\nentry = 0\nflow = 100\n", "loses nothing"),
    ("[run.m]\nlength = 5\nflow = 100\ngate = 3\n", "found 3; a name has"),
    ('[run.m]\nlength = 5\n[run.a]\ninto = "m"\nat = 0\nlength = 1\nflow = 9\n', "that is the other's own end"),
    ('[run.m]\nlength = 5\nhose = 2\n[run.a]\ninto = "m"\nlength = 1\nflow = 9\n', "a hose is at a machine"),
    ('[run.m]\nlength = 5\ngate = "g"\n[run.a]\ninto = "m"\nlength = 1\nflow = 9\n', "two gates on its way, a and g"),
    ('[run.a_hose]\nlength = 5\n[run.a]\ninto = "a_hose"\nlength = 1\nflow = 9\nhose = 1\n', "a duct of its own with"),
    ("inlet = 150\n[run.m]\nlength = 5\nflow = 100\n", "found 150 in; wanted 0.5 to 60 in, in the units of the file"),
    ("[run.m]\nlength = 5\nflow = 2\n", "found 2 cfm; wanted 5 to 50,000 cfm"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "says"), BAD)
def test_what_is_wrong_with_a_file_is_told_with_its_line(
    text: str, says: str | None, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code = main(["airflow", "--size", str(written(tmp_path, text))])
    if says is None:
        assert code == 0
        return
    assert code == 1
    error = capsys.readouterr().err
    assert says in error
    assert "size.toml:" in error


def test_odd_files_are_sized_or_told_what_is_wrong() -> None:
    sized = 0
    for seed in range(150):
        file = SizeFile.model_validate(odd_file(seed))
        if list(faults(file)):
            continue
        answer = Answer(job := from_file(file), size(job.plan))
        assert json.dumps(as_json([answer], job.units.name), allow_nan=False)
        assert all(text for text, _ in as_text([answer]))
        sized += 1
    assert sized > 15


def test_too_many_sets_and_files_that_cannot_be_read(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    ends = "".join(f'[run.t{n}]\ninto = "main"\nlength = 2\nflow = 300\njoin = 45\n' for n in range(12))
    many = written(tmp_path, f"at_once = 6\n[run.main]\nlength = 9\n{ends}")
    assert main(["airflow", "--size", str(many)]) == 1
    assert "of 12 tools these are more than 400 sets; name those that matter in together" in capsys.readouterr().err
    with pytest.raises(SizingFileError, match="cannot be read"):
        read(tmp_path / "none.toml")
    (tmp_path / "latin.toml").write_bytes(b"# \xe9\n")
    with pytest.raises(SizingFileError, match="UTF-8"):
        read(tmp_path / "latin.toml")
    assert main(["airflow", "--size", str(many), "--open", "t1"]) == 2
    assert "--size goes without --open" in capsys.readouterr().err


def test_a_narrow_port_is_told_with_what_it_takes(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    main(["airflow", "--size", str(written(tmp_path, "[run.m]\nlength = 5\nflow = 350\nport = 2.5\n"))])
    text = capsys.readouterr().out
    # 350 cfm in 0.0341 ft2 are 10,268 ft/min; at 4500 ft/min it takes 153 cfm
    assert "m: a port of 2.5 in is narrow for 350 cfm at 10,270 ft/min; it takes 153 cfm (by its port" in text


def test_no_list_of_tools_breaks_it() -> None:
    # one tool; one without a gate, which is always open; two hoods of one tool; two tools at one hood
    one = size(job_of({"run": {"m": {"length": 4, "flow": 400}}}).plan)
    assert set(one.laid.sizes) == {"m"}
    open_ = {"a": {"into": "m", "length": 3, "flow": 200, "gate": False}, "b": {"into": "m", "length": 3, "flow": 300}}
    job = job_of({"run": {"m": {"length": 4}, **open_}})
    sized = size(job.plan)
    assert all(need.flows["a"] > 0 for need in sized.needs)
    two = {
        "a": {"into": "m", "length": 3, "flow": 200, "tool": "saw"},
        "b": {"into": "m", "length": 3, "flow": 300, "tool": "saw"},
    }
    (asked,) = job_of({"run": {"m": {"length": 4}, **two}}).plan.asked
    assert (set(asked.gates), set(asked.dusty)) == ({"a", "b"}, {"a", "b"})
    station = {
        "a": {"into": "m", "length": 3, "flow": 200},
        "b": {"into": "m", "length": 3, "flow": 300, "gate": False},
    }
    job = job_of({"run": {"m": {"length": 4, "gate": "station"}, **station | {"a": {**station["a"], "gate": False}}}})
    assert [(set(each.gates), set(each.dusty)) for each in job.plan.asked] == [
        ({"station"}, {"a"}),
        ({"station"}, {"b"}),
    ]
    assert len(size(job.plan).needs) == 2
