"""A builder's walk through `gatehand airflow`: what is said must be so, and must read well at 80 columns."""

import json
from pathlib import Path

import pytest
from walk_shops import CURVE, FILTER, STATION, TOOLS, airflow, row, shop

from gatehand import cli
from gatehand.air.air_report import LEFT_OUT
from gatehand.terminal import fitted


def test_each_heading_of_the_sets_names_its_own_column(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """At 80 columns each cell is named by its heading: the fan's pressure is no pressure of the filter."""
    monkeypatch.setattr("gatehand.terminal.room", lambda _=None: 80)
    _, text = airflow(capsys, "--config", str(shop(tmp_path)))
    said = " ".join(text.split())
    assert "lathe verdict well, clean cfm 948 ± 47, dirty cfm 887 ± 48, suction 7.72" in said


def test_a_shop_without_a_filter_is_shown_one_column(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Clean and dirty are the same there."""
    _, text = airflow(capsys, "--config", str(shop(tmp_path, STATION.replace(FILTER, ""))))
    assert row(text, "open ").count("cfm") == 1
    assert "dirty" not in row(text, "open ")


def test_a_hood_is_short_and_a_duct_is_slow(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One word for one thing; a hood and its duct of one name are named once."""
    ducts = STATION.replace("flow = 400", "flow = 880")
    _, text = airflow(capsys, "--config", str(shop(tmp_path, ducts)))
    assert "  lathe and mitre_saw short  " in row(text, "lathe, station (tool mitre_saw with tool lathe)")
    slow = STATION.replace("diameter = 6\n", "diameter = 6.25\n").replace('"lathe" }', '"lathe", dust = "heavy" }')
    _, text = airflow(capsys, "--config", str(shop(tmp_path, slow)))
    assert "main slow, dirty filter" in row(text, "lathe  ")


def test_fine_dust_is_not_called_heavy(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What may stay behind is the dust of the hood; and what is too slow has its half-width."""
    ducts = STATION.replace("diameter = 6\n", "diameter = 7.75\n").replace(
        'tool = "lathe"', 'tool = "lathe", dust = "fine"'
    )
    _, text = airflow(capsys, "--config", str(shop(tmp_path, ducts)), "--open", "lathe")
    told = row(text, "  -> with a dirty filter, main runs at")
    assert "ft/min, not the 3,000 wanted: dust may stay behind" in told
    assert " ± " in told


def test_suction_at_the_collector_has_its_half_width(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What a gauge there reads is in the text as in the JSON."""
    config = str(shop(tmp_path))
    _, text = airflow(capsys, "--config", config, "--open", "lathe")
    _, told = airflow(capsys, "--config", config, "--open", "lathe", "--json")
    (one,) = json.loads(told)["sets"]
    clean, dirty = (f"{each['suction']:.2f} ± {each['suction_spread']:.2f}" for each in (one, one["dirty"]))
    given = [f"(fan static {each['pressure']:.2f})" for each in (one, one["dirty"])]
    said = f"suction {clean} in.w.g. {given[0]}, with a dirty filter suction {dirty} in.w.g. {given[1]}"
    assert f"at the collector's inlet: {said}" in text


@pytest.mark.parametrize(("flow", "answer"), [(300, 0), (1100, 1)])
def test_a_tool_without_a_gate_is_asked_for(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], flow: int, answer: int
) -> None:
    """A hose and no gate: the tool alone is a set of its own, and its verdict is the exit code (it draws 820 ± 96)."""
    duct = f'diameter = 4\nlength = 10\nhood = {{ entry = "plain", flow = {flow}, tool = "saw" }}'
    config = shop(tmp_path, f"\n[fan.main]\ncurve = {CURVE}\n[duct.main]\n{duct}\n", {"saw": ""})
    code, text = airflow(capsys, "--config", str(config), "--full")
    assert "(tool saw)" in text
    assert "not asked for" not in text
    assert code == answer


def test_the_set_of_all_gates_does_not_make_the_table_wide(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Twelve names in one cell made every line of the table 220 columns wide."""
    gates = [f"gate_{n}" for n in range(6)]
    duct = (
        '\n[duct.{0}]\ninto = "main"\ndiameter = 4\nlength = 6\ngate = "{0}"\nhood = {{ entry = "plain", flow = 300 }}'
    )
    ducts = f"\n[fan.main]\ncurve = {CURVE}\n[duct.main]\ndiameter = 6\nlength = 9" + "".join(map(duct.format, gates))
    config = str(shop(tmp_path, ducts + "\n", {f"tool_{n}": gate for n, gate in enumerate(gates)}))
    _, text = airflow(capsys, "--config", config)
    assert row(text, "all 6 gates  ")
    assert "All gates at once is shown for comparison" in text
    assert max(len(line) for line in text.split("Each ±")[0].splitlines()) < 120
    told = json.loads(airflow(capsys, "--config", config, "--json")[1])
    assert told["sets"][-1]["open"] == gates


def long_main(drops: int) -> str:
    """A main of as many lengths of one size, a drop at each: so wide that every tool alone is too slow in it."""
    main = "\n[duct.m{0}]\n{1}diameter = 8\nlength = 5"
    drop = '\n[duct.d{0}]\ninto = "m{0}"\ndiameter = 4\nlength = 6\ngate = "g{0}"'
    hood = '\nhood = {{ entry = "flanged", flow = 350, tool = "t{0}" }}'
    rows = ((main + drop + hood).format(n, f'into = "m{n - 1}"\n' if n else "") for n in range(drops))
    return f"\n[fan.main]\ncurve = {CURVE}\n{FILTER}" + "".join(rows) + "\n"


def test_lengths_of_one_main_are_one_row_and_one_sentence(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Four lengths with the same air said the same four times; --full and --json have each."""
    config = str(shop(tmp_path, long_main(6), {f"t{n}": f"g{n}" for n in range(6)}))
    _, full = airflow(capsys, "--config", config, "--open", "g5")
    assert row(full, "  duct m5, 8 in ")
    _, told = airflow(capsys, "--config", config, "--open", "g5", "--json")
    (one,) = json.loads(told)["sets"]
    assert {f"m{n}" for n in range(6)} < one["ducts"].keys()
    assert any("m2, m3, m4 and m5 run at" in sentence for sentence in one["short"])
    _, text = airflow(capsys, "--config", config)
    alone = text.split("with g5 alone")[1].split("\n\n")[0]
    assert row(alone, "  ducts m5, m4 and 2 more, 8 in ").endswith("sawdust settles")
    assert row(alone, "  ducts m1 and m0, 8 in ")
    assert row(alone, "  -> m2, m3 and 2 more run at")


def test_paragraphs_are_broken_by_the_terminal_alone() -> None:
    """A line that is broken in the text and again by the terminal is ragged."""
    for line in LEFT_OUT.splitlines():
        assert line.endswith((".", ";")), line
        assert all(len(part) > 50 for part in [*fitted(line, 80)][:-1])


@pytest.mark.parametrize("curve", ["[[0, 11.2], [200, 11.0], [400, 10.6]]", "[[925, 7.8], [1100, 5.8], [1400, 1.5]]"])
def test_no_room_is_told_where_the_curve_does_not_tell(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], curve: str
) -> None:
    """A curve that ends before the want is met tells no room, nor does one that begins late."""
    config = shop(tmp_path, STATION.replace(CURVE, curve))
    _, told = airflow(capsys, "--config", str(config), "--json")
    rooms = {one["for"]: one for one in json.loads(told)["room"]}
    assert rooms["tool lathe"]["machines"][0]["may_lose"] is None
    assert rooms["tool mitre_saw"]["machines"][0]["may_lose"] is None


def test_room_reads_at_80_columns(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """What all rows share is in the title; no cell is parted from its ±."""
    config = str(shop(tmp_path))
    _, text = airflow(capsys, "--config", config)
    assert "each alone (in.w.g.; at 800 cfm the filter loses 0.80 clean, 2.00 dirty):" in text
    assert "What a machine may lose is worked out with a dirty filter." in text
    monkeypatch.setattr("gatehand.terminal.room", lambda _=None: 80)
    _, narrow = airflow(capsys, "--config", config)
    said = " ".join(narrow.split())
    assert "tool band_saw its machine may lose 1.43 ± 0.55 at 350 cfm (it loses 1.50), the filter may lose 1.81" in said
    assert not [line for line in narrow.splitlines() if line.endswith("±") or line.lstrip().startswith("±")]
    _, plain = airflow(capsys, "--config", str(shop(tmp_path, STATION.replace(FILTER, ""))))
    assert "dirty filter." not in plain.split("what may be lost before")[1].split("what the config should say")[0]


def test_sets_of_the_same_gates_are_told_of_a_fan_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The saw alone and with its neighbours on one station are one line; who does well stands before the verdict."""
    cli.main(["airflow", "--config", str(shop(tmp_path)), "--size"])
    text = capsys.readouterr().out
    told = [line for line in text.splitlines() if line.startswith("  your fan: ")]
    (saw,) = (line for line in told if "main runs at" in line)
    assert saw.startswith(
        "  your fan: mitre_saw; band_saw with mitre_saw; mitre_saw with scroll_saw: with a dirty filter"
    )
    assert any(line.endswith(": too close to call") for line in told)
    assert "machine_loss = 0 }" in row(text, "scroll_saw = {")


SPARE = """
[fan.spare]
curve = [[0, 8], [400, 7.6], [800, 6.2], [1100, 4.2], [1400, 1.0]]
speed = { curve = 2850, run = 3450 }
"""


def test_both_fans_are_told_as_the_report_tells_one(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The same sets by the same names, the same room in the same words, each flow with its half-width."""
    config = str(shop(tmp_path, STATION + SPARE))
    _, report = airflow(capsys, "--config", config)
    _, both = airflow(capsys, "--config", config, "--fan", "spare")
    for line in report.splitlines():
        if line.startswith(("station (", "lathe, station (")):
            name = line.split(")")[0] + ")"
            assert row(both, f"  {name}").count(" ± ") == 2
    assert "1.81 ± 1.67" in row(report, "  tool band_saw ")
    assert "1.81 ± 1.67, then the hood at band_saw falls short" in row(both, "  tool band_saw ")
    assert both.splitlines()[-1]
    told = json.loads(airflow(capsys, "--config", config, "--fan", "spare", "--json")[1])["fans"][0]["sets"]
    first = next(one for one in told if one["asked_by"] == [["tool band_saw"]])
    assert first["other"]["spread"] > first["own"]["spread"] > 0
    assert first["own"]["filter_spread"] > 0


def test_the_picture_has_both_fans(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """--plot beside --fan drew the own fan alone, without a word."""
    picture = tmp_path / "air.svg"
    args = ("--config", str(shop(tmp_path, STATION + SPARE)), "--open", "lathe", "--plot", str(picture))
    _, both = airflow(capsys, *args, "--fan", "spare")
    drawn = picture.read_text("utf-8")
    assert "fan spare" in drawn
    flow = row(both, "  lathe ").split("well")[1].strip()
    assert flow.startswith("953 ± 59")
    assert "953 ± 59 cfm" in drawn
    airflow(capsys, *args, "--fan", "main")
    assert "fan spare" not in picture.read_text("utf-8")


def test_a_shop_without_gates_has_none_shut(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Neither in words nor in the picture."""
    duct = 'diameter = 4\nlength = 10\nhood = { entry = "plain", flow = 300, tool = "saw" }'
    config = shop(tmp_path, f"\n[fan.main]\ncurve = {CURVE}\n[duct.main]\n{duct}\n", {"saw": ""})
    picture = tmp_path / "air.svg"
    _, text = airflow(capsys, "--config", str(config), "--full", "--plot", str(picture))
    assert "with no gate, always open (tool saw)" in text
    assert "No gate: always open" in picture.read_text("utf-8")


def test_beyond_a_curve_both_fans_say_over(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The lower bound is known there too."""
    config = str(shop(tmp_path, STATION + SPARE.replace(", [800, 6.2], [1100, 4.2], [1400, 1.0]", "")))
    _, both = airflow(capsys, "--config", config, "--fan", "spare")
    assert "over 484" in row(both, "  lathe ")  # 400 x 3450 / 2850


def test_a_fan_is_not_compared_with_itself(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Two columns alike would only look like an answer."""
    _, both = airflow(capsys, "--config", str(shop(tmp_path)), "--fan", "main")
    assert both == "collector main: fan main is its own, so there is nothing to compare\n"


def test_no_filter_loses_more_than_the_fan_gives(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A room of 100 in.w.g. at 800 cfm is a figure that no shop has."""
    small = STATION.replace("flow = 400", "flow = 200").replace("diameter = 6\n", "diameter = 4\n")
    _, text = airflow(capsys, "--config", str(shop(tmp_path, small)))
    assert "over 11.20  all that the fan gives; duct lathe would fall short first" in row(text, "  tool lathe ")


def test_sources_end_with_their_last_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """No blank line behind them."""
    assert airflow(capsys, "--config", str(shop(tmp_path)), "--sources")[1].endswith("wherever you give one.\n")


def test_a_tool_in_place_of_its_gate_is_told_with_its_gate(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Whoever thinks of the saw writes the saw."""
    assert cli.main(["airflow", "--config", str(shop(tmp_path)), "--open", "mitre_saw"]) == 2
    assert capsys.readouterr().err == "--open: 'mitre_saw' is a tool: name its gate, station\n"


def test_max_open_is_named_only_where_it_is(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Three tools at once, which nothing forbids, are not beyond a max_open that nobody gave."""
    ducts = STATION + '[duct.shaper]\ninto = "main"\ndiameter = 4\nlength = 3\ngate = "shaper"\n'
    _, text = airflow(capsys, "--config", str(shop(tmp_path, ducts, {**TOOLS, "shaper": "shaper"})), "--full")
    assert "max_open, " not in text.split("room before")[0].replace("without max_open nothing forbids it", "")
    assert row(text, "all 3 gates  ")
    assert "no set of tools asks for it, and without max_open nothing forbids it." in text
    assert "with lathe, shaper and station open (all at once; without max_open nothing forbids it)" in text


def test_numbers_of_the_other_units_are_told_beside_the_figures(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A metric shop without `units`: whoever reads figures reads that they are of no shop; --json stays JSON."""
    fan = "[fan.main]\ncurve = [[0, 2800], [700, 2600], [1400, 2100], [2000, 1200]]\n"
    duct = (
        '[duct.main]\ndiameter = 20\nlength = 4\ngate = "saw"\nhood = { entry = "plain", flow = 600, tool = "saw" }\n'
    )
    config = str(shop(tmp_path, f"\n{fan}{duct}", {"saw": "saw"}))
    cli.main(["airflow", "--config", config, "--json"])
    said = capsys.readouterr()
    assert 'yet the curve of fan "main" begins at 2800: give it in in.w.g., or look at units in [airflow]' in said.err
    assert json.loads(said.out)["units"] == "us"
    cli.main(["airflow", "--config", str(shop(tmp_path))])
    assert not capsys.readouterr().err
