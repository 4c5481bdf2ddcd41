"""A broker with one tool's sensor and much else on it, drawn from a seed: payloads, words, rhythms, distractors.

A machine is on or off; what measures it says so at its own rhythm, on change, or both. Devices of no brand: topics and
keys are made of common words.
"""

import json
from collections.abc import Iterator
from dataclasses import dataclass
from random import Random
from typing import NamedTuple

from gatehand.listening.cycles import Switched
from gatehand.listening.observed import Listening

Place = tuple[str, str | None]
"""Topic and pointer."""


class Said(NamedTuple):
    at: float
    topic: str
    payload: bytes
    retained: bool = False


@dataclass
class DrawnBroker:
    """What was said, what was done, and which places tell it truly."""

    said: list[Said]
    switched: Switched
    until: float
    right: set[Place]
    measure: str

    def heard(self) -> Listening:
        found = Listening()
        for one in self.said:
            found.take(one.topic, one.payload, one.retained, one.at)
        return found


class Machine(NamedTuple):
    """When it is on, and how its sensor says so. `every` None: only on change."""

    topic: str
    measure: str
    every: float | None
    on: float
    off: float
    until: float

    def is_on(self, at: float) -> bool:
        return self.on <= at < self.off


WORDS = (("ON", "OFF"), ("on", "off"), ("1", "0"), ("true", "false"), ("running", "idle"), ("closed", "open"))
ROOMS = ("shop", "workshop", "house/cellar", "werkstatt", "garage", "site/bay 2")
THINGS = ("band_saw", "jointer", "drum_sander", "router", "plug 7", "meter3", "node/4", "00A3F2")


def drawn(seed: int) -> DrawnBroker:
    """The broker of this seed."""
    dice = Random(seed)
    rest_for, on_for, off_for = dice.uniform(12, 60), dice.uniform(18, 45), dice.uniform(12, 35)
    on, off = rest_for, rest_for + on_for
    until = off + off_for
    slack = dice.uniform(0.5, 4.0)
    switched = Switched(on - slack, on + dice.uniform(0.2, 2), off - slack, off + dice.uniform(0.2, 2))
    measure = dice.choice(("amps", "watts", "words"))
    topic = f"{dice.choice(ROOMS)}/{dice.choice(THINGS)}"
    every = dice.choice((None, 1.0, 2.0, 5.0, 10.0))  # None: only on change
    if every == 10.0:
        until = max(until, off + 22)
        off = max(off, on + 22)
        until = max(until, off + 22)
        switched = Switched(switched.on_after, switched.on_by, off - slack, off + 1)
    drawn_sensor = _words if measure == "words" else _meter
    said, right = drawn_sensor(dice, Machine(topic, measure, every, on, off, until))
    for at in range(dice.randint(2, 8)):
        said += _DISTRACTORS[dice.randrange(len(_DISTRACTORS))](dice, f"{dice.choice(ROOMS)}/other{at}", until)
    said.sort(key=lambda one: one.at)
    return DrawnBroker(said, switched, until, right, measure)


def _times(dice: Random, machine: Machine) -> Iterator[tuple[float, bool]]:
    """When a device speaks, and whether the broker held that back."""
    every, until = machine.every, machine.until
    if dice.random() < 0.5 or every is None:
        yield 0.01, True
    found = []
    if every is not None:
        at = dice.uniform(0, every)
        while at < until:
            found.append(at + dice.uniform(0, 0.05 * every))
            at += every
    if every is None or dice.random() < 0.3:
        found += [change + dice.uniform(0.05, 0.8) for change in (machine.on, machine.off)]
    yield from ((at, False) for at in sorted(found) if at < until)


