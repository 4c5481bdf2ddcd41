"""Each number that DEVELOPERS.md lists is a constant of the file that it names."""

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
SHORT = (ROOT / "daemon/gatehand", ROOT / "rules/gatehand_rules", ROOT)
"""Where a short path of that page begins; one of the rules begins with `rules/`."""
GUIDE = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
ROWS = re.findall(
    r"^\| .* \| (`.*) \|$", GUIDE.partition("## Numbers that people ask for")[2].partition("\n## ")[0], re.MULTILINE
)


def file_of(path: str, before: Path | None) -> Path:
    """What a row names; a bare name is a file beside the one before."""
    folders: list[Path] = [*SHORT] if before is None else [before.parent, *SHORT]
    short = path.removeprefix("rules/")
    return next(folder / short for folder in folders if (folder / short).is_file())


@pytest.mark.parametrize("row", ROWS)
def test_a_number_of_the_guide_is_in_its_file(row: str) -> None:
    file: Path | None = None
    for word in re.findall(r"`([^`]+)`", row):
        if word.endswith((".py", ".html")):
            file = file_of(word, file)
        else:
            assert file is not None
            name = word.rpartition(".")[2]
            assert re.search(rf"\b{name}\b\s*(?::|=)|class {name}\b", file.read_text(encoding="utf-8")), (file, word)


def test_the_table_is_read() -> None:
    assert len(ROWS) > 40
