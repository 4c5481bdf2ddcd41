"""The owner of the story's shop at the terminal: for the commands that ask, in virtual time and over no network.

What the owner does is in the helpers of these commands' tests; here it is written on the terminal too, and the real
command is run around it.
"""

import asyncio
from collections.abc import AsyncIterator, Callable, Mapping, Sequence
from contextlib import AbstractContextManager, asynccontextmanager, nullcontext
from pathlib import Path
from typing import Any, Final, NoReturn, TextIO
from unittest.mock import patch

import story_paths
from made_shops import Beside, MadeShop
from made_world import MadeWorld
from shop_owner import OwnersEvening
from story_terminal import Paper, person_before, shown
from virtual_world import VirtualWorld, at_the_tools

from gatehand.first_config import evening
from gatehand.mqtt import hearing
from gatehand.mqtt.inbox import Message
from gatehand.mqtt.settings import BrokerSettings
from gatehand.person import Typed
from gatehand.simshop.collector import CollectorHabits
from gatehand.simshop.gate import GateHabits
from gatehand.simshop.sim_shop import Habits
from gatehand.simshop.tool import ToolHabits

TRAVEL: Final = {"band_saw": 0.8, "planing": 1.1, "sweep": 1.2}
HABITS: Final = Habits(
    tools={
        "band_saw": ToolHabits(running=700, idle=1.9, every=1.0),
        "jointer": ToolHabits(running=6.6, idle=0.06, every=1.0),
    },
    collectors={"main": CollectorHabits(limit=45.0)},
    gates={name: GateHabits(travel=takes) for name, takes in TRAVEL.items()},
)
EVENING: Final = 1_772_000_000.0
"""Some evening; no screen of it shows a time."""
SEED: Final = 13


def owners_shop() -> MadeShop:
    """The shop, and what its plug says besides."""
    text = (story_paths.TESTS / "story" / "owners_shop.toml").read_text("utf-8")
    return MadeShop(SEED, text, HABITS, beside={"plug/4f21": [Beside("/current", "also current of /power")]})


class _Owner(OwnersEvening):
    """At the terminal, with the names of the shop's own papers."""

    def __init__(self, paper: Paper) -> None:
        super().__init__(owners_shop())
        self._paper = paper
        self._written = person_before(paper)

    def say(self, text: str) -> None:
        self._written.say(text)
        super().say(text)

    def ask(self, text: str) -> None:
        self._written.ask(text)
        super().ask(text)

    def _type(self, text: str, *, after: float) -> None:
        self._paper.writing(text)
        super()._type(text, after=after)


def first_evening(folder: Path) -> str:
    """`gatehand init` in an empty folder; config.toml is there then."""
    paper = Paper()
    owner = _Owner(paper)

    class Known(evening.Evening):
        """The owner knows the question by its key, as a person does by its words."""

        def __init__(self, *args: Any, **more: Any) -> None:  # noqa: ANN401 - handed on
            super().__init__(*args, **more)
            owner.evening = self

    @asynccontextmanager
    async def ears(out: TextIO, at: Path) -> AsyncIterator[_Owner]:
        del out, at
        yield owner

    with patch("gatehand.first_config.ears.owners_ears", ears), patch.object(evening, "Evening", Known):
        return shown("gatehand init", folder, EVENING, paper=paper)


