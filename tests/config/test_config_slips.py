"""Text that is not valid TOML: one sign left out is one mistake on its line, and hides none elsewhere."""

import random
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from typos import rich_config

from gatehand.config import Loaded, load_text
from gatehand.config.toml_text import read_toml

FILE = Path("config.toml")
SIGNS = '"{}[]='
SAMPLE = 45


def told(loaded: Loaded) -> list[tuple[int, str]]:
    return [(each.line, each.code) for each in loaded.errors]


def places(text: str) -> list[int]:
    """Each sign that is no part of a comment."""
    at, found = 0, []
    for line in text.split("\n"):
        found += [at + i for i, sign in enumerate(line) if sign in SIGNS and "#" not in line[:i]]
        at += len(line) + 1
    return found


def test_a_sign_left_out_is_one_mistake_on_its_line_that_says_which() -> None:
    text = rich_config()
    every = places(text)
    assert len(every) > 600
    for place in random.Random(1).sample(every, SAMPLE):
        line = text.count("\n", 0, place) + 1
        loaded = load_text(text[:place] + text[place + 1 :], FILE, files=False)
        ((where, code),) = told(loaded)
        assert where == line
        assert code != "not-toml", text.split("\n")[line - 1]


BROKEN = """\
[collector.main]
command = { topic = "c/set, on = "1", off = "0" }
spin_up = 60s
[gate.saw
command = {
  topic = "g/saw/set",
  open = "1", shut = "0"
}
retries = 2,
[tool.saw]
gates = ["saw"
current = { topic = "t/saw" }
start_amps = 2
run_om = 10
[tool.lathe]
gates = ["swa"]
current = { topic = "t/lathe" }
start_amps = -1
"""


def test_all_mistakes_are_told_after_a_slip_too(tmp_path: Path) -> None:
    assert told(load_text(BROKEN, tmp_path / "config.toml")) == [
        (2, "quote-missing"),
        (3, "text-without-quotes"),
        (4, "bracket-missing"),
        (5, "table-over-lines"),
        (9, "stray-comma"),
        (11, "bracket-missing"),
        (14, "unknown-key"),
        (16, "unknown-name"),
        (18, "bad-number"),
    ]


def test_what_could_not_be_read_is_not_called_missing(tmp_path: Path) -> None:
    text = (
        '[collector.main\n] x\ncommand = { topic = "c", on = "1", off = "0" }\n[tool.saw]\ncurrent = { topic = "t" }\n'
    )
    codes = {code for _, code in told(load_text(text + "start_amps = 2\n", tmp_path / "c.toml"))}
    assert codes & {"no-collector", "unknown-name", "missing-key"} == set()


@pytest.mark.parametrize(
    ("second", "codes"),
    [
        ('[tool.saw]\ngates = ["saw"]\n', ["set-twice"]),
        ('[tool.saw.current]\ntopic = "x"\n', ["set-twice"]),
        ("start_amps = 3\n", ["set-twice"]),
        ("start_amps = 3\nrun_om = 1\n", ["set-twice", "unknown-key"]),
    ],
)
def test_what_is_set_twice_hides_nothing_else(second: str, codes: list[str], tmp_path: Path) -> None:
    text = (Path(__file__).parent / "good" / "smallest.toml").read_text()
    assert [code for _, code in told(load_text(text + second, tmp_path / "c.toml"))] == codes


def test_a_file_of_nothing_but_slips_ends() -> None:
    assert 0 < len(read_toml("= = =\n" * 5000).slips) < 100


@settings(max_examples=60, deadline=None)
@given(st.data())
def test_no_damage_raises_or_moves_a_line(data: st.DataObject) -> None:
    text = rich_config()
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, len(text)))
        until = min(len(text), at + data.draw(st.integers(0, 30)))
        put = data.draw(st.sampled_from(["", '"', "[", "]", "=", "\n", "\x00", "'''", "é", "}", ",", "“"]))
        text = text[:at] + put + text[until:]
    lines = text.split("\n")
    for problem in load_text(text, FILE, files=False).problems:
        assert 1 <= problem.line <= len(lines)
        assert 1 <= problem.column <= problem.end_column <= len(lines[problem.line - 1]) + 1
