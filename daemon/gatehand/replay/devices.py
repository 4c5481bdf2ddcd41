"""What answers the rules' commands in a replay: nothing, or gates and switches that never fail.

An ideal gate reports exactly its travel after its last command, an ideal switch answers at once, its motor's current
with it. A gate without a command of its own, which a hand moves, stands open all the time where it serves a tool.
"""

from collections.abc import Iterable
from operator import itemgetter
from typing import Final, Protocol, assert_never

from gatehand.replay.lane import to_ms
from gatehand_rules.commands import ClearAlarm, CollectorOff, CollectorOn, Command, OpenGate, Poll, RaiseAlarm, ShutGate
from gatehand_rules.events import CollectorCurrent, CollectorReport, Event, GateReport
from gatehand_rules.shop import Collector, Gate, Shop
from gatehand_rules.words import Position

NEVER: Final = 1 << 62


class Devices(Protocol):
    """What stands at the other end of the commands."""

    @property
    def next_ms(self) -> int:
        """When the next report comes; NEVER without one."""

    def pop(self) -> tuple[Event, int]:
        """That report and its ms."""

    def told(self, command: Command, ms: int) -> None:
        """A command has left."""

    def passes(self, event: Event, ms: int) -> bool:
        """Whether an event of the stretch, other than a reading, counts here."""

    def hears(self, collector: str, ms: int) -> bool:
        """Whether the stretch's currents of this collector count here, from `ms` on to the next step."""


class NoDevices:
    """Nothing answers: the recorded reports are all there is."""

    @property
    def next_ms(self) -> int:
        """Never."""
        return NEVER

    def pop(self) -> tuple[Event, int]:
        """Never called: there is no next report."""
        raise IndexError("no device reports")

    def told(self, command: Command, ms: int) -> None:
        """Nothing follows."""

    def passes(self, event: Event, ms: int) -> bool:  # noqa: ARG002 - another kind of devices looks at it
        """All of it."""
        return True

    def hears(self, collector: str, ms: int) -> bool:  # noqa: ARG002 - the same
        """All of them."""
        return True


class IdealDevices(NoDevices):
    """Gates and switches that do what they are told."""

    def __init__(self, shop: Shop) -> None:
        self._gates = {gate.name: gate for gate in shop.gates}
        self._collectors = {collector.name: collector for collector in shop.collectors}
        self._due: list[tuple[int, Event]] = []

    @property
    def next_ms(self) -> int:
        """When the next report comes."""
        return self._due[0][0] if self._due else NEVER

    def pop(self) -> tuple[Event, int]:
        """That report."""
        ms, event = self._due.pop(0)
        return event, ms

    def told(self, command: Command, ms: int) -> None:
        """Answer it, each in its time."""
        match command:
            case OpenGate(gate=name):
                self._move(self._gates[name], Position.OPEN, ms)
            case ShutGate(gate=name):
                self._move(self._gates[name], Position.SHUT, ms)
            case CollectorOn(collector=name):
                self._later(ms, switch_reports(self._collectors[name], on=True))
            case CollectorOff(collector=name):
                self._later(ms, switch_reports(self._collectors[name], on=False))
            case RaiseAlarm() | ClearAlarm() | Poll():
                pass  # whatever moves says so by itself here
            case _:
                assert_never(command)

    def _move(self, gate: Gate, to: Position, ms: int) -> None:
        """A gate that is told anew before it has arrived never reports the place it was on its way to."""
        self._due = [each for each in self._due if not _is_of(each[1], gate.name)]
        if gate.reports:
            self._later(ms + to_ms(gate.travel), [GateReport(gate.name, to)])

    def _later(self, ms: int, events: Iterable[Event]) -> None:
        self._due.extend((ms, event) for event in events)
        self._due.sort(key=itemgetter(0))


def _is_of(event: Event, gate: str) -> bool:
    return isinstance(event, GateReport) and event.gate == gate


def switch_reports(collector: Collector, *, on: bool, retained: bool = False) -> list[Event]:
    """What a switch and its motor's current say that follow at once."""
    said: list[Event] = []
    if collector.reports:
        said.append(CollectorReport(collector.name, on, retained))
    if collector.senses_current:
        said.append(CollectorCurrent(collector.name, 2 * collector.running_amps if on else 0.0, retained))
    return said
