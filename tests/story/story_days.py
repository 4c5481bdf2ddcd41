"""The days of the README: the demo's, and the owner's in the shop that `init` has described; in simulated time.

The real engine, log and recorder work around simulated devices (`support/recorded_shop.py`). In the place of a network
stands what the daemon has published, and a client of it for the commands that speak with the daemon.
"""

import asyncio
import json
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from datetime import UTC, datetime, timedelta
from importlib.resources import files
from pathlib import Path
from random import Random
from typing import Final
from unittest.mock import patch

from story_people import HABITS
from story_terminal import COLUMNS, shown
from support.made_year import write_lines, write_recordings
from support.recorded_shop import MORNING, RecordedShop
from support.topic_filters import matches

from gatehand.config import load
from gatehand.demo.day import DAY, ENDS_AT
from gatehand.demo.day import HABITS as DEMO_HABITS
from gatehand.demo.play import opening, tell_end
from gatehand.demo.simulated_devices import is_driven_against_shut_gates, is_fault_input, take_fault_input
from gatehand.demo.timeline import Timeline
from gatehand.journal.line import LogLine
from gatehand.mqtt.client import PlainClient
from gatehand.mqtt.inbox import Message
from gatehand.mqtt.settings import BrokerSettings
from gatehand.mqtt.transport import MessageKind, Notice, Outgoing
from gatehand.shell.config_reload import Reloader
from gatehand.simshop.gate import GateTrouble

TODAY: Final = MORNING
"""The morning on which the README's owner asks: Thursday, 5 March 2026, 8:00 UTC."""
ADDED: Final = """
[upkeep.filter]
every_hours = 12
"""
"""What the owner has written below what `init` wrote."""
_HOURS: Final = (8, 10, 14, 16)
_DAYS: Final = 14


class StoryShop(RecordedShop):
    """A recorded shop whose daemon can be looked at and asked: `published` is what the broker has kept of it."""

    def begin(self) -> "StoryShop":
        self.published: dict[str, bytes] = {"gatehand/online": b"1"}
        self.clients: list[_Client] = []
        super().begin()
        loaded = load(self.config)
        self.reloader = Reloader(
            self.engine, loaded, self, lambda _level, _text, _facts=None: None, elsewhere=lambda work: work()
        )
        self.reloader.show()
        return self

    def publish(self, outgoing: Outgoing) -> bool:
        # Where the service has its config: another folder's name would break lines at other places on each machine.
        payload = outgoing.payload.replace(f"{self.config.parent}/".encode(), b"/etc/gatehand/")
        if outgoing.kind is MessageKind.STATUS:
            self.published[outgoing.topic] = payload
            if not payload:
                del self.published[outgoing.topic]
        for client in self.clients:
            client.hear(Message(outgoing.topic, payload, False, self.clocks.now))
        return super().publish(outgoing)

    def save(self, text: str) -> None:
        """The owner saves the config; the daemon looks at it."""
        self.config.write_text(text, "utf-8")
        self.reloader.look()
        self.run(1)

    def typed(self, command: str, *, code: int = 0) -> str:
        """A command in the shop's folder, by the shop's own clock, and what comes of it."""

        @asynccontextmanager
        async def plain_client(settings: BrokerSettings, topics: Sequence[str] = ()) -> AsyncIterator[_Client]:
            del settings
            client = _Client(self, topics)
            self.clients.append(client)
            yield client
            self.clients.remove(client)

        with (
            patch("gatehand.mqtt.client.plain_client", plain_client),
            patch("gatehand.asking.plain_client", plain_client),
            patch("gatehand.screen.listen.plain_client", plain_client),
        ):
            self.recorder.flush()  # as its own thread does each second
            return shown(command, self.config.parent, self.clocks.wall(), code=code)


class _Client(PlainClient):
    """A client of the daemon's, over no network: what it publishes is heard at once, and time passes with it."""

    def __init__(self, shop: StoryShop, topics: Sequence[str]) -> None:
        self.protocol = "5"
        self._shop, self._topics = shop, topics
        self._heard: list[Message] = []
        for topic, payload in shop.published.items():
            self.hear(Message(topic, payload, True, shop.clocks.now))

    def hear(self, message: Message) -> None:
        if any(matches(each, message.topic) for each in self._topics):
            self._heard.append(message)

    async def send(self, outgoing: Outgoing) -> Notice | None:
        self._shop.say(outgoing.topic, outgoing.payload.decode())
        self._shop.reloader.look()
        self._shop.run(1)
        return None

    async def messages(self) -> AsyncIterator[Message]:
        while self._heard:
            yield self._heard.pop(0)
        await asyncio.Event().wait()


