"""The demo's day with boards of our own: `python tests/boards/day_of_boards.py FOLDER` plays it and tells the outcome.

The real daemon, a real Mosquitto, ten board processes. One clock for all of them, which goes on only when everybody has
done what came before: `time` is replaced before the daemon is loaded, so this runs in a process of its own. How busy
the computer is changes nothing.
"""

import asyncio
import contextlib
import json
import sys
import time
from functools import partial
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from collections.abc import Callable

    from shop_of_boards import ShopOfBoards
    from support.mosquitto import Mosquitto

    from gatehand.demo.day import LoggedEvent
    from gatehand.journal.line import LogLine
    from gatehand.mqtt.client import PlainClient

STEP_MS: Final = 20
IDLE_STEP_MS: Final = 40
"""After a step in which nobody said anything and nothing moved."""
LONG_STEP_MS: Final = 100
"""While the broker is gone nobody hears anything, and no gate moves."""
QUIET_ROUNDS: Final = 2
"""Through the broker and back, with nothing heard: what the daemon has to say to what it heard was said by then."""
PROBE: Final = "probe"
UP_WITHIN: Final = 20_000
PATIENCE: Final = 10_000
"""Milliseconds of the shop."""


class ShopClock:
    """Seconds since some moment, which go on by `go` alone."""

    def __init__(self) -> None:
        self._wall = time.time()
        self._begun = self._now = 1000.0

    def go(self, seconds: float) -> None:
        """Let so much pass."""
        self._now += seconds

    def replace(self) -> None:
        """From here on every clock of this process is this one."""
        time.monotonic = lambda: self._now
        time.time = lambda: self._wall + self._now - self._begun
        time.clock_gettime = lambda _which: self._now


class Day:
    """The shop, somebody who asks the broker after each step, and the daemon's log."""

    def __init__(self, shop: "ShopOfBoards", clock: ShopClock, broker: "Mosquitto", folder: Path) -> None:
        from gatehand.journal.reader import Follower

        self.lines: list[LogLine] = []
        self.broker = broker
        self._shop = shop
        self._clock = clock
        self._follower = Follower(folder)
        self._asked = self._heard = 0
        self._busy = True
        self._answered = asyncio.Event()
        self._client: PlainClient | None = None
        self._over = contextlib.AsyncExitStack()

    async def connect(self) -> None:
        """The broker answers from now on, and is asked after each step."""
        from gatehand.mqtt.client import plain_client
        from gatehand.mqtt.settings import BrokerSettings

        settings = BrokerSettings("127.0.0.1", self.broker.port, client_id="probe", keepalive=300)
        self._client = await self._over.enter_async_context(plain_client(settings, ["#"]))
        hearing = asyncio.create_task(self._hear(self._client))
        self._over.callback(hearing.cancel)

    async def disconnect(self) -> None:
        """Nobody is asked any more."""
        self._client = None
        await self._over.aclose()

    async def step(self) -> None:
        """The boards go on, then what they said goes through the broker to the daemon, and its commands back.

        Until nobody says anything more: else the shop's time would go on while a word is still on its way.
        """
        step_ms = LONG_STEP_MS if self._client is None else STEP_MS if self._busy else IDLE_STEP_MS
        self._shop.go(step_ms)
        self._clock.go(step_ms / 1000)
        quiet, begun = 0, self._heard
        while quiet < QUIET_ROUNDS:
            heard = self._heard
            self._shop.carry()
            await self._ask()
            quiet = quiet + 1 if heard == self._heard else 0
        self._busy = self._heard != begun or self._shop.moves
        self.lines += self._follower.poll()

    async def publish(self, topic: str, payload: str) -> None:
        """What any client may say."""
        assert self._client is not None
        await self._client.publish(topic, payload.encode(), qos=1)

    async def until(self, true: "Callable[[], object]", within: int) -> bool:
        """Step until it is true, so many milliseconds at most."""
        end = self._shop.now + within
        while self._shop.now < end:
            if true():
                return True
            await self.step()
        return bool(true())

    async def pass_by(self, milliseconds: int) -> None:
        """Let so much time pass."""
        await self.until(lambda: False, milliseconds)

    async def _ask(self) -> None:
        if self._client is None:
            for _ in range(20):
                await asyncio.sleep(0)
            return
        self._asked += 1
        self._answered.clear()
        await self.publish(PROBE, str(self._asked))
        await self._answered.wait()

    async def _hear(self, client: "PlainClient") -> None:
        async for message in client.messages():
            if message.topic != PROBE:
                self._heard += 1
            elif int(message.payload) == self._asked:
                self._answered.set()


