"""The same shop as a state machine of the usual kind: what `machine_transitions` and `machine_statemachine` share.

A tool, a gate and the fan each are a machine of the package; this floor holds them, asks them in turn, and keeps the
next instant at which time alone changes something. It does less than the rules do: no findings, no interlock, no
reports, no hands, one collector. For the same readings it must give the same commands; `bench_step` sees to that.
"""

# ruff: noqa: ARG002 - the packages give every condition and action what the event brought

from collections.abc import Sequence
from dataclasses import dataclass
from math import inf
from typing import Protocol

TRAVEL = 1.5
SPIN_UP = 3.0
COAST_DOWN = 8.0
RUN_ON = 10.0
SILENT_AFTER = 30.0
START = 2.5
STOP = 1.75


class ToolMachine(Protocol):
    """idle, running, run_on or silent."""

    word: str
    since: float
    heard: float

    def hear(self, amps: float, now: float) -> None:
        """A reading."""

    def pass_time(self, now: float) -> None:
        """A deadline may have come."""


class GateMachine(Protocol):
    """shut, opening, open or shutting."""

    word: str
    since: float

    def tell_open(self, now: float) -> None:
        """Command it."""

    def tell_shut(self, now: float) -> None:
        """Command it."""

    def pass_time(self, now: float) -> None:
        """Its travel may have run out."""


class FanMachine(Protocol):
    """off, opening, spin_up, running, run_on or coast_down."""

    word: str
    since: float
    still_at: float

    def look(self, now: float) -> None:
        """See what the demands want of it."""


@dataclass
class Parts:
    """The machines of one floor."""

    tools: Sequence[ToolMachine]
    gates: Sequence[GateMachine]
    fan: FanMachine


class Floor:
    """All machines of one shop. `gate_of` names each tool's gate by index."""

    def __init__(self, gate_of: Sequence[int]) -> None:
        self.gate_of = gate_of
        self.commands: list[tuple[float, str]] = []
        self.wake_at = inf
        self.parts: Parts

    def hear(self, tool: int, amps: float, now: float) -> None:
        """A reading of a tool. The caller has called `tick` for every deadline before it."""
        machine = self.parts.tools[tool]
        before = machine.word
        machine.hear(amps, now)
        if machine.word != before:
            self.settle(now)

    def tick(self, now: float) -> None:
        """A deadline has come."""
        for tool in self.parts.tools:
            if self._due(tool) <= now:
                tool.pass_time(now)
        self.settle(now)

    def settle(self, now: float) -> None:
        """Bring gates and fan to where the tools want them."""
        fan, gates = self.parts.fan, self.parts.gates
        while True:
            for gate in gates:
                if gate.word in {"opening", "shutting"} and now >= round(gate.since + TRAVEL, 6):
                    gate.pass_time(now)
            before = (fan.word, len(self.commands))
            fan.look(now)
            if before == (fan.word, len(self.commands)):
                break
        self._next(now)

    def demands(self) -> list[int]:
        """Tools that want suction, cutting ones first, then by age."""
        found = [
            (t.word == "run_on", t.since, i) for i, t in enumerate(self.parts.tools) if t.word in {"running", "run_on"}
        ]
        return [i for _, _, i in sorted(found)]

    def cutting(self) -> bool:
        """Some tool cuts."""
        return any(tool.word == "running" for tool in self.parts.tools)

    def chosen(self) -> list[int]:
        """The gates of all demands, each once."""
        return list(dict.fromkeys(self.gate_of[i] for i in self.demands()))

    def open_chosen(self, now: float) -> None:
        """Tell them open."""
        for i in self.chosen():
            gate = self.parts.gates[i]
            if gate.word in {"shut", "shutting"}:
                gate.tell_open(now)
                self.commands.append((now, f"open {i}"))

    def ready(self) -> bool:
        """All of them are proven open."""
        return all(self.parts.gates[i].word == "open" for i in self.chosen())

    def shut_others(self, now: float, *, all_of_them: bool = False) -> None:
        """Tell the rest shut: make before break, and never the last one while the fan turns."""
        chosen = [] if all_of_them else self.chosen()
        if not all_of_them and not self.ready():
            return
        gates = self.parts.gates
        leaving = [i for i, gate in enumerate(gates) if i not in chosen and gate.word in {"open", "opening"}]
        for i in leaving if all_of_them else sorted(leaving, key=lambda i: gates[i].word == "open"):
            others = sum(1 for j, gate in enumerate(gates) if j != i and gate.word == "open")
            if all_of_them or others >= 1:
                gates[i].tell_shut(now)
                self.commands.append((now, f"shut {i}"))

    def tell_fan(self, now: float, *, on: bool) -> None:
        """Command the collector."""
        self.commands.append((now, "on" if on else "off"))

    def _due(self, tool: ToolMachine) -> float:
        if tool.word == "run_on":
            return min(round(tool.since + RUN_ON, 6), round(tool.heard + SILENT_AFTER, 6))
        return inf if tool.word == "silent" else round(tool.heard + SILENT_AFTER, 6)

    def _next(self, now: float) -> None:
        moments = [self._due(tool) for tool in self.parts.tools]
        moments += [round(g.since + TRAVEL, 6) for g in self.parts.gates if g.word in {"opening", "shutting"}]
        fan = self.parts.fan
        if fan.word == "spin_up":
            moments.append(round(fan.since + SPIN_UP, 6))
        if fan.word == "coast_down":
            moments.append(max(now, fan.still_at))
        self.wake_at = min(moments)


