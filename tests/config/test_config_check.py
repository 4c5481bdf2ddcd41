"""`gatehand check` and `gatehand schema` as a person and a program see them."""

import json
import re
from pathlib import Path

import pytest
from test_config_codes import DUCTS

from gatehand.cli import main
from gatehand.terminal import wide

HERE = Path(__file__).parent
SMALLEST = HERE / "good" / "smallest.toml"


def test_a_good_config_exits_0_and_names_what_was_found(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", "--config", str(SMALLEST)]) == 0
    assert capsys.readouterr().out == f"{SMALLEST}: no problems; 1 tool, 1 gate and 1 collector\n"


def test_a_bad_config_exits_1_and_sums_up_in_its_last_line(capsys: pytest.CaptureFixture[str]) -> None:
    path = HERE / "bad" / "duration_negative.toml"
    assert main(["check", "--config", str(path)]) == 1
    first, line, mark, last = capsys.readouterr().out.splitlines()
    assert first.startswith(f"{path}:10:10: error: tool.saw.run_on: found -3;")
    assert line == "   10 | run_on = -3"
    assert mark == "      |          ^^ bad-duration"
    assert last == f"{path}: 1 error; 1 tool, 1 gate and 1 collector"


def test_only_warnings_exit_0(capsys: pytest.CaptureFixture[str]) -> None:
    path = HERE / "bad" / "coast_down_short.toml"
    assert main(["check", "--config", str(path)]) == 0
    assert capsys.readouterr().out.splitlines()[-1] == f"{path}: 1 warning; 1 tool, 1 gate and 1 collector"


def test_a_long_message_is_wrapped_on_a_terminal_and_one_line_for_a_program(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(HERE.parents[1])
    asked = ["check", "--config", "config.example.toml"]
    main(asked)
    whole = capsys.readouterr().out
    assert max(map(len, whole.splitlines())) > 200
    monkeypatch.setattr("sys.stdout.isatty", lambda: True)
    for columns, widest in ((80, 80), (300, 100)):
        monkeypatch.setenv("COLUMNS", str(columns))
        main(asked)
        lines = capsys.readouterr().out.splitlines()
        told = [line for line in lines if ": warning: " in line or (line.startswith("    ") and "| " not in line)]
        assert widest - 20 < max(map(len, told)) <= widest
        starts = [line for line in lines if ": warning: " in line]
        assert len(starts) == whole.count(": warning: ")
        assert max(map(wide, lines)) <= columns
        assert said(lines) == said(whole.splitlines()), "nothing is lost"


def said(lines: list[str]) -> list[str]:
    """The words, less the file's own lines with their marks: of these a narrow terminal shows the part at the mark."""
    return [word for line in lines if not re.match(r" *\d* *\| ", line) for word in line.split()]


def test_a_missing_file_exits_1(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", "--config", str(tmp_path / "none.toml")]) == 1
    assert capsys.readouterr().out.splitlines()[-1] == f"{tmp_path / 'none.toml'}: 1 error"


def test_json_gives_the_same_facts(capsys: pytest.CaptureFixture[str]) -> None:
    path = HERE / "bad" / "duration_negative.toml"
    assert main(["check", "--json", "--config", str(path)]) == 1
    assert json.loads(capsys.readouterr().out) == {
        "ok": False,
        "problems": [
            {
                "file": str(path),
                "line": 10,
                "column": 10,
                "end_column": 12,
                "where": "tool.saw.run_on",
                "level": "error",
                "code": "bad-duration",
                "message": "found -3; a duration is never negative: 0 or more is wanted",
                "fix": None,
            }
        ],
    }
    assert main(["check", "--json", "--config", str(SMALLEST)]) == 0
    assert json.loads(capsys.readouterr().out) == {"ok": True, "problems": []}


def test_the_schema_is_printed_or_written(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["schema"]) == 0
    printed = capsys.readouterr().out
    assert json.loads(printed)["$schema"] == "https://json-schema.org/draft/2020-12/schema"
    file = tmp_path / "gatehand.schema.json"
    assert main(["schema", "--write", str(file)]) == 0
    assert file.read_text() == printed
    assert main(["schema", "--write", str(tmp_path / "none" / "x.json")]) == 1
    assert "cannot be written" in capsys.readouterr().err


def test_what_the_ducts_warn_of_is_among_the_problems(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "config.toml"
    path.write_text(SMALLEST.read_text() + DUCTS)
    assert main(["check", "--config", str(path)]) == 0
    *problems, last = capsys.readouterr().out.splitlines()
    assert any("warning: " in line and "ft/min" in line and "main" in line for line in problems)
    assert last.endswith("warning; 1 tool, 1 gate, 1 collector and 2 ducts") or " warnings; " in last
    assert main(["check", "--json", "--config", str(path)]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["ok"] is True
    assert {problem["level"] for problem in told["problems"]} == {"warning"}


@pytest.mark.parametrize(
    ("units", "told"),
    [("metric", ["units-doubtful"]), ("us", ["weak-air", "weak-air"])],
    ids=["of other units", "of its own units"],
)
def test_numbers_of_other_units_are_one_warning_and_no_arithmetic_is_done_with_them(
    units: str, told: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "config.toml"
    path.write_text(f'[airflow]\nunits = "{units}"\n{SMALLEST.read_text()}{DUCTS}')
    assert main(["check", "--json", str(path)]) == 0
    assert [each["code"] for each in json.loads(capsys.readouterr().out)["problems"]] == told


def test_the_file_may_be_named_without_its_option(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", str(SMALLEST)]) == 0
    assert capsys.readouterr().out.startswith(f"{SMALLEST}: no problems")
    assert main(["check", str(SMALLEST), "--config", "other.toml"]) == 2
    assert "name the config only once" in capsys.readouterr().err
    assert main(["--config", "other.toml", "check", str(SMALLEST)]) == 2


def test_help_says_what_a_command_does(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["help", "check"]) == 0
    asked = capsys.readouterr().out
    assert main(["check", "--help"]) == 0
    assert capsys.readouterr().out == asked
    assert main(["help"]) == 0
    assert "  check " in capsys.readouterr().out
    assert main(["help", "chekc"]) == 2
    assert capsys.readouterr().err == "gatehand: there is no command 'chekc'; did you mean check?\n"
