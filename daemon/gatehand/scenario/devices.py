"""A scenario's devices: gates, switches and sensors that do what the file says, faults included. Times are seconds."""

import heapq
from itertools import count

from gatehand_rules.commands import CollectorOff, CollectorOn, Command, OpenGate, ShutGate
from gatehand_rules.events import CollectorCurrent, CollectorReport, Event, GateReport, Reading
from gatehand_rules.shop import Shop
from gatehand_rules.words import Position

SENSOR_EVERY = 1.0
"""Seconds between two readings of a sensor that repeats itself."""


class Devices:
    """What answers the commands. `due` holds what will be said, by time."""

    def __init__(self, shop: Shop) -> None:
        self._shop = shop
        self._due: list[tuple[float, int, Event, int]] = []
        self._order = count()
        self._travel = {gate.name: gate.travel for gate in shop.gates}
        self._jammed: set[str] = set()
        self._deaf: set[str] = set()
        self._welded: set[str] = set()
        self._turn: dict[str, int] = {}
        self.fan_on: dict[str, bool] = {collector.name: False for collector in shop.collectors}
        self.reachable = True

    @property
    def next_at(self) -> float | None:
        """When something is said next."""
        return self._due[0][0] if self._due else None

    def pop(self) -> tuple[float, Event | None]:
        """The next thing said; None when it was overtaken or nobody hears it. A sensor's reading repeats itself."""
        at, _, event, turn = heapq.heappop(self._due)
        if isinstance(event, Reading):
            if self._turn.get(event.tool) != turn:
                return at, None
            self.say(at + SENSOR_EVERY, event, turn)
        return at, event if self.reachable else None

    def say(self, at: float, event: Event, turn: int = 0) -> None:
        """Something is said at that time."""
        heapq.heappush(self._due, (round(at, 6), next(self._order), event, turn))

    def draw(self, at: float, tool: str, amps: float | None) -> None:
        """The tool's sensor says this from now on, once a second; None: nothing."""
        turn = self._turn[tool] = next(self._order)
        if amps is not None:
            self.say(at, Reading(tool, amps), turn)

    def jam(self, gate: str, *, jammed: bool) -> None:
        """The gate moves no more, or moves again."""
        (self._jammed.add if jammed else self._jammed.discard)(gate)

    def take(self, gate: str, seconds: float) -> None:
        """The gate's movement takes this long from now on."""
        self._travel[gate] = seconds

    def stay_deaf(self, collector: str, *, deaf: bool) -> None:
        """The switch hears no command, or hears again."""
        (self._deaf.add if deaf else self._deaf.discard)(collector)

    def weld(self, collector: str) -> None:
        """The switch's relay no longer opens."""
        self._welded.add(collector)

    def told(self, at: float, command: Command) -> None:
        """A command arrives."""
        match command:
            case OpenGate(gate=name):
                self._move(at, name, Position.OPEN)
            case ShutGate(gate=name):
                self._move(at, name, Position.SHUT)
            case CollectorOn(collector=name):
                if name not in self._deaf:
                    self.switch(at + 0.1, name, on=True)
            case CollectorOff(collector=name):
                if name not in self._deaf:
                    self.switch(at + 0.1, name, on=name in self._welded and self.fan_on[name])
            case _:
                pass

    def switch(self, at: float, name: str, *, on: bool) -> None:
        """The fan's switch stands so, and says so."""
        self.fan_on[name] = on
        collector = next(one for one in self._shop.collectors if one.name == name)
        if collector.reports:
            self.say(at, CollectorReport(name, on))
        if collector.senses_current:
            self.say(at, CollectorCurrent(name, 4 * collector.running_amps if on else 0.0))

    def _move(self, at: float, name: str, where: Position) -> None:
        gate = next(one for one in self._shop.gates if one.name == name)
        if gate.reports and name not in self._jammed:
            self.say(at + self._travel[name], GateReport(name, where))
