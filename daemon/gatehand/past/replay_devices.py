"""What answers the rules' commands in a replay: nothing, devices that never fail, or the recorded reports.

An ideal gate reports exactly its travel after its last command, an ideal switch answers at once, its motor's sensor
with it. A gate without a command of its own, which a hand moves, stands open all the time where it serves a tool.

For a changed config the recorded run is followed beside the changed one. A gate is *in step* while both runs last told
it to the same place at about the same time: then its recorded reports count, late ones and missing ones too (a gate
that jammed, jams). Out of step, a model answers: after the time that this gate has taken most often so far (the
median), else its travel in the recorded config; and the recorded answer to the recorded command is left out. A report
that nobody's command explains (a hand moved the gate) always counts. A collector's switch and motor count while both
runs last told it the same; else an ideal switch answers at once. An ideal motor's sensor always does where it measures
something else now, or is new.
"""

from bisect import bisect_right
from dataclasses import dataclass, field
from operator import itemgetter
from statistics import median_low
from typing import Final, TypeAlias, assert_never

from gatehand.past.deadband import whole_ms
from gatehand_rules import Collector, Position, Shop, State
from gatehand_rules.commands import ClearAlarm, CollectorOff, CollectorOn, Command, OpenGate, Poll, RaiseAlarm, ShutGate
from gatehand_rules.events import CollectorReading, CollectorReport, Event, GateReport, Tick
from gatehand_rules.shop import CLOSED
from gatehand_rules.state import GateOpen, GateShut
from gatehand_rules.words import Measure

NEVER: Final = 1 << 62
IN_STEP_MS: Final = 250
"""Commands of the two runs this close together are the same command."""
_KEPT: Final = 15
TimedCommands: TypeAlias = list[tuple[int, Command]]
"""By rising ms."""
_Move: TypeAlias = tuple[str, Position | bool]
"""Where a gate is sent; whether a collector is switched on."""


class Devices:
    """What stands at the other end of the commands. These answer nothing: the recorded reports are all there is."""

    @property
    def next_ms(self) -> int:
        """When the next report comes; NEVER without one."""
        return NEVER

    def pop(self) -> tuple[Event, int]:
        """That report and its ms."""
        raise IndexError("no device reports")

    def take_command(self, command: Command, ms: int) -> None:
        """A command has left."""

    def counts(self, event: Event, ms: int) -> bool:  # noqa: ARG002 - another kind of devices looks at it
        """Whether an event of the stretch, other than a reading, counts here."""
        return True

    def motor_counts(self, collector: str, ms: int) -> bool:  # noqa: ARG002 - the same
        """Whether the stretch's readings of this collector's motor count here, from `ms` on to the next step."""
        return True


def _move_of(command: Command) -> _Move | None:
    """None for a command that moves nothing."""
    match command:
        case OpenGate(gate=name):
            return name, Position.OPEN
        case ShutGate(gate=name):
            return name, Position.SHUT
        case CollectorOn(collector=name) | CollectorOff(collector=name):
            return name, isinstance(command, CollectorOn)
        case RaiseAlarm() | ClearAlarm() | Poll():
            return None  # whatever moves says so by itself here
        case _:
            assert_never(command)


class IdealDevices(Devices):
    """Gates and switches that do what they are commanded, and what they will report, by time."""

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

    def take_command(self, command: Command, ms: int) -> None:
        """Have it answered, by the device's kind."""
        match _move_of(command):
            case (name, Position() as to):
                self._move(name, to, ms)
            case (name, bool() as on):
                self._switch(name, ms, on=on)

    def _move(self, name: str, to: Position, ms: int) -> None:
        gate = self._gates[name]
        self._forget(name)
        if gate.reports:
            self._later(ms + whole_ms(gate.travel), GateReport(name, to))

    def _switch(self, name: str, ms: int, *, on: bool) -> None:
        self._later(ms, *switch_reports(self._collectors[name], on=on))

    def _later(self, ms: int, *events: Event) -> None:
        self._due.extend((ms, event) for event in events)
        self._due.sort(key=itemgetter(0))

    def _forget(self, gate: str) -> None:
        """A gate that is commanded anew before it has arrived never reports the place it was on its way to."""
        self._due = [each for each in self._due if not (isinstance(each[1], GateReport) and each[1].gate == gate)]


