"""Every screen that the documents show, by the name of its mark, and every picture; for `python -m tests.screens`.

A screen is what a command prints in the story's shop. A long one is shortened here, by `part`, never by hand.
"""

import tempfile
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from functools import cached_property
from pathlib import Path
from typing import Final

from story_days import DemoDay, OwnersDays
from story_documents import ROOT, ShorteningError, part, screens_of
from story_people import EVENING, exercised, first_evening, limit_tried, watched_for
from story_terminal import shown
from support.board_sizes import table

SLIPS: Final = ROOT / "tests" / "config" / "screens" / "four_slips.toml"
EXAMPLE: Final = ROOT / "config.example.toml"


class Story:
    """All of it, in a folder; each part is made once, when a screen wants it, out of what was made before it."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def room(self, name: str, config: str | None = None) -> Path:
        """A folder of that name, with a config in it where one is given."""
        room = self._folder / name
        room.mkdir(exist_ok=True)
        if config is not None:
            (room / "config.toml").write_text(config, "utf-8")
        return room

    @cached_property
    def demo(self) -> DemoDay:
        return DemoDay(self.room("demo"))

    @cached_property
    def demo_screen(self) -> str:
        return self.demo.played()

    @cached_property
    def evening(self) -> str:
        return first_evening(self.room("evening"))

    @cached_property
    def written(self) -> str:
        """The config that the evening ends with."""
        assert self.evening
        return (self.room("evening") / "config.toml").read_text("utf-8")

    @cached_property
    def days(self) -> OwnersDays:
        return OwnersDays(self.room("days"), self.written)

    @cached_property
    def morning(self) -> Mapping[str, str]:
        return self.days.morning()

    @cached_property
    def air(self) -> str:
        """The picture that `airflow --plot` draws."""
        room = self.room("air", EXAMPLE.read_text("utf-8"))
        shown("gatehand airflow --open band_saw,planing --plot airflow.svg", room, EVENING, code=1)
        return (room / "airflow.svg").read_text("utf-8")


def _why_demo(story: Story) -> str:
    assert story.demo_screen
    return story.demo.shop.typed("gatehand why carving_router", code=1)


def _table(story: Story, header: str) -> str:
    """A table of the config that `init` has written."""
    return header + "\n" + story.written.partition(f"\n{header}\n")[2].partition("\n\n[")[0].rstrip("\n") + "\n"


SCREENS: Final[Mapping[str, Callable[[Story], str]]] = {
    "demo": lambda story: part(
        story.demo_screen,
        ("s  In", "2.5"),
        ("12.2", "18.8"),
        ("The day in short", ""),
    ),
    "why-demo": lambda story: part(_why_demo(story), ("", "from the log")),
    "listen": lambda story: part(watched_for(story.room("bench")), ("Leave the band saw", "Less likely")),
    "init": lambda story: part(story.evening, ("The band saw.", "The jointer."), ("config.toml: written", "")),
    "init-file": lambda story: _table(story, "[tool.band_saw]"),
    "check-slips": lambda story: part(
        shown("gatehand check", story.room("slips", SLIPS.read_text("utf-8")), EVENING, code=1),
        ("config.toml:9", "config.toml:12"),
        ("config.toml: ", ""),
    ),
    "exercise": lambda story: part(
        exercised(story.room("exercise", story.written)),
        ("Tool 1", "Tool 2"),
        ("GATE", "Seconds"),
        ("TOOL", "METERS"),
    ),
    "limit": lambda story: limit_tried(story.room("limit", story.written)),
    "access": lambda story: part(
        shown("gatehand access", story.room("checked", story.written), EVENING),
        ("# the device of [gate.band_saw]", "# the device of [gate.planing]"),
    ),
    "status": lambda story: part(story.morning["status"], ("", "METERS")),
    "status-alarm": lambda story: part(story.morning["status-alarm"], ("1 ACTIVE", "TOOLS")),
    "why": lambda story: story.morning["why"],
    "log": lambda story: story.morning["log"],
    "hold": lambda story: story.morning["hold"],
    "reload-bad": lambda story: story.morning["reload-bad"],
    "reload": lambda story: story.morning["reload"],
    "tune": lambda story: part(story.morning["tune"], ("", "start_after"), ("run_on", "run-on")),
    "report": lambda story: part(story.morning["report"], ("", "gate movements"), ("energy", "mean: while")),
    # A figure of the heap stays as long as it holds.
    "board-sizes": lambda _: table(screens_of((ROOT / "deploy/boards/README.md").read_text("utf-8"))["board-sizes"]),
}
PICTURES: Final[Mapping[str, Callable[[Story], str]]] = {
    "deploy/pictures/airflow.svg": lambda story: story.air,
}


@contextmanager
def told() -> Iterator[Story]:
    """A story in a folder of its own, which goes with it."""
    with tempfile.TemporaryDirectory(prefix="story-") as folder:
        yield Story(Path(folder))


def made(story: Story, name: str) -> str:
    """A screen as it stands in a document: without blanks at the ends of lines."""
    try:
        text = SCREENS[name](story)
    except ShorteningError as error:
        raise ShorteningError(f"the screen {name}: {error}") from error
    return "\n".join(line.rstrip() for line in text.splitlines()) + "\n"
