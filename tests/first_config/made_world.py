"""A drawn shop on the air: its devices, what stands beside their values, what the broker keeps, and all the rest.

The rest is what speaks on the broker of any house: thermometers, counters, plugs of other things that switch when they
like, door contacts, clocks, pictures, chatter. Seconds of a clock that begins at 0; the same seed gives the same air.
"""

import json
import math
from collections.abc import Callable, Iterator
from random import Random
from typing import Any

from made_shops import Beside, MadeShop

from gatehand.mqtt.payload import Missing, parse_pointer, resolve
from gatehand.simshop.device import Agenda, Reporter, Sent
from gatehand.simshop.sim_shop import SimShop

BEGINS = 40.0
"""Seconds for which the shop is up before anybody listens."""


class MadeWorld:
    """The shop and everything else that speaks, under one time. `kept`: what the broker holds, by topic."""

    def __init__(self, shop: MadeShop, *, others: bool = True) -> None:
        self.made = shop
        self.config = shop.config
        self.shop = SimShop(self.config, seed=shop.seed, habits=shop.habits)
        self.kept: dict[str, bytes] = {}
        self._random = Random(f"air {shop.seed}")
        self._buttons = Reporter()
        self._agenda = Agenda()
        """Of what is no device of the shop."""
        self._said: list[Sent] = []
        self._last: dict[str, Sent] = {}
        self._energy: dict[str, float] = {}
        if others:
            for other in _others(self._random, self._agenda, self._hear_other):
                other(0.0)
        for board in _abouts(shop):
            self._hear_other(board)
        for topic, every in shop.repeated.items():
            self._repeat(topic, every)

    def begin(self) -> list[Sent]:
        """The shop comes up; what was said until somebody listens."""
        first = [self._dressed(each) for each in self.shop.begin(0.0)]
        return [*self._noted(first), *self.advance(BEGINS)]

    @property
    def next_at(self) -> float:
        """When something next happens by itself."""
        return min(each for each in (self.shop.next_at(), self._agenda.next_at(), math.inf) if each is not None)

    def advance(self, to: float) -> list[Sent]:
        """Let time pass; what was said meanwhile, oldest first."""
        from_shop = self._noted([self._dressed(each) for each in (*self.shop.advance(to), *self._buttons.drain())])
        self._agenda.advance(to)
        others, self._said = self._said, []
        return sorted((*from_shop, *self._noted(others)), key=lambda each: each.at)

    def say(self, topic: str, payload: str, at: float) -> None:
        """Somebody's client publishes something, which the devices hear too."""
        self._said.append(Sent(at, topic, payload.encode()))
        self.shop.deliver(topic, payload.encode(), at)

    def press_reset(self, collector: str, at: float, *, down: bool) -> None:
        """The button that ends a hold, which `SimShop` does not have."""
        reset = self.config.collector[collector].reset
        assert reset is not None
        self._buttons.word(reset, reset.pressed if down else reset.released, at, retain=False)

    def _hear_other(self, sent: Sent) -> None:
        self._said.append(sent)

    def _noted(self, said: list[Sent]) -> list[Sent]:
        for each in said:
            self._last[each.topic] = each
            if each.retain:
                self.kept[each.topic] = each.payload
        return said

    def _repeat(self, topic: str, every: float) -> None:
        def again(at: float) -> None:
            if (last := self._last.get(topic)) is not None:
                self._said.append(Sent(at, topic, last.payload, last.retain))
            self._agenda.at(at + every, again)

        self._agenda.at(self._random.uniform(0, every), again)

    def _dressed(self, sent: Sent) -> Sent:
        made, payload = self.made, sent.payload
        if beside := made.beside.get(sent.topic):
            document = json.loads(payload)
            for one in beside:
                _put_beside(document, one.pointer, self._value(sent.topic, one, document, sent.at))
            payload = json.dumps(document).encode()
        retain = (sent.retain or sent.topic in made.kept) and sent.topic not in made.not_kept
        return Sent(sent.at, sent.topic, payload, retain)

    def _value(self, topic: str, one: Beside, document: object, at: float) -> object:
        random = self._random
        if one.kind.startswith("also "):
            what, _, pointer = one.kind.removeprefix("also ").partition(" of ")
            value = resolve(document, parse_pointer(pointer))
            if isinstance(value, Missing) or not isinstance(value, int | float):
                return 0
            large = 1000 if "ma" in pointer.lower() else 1
            return round(value * 184 / large, 1) if what == "power" else round(value / 184, 3)
        match one.kind:
            case "rssi":
                return round(random.gauss(-61, 3))
            case "uptime":
                return round(at) + 4711
            case "temperature":
                return round(24 + 3 * math.sin(at / 400), 1)
            case "voltage":
                return round(random.gauss(231, 1), 1)
            case "energy":
                self._energy[topic] = self._energy.get(topic, random.uniform(1, 900)) + 0.001
                return round(self._energy[topic], 3)
            case "factor":
                return round(random.uniform(0.5, 0.9), 2)
            case "relay" | "ok":
                return True
            case "err":
                return 0
            case _:
                return "v1.2"


def _put_beside(document: Any, pointer: str, value: object) -> None:  # noqa: ANN401 - a JSON document
    """Set a member of an object that is there; a gateway that has not heard of the meter yet lacks it."""
    *way, last = parse_pointer(pointer)
    here = resolve(document, way)
    if isinstance(here, dict):
        here.setdefault(last, value)