class DemoDay:
    """The day of `gatehand demo`, and its shop afterwards."""

    def __init__(self, folder: Path) -> None:
        text = (files("gatehand.demo") / "shop.toml").read_text("utf-8").replace('folder = "."', 'folder = "log"')
        self.shop = StoryShop(folder, text, habits=DEMO_HABITS).begin()
        self.shop.run(4)
        self._breaches = 0
        self._opened = self.shop.clocks.now

    def played(self) -> str:
        """What the demo's screen shows of it."""
        rows: list[str] = []
        timeline = Timeline(COLUMNS, rows.append)
        timeline.open(self._opened)
        for happening in DAY:
            self._until(self._opened + happening.at)
            timeline.shop(self.shop.clocks.now, happening.text)
            for topic, payload in happening.messages.items():
                if is_fault_input(topic):
                    take_fault_input(self.shop.shop, topic, payload.encode(), self.shop.clocks.now)
                else:
                    self.shop.say(topic, payload)
        self._until(self._opened + ENDS_AT)
        self.shop.end()
        lines = events(self.shop.folder)
        timeline.gatehand(lines)
        timeline.print_until(float("inf"))
        assert tell_end(lines, self._breaches, (), rows.append) == 0, "\n".join(rows)
        return "\n".join(["$ gatehand demo", opening(keep=False), *rows]) + "\n"

    def _until(self, moment: float) -> None:
        while self.shop.clocks.now < moment:
            self.shop.run(min(0.05, moment - self.shop.clocks.now))
            self._breaches += is_driven_against_shut_gates(self.shop.shop, self.shop.clocks.now)


def events(log: Path) -> list[LogLine]:
    """All that stands in the log, in order."""
    return [json.loads(line) for path in sorted(log.glob("events-*.jsonl")) for line in path.read_text().splitlines()]


class OwnersDays:
    """Two weeks of work with the config that `init` has written, and the morning after."""

    def __init__(self, folder: Path, written: str) -> None:
        self.text = written + ADDED
        self.folder = folder
        (folder / "config.toml").write_text(self.text, "utf-8")
        (folder / "log").mkdir()
        (folder / "piece").mkdir()
        piece = self._piece(StoryShop(folder / "piece", self.text, habits=HABITS).begin(), Random(13))
        number, today = 1, datetime.fromtimestamp(TODAY, UTC)
        for back in range(_DAYS, 0, -1):
            day = today.replace(hour=0) - timedelta(days=back)
            for at, hour in enumerate(_HOURS if day.weekday() < 5 else ()):
                begin = day + timedelta(hours=hour)
                run = f"{begin:%Y%m%dT%H%M%S}-{at:04}"
                write_lines(folder / "log", piece, begin, run)
                number = write_recordings(folder / "log", piece, begin, run, number)
        self.shop = StoryShop(folder, self.text, habits=HABITS).begin()

    @staticmethod
    def _piece(shop: StoryShop, rng: Random) -> StoryShop:
        """A quarter of an hour as this shop has it."""
        for _ in range(8):
            shop.cut("band_saw", rng.uniform(6, 45), rng.uniform(560, 980), then=rng.uniform(5, 14))
        for _ in range(4):
            shop.cut("jointer", rng.uniform(9, 15), rng.uniform(5.8, 7.4), then=rng.uniform(6, 14))
        shop.run(60)
        shop.cut("drum_sander", rng.uniform(70, 140), then=50)
        shop.say("shop/gate/3/button", "1")
        shop.run(90)
        shop.say("shop/gate/3/button", "1")
        shop.run(120)
        shop.end()
        return shop

    def morning(self) -> dict[str, str]:
        """What is asked that morning, and the answers, by the names of the screens."""
        shop, said = self.shop, {}
        shop.run(600)
        shop.cut("band_saw", 20, 700, then=4)
        said["status"] = shop.typed("gatehand status")
        shop.run(300)
        shop.shop.gates["band_saw"].suffer(GateTrouble.JAM, shop.clocks.now)
        shop.cut("band_saw", 12, 700, then=2)
        said["status-alarm"] = shop.typed("gatehand status", code=1)
        said["why"] = shop.typed("gatehand why band_saw", code=1)
        shop.shop.gates["band_saw"].suffer(None, shop.clocks.now)
        shop.run(20)
        shop.cut("band_saw", 15, 700, then=30)
        said["log"] = shop.typed("gatehand log --tool band_saw -n 6")
        said["hold"] = shop.typed('gatehand hold --because "filter change"')
        shop.typed("gatehand reset")
        shop.run(60)
        said["tune"] = shop.typed("gatehand tune band_saw")
        said["report"] = shop.typed("gatehand report")
        shop.save(self.text.replace("run_on = 10", "run_on = 60s", 1))
        said["reload-bad"] = shop.typed("gatehand reload", code=1)
        shop.save(self.text.replace("run_on = 10", 'run_on = "60 s"', 1))
        said["reload"] = shop.typed("gatehand reload")
        shop.end()
        return said
