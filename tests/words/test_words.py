"""Every sentence that a user can meet is in one reviewed file, in our own words and without slips of the pen."""

from collections.abc import Iterator
from pathlib import Path

import pytest
import word_catalogue
from source_literals import literals
from wording import ALWAYS_MANY, COUNTABLE, IN_THE_PROGRAM, INSTEAD, banned, slips

REVIEWED = Path(__file__).with_name("sentences.txt")
HOUSE = Path(__file__).parents[2]
PAPERS = [
    HOUSE / "README.md",
    HOUSE / "CHANGELOG.md",
    HOUSE / "config.example.toml",
    *sorted((HOUSE / "deploy").glob("*.md")),
    HOUSE / "deploy" / "install.sh",
    *sorted((HOUSE / "deploy").glob("notify-*")),
    *sorted((HOUSE / "deploy").glob("*.service")),
    HOUSE / "daemon" / "gatehand" / "phone" / "page.html",
]


def test_the_file_has_every_sentence_as_it_is_said(request: pytest.FixtureRequest) -> None:
    """`pytest --rewrite-scenarios tests/words` writes it again; read the diff aloud."""
    said = word_catalogue.whole()
    if request.config.getoption("--rewrite-scenarios"):
        REVIEWED.write_text(said, encoding="utf-8")
        return
    assert said == REVIEWED.read_text(encoding="utf-8")


@pytest.mark.parametrize("title", list(word_catalogue.SECTIONS))
def test_no_sentence_has_a_word_that_we_do_not_use(title: str) -> None:
    lines = word_catalogue.section(title)
    assert [(each, line) for line in lines for each in banned(line, INSTEAD | IN_THE_PROGRAM)] == []


@pytest.mark.parametrize("title", [title for title in word_catalogue.SECTIONS if title not in word_catalogue.UNFILLED])
def test_no_made_sentence_has_a_slip(title: str) -> None:
    lines = word_catalogue.section(title)
    assert [(each, line) for line in lines for each in slips(line)] == []


def test_sentences_of_their_own_end_with_a_full_stop() -> None:
    for title in ("Alarms, and what to do", "Kinds of mistakes, as gatehand check --explain has them"):
        said = [line for line in word_catalogue.section(title) if line.startswith("    ")]
        assert len(said) > 50
        assert [line for line in said if not line.endswith((".", ")"))] == []


def _counted_by_hand() -> Iterator[str]:
    for path in word_catalogue.sources():
        for one in literals(path):
            for number, after in one.counted:
                noun = after.removeprefix(" ").split(" ")[0].strip(".,;:)")
                may_be_one = number not in ALWAYS_MANY and not number.strip("_").isupper()
                if after.startswith(" ") and noun in COUNTABLE and may_be_one:
                    yield f"{path.name}:{one.line}: {{{number}}} {noun}"


def test_a_number_and_its_noun_agree() -> None:
    """`text.named` counts things; what stands before a plural is a constant of the program."""
    assert list(_counted_by_hand()) == []


@pytest.mark.parametrize("paper", PAPERS, ids=lambda path: path.name)
def test_what_is_read_before_it_runs_has_our_words_too(paper: Path) -> None:
    assert [
        (number, each)
        for number, line in enumerate(paper.read_text(encoding="utf-8").splitlines(), start=1)
        for each in banned(line)
    ] == []