def _meter(dice: Random, machine: Machine) -> tuple[list[Said], set[Place]]:
    topic, measure = machine.topic, machine.measure
    volts = dice.choice((120.0, 230.0))
    amps = dice.uniform(1.5, 14.0)
    rest = dice.choice((0.0, 0.01, 0.05, 0.15))
    milli = dice.random() < 0.2
    said, energy = [], dice.uniform(0, 500)
    shape = dice.choice(("plain", "flat", "nested", "list"))
    name = {
        "amps": ("amps", "current", "current_mA" if milli else "A"),
        "watts": ("watts", "power", "active_power", "W"),
    }
    key = dice.choice(name[measure])
    for at, retained in _times(dice, machine):
        now = amps * dice.uniform(0.9, 1.15) if machine.is_on(at) else rest * dice.uniform(0.5, 1.0)
        value = now * volts * 0.85 if measure == "watts" else now * (1000 if key == "current_mA" else 1)
        value = round(value, 3 if value < 20 else 1)
        energy += now
        if shape == "plain":
            payload: object = value
        else:
            other = {"voltage": round(volts + dice.uniform(-3, 1), 1), "energy": round(energy, 2)}
            if measure == "watts":
                other["power_factor"] = 0.85 if machine.is_on(at) else 0.0
            other["uptime"] = round(at + 5000)
            payload = {key: value, **other}
            if shape == "nested":
                payload = {"time": f"2026-05-04T09:00:{int(at) % 60:02}Z", "meter": payload}
            elif shape == "list":
                payload = {"channels": [{"power" if measure == "watts" else "current": 0.0}, payload]}
        said.append(Said(at, topic if shape != "plain" else f"{topic}/{key}", json.dumps(payload).encode(), retained))
    place = {
        "plain": (f"{topic}/{key}", None),
        "flat": (topic, f"/{key}"),
        "nested": (topic, f"/meter/{key}"),
        "list": (topic, f"/channels/1/{key}"),
    }[shape]
    return said, {place}


def _words(dice: Random, machine: Machine) -> tuple[list[Said], set[Place]]:
    topic, words = machine.topic, dice.choice(WORDS)
    shape = dice.choice(("plain", "json"))
    said = []
    for at, retained in _times(dice, machine):
        word = words[0] if machine.is_on(at) else words[1]
        payload = word if shape == "plain" else json.dumps({"running": word, "uptime": round(at + 77)})
        said.append(Said(at, topic, payload.encode(), retained))
    return said, {(topic, None if shape == "plain" else "/running")}


def _random_meter(dice: Random, topic: str, until: float) -> list[Said]:
    every = dice.choice((1.0, 3.0, 10.0))
    top = dice.uniform(1, 2000)
    key = dice.choice(("power", "current", "value", "temperature"))
    return [
        Said(at, topic, json.dumps({key: round(dice.uniform(0, top), 2)}).encode()) for at in _beats(dice, every, until)
    ]


def _another_machine(dice: Random, topic: str, until: float) -> list[Said]:
    """A compressor that starts and stops when it likes."""
    on, turns = dice.random() < 0.5, dice.uniform(0, 60)
    said = []
    for at in _beats(dice, dice.choice((1.0, 5.0)), until):
        while at >= turns:
            on, turns = not on, turns + dice.uniform(8, 60)
        said.append(Said(at, topic, json.dumps({"power": round(900 * dice.uniform(0.9, 1.1)) if on else 2}).encode()))
    return said


def _counter(dice: Random, topic: str, until: float) -> list[Said]:
    count = dice.randrange(10_000)
    return [Said(at, topic, str(count + at_ // 2).encode()) for at_, at in enumerate(_beats(dice, 2.0, until))]


def _toggling(dice: Random, topic: str, until: float) -> list[Said]:
    """Lights and doors: words that change when somebody passes."""
    words, at, said = dice.choice(WORDS), 0.01, []
    while at < until:
        said.append(Said(at, topic, dice.choice(words).encode(), at == 0.01 and dice.random() < 0.7))
        at += dice.expovariate(1 / 25) + 1
    return said


def _clock(dice: Random, topic: str, until: float) -> list[Said]:
    return [Said(at, topic, f"2026-05-04 09:00:{int(at) % 60:02}".encode()) for at in _beats(dice, 5.0, until)]


def _retained_only(dice: Random, topic: str, _until: float) -> list[Said]:
    return [Said(0.01, topic, dice.choice((b"ON", b'{"power": 812.0}', b"online", b"")), retained=True)]


def _odd(dice: Random, topic: str, until: float) -> list[Said]:
    payloads = (bytes(range(128, 200)), b"{" * 5000, b"nan", b'{"a": NaN}', b"x" * 70_000, b"\xff\xfe")
    return [Said(at, topic, dice.choice(payloads)) for at in _beats(dice, 8.0, until)]


def _beats(dice: Random, every: float, until: float) -> Iterator[float]:
    at = dice.uniform(0, every)
    while at < until:
        yield at
        at += every


_DISTRACTORS = (_random_meter, _another_machine, _counter, _toggling, _clock, _retained_only, _odd)