class _Watcher:
    """Who switches the band saw when `listen --watch-for` asks for it; and the air of the shop meanwhile."""

    def __init__(self, paper: Paper) -> None:
        self._written = person_before(paper)
        self._world = MadeWorld(owners_shop())
        self._acts: list[tuple[float, Callable[[], str | None]]] = []
        self._first = self._world.begin()
        self._now = max(each.at for each in self._first)
        self._ears: hearing.Ears | None = None

    async def heard_by(self, settings: BrokerSettings, topics: Sequence[str], ears: hearing.Ears) -> NoReturn:
        """In the place of a connection."""
        del settings, topics
        self._ears = ears
        ears.connected()
        for topic, payload in self._world.kept.items():
            ears.hear(Message(topic, payload, True, self._now))
        await asyncio.Event().wait()
        raise AssertionError

    def now(self) -> float:
        return self._now

    def say(self, text: str) -> None:
        self._written.say(text)

    def ask(self, text: str) -> None:
        self._written.ask(text)
        on = " on and leave it on" in text

        def switch() -> None:
            self._world.shop.tools["band_saw"].switch(on=on, at=self._now)

        self._acts += [(self._now + 1.5, switch), (self._now + 2.5, lambda: "")]

    async def next(self, until: float) -> Typed | None:
        if not self._acts and until == float("inf"):
            await asyncio.Event().wait()
        assert self._ears is not None
        while True:
            moment = min([self._world.next_at, until, *(at for at, _ in self._acts)])
            self._now = max(self._now, moment)
            for sent in self._world.advance(self._now):
                self._ears.hear(Message(sent.topic, sent.payload, False, sent.at))
            due = [act for act in self._acts if act[0] <= self._now]
            for act in due:
                self._acts.remove(act)
                if (typed := act[1]()) is not None:
                    return typed
            if self._now >= until:
                return None

    def attentive(self, *, lines: bool) -> AbstractContextManager[None]:
        """Nobody types but by `ask`, and nobody presses Ctrl-C."""
        del lines
        return nullcontext()


def watched_for(folder: Path) -> str:
    """`gatehand listen --watch-for` before there is a config."""
    paper = Paper()
    watcher = _Watcher(paper)
    with (
        patch("gatehand.person.Person", lambda _out: watcher),
        patch("gatehand.mqtt.hearing.keep_hearing", watcher.heard_by),
    ):
        command = 'gatehand listen --broker shop.local --watch-for "band saw"'
        return shown(command, folder, EVENING, paper=paper)


class _Exerciser(VirtualWorld):
    """Who walks along with `exercise` and does as it asks."""

    PRESSES: Final[Mapping[tuple[str, str], tuple[str, str]]] = {
        ("Press", " stop "): ("shop/estop", "1"),
        ("Release", " stop "): ("shop/estop", "0"),
        ("Press", " button "): ("shop/gate/3/button", "1"),
    }
    """What is said by what is pressed, by the first word of the question and one in it."""

    def __init__(self, paper: Paper, text: str) -> None:
        super().__init__(person=self._does, text=text, habits=HABITS)
        self._paper = paper
        self._written = person_before(paper)
        self._at_the_tools = at_the_tools()

    def say(self, text: str) -> None:
        self._written.say(text)
        super().say(text)

    def ask(self, text: str) -> None:
        self._written.ask(text)
        super().ask(text)

    def type(self, text: str = "", *, after: float = 0.0) -> None:
        self._paper.writing(text)
        super().type(text, after=after)

    def _does(self, world: VirtualWorld, question: str) -> None:
        for (first, inside), (topic, payload) in self.PRESSES.items():
            if question.startswith(first) and inside in question:
                self._press(topic, payload)
                return
        self._at_the_tools(world, question)

    def _press(self, topic: str, payload: str) -> None:
        self.plan(1.0, lambda: self.publish(topic, payload))


def exercised(folder: Path) -> str:
    """`gatehand exercise` with the config that stands in the folder."""
    return _in_the_shop("gatehand exercise", folder)


def limit_tried(folder: Path) -> str:
    """`gatehand exercise --limit main` likewise; the switch there has a time limit of its own."""
    return _in_the_shop("gatehand exercise --limit main", folder)


def _in_the_shop(command: str, folder: Path) -> str:
    paper = Paper()
    world = _Exerciser(paper, (folder / "config.toml").read_text("utf-8"))

    @asynccontextmanager
    async def terminal_io(settings: BrokerSettings, topics: Sequence[str], out: TextIO) -> AsyncIterator[VirtualWorld]:
        del settings, topics, out
        yield world

    with patch("gatehand.exercise.terminal_io.terminal_io", terminal_io):
        return shown(command, folder, EVENING, paper=paper)
