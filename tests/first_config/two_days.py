"""One simulated day by two configs: the true one, whose commands the devices obey, and one that was found.

Both daemons are the real engine, without a disk, and hear the same. What they command, and when, is the answer.
"""

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from typing import Final

from made_shops import MadeShop
from made_world import MadeWorld
from support.in_memory import InMemory, NoRecorder
from support.virtual_time import WALL, Clocks, Timers

from gatehand.config import load_text
from gatehand.journal.line import LogLine, Stamper
from gatehand.mqtt.transport import Connected, MessageKind, Outgoing, Subscription
from gatehand.shell.active_config import ActiveConfig
from gatehand.shell.engine import Engine

WARM: Final = 75.0
"""Seconds for which the daemon is up before the first cut: each meter that speaks by the clock has spoken."""
LATE: Final = 1.0
"""Seconds by which the same command may come at another time."""
ENDS: Final = 120.0
"""Seconds at the end of the day in which no cut begins."""


@dataclass
class Day:
    """What both configs commanded, and when: seconds, topic, payload."""

    true: list[tuple[float, str, str]] = field(default_factory=list)
    found: list[tuple[float, str, str]] = field(default_factory=list)

    @property
    def same(self) -> bool:
        """The same commands in the same order, at the same times."""
        return [one[1:] for one in self.true] == [one[1:] for one in self.found] and self.apart <= LATE

    @property
    def apart(self) -> float:
        """Seconds between the same commands at the most."""
        return max((abs(a[0] - b[0]) for a, b in zip(self.true, self.found, strict=False)), default=0.0)

    @property
    def parting(self) -> str:
        """Where they part."""
        for at, (a, b) in enumerate(zip(self.true, self.found, strict=False)):
            if a[1:] != b[1:] or abs(a[0] - b[0]) > LATE:
                return f"command {at}: {a} and {b}"
        return f"{len(self.true)} and {len(self.found)} commands"


class _Written:
    """A line is written at once."""

    done_at: float | None = 0.0

    def wait(self, seconds: float) -> bool:
        del seconds
        return True


class _Daemon:
    """The engine of one config, at `now`: also its transport and its log."""

    def __init__(self, text: str, now: float, commands: list[tuple[float, str, str]]) -> None:
        loaded = load_text(text, Path("config.toml"), files=False)
        assert loaded.config is not None, loaded.problems
        self.clocks = Clocks(WALL, now)
        self.timers = Timers(self.clocks)
        self._commands = commands
        self.engine = Engine(
            ActiveConfig.of(loaded),
            stamper=Stamper("run", self.clocks),
            log=self,
            recorder=NoRecorder(),
            timers=self.timers,
            transport=self,
            diagnose=lambda _level, _text, _facts=None: None,
            memory=InMemory(),
        )

    def append(self, lines: Sequence[LogLine]) -> _Written:
        del lines
        return _Written()

    def publish(self, outgoing: Outgoing) -> bool:
        if outgoing.kind in {MessageKind.ACT, MessageKind.OFF}:
            self._commands.append((self.clocks.mono(), outgoing.topic, outgoing.payload.decode()))
        return True

    def subscribe(self, wanted: tuple[Subscription, ...]) -> None:
        pass

    def connect(self, kept: dict[str, bytes]) -> None:
        self.engine.on_connected(Connected("5", "127.0.0.1", 1883))
        for topic, payload in kept.items():
            self.engine.on_message(topic, payload, True, self.clocks.now)
        self.engine.on_settled()

    def hear(self, topic: str, payload: bytes) -> None:
        self.engine.on_message(topic, payload, False, self.clocks.now)


def day(shop: MadeShop, found: str, minutes: float) -> Day:
    """So many minutes of work at the shop, by the config that is true and by the text of the one that was found."""
    air = MadeWorld(shop, others=False)
    air.begin()
    now, result = air.shop.agenda.now, Day()
    daemons = _Daemon(shop.text, now, result.true), _Daemon(found, now, result.found)
    for one in daemons:
        one.connect(air.kept)
    end = now + WARM + minutes * 60.0
    plan = sorted(_plan(shop, Random(f"day {shop.seed}"), air, now + WARM, end - ENDS), key=lambda one: one[0])[::-1]
    obeyed = 0

    def run(to: float) -> None:
        """Both come to that time; what the true one commands reaches the devices."""
        nonlocal obeyed
        for one in daemons:
            one.timers.run_until(to)
        for at, topic, payload in result.true[obeyed:]:
            air.shop.deliver(topic, payload.encode(), max(air.shop.agenda.now, at))
        obeyed = len(result.true)

    while now < end:
        wakes = (one.timers.next_at() for one in daemons)
        now = max(now, min(end, air.next_at, *wakes, plan[-1][0] if plan else math.inf))
        run(now)
        while plan and plan[-1][0] <= now:
            what = plan.pop()[1]
            if isinstance(what, str):
                for one in daemons:
                    one.hear(what, b"owner")
            else:
                what(now)
        for said in air.advance(now):
            for one in daemons:
                one.hear(said.topic, said.payload)
        run(now)
    return result


Happening = Callable[[float], object] | str
"""What a device does, or the topic of a request to the daemon."""


def _at(action: Callable[..., object], **what: object) -> Callable[[float], object]:
    return lambda at: action(at=at, **what)


def _plan(
    shop: MadeShop, random: Random, air: MadeWorld, begin: float, until: float
) -> Iterator[tuple[float, Happening]]:
    """What happens when: cuts that follow and overlap each other, a sweep, a stop and its reset, a full bin."""
    config, models = shop.config, air.shop
    buttons = [name for name, gate in config.gate.items() if gate.button is not None]
    bins = [model.bin for model in models.collectors.values() if model.bin is not None]
    moment = begin
    while moment < until:
        tool = models.tools[random.choice(list(config.tool))]
        runs = random.uniform(12.0, 60.0)
        yield moment, _at(tool.switch, on=True)
        yield moment + runs, _at(tool.switch, on=False)
        moment += random.choice((random.uniform(5.0, runs), runs + random.uniform(2.0, 60.0)))
        if buttons and random.random() < 0.25:
            gate = models.gates[random.choice(buttons)]
            yield moment + 1.0, gate.press
            yield moment + 21.0, gate.press
        if bins and random.random() < 0.1:
            contact = random.choice(bins)
            yield moment, _at(contact.set, active=True)
            yield moment + 30.0, _at(contact.set, active=False)
        if config.stop and random.random() < 0.15:
            yield from _stop(shop, air, random.choice(list(config.stop)), moment)
            moment += 20.0


def _stop(shop: MadeShop, air: MadeWorld, name: str, at: float) -> Iterator[tuple[float, Happening]]:
    """Pressed, pulled out, and the hold ended, by a button where there is one."""
    config, contact = shop.config, air.shop.stops[name]
    yield at, _at(contact.set, active=True)
    yield at + 8.0, _at(contact.set, active=False)
    for collector in config.stop_collectors(name):
        if config.collector[collector].reset is None:
            yield at + 15.0, f"{config.broker.base}/collector/{collector}/reset"
            continue
        for second, down in ((14.0, False), (15.0, True), (15.5, False)):
            yield at + second, _at(air.press_reset, collector=collector, down=down)
