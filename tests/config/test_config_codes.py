"""The codes of mistakes: each is met, each is explained, and `check --explain` shows it."""

import json
import re
from collections.abc import Callable
from pathlib import Path

import pytest

from gatehand.cli import main
from gatehand.config import codes, load, load_text
from gatehand.config.codes import CODES, Severity
from gatehand.rhythm import Rhythm
from gatehand.shell.baselines import Baseline, made_of
from gatehand.shell.ports import Remembered
from gatehand.shell.state_file import FILE, encoded

HERE = Path(__file__).parent
SMALLEST = (HERE / "good" / "smallest.toml").read_text(encoding="utf-8")
Make = Callable[[Path], object]


def _secret_for_all(path: Path) -> None:
    secret = path.with_name("secret")
    secret.write_text("x\n")
    secret.chmod(0o644)
    path.write_text(f'[broker]\nusername = "gatehand"\npassword_file = "secret"\n{SMALLEST}')


DUCTS = """
[fan.main]
curve = [[0, 11.0], [400, 10.4], [800, 8.1], [1200, 3.9]]
[duct.main]
diameter = 12
length = 30
[duct.drop]
into = "main"
diameter = 4
length = 6
fittings = [{ reducer = 12 }]
gate = "saw"
hood = { flow = 350, tool = "saw" }
"""
"""One 4 in branch cannot keep a 12 in main swept: the velocity falls with the square of the diameter."""


def _steady_meter(path: Path) -> None:
    """The daemon has seen its meter speak every 30 s, as long as it may be silent."""
    path.write_text(SMALLEST)
    seen = Rhythm(every=30.0, longest=31.0, steady=True, on_change=False, count=40)
    path.with_name(FILE).write_bytes(encoded(Remembered(rhythms={"t/saw#": seen})))


INLET = 'suction = { topic = "c/inlet", unit = "Pa" }\n'
WITH_INLET = SMALLEST.replace("[gate.saw]", f"{INLET}[gate.saw]")


def _kept(path: Path, text: str, of: str) -> None:
    """The daemon has kept a baseline of the shop as the text `of` has it."""
    path.write_text(text)
    config = load_text(of, path).config
    assert config is not None
    one = Baseline("main", ("saw",), 1000.0, 1.0, "2026-03-01T09:00:00.000Z", made_of(config, "main"), "c/set")
    path.with_name(FILE).write_bytes(encoded(Remembered(baselines={one.key: one})))


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        (WITH_INLET, "it has no baseline, and the config has no ducts and a fan"),
        (WITH_INLET + DUCTS, "no filter_loss in [fan.main]"),
    ],
)
def test_a_suction_that_nothing_is_compared_with_is_warned_of_until_a_baseline_is_taken(
    text: str, wanted: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    def told() -> list[str]:
        main(["check", "--json", str(path)])
        found = json.loads(capsys.readouterr().out)["problems"]
        return [each["message"] for each in found if each["code"] == "suction-alone"]

    path = tmp_path / "config.toml"
    path.write_text(text)
    assert wanted in told()[0]
    _kept(path, text, text)
    assert not told()
    _kept(path, text, text.replace('unit = "Pa"', 'unit = "in.w.g."'))
    assert "its baselines are of other ducts, gates or another unit" in told()[0]
    path.with_name(FILE).unlink()
    fan = DUCTS.replace("[duct.main]", "filter_loss = { clean = 1, dirty = 2, at = 800 }\n[duct.main]")
    path.write_text(WITH_INLET + fan)
    assert not told()


MADE: dict[str, Make] = {
    "unreadable-file": lambda path: path.mkdir(),
    "not-utf-8": lambda path: path.write_bytes(b"# gr\xfcn\n"),
    "open-to-all": _secret_for_all,
    "weak-air": lambda path: path.write_text(SMALLEST + DUCTS),
    "silent-after": _steady_meter,
    "suction-alone": lambda path: path.write_text(WITH_INLET),
    "first-cut": lambda path: path.write_text(f"{SMALLEST}silent_after = 0\n"),
}
"""Mistakes that no file of `bad/` can have by itself."""


@pytest.mark.parametrize("code", MADE)
def test_a_mistake_beside_the_text_has_its_code_too(
    code: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "config.toml"
    MADE[code](path)
    main(["check", "--json", str(path)])
    told = json.loads(capsys.readouterr().out)["problems"]
    assert {each["code"] for each in told} == {code}
    assert {each["level"] for each in told} == {CODES[code].level}


def test_every_code_is_met_by_a_config_that_has_its_mistake() -> None:
    met = {each.code for path in (HERE / "bad").glob("*.toml") for each in load(path).problems}
    assert met | {*MADE} == {*CODES}


def test_a_code_is_words_and_its_explanation_is_sentences() -> None:
    for code in CODES.values():
        assert re.fullmatch("[a-z0-9]+(-[a-z0-9]+)*", code.name)
        assert code.why.endswith(".")
        assert code.why[0].isupper() or code.why[0] == "`"
        assert isinstance(code.level, Severity)
    assert len({code.why for code in CODES.values()}) == len(CODES)


def test_explain_shows_meaning_and_example(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", "--explain", "no-refresh"]) == 0
    text = capsys.readouterr().out
    assert text.startswith("no-refresh (warning)\n\n")
    assert " ".join(codes.NO_REFRESH.why.split()) in " ".join(text.split())
    assert "    refresh = 20 " in text


def test_explain_without_a_code_lists_all(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", "--explain"]) == 0
    assert [line.split()[0] for line in capsys.readouterr().out.splitlines()] == [*CODES]


def test_explain_of_a_code_that_is_not_there_names_the_nearest(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", "--explain", "unknwon-key"]) == 2
    assert capsys.readouterr().err == "gatehand check: there is no code 'unknwon-key'; did you mean unknown-key?\n"


def test_explain_gives_programs_the_same(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", "--explain", "bad-host", "--json"]) == 0
    (told,) = json.loads(capsys.readouterr().out)
    assert told == {"name": "bad-host", "level": "error", "why": codes.BAD_HOST.why, "right": codes.BAD_HOST.right}
