"""The collector's switch on the bench: its settings, its pins by their names, and the clock that its timer reads."""

from collections.abc import Callable
from types import SimpleNamespace
from typing import Any

from role_bench import WRAP, Bench, module, ticks_diff

RELAY, FEEDBACK = 5, 6
SET, STATE = "shop/collector/set", "shop/collector/state"
LIMIT_MS = 50_000
"""What a `refresh` of 20 s gives."""


def settings(*, feedback: bool = False, **other: object) -> dict[str, Any]:
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
