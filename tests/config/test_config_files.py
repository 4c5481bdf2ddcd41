"""Whole config files: each of `good/` loads without a word, each of `bad/` has exactly the fault of its first line.

That line names place, level and code of the fault, and a part of the message.
"""

import re
from pathlib import Path

import pytest

from gatehand.config import load

HERE = Path(__file__).parent
FIRST_LINE = re.compile(
    r"# (?P<line>\d+):(?P<column>\d+) (?P<level>error|warning) (?P<code>[a-z0-9-]+): (?P<fragment>.+)"
)


def paths(folder: str) -> list[Path]:
    found = sorted((HERE / folder).glob("*.toml"))
    assert found, f"no files in {folder}"
    return found


@pytest.mark.parametrize("path", paths("good"), ids=lambda path: path.stem)
def test_a_good_config_loads_without_a_word(path: Path) -> None:
    loaded = load(path)
    assert [str(problem) for problem in loaded.problems] == []
    assert loaded.config is not None
    assert loaded.shop is not None


@pytest.mark.parametrize("path", paths("bad"), ids=lambda path: path.stem)
def test_a_bad_config_has_the_one_fault_that_it_names(path: Path) -> None:
    first = path.read_text(encoding="utf-8").partition("\n")[0]
    wanted = FIRST_LINE.fullmatch(first)
    assert wanted, f"first line wants '# LINE:COLUMN error CODE: FRAGMENT', found {first}"
    loaded = load(path)
    (problem,) = loaded.problems or [None]
    assert problem is not None, "no problem found"
    assert wanted["fragment"] in problem.message
    assert (problem.line, problem.column) == (int(wanted["line"]), int(wanted["column"]))
    assert (problem.level, problem.code) == (wanted["level"], wanted["code"])
    assert loaded.ok is (problem.level == "warning")
    assert (loaded.shop is None) is (problem.level == "error")
