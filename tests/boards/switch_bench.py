"""The collector's switch on the bench: its settings, its pins by their names, and the clock that its timer reads."""

from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

from role_bench import BOARDS, STANDINS, WRAP, Bench, module, ticks_diff

RELAY, FEEDBACK = 5, 6
SET, STATE = "shop/collector/set", "shop/collector/state"
LIMIT_MS = 50_000
"""What a `refresh` of 20 s gives."""


def settings(*, feedback: bool = False, **other: Any) -> dict[str, Any]:  # noqa: ANN401
    """What settings.json of a switch holds; `other` replaces whole entries."""
    hardware = {"relay": RELAY, "relay_on": 1, "feedback": FEEDBACK if feedback else None, "timer": None, "clamp": None}
    return {
        "role": "switch",
        "name": "main",
        "set": {"topic": SET, "on": "1", "off": "0"},
        "state": {"topic": STATE, "on": "1", "off": "0"},
        "limit_ms": LIMIT_MS,
        "hardware": hardware,
    } | other


class SwitchBench(Bench):
    """The switch, its timer alive and the broker there unless it is told otherwise."""

    def __init__(
        self,
        given: dict[str, Any] | None = None,
        prepare: Callable[[Any], None] = lambda _world: None,
        offset_ms: int = 0,
        *,
        connected: bool = True,
    ) -> None:
        program = module("switch")
        program.time = SimpleNamespace(ticks_ms=lambda: self.ms % WRAP, ticks_diff=ticks_diff)
        super().__init__("switch", settings() if given is None else given, prepare, offset_ms)
        self._on_level = (settings() if given is None else given)["hardware"].get("relay_on", 1)
        if connected:
            self.go(100)
            self.connect()

    @property
    def on(self) -> bool:
        """Whether the relay has the level that switches on."""
        return bool(self.output(RELAY) == self._on_level)

    def on_for(self, milliseconds: int) -> None:
        """A live "on", which counts, then so much time."""
        self.hear(SET, "1")
        assert self.on
        self.go(milliseconds)

    def spans(self) -> list[tuple[int, int | None]]:
        """From when to when the relay was on; None: it still is."""
        edges = [
            (done.ms, done.value == self._on_level) for done in self.done if done.what == "pin" and done.pin == RELAY
        ]
        starts = [ms for ms, on in edges if on]
        ends = [ms for (ms, on), (_, before) in zip(edges[1:], edges, strict=False) if before and not on]
        return [(start, ends[index] if index < len(ends) else None) for index, start in enumerate(starts)]


BARE = """
import sys, micropython
sys.path[:0] = FOLDERS
import machine
class Clock:
    ms = (1 << 30) - 200
    def ticks_ms(self):
        return self.ms & (1 << 30) - 1
    def ticks_diff(self, later, earlier):
        return ((later - earlier + (1 << 29)) & (1 << 30) - 1) - (1 << 29)
clock = Clock()
class Pin:
    IN, OUT, PULL_UP = 0, 1, 1
    level = -1
    def __init__(self, number, mode=-1, pull=-1, value=None):
        Pin.level = value
    def value(self, level):
        Pin.level = level
class Timer:
    PERIODIC = 1
    def __init__(self, number):
        pass
    def init(self, mode, period, callback):
        Timer.look = callback
    def deinit(self):
        pass
machine.Pin, machine.Timer = Pin, Timer
import board, switch
switch.time = clock
class Link:
    up = True
    behind = False
role = switch.make(board.Settings(SETTINGS))
look = Timer.look
look(None)
now = 0
role.tick(now, Link)
"""


def bare_script(body: str, **other: Any) -> str:  # noqa: ANN401
    """A script for MicroPython: the switch beside a pin, a timer and a clock that do the least, then `body`.

    `body` finds `role`, the timer's call as `look`, `clock.ms`, `Pin.level`, `TOPIC` of the commands, and `now`, 0.
    """
    known = {"FOLDERS": [str(STANDINS), str(BOARDS)], "SETTINGS": settings(**other), "TOPIC": SET}
    return "".join(f"{name} = {value!r}\n" for name, value in known.items()) + BARE + body