def switch_reports(collector: Collector, *, on: bool, retained: bool = False) -> list[Event]:
    """What a switch and its motor's sensor say that follow at once."""
    reports: list[Event] = []
    if collector.reports:
        reports.append(CollectorReport(collector.name, on, retained))
    if collector.senses_motor:
        turning = CLOSED if collector.measure is Measure.RUNNING else 2 * collector.turns_at
        reports.append(CollectorReading(collector.name, turning if on else 0.0, retained))
    return reports


@dataclass(slots=True)
class _Destination:
    """Where a gate was last sent in one of the two runs, and since when."""

    to: Position | None = None
    since: int = 0


@dataclass(slots=True)
class _GateInBoth:
    """One gate in both runs."""

    recorded: _Destination
    changed: _Destination
    arrived: bool
    """In the recorded run."""
    reports: bool
    """In both configs."""
    travel_ms: int
    took: dict[Position, list[int]] = field(default_factory=lambda: {Position.OPEN: [], Position.SHUT: []})

    @property
    def in_step(self) -> bool:
        """Both runs commanded the same at about the same time."""
        one, other = self.recorded, self.changed
        return one.to is other.to and abs(one.since - other.since) <= IN_STEP_MS

    def usual_ms(self, to: Position) -> int:
        """How long it takes."""
        return median_low(self.took[to]) if self.took[to] else self.travel_ms


