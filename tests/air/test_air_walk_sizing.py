"""What a builder met who walked through `airflow --size`: each told once, in figures that can be bought."""

import json
from pathlib import Path

import pytest
from walk_shops import FILTER, row, shop

from gatehand import cli

SIX = """
sold = [4]
at_once = 2
[run.main]
length = 30
[run.table_saw]
into = "main"
length = 6
port = 5
dust = "shavings"
[run.band_saw]
into = "main"
at = 10
length = 5
flow = 400
[run.jointer]
into = "main"
at = 15
length = 4
port = 4
[run.drum_sander]
into = "main"
at = 20
length = 6
port = 4
[run.router]
into = "main"
at = 22
length = 9
flow = 220
[run.sweep]
into = "main"
at = 25
length = 3
flow = 350
"""


def sized(capsys: pytest.CaptureFixture[str], folder: Path, text: str, *more: str) -> str:
    """What --size prints of a file."""
    path = folder / "sizes.toml"
    path.write_text(text, encoding="utf-8")
    cli.main(["airflow", "--size", str(path), *more])
    return capsys.readouterr().out


def test_what_one_tool_lacks_is_not_told_again_with_every_other(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The router is slow alone and so with each of five others: that is one remark."""
    text = sized(capsys, tmp_path, SIX)
    (told,) = (line for line in text.splitlines() if "router would run at" in line)
    assert told.startswith(
        "-> router alone: router would run at 2,520 ft/min, not the 4,000 wanted; so it gets more air"
    )
    assert json.loads(sized(capsys, tmp_path, SIX, "--json"))["collectors"]["main"]["cures"]


def test_remarks_of_a_kind_are_few_on_a_page_and_all_in_the_json(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Six ports too narrow and eleven ducts too fast: four of each, the worst ducts first, and how many more."""
    narrow = SIX.replace("at_once = 2", "").replace("port = 4", "port = 2").replace("port = 5", "port = 2")
    narrow = narrow.replace("flow = ", "port = 2\nflow = ")
    text = sized(capsys, tmp_path, narrow)
    assert text.count("is narrow for") == 4
    assert "2 ports more, too narrow as well; --json has all" in text
    remarks = json.loads(sized(capsys, tmp_path, narrow, "--json"))["collectors"]["main"]["remarks"]
    assert sum("is narrow for" in remark for remark in remarks) == 6
    (fast,) = (line for line in sized(capsys, tmp_path, SIX).splitlines() if line.startswith("-> faster than"))
    speeds = [float(part.split(" ft/min")[0].replace(",", "")) for part in fast.split(" at ")[1:]]
    assert len(speeds) == 4
    assert speeds == sorted(speeds, reverse=True)
    assert "ducts more, each less fast" in fast


def test_a_factor_has_as_many_digits_as_are_known_and_says_what_it_is(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The step from the saw's 5 in port into a 4 in drop is no figure of the owner's."""
    line = row(sized(capsys, tmp_path, SIX), "table_saw = {")
    assert "{ k = 0.095 }" in line
    assert line.endswith("# the first k is the step from the port of 5 in")


def test_a_flow_that_nobody_gave_is_not_printed_as_the_owners(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """By its 4 in port the lathe wants 393 cfm; pasted, it is still by its port, and in another size the same."""
    lathe = '[run.main]\nlength = 9\nport = 4\ntool = "lathe"\n'
    assert "flow" not in row(sized(capsys, tmp_path, f"sold = [4]\n{lathe}"), "main = {")
    assert "flow = 392.7 }" in row(sized(capsys, tmp_path, f"sold = [3]\n{lathe}"), "main = {")


def test_without_a_filter_none_is_in_the_table(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Two columns of zeros say nothing."""
    assert "filter" not in row(sized(capsys, tmp_path, SIX), "fan needed")
    with_it = f"{FILTER}\n{SIX}"
    assert "filter clean  dirty" in row(sized(capsys, tmp_path, with_it), "fan needed")


def test_size_refuses_another_fan(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """It was dropped without a word."""
    path = tmp_path / "sizes.toml"
    path.write_text(SIX, encoding="utf-8")
    assert cli.main(["airflow", "--size", str(path), "--fan", "spare"]) == 2
    assert "--size goes without --fan" in capsys.readouterr().err


def test_a_trunk_that_no_fan_feeds_is_no_other_way(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """A narrower main that takes 70 in.w.g. is left to the JSON."""
    config = str(shop(tmp_path))
    cli.main(["airflow", "--config", config, "--size"])
    assert "make the trunk narrower" not in capsys.readouterr().out
    cli.main(["airflow", "--config", config, "--size", "--json"])
    remarks = json.loads(capsys.readouterr().out)["collectors"]["main"]["remarks"]
    assert any(remark.startswith("or make the trunk narrower, main at 4 in") for remark in remarks)


@pytest.mark.parametrize("text", ["", "sold = [4]\n", "[run]\n"])
def test_a_file_without_runs_says_what_to_write(tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str) -> None:
    """Not that a table is missing and has no default."""
    path = tmp_path / "sizes.toml"
    path.write_text(text, encoding="utf-8")
    assert cli.main(["airflow", "--size", str(path)]) == 1
    assert "describe each run in a table [run.NAME], with its length" in capsys.readouterr().err


def test_a_fan_that_nobody_sells_is_told(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """2,000 cfm through a 2 in duct take more than the air of the earth weighs: no fan gives that."""
    text = sized(capsys, tmp_path, "sold = [2]\n[run.m]\nlength = 30\nflow = 2000\n")
    assert "hardly any small shop's collector gives over 20 in.w.g. [practice]: take wider ducts" in text
    assert "hardly a small" not in sized(capsys, tmp_path, "[run.m]\nlength = 30\nflow = 400\n")


def test_a_fan_of_a_file_is_named_as_it_is_there(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The file has [fan], not [fan.main]."""
    text = sized(capsys, tmp_path, "fan = { curve = [[0, 11], [100, 10]] }\n[run.m]\nlength = 30\nflow = 400\n")
    assert "give [fan] more points" in text