def _abouts(shop: MadeShop) -> Iterator[Sent]:
    """What boards of our own say of themselves, kept by the broker."""
    roles = {"collector": "switch", "gate": "gate", "tool": "sensor"}
    of_config = shop.config
    for kind, name in sorted(shop.boards):
        role = roles[kind]
        home = f"shop/{role}/{name}"
        topics = sorted({one.topic for one in of_config.signals() if (one.kind, one.name) == (kind, name)})
        body = {"gatehand_board": 1, "role": role, "name": name, "topics": topics}
        yield Sent(0.0, f"{home}/about", json.dumps(body).encode(), retain=True)


Start = Callable[[float], object]


def _others(random: Random, agenda: Agenda, said: Callable[[Sent], None]) -> Iterator[Start]:
    """What else speaks, each to be begun."""

    def every(seconds: float, topic: str, payload: Callable[[float], bytes], *, retain: bool = False) -> Start:
        def again(at: float) -> None:
            said(Sent(at, topic, payload(at), retain))
            agenda.at(at + seconds, again)

        return lambda at: agenda.at(at + random.uniform(0, seconds), again)

    for number in range(random.randrange(1, 5)):
        yield every(random.choice((10.0, 30.0, 60.0)), f"house/{number}/climate", _climate(random))
    for number in range(random.randrange(0, 4)):
        yield _plug(random, agenda, said, f"plug/{random.randrange(16**4):04x}/{number}")
    for number in range(random.randrange(0, 3)):
        yield _door(random, agenda, said, f"door/{number}/contact")
    if random.random() < 0.5:
        yield every(
            random.choice((1.0, 10.0)),
            "clock",
            lambda at: f"2026-11-25T18:{at // 60 % 60:02.0f}:{at % 60:02.0f}Z".encode(),
        )
    if random.random() < 0.4:
        yield every(1.0, "bus/epoch", lambda at: str(1_790_000_000 + round(at)).encode())
    if random.random() < 0.5:
        yield every(20.0, "cam/yard", lambda _at: b"\xff\xd8\xff" + random.randbytes(2000), retain=True)
    if random.random() < 0.3:
        yield every(45.0, "cam/large", lambda _at: b"\xff\xd8" + bytes(70_000))
    if random.random() < 0.6:
        yield every(
            4.0,
            "log",
            lambda at: f"[{at:.0f}] link {random.choice(('up', 'ok', 'slow'))}, {random.random():.3f}".encode(),
        )
    if random.random() < 0.6:
        yield every(
            10.0,
            "rack/load",
            lambda _at: json.dumps(
                {"cpu": round(random.betavariate(2, 6), 2), "fans": [900, random.randrange(800, 1400)]}
            ).encode(),
        )
    if random.random() < 0.5:
        yield every(5.0, "meter/house", _house(random))


def _climate(random: Random) -> Callable[[float], bytes]:
    base, is_plain = random.uniform(14, 24), random.random() < 0.5

    def payload(at: float) -> bytes:
        value = round(base + math.sin(at / 500) + random.gauss(0, 0.05), 2)
        return str(value).encode() if is_plain else json.dumps({"t": value, "h": random.randrange(40, 60)}).encode()

    return payload


def _house(random: Random) -> Callable[[float], bytes]:
    """The power of the whole house: other things than the shop's go on and off in it."""
    state = {"base": 300.0}

    def payload(_at: float) -> bytes:
        if random.random() < 0.02:
            state["base"] = random.uniform(200, 2500)
        return f"{random.gauss(state['base'], 15):.0f}".encode()

    return payload


def _plug(random: Random, agenda: Agenda, said: Callable[[Sent], None], topic: str) -> Start:
    """Somebody else's plug with a meter: a heater, a kettle, a charger."""
    load, is_plain, every = random.uniform(40, 1800), random.random() < 0.5, random.choice((0.0, 1.0, 10.0))
    on = [False]

    def speak(at: float) -> None:
        power = round(max(0.0, random.gauss(load, load * 0.02)), 1) if on[0] else 0.0
        text = (
            str(power) if is_plain else json.dumps({"state": "ON" if on[0] else "OFF", "power": power, "voltage": 230})
        )
        said(Sent(at, topic, text.encode()))

    def switch(at: float) -> None:
        on[0] = not on[0]
        speak(at)
        agenda.at(at + random.expovariate(1 / random.choice((120.0, 300.0, 600.0))), switch)

    def go_on(at: float) -> None:
        speak(at)
        agenda.at(at + every, go_on)

    def begin(at: float) -> None:
        agenda.at(at + random.uniform(5, 300), switch)
        if every:
            agenda.at(at + random.uniform(0, every), go_on)

    return begin


def _door(random: Random, agenda: Agenda, said: Callable[[Sent], None], topic: str) -> Start:
    words = random.choice((("open", "shut"), ("1", "0"), ("ON", "OFF")))
    is_open = [False]

    def move(at: float) -> None:
        is_open[0] = not is_open[0]
        said(Sent(at, topic, words[0 if is_open[0] else 1].encode(), retain=True))
        agenda.at(at + random.uniform(3, 20) if is_open[0] else at + random.expovariate(1 / 240), move)

    return lambda at: agenda.at(at + random.uniform(1, 240), move)