class RecordedDevices(IdealDevices):
    """Devices for a changed run. `follow` first with each stretch's recorded commands."""

    def __init__(self, recorded: Shop, changed: Shop, state: State) -> None:
        """`state`: of the recorded run, at the beginning."""
        super().__init__(changed)
        self._both: dict[str, _GateInBoth] = {}
        for gate, seen, guarded in zip(recorded.gates, state.gates, state.guard.gates, strict=True):
            after = self._gates.get(gate.name)
            if after is not None:
                since = round(guarded.told_at * 1000) if guarded.told is not None else 0
                self._both[gate.name] = _GateInBoth(
                    recorded=_Destination(guarded.told, since),
                    changed=_Destination(guarded.told, since),
                    arrived=isinstance(seen.move, GateOpen | GateShut),
                    reports=gate.reports and after.reports,
                    travel_ms=whole_ms(gate.travel),
                )
        fans = zip(recorded.collectors, state.guard.fans, strict=True)
        eyes = {fan.name: fan.measure for fan in recorded.collectors if fan.senses_motor}
        self.modelled = {
            fan.name for fan in changed.collectors if fan.senses_motor and eyes.get(fan.name) is not fan.measure
        }
        """Collectors of whose motor nothing recorded counts: something else says now whether it turns."""
        self._recorded_on: dict[str, bool | None] = {fan.name: seen.told_on for fan, seen in fans}
        self._changed_on = dict(self._recorded_on)
        self._moves: list[tuple[int, _Move]] = []
        """Of the recorded run, in the stretch that is followed."""
        self._next = 0
        self._looks: list[int] = []

    def follow(self, commands: TimedCommands) -> None:
        """The commands that the recorded run gave in the stretch to come."""
        self._catch_up(NEVER)
        self._moves = [(ms, move) for ms, command in commands if (move := _move_of(command)) is not None]
        self._next = 0
        # The changed run looks up at each of these moments: a motor's recorded readings may count from then on, or no
        # more.
        self._looks = [ms for ms, (_, to) in self._moves if isinstance(to, bool)][::-1]

    @property
    def next_ms(self) -> int:
        """When the model next reports, or the recorded collector is switched."""
        return min(super().next_ms, self._looks[-1] if self._looks else NEVER)

    def pop(self) -> tuple[Event, int]:
        """That report; a tick where there is none."""
        if self._looks and (not self._due or self._looks[-1] <= self._due[0][0]):
            return Tick(), self._looks.pop()
        return super().pop()

    def take_command(self, command: Command, ms: int) -> None:
        """The changed run gives a command."""
        self._catch_up(ms)
        super().take_command(command, ms)

    def counts(self, event: Event, ms: int) -> bool:
        """Whether a recorded event is one in the changed run too."""
        self._catch_up(ms)
        match event:
            case GateReport(gate=name, position=position):
                return self._report(name, position, ms)
            case CollectorReport(collector=name):
                return self._is_in_step(name)
            case CollectorReading(collector=name):
                return self.motor_counts(name, ms)
            case _:
                return True

    def motor_counts(self, collector: str, ms: int) -> bool:
        """Whether what the recorded motor's sensor said is what the changed run's says too."""
        self._catch_up(ms)
        return collector not in self.modelled and self._is_in_step(collector)

    def _is_in_step(self, collector: str) -> bool:
        return self._recorded_on.get(collector) is self._changed_on.get(collector)

    def _catch_up(self, ms: int) -> None:
        """Follow the recorded run to `ms`."""
        while self._next < len(self._moves) and self._moves[self._next][0] <= ms:
            at, (name, to) = self._moves[self._next]
            self._next += 1
            if isinstance(to, bool):
                self._recorded_on[name] = to
            elif (gate := self._both.get(name)) is not None and gate.recorded.to is not to:
                gate.recorded, gate.arrived = _Destination(to, at), False

    def _move(self, name: str, to: Position, ms: int) -> None:
        """A gate commanded anew to the same place goes on being in step; the model answers each time."""
        gate = self._both.get(name)
        if gate is None:  # a gate that the recorded config did not have
            super()._move(name, to, ms)
        elif self._gates[name].reports:
            self._forget(name)
            if gate.changed.to is not to:
                gate.changed = _Destination(to, ms)
            if not (gate.reports and (gate.in_step or self._is_about_to((name, to), ms))):
                self._later(ms + gate.usual_ms(to), GateReport(name, to))

    def _switch(self, name: str, ms: int, *, on: bool) -> None:
        before = self._changed_on.get(name)
        self._changed_on[name] = on
        if not self._recorded_answers(name, ms, on=on, anew=before is not on):
            super()._switch(name, ms, on=on)
        elif name in self.modelled:
            said = switch_reports(self._collectors[name], on=on)
            self._later(ms, *(each for each in said if isinstance(each, CollectorReading)))

    def _recorded_answers(self, name: str, ms: int, *, on: bool, anew: bool) -> bool:
        """Whether the recorded run told the switch the same: its answer stands in the recording."""
        told = self._recorded_on.get(name) is on
        if told and not anew:
            return True
        just_now = told and any(move == (name, on) and ms - at <= IN_STEP_MS for at, move in self._moves[: self._next])
        return just_now or self._is_about_to((name, on), ms)

    def _is_about_to(self, wanted: _Move, ms: int) -> bool:
        """The recorded run gives the same command within a moment."""
        end = bisect_right(self._moves, ms + IN_STEP_MS, key=itemgetter(0))
        return any(move == wanted for _, move in self._moves[self._next : end])

    def _report(self, name: str, position: Position, ms: int) -> bool:
        gate = self._both.get(name)
        if gate is None or not gate.reports:
            return False
        wanted = gate.recorded.to
        if gate.arrived and position is wanted:
            return gate.changed.to is wanted
        if not gate.arrived and position in {wanted, Position.BETWEEN}:
            if position is wanted and wanted is not None:
                gate.arrived = True
                gate.took[wanted] = [*gate.took[wanted][-_KEPT:], ms - gate.recorded.since]
            return gate.in_step
        return True