async def play(day: Day, shop: "ShopOfBoards") -> None:
    """The script, each happening once all that is expected before it has come."""
    from gatehand.demo.day import ENDS_AT, SCRIPT, LoggedEvent
    from gatehand.demo.verdict import is_over

    acted, since, before = shop.now, 0, 0.0
    expected: list[LoggedEvent] = []
    for one in SCRIPT:
        if isinstance(one, LoggedEvent):
            expected.append(one)
            continue
        due = acted + (one.at - before) * 1000
        await day.pass_by(round(due - shop.now))
        await day.until(partial(_all_came, day, expected, since), PATIENCE)
        acted, since, before = shop.now, len(day.lines), one.at
        expected.clear()
        # The one message that goes to the daemon itself; all others are what people's hands do.
        for topic, payload in one.messages.items():
            if topic.startswith("gatehand/"):
                await day.publish(topic, payload)
            else:
                shop.act([(topic, payload)])
    await day.until(lambda: is_over(day.lines), int((ENDS_AT - before) * 1000) + PATIENCE)


def _all_came(day: Day, expected: "list[LoggedEvent]", since: int) -> bool:
    from gatehand.demo.day import first_missing

    return first_missing(expected, islice(day.lines, since, None)) is None


async def live(folder: Path, clock: ShopClock, broker: "Mosquitto", faults: dict[str, str]) -> dict[str, Any]:
    """Everything up, the day, what is at its edges, everything down; what came of it."""
    from day_edges import edges
    from shop_of_boards import ShopOfBoards, settings_of

    from gatehand.config import load
    from gatehand.demo.day import BLIND_GATE
    from gatehand.demo.verdict import complaints
    from gatehand.shell.daemon import Daemon
    from gatehand_rules import Happened

    warnings: list[str] = []
    loaded = load(folder / "config.toml")
    shop = ShopOfBoards(settings_of(folder / "boards", broker.port), folder / "at_work", faults)
    day = Day(shop, clock, broker, folder)
    try:
        await day.connect()
        shop.power_up()
        await day.pass_by(3000)
        daemon = Daemon(loaded, lambda level, text, _facts=None: warnings.append(text) if level != "info" else None)
        working = asyncio.create_task(daemon.run())
        # The gate that cannot tell is shut at the start; then the doors open.
        shut = {"event": Happened.GATE_SHUT, "gate": BLIND_GATE}
        came_up = await day.until(lambda: any(shut.items() <= line.items() for line in day.lines), UP_WITHIN)
        found: dict[str, Any] = {"up": came_up}
        if came_up:
            await play(day, shop)
            found |= {"complaints": complaints(day.lines), "warnings": [*warnings], "lines": len(day.lines)}
            found["alarms"] = [line["alarm"] for line in day.lines if line["event"] == Happened.ALARM_RAISED]
            found |= await edges(day, shop)
        daemon.stop("the day is over")
        await day.until(working.done, PATIENCE)
        await day.pass_by(2000)
        return found | {
            "breaches": shop.breaches,
            "fan_on": shop.fan_on,
            "longest_pulses_ms": {name: blade.longest_ms for name, blade in shop.blades.items()},
            "pulsing": [name for name, blade in shop.blades.items() if blade.pulses_ms],
            "console": {login: board.console for login, board in shop.boards.items()},
            "seconds": shop.now / 1000,
        }
    finally:
        await day.disconnect()
        shop.cut_power()


def main() -> int:
    """Write config and settings into the folder named, play the day, print one JSON object.

    A `faults.json` in that folder: planted ones, a program's text by its role.
    """
    from shop_of_boards import SHOP
    from support.child import gatehand_does
    from support.mosquitto import Mosquitto

    folder = Path(sys.argv[1])
    # What the broker says leaves it at once, or it would wait in the computer's network while the shop's time goes on.
    with Mosquitto(["set_tcp_nodelay true"]) as broker:
        config = folder / "config.toml"
        config.write_text(SHOP.read_text().replace("port = 1883 ", f"port = {broker.port} "))
        words = ("--config", str(config), "--out", str(folder / "boards"), "--broker", "192.168.1.10")
        written = gatehand_does("boards", *words)
        assert written.returncode == 0, written.stdout + written.stderr
        clock = ShopClock()
        clock.replace()
        planted = folder / "faults.json"
        faults = json.loads(planted.read_text()) if planted.exists() else {}
        print(json.dumps(asyncio.run(live(folder, clock, broker, faults)), default=str))
    return 0


if __name__ == "__main__":
    sys.exit(main())
