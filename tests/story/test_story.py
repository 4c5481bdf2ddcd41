"""What README.md and deploy/ show is what the program prints, and what they tell an owner to type can be typed."""

import contextlib
import io
import shlex
from collections.abc import Iterator

import pytest
from story_documents import (
    DOCUMENTS,
    ROOT,
    ShorteningError,
    headings,
    links,
    marks,
    part,
    screens_of,
    spoken_commands,
    typed_commands,
    unmarked,
    with_screens,
)
from story_screens import PICTURES, SCREENS, Story, made, told
from story_terminal import shown

from gatehand.cli import COMMANDS, command_parser

ANEW = "python -m tests.screens --write makes it anew"
READING = {"access", "airflow", "check", "completion", "help", "log", "report", "schema", "tune", "why"}
"""Commands that need nothing but a shop's folder."""


@pytest.fixture(scope="module")
def story() -> Iterator[Story]:
    with told() as found:
        yield found


def document(path: str) -> str:
    return (ROOT / path).read_text("utf-8")


def every(kind: str) -> list[str]:
    """The commands of all documents, each once."""
    of = typed_commands if kind == "typed" else spoken_commands
    return list(dict.fromkeys(one for path in DOCUMENTS for one in of(document(path))))


@pytest.mark.parametrize("name", SCREENS)
def test_a_screen_is_what_the_program_prints(story: Story, name: str) -> None:
    shows = [path for path in DOCUMENTS if name in marks(document(path))]
    assert shows, f"no document shows the screen {name}"
    now = made(story, name)
    for path in shows:
        assert screens_of(document(path))[name] == now, f"{path}: {name} is not as the program is now; {ANEW}"


@pytest.mark.parametrize("path", PICTURES)
def test_a_picture_is_what_the_program_draws(story: Story, path: str) -> None:
    assert document(path) == PICTURES[path](story), f"{path} is not as the program draws it; {ANEW}"


@pytest.mark.parametrize("path", DOCUMENTS)
def test_no_screen_is_typed_by_hand(path: str) -> None:
    text = document(path)
    assert not unmarked(text), "a block with a prompt needs a mark"
    assert set(marks(text)) <= set(SCREENS)
    assert len(marks(text)) == text.count("<!-- screen:"), "a mark stands right above a block"


@pytest.mark.parametrize("path", [*DOCUMENTS, "DEVELOPERS.md"])
def test_a_link_leads_somewhere(path: str) -> None:
    for file, heading in links(document(path)):
        there = (ROOT / path).parent / file if file else ROOT / path
        assert there.exists(), f"{path}: {file}"
        assert not heading or heading in headings(there.read_text("utf-8")), f"{path}: {file}#{heading}"


@pytest.mark.parametrize("command", [*every("typed"), *every("spoken")])
def test_a_command_that_is_named_can_be_typed(command: str) -> None:
    _, name, *words = shlex.split(command.replace(" ...", " x").replace("COMMAND", "check"))
    assert name in COMMANDS, command
    with contextlib.redirect_stderr(io.StringIO()) as said:
        try:
            command_parser(name)[1].parse_args(words)
        except SystemExit:
            # A sentence may name a command without what it needs: `gatehand done`.
            assert not words, f"{command}: {said.getvalue()}"


@pytest.mark.parametrize("command", [one for one in every("typed") if one.split()[1] in READING])
def test_a_command_that_only_reads_does_so_in_the_storys_shop(story: Story, command: str) -> None:
    assert story.morning
    here = command.replace(" --config /etc/gatehand/config.toml", "")
    shown(here, story.days.folder, story.days.shop.clocks.wall())


def test_a_screen_gets_into_its_block_and_nothing_else_changes() -> None:
    before = "Said.\n\n<!-- screen: a -->\n```\nold\n```\n\n```\nold\n```\n<!-- screen: b -->\n```toml\n```\n"
    after = "Said.\n\n<!-- screen: a -->\n```\n1\n```\n\n```\nold\n```\n<!-- screen: b -->\n```toml\n2\n```\n"
    assert with_screens(before, {"a": "1\n", "b": "2\n"}) == after
    assert screens_of(after) == {"a": "1\n", "b": "2\n"}


def test_a_shortened_screen_says_where_and_a_lost_place_is_told() -> None:
    text = "$ gatehand x\na\nb\n\nc\nd\n"
    assert part(text, ("b", "c")) == "$ gatehand x\n[...]\nb\n[...]\n"
    assert part(text, ("", "b"), ("d", "")) == "$ gatehand x\na\n[...]\nd\n"
    with pytest.raises(ShorteningError, match="'e'"):
        part(text, ("e", ""))
