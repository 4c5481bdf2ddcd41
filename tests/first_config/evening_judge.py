"""What came of a first evening, beside what is true of its shop: roles, and the commands of a simulated day."""

import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from random import Random
from typing import Final

from made_shops import MadeShop
from made_world import MadeWorld
from shell_support import World

from gatehand.config import Config
from gatehand.config.signals import SENSORS, Contact, Meter, Signal
from gatehand.mqtt.transport import MessageKind

WARM: Final = 75.0
"""Seconds for which the daemon is up before the first cut: each meter that speaks by the clock has spoken."""
LATE: Final = 1.0
"""Seconds by which the same command may come at another time."""


@dataclass(frozen=True)
class Role:
    """One signal of the true config. `found`: what the evening has in its place; empty: nothing."""

    key: str
    right: bool
    found: str = ""


def roles(shop: MadeShop, found: Config) -> Iterator[Role]:
    """Every signal that is true of the shop, and whether it was found."""
    theirs = {_key(one): one for one in found.signals()}
    for true in shop.config.signals():
        here = theirs.get(_key(true))
        yield Role(_key(true), here is not None and _same(shop, true, here), "" if here is None else str(here.table))


def wrong_ones(shop: MadeShop, found: Config) -> Iterator[str]:
    """Signals that the evening has and the shop has not."""
    true = {_key(one) for one in shop.config.signals()}
    for one in found.signals():
        if _key(one) not in true:
            yield f"{_key(one)}: {one.table}"


def _key(one: Signal) -> str:
    return f"{one.kind}.{one.name}.{'sensor' if one.key in SENSORS else one.key}"


def _same(shop: MadeShop, true: Signal, found: Signal) -> bool:
    a, b = true.table, found.table
    if isinstance(a, Meter):
        if not isinstance(b, Meter) or a.topic != b.topic:
            return False
        if a.pointer == b.pointer:
            return type(a) is type(b) and a.scale == b.scale
        # A meter that says amps and watts of one machine says either.
        also = next((one.kind for one in shop.beside.get(a.topic, ()) if one.pointer == b.pointer), "")
        return also.startswith(f"also {found.key} of {a.pointer}") and b.scale == 1.0
    words = ("on", "off", "open", "shut", "active", "clear", "pressed", "released")
    if isinstance(a, Contact) != isinstance(b, Contact):
        return False
    return (a.topic, getattr(a, "pointer", None)) == (b.topic, getattr(b, "pointer", None)) and all(
        getattr(a, word, None) == getattr(b, word, None) for word in words
    )


@dataclass
class Day:
    """What both configs commanded, and when, on the same day."""

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


def day(shop: MadeShop, found: str, minutes: float) -> Day:
    """A day at the shop, by the config that is true and by the one that was found; the devices obey the true one."""
    air = MadeWorld(shop, others=False)
    air.begin()
    now = air.shop.agenda.now
    worlds = World(shop.text), World(found)
    offsets = [world.clocks.now - now for world in worlds]
    result = Day()
    kept = [(topic, payload.decode("utf-8", "replace")) for topic, payload in air.kept.items()]
    for world in worlds:
        world.connect(*kept)
    said = [0, 0]
    plan = sorted(_plan(shop, Random(f"day {shop.seed}"), air, now + WARM, minutes * 60.0), key=lambda one: one[0])
    end = now + WARM + minutes * 60.0
    at = 0

    def run(to: float) -> None:
        """Both come to that time; what the true one commands reaches the devices."""
        for number, (world, offset) in enumerate(zip(worlds, offsets, strict=True)):
            world.timers.run_until(round(to + offset, 6))
            sent = world.transport.sent[said[number] :]
            said[number] = len(world.transport.sent)
            for one in sent:
                if one.kind in {MessageKind.ACT, MessageKind.OFF}:
                    (result.true, result.found)[number].append((round(one.at - offset, 3), one.topic, one.text))
                    if number == 0:
                        air.shop.deliver(one.topic, one.text.encode(), max(air.shop.agenda.now, one.at - offset))

    while now < end:
        wakes = [world.timers.next_at() - offset for world, offset in zip(worlds, offsets, strict=True)]
        moment = min(end, air.next_at, *wakes, plan[at][0] if at < len(plan) else math.inf)
        now = max(now, moment)
        run(now)
        for one in air.advance(now):
            for world in worlds:
                world.say(one.topic, one.payload)
        while at < len(plan) and plan[at][0] <= now:
            what = plan[at][1]
            at += 1
            if callable(what):
                what(now)
            else:
                for world in worlds:
                    world.say(what, "judge")
        run(now)
    return result


def _plan(
    shop: MadeShop, random: Random, air: MadeWorld, begin: float, length: float
) -> Iterator[tuple[float, object]]:
    """What happens when: cuts that follow and overlap each other, a sweep, a stop, a full bin."""
    config, models = shop.config, air.shop
    moment = begin
    stops, buttons = list(config.stop), [name for name, gate in config.gate.items() if gate.button is not None]
    while moment < begin + length - 120.0:
        tool = models.tools[random.choice(list(config.tool))]
        runs = random.uniform(12.0, 60.0)
        yield moment, lambda at, tool=tool: tool.switch(on=True, at=at)
        yield moment + runs, lambda at, tool=tool: tool.switch(on=False, at=at)
        moment += random.choice((random.uniform(5.0, runs), runs + random.uniform(2.0, 60.0)))
        if buttons and random.random() < 0.25:
            gate = models.gates[random.choice(buttons)]
            yield moment + 1.0, gate.press
            yield moment + 21.0, gate.press
        if stops and random.random() < 0.15:
            name = random.choice(stops)
            yield moment, lambda at, name=name: models.stops[name].set(active=True, at=at)
            yield moment + 8.0, lambda at, name=name: models.stops[name].set(active=False, at=at)
            for collector in config.stop_collectors(name):
                if config.collector[collector].reset is not None:
                    for second, down in ((14.0, False), (15.0, True), (15.5, False)):
                        yield (
                            moment + second,
                            lambda at, collector=collector, down=down: air.press_reset(collector, at, down=down),
                        )
                else:
                    yield moment + 15.0, f"{config.broker.base}/collector/{collector}/reset"
            moment += 20.0