class ToolFacts:
    """What a tool's machine compares and keeps; the states and their changes are the package's."""

    def __init__(self) -> None:
        self.amps = 0.0
        self.heard = 0.0
        self.since = 0.0

    def is_high(self, amps: float, now: float) -> bool:
        """At its start threshold."""
        return amps >= START

    def is_low(self, amps: float, now: float) -> bool:
        """Below its stop threshold."""
        return amps < STOP

    def note(self, amps: float, now: float) -> None:
        """Keep the reading."""
        self.amps = amps
        self.heard = now

    def turn(self, amps: float, now: float) -> None:
        """Keep the reading that changes the state."""
        self.amps = amps
        self.heard = now
        self.since = now

    def is_silent(self, now: float) -> bool:
        """Nothing heard for too long."""
        return now >= round(self.heard + SILENT_AFTER, 6)

    def is_over(self, now: float) -> bool:
        """Its run-on has passed."""
        return now >= round(self.since + RUN_ON, 6)


class GateFacts:
    """When a gate was told."""

    def __init__(self) -> None:
        self.since = 0.0

    def told(self, now: float) -> None:
        """Its travel begins."""
        self.since = now

    def has_arrived(self, now: float) -> bool:
        """Its travel has run out."""
        return now >= round(self.since + TRAVEL, 6)


class FanFacts:
    """What the fan's machine asks of the floor, and what it does on its way from state to state."""

    def __init__(self, floor: Floor) -> None:
        self.floor = floor
        self.since = 0.0
        self.still_at = 0.0

    def is_wanted(self, now: float) -> bool:
        """Some tool wants suction."""
        return bool(self.floor.demands())

    def is_unwanted(self, now: float) -> bool:
        """None does."""
        return not self.floor.demands()

    def can_start(self, now: float) -> bool:
        """The gates are told open, and all are there."""
        self.floor.open_chosen(now)
        return self.floor.ready()

    def start(self, now: float) -> None:
        """On."""
        self.since = now
        self.still_at = inf
        self.floor.tell_fan(now, on=True)
        self.floor.shut_others(now)

    def stop(self, now: float) -> None:
        """Off."""
        self.still_at = round(now + COAST_DOWN, 6)
        self.floor.tell_fan(now, on=False)

    def keep_zone(self, now: float) -> None:
        """On: the right gates open, the others shut."""
        self.floor.open_chosen(now)
        self.floor.shut_others(now)

    def is_spun_up_and_cuts(self, now: float) -> bool:
        """Full flow, and some tool cuts."""
        return now >= round(self.since + SPIN_UP, 6) and self.floor.cutting()

    def is_spun_up(self, now: float) -> bool:
        """Full flow."""
        return now >= round(self.since + SPIN_UP, 6)

    def cuts(self, now: float) -> bool:
        """Some tool cuts."""
        return self.floor.cutting()

    def stands_still(self, now: float) -> bool:
        """It has coasted down."""
        return now >= self.still_at

    def rest(self, now: float) -> None:
        """Shut all gates."""
        self.floor.shut_others(now, all_of_them=True)
