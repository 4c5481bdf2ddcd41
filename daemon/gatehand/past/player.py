"""Steps the rules through stretches of readings and events, passing over the readings that decide nothing.

A deadline of the rules that falls between two items is stepped at its own instant, as by a daemon with a perfect timer,
unless an item comes within `patience_ms` after it: that item then takes the deadline along, as the daemon's own late
tick did. So 0 gives the perfect timer, RECORDED the recorded run itself, and a little in between lets a changed config
keep the recorded run's timing wherever the two do the same.

At one instant devices come first, then the items in their order, then time alone.

`rested` plays a shop's quiet start first: gates found shut and collectors off, known and connected, as a daemon has
them; the sensors' silence counts from the first reading on.
"""

from bisect import bisect_left
from collections.abc import Callable, Container, Sequence
from operator import attrgetter, itemgetter
from typing import Final, TypeAlias

from msgspec.structs import replace

from gatehand.measures import measures_of
from gatehand.past.deadband import ANY, Cursor, deadband, fan_deadband, is_calm, whole_ms
from gatehand.past.replay_devices import NEVER, Devices, IdealDevices, RecordedDevices, TimedCommands, switch_reports
from gatehand.past.stretches import Stretch, Timed, Track
from gatehand_rules import Outcome, Position, Shop, State, adopt_shop, initial, next_deadline, readings, step
from gatehand_rules.events import BrokerConnected, CollectorReading, Event, GateReport, Reading, Tick
from gatehand_rules.state import MotorHeard, ToolRunning, ToolRunOn, ToolSilent, ToolState, ToolUnknown
from gatehand_rules.timing import due

Sink: TypeAlias = Callable[[int, Event, Outcome], None]
"""Called with rule time in ms, the event and its outcome, for every step that came to something."""

RECORDED: Final = NEVER

_Looked: TypeAlias = tuple[ToolState, bool, bool, bool]


def _ignore(_ms: int, _event: Event, _outcome: Outcome) -> None:
    """For who asks for the state alone."""


_ms_of = attrgetter("ms")
_order_of = itemgetter(1)


class Player:
    """A shop in the middle of a replay. `state` is what the rules know after the last item."""

    def __init__(
        self, shop: Shop, state: State, sink: Sink = _ignore, *, devices: Devices | None = None, patience_ms: int = 0
    ) -> None:
        self.shop = shop
        self.state = state
        self.now_ms = 0
        self._sink = sink
        self._devices = devices or Devices()
        self._patience_ms = patience_ms
        self._silent_ms = [whole_ms(tool.silent_after) for tool in shop.tools]
        self._tools: list[Cursor] = []
        self._looked: list[_Looked | None] = []
        """Of each tool: by what its cursor's stop was found."""
        self._cursors: list[Cursor] = []
        self._commands: TimedCommands = []
        self._others: list[Timed] = []
        self._next_other = 0
        self._deadline_s: float | None = None
        self._deadline = self._without_silence()

    def play(self, stretch: Stretch) -> TimedCommands:
        """Everything up to the stretch's last item; what was commanded. Names that the shop lacks are passed over."""
        self._commands = []
        end = stretch.last_ms
        if end is None:
            return []
        self._enter(stretch)
        while True:
            wanted = self._wanted()
            moment = wanted[0] if wanted else end
            alone = min(self._deadline, self._silence())
            if alone <= moment and (taking := self._at(alone)) is not None:
                wanted, moment = taking, taking[0]
            if self._devices.next_ms <= min(moment, max(alone, self.now_ms)):
                self._device()
            elif alone < moment and not (wanted and moment - alone <= self._patience_ms):
                self._pass_before_ms(alone)
                self._step(Tick(), alone)
            elif wanted is None:
                break
            else:
                self._take(wanted)
        self._pass_before_order(NEVER)
        self._tools, self._cursors, self._others = [], [], []
        return self._commands

    def run_out(self, until_ms: int, *, resting: Callable[[State], bool]) -> bool:
        """With nothing more to come: let time pass until all is at rest, or to `until_ms`. Whether it came to rest."""
        while True:
            if min(self._devices.next_ms, self._deadline) >= NEVER and resting(self.state):
                return True
            alone = min(self._deadline, self._silence())
            if min(alone, self._devices.next_ms) > until_ms:
                return False
            if self._devices.next_ms <= alone:
                self._device()
            else:
                self._step(Tick(), alone)

    def _enter(self, stretch: Stretch) -> None:
        shop, nothing = self.shop, Track()
        self._tools = [
            Cursor(stretch.tracks.get(tool.name, nothing), silent)
            for tool, silent in zip(shop.tools, self._silent_ms, strict=True)
        ]
        motors = (Cursor(stretch.motors.get(one.name, nothing)) for one in shop.collectors)
        self._cursors = [*self._tools, *motors, Cursor(stretch.ticks)]
        self._others, self._next_other = stretch.others, 0
        self._looked = [None] * len(self._tools)
        self._look()

    def _wanted(self) -> tuple[int, int, int] | None:
        """The next item that must be stepped: ms, order, and whose it is, a cursor's place (-1: one of the others)."""
        items = [
            (cursor.ms[cursor.stop], cursor.order[cursor.stop], at)
            for at, cursor in enumerate(self._cursors)
            if cursor.stop < cursor.length
        ]
        next_other = self._others[self._next_other : self._next_other + 1]
        return min([*items, *((one.ms, one.order, -1) for one in next_other)], key=_order_of, default=None)

    def _at(self, ms: int) -> tuple[int, int, int] | None:
        """The item whose step takes a deadline at `ms` along: the first within the patience after it."""
        places = [bisect_left(cursor.ms, ms, cursor.at) for cursor in self._cursors]
        items = [
            (cursor.ms[place], cursor.order[place], at)
            for at, (cursor, place) in enumerate(zip(self._cursors, places, strict=True))
            if place < cursor.length
        ]
        place = bisect_left(self._others, ms, self._next_other, key=_ms_of)
        items += [(one.ms, one.order, -1) for one in self._others[place : place + 1]]
        return min((one for one in items if one[0] - ms <= self._patience_ms), key=_order_of, default=None)

    def _take(self, wanted: tuple[int, int, int]) -> None:
        ms, order, at = wanted
        self._pass_before_order(order)
        if at < 0:
            event = self._others[self._next_other].event
            self._next_other += 1
            if not self._devices.counts(event, ms):
                return
        else:
            event = self._event_of(at)
            self._cursors[at].at += 1
        self._step(event, ms)

    def _event_of(self, at: int) -> Event:
        """The event at a cursor: tools first, then collectors, then ticks."""
        cursor, tools, collectors = self._cursors[at], self.shop.tools, self.shop.collectors
        value = cursor.ma[cursor.at] / 1000
        if at < len(tools):
            return Reading(tools[at].name, value, young=bool(cursor.young) and cursor.young[cursor.at] == 1)
        at -= len(tools)
        return CollectorReading(collectors[at].name, value) if at < len(collectors) else Tick()

    def _device(self) -> None:
        event, ms = self._devices.pop()
        self._pass_before_ms(ms)
        self._step(event, ms)

    def _pass_before_order(self, order: int) -> None:
        self._pass([bisect_left(cursor.order, order, cursor.at) for cursor in self._cursors])

    def _pass_before_ms(self, ms: int) -> None:
        self._pass([bisect_left(cursor.ms, ms, cursor.at) for cursor in self._cursors])

    def _pass(self, places: list[int]) -> None:
        """Let the readings before these places count as heard."""
        tools: list[ToolState] | None = None
        motors, end = len(self._tools), len(self._cursors) - 1
        for at, (cursor, place) in enumerate(zip(self._cursors, places, strict=True)):
            heard = cursor.pass_to(place)
            if heard is not None and motors <= at < end:
                self._pass_motor(at - motors, *heard)
            elif heard is not None and at < motors:
                tools = tools or list(self.state.tools)
                before = tools[at]
                ms, ma = heard
                tools[at] = readings.with_reading(before, max(0, ma) / 1000, ms / 1000)
                if (looked := self._looked[at]) is not None and looked[0] is before:
                    self._looked[at] = (tools[at], *looked[1:])
        if tools is not None:
            self.state = replace(self.state, tools=tuple(tools), wake_at=self._wake_at(tools))

    def _pass_motor(self, at: int, ms: int, ma: int) -> None:
        """A motor's sensor has said again what it said: when, and how much, is told in what is found later."""
        fans, name = list(self.state.collectors), self.shop.collectors[at].name
        fan, live = fans[at], not self.state.standstill
        if fan.drawing is None or not self._devices.motor_counts(name, ms) or not (live or fan.drawing):
            return
        fans[at] = replace(fan, motor=MotorHeard(ma / 1000, ms / 1000, live))
        self.state = replace(self.state, collectors=tuple(fans))

    def _wake_at(self, tools: Sequence[ToolState]) -> float | None:
        """The next deadline with what these tools have said. An early one would not be harmless here.

        A reading that comes at the very instant at which its sensor would fall silent is heard; but a step that finds
        a deadline behind it lets time pass first.
        """
        moments = [] if self._deadline_s is None else [self._deadline_s]
        if self.state.connected and self.state.adopted:
            moments += [
                due(state.heard_at, tool.silent_after)
                for tool, state in zip(self.shop.tools, tools, strict=True)
                if tool.silent_after > 0 and not isinstance(state, ToolSilent)
            ]
        return min(moments, default=None)

    def _step(self, event: Event, ms: int) -> None:
        self.now_ms = ms
        outcome = step(self.shop, self.state, event, ms / 1000)
        self.state = outcome.state
        if outcome.commands or outcome.findings:
            for command in outcome.commands:
                self._commands.append((ms, command))
                self._devices.take_command(command, ms)
            self._sink(ms, event, outcome)
        self._deadline = self._without_silence()
        self._look()

    def _look(self) -> None:
        """Find the next readings to be stepped, after the state has changed."""
        if not self._cursors:
            return
        state = self.state
        calm = is_calm(self.shop, state)
        for at, (tool, low) in enumerate(zip(state.tools, state.guard.low, strict=True)):
            cursor = self._tools[at]
            # Each reading of a doubted tool may confirm its start; in a standstill it is none.
            doubted = state.standstill or (bool(state.doubts) and state.doubts[at] is not None)
            by = tool, low, calm, doubted
            if by != self._looked[at] or cursor.at >= cursor.stop:
                self._looked[at] = by
                cursor.look(None if doubted else deadband(self.shop.tools[at], tool, low=low, calm=calm))
        for cursor, collector, fan, seen in zip(
            self._cursors[len(self._tools) : -1], self.shop.collectors, state.collectors, state.guard.fans, strict=True
        ):
            if not self._devices.motor_counts(collector.name, self.now_ms):
                cursor.look(ANY)
            else:
                cursor.look(fan_deadband(collector, fan, seen) if calm else None)
        self._cursors[-1].look(ANY if calm else None)

    def _without_silence(self) -> int:
        """The next deadline that no reading puts off, ms."""
        state = self.state
        self._deadline_s = state.wake_at
        if state.wake_at is not None and state.wake_at * 1000 >= self._silence_by_state():
            # Silence counts from the adoption on: a state that is not adopted has all the other deadlines.
            self._deadline_s = next_deadline(self.shop, replace(state, adopted=False))
        return NEVER if self._deadline_s is None else whole_ms(self._deadline_s)

    def _silence_by_state(self) -> float:
        """When a sensor falls silent at the earliest, ms, by what the state says."""
        return min(
            (
                state.heard_at * 1000 + silent_ms - 1
                for state, silent_ms in zip(self.state.tools, self._silent_ms, strict=True)
                if silent_ms > 0 and not isinstance(state, ToolSilent)
            ),
            default=NEVER,
        )

    def _silence(self) -> int:
        """When the next sensor falls silent unless it is heard before, ms."""
        soonest = NEVER
        if not (self.state.connected and self.state.adopted):
            return soonest
        for at, (state, silent_ms) in enumerate(zip(self.state.tools, self._silent_ms, strict=True)):
            if silent_ms > 0 and not isinstance(state, ToolSilent):
                heard_ms = round(state.heard_at * 1000)
                if self._tools:
                    heard_ms = self._tools[at].heard_ms(heard_ms)
                soonest = min(soonest, heard_ms + silent_ms)
        return soonest


class ChangedPlayer(Player):
    """The changed run beside a recorded one, whose state it takes over by name, as a running daemon would.

    What was recorded of a sensor that measures something else now says nothing in the changed run.
    """

    def __init__(
        self, recorded: Shop, changed: Shop, state: State, at_ms: int, sink: Sink, *, patience_ms: int = 0
    ) -> None:
        """`state`: of the recorded run at `at_ms`."""
        self.recorded = recorded
        before = measures_of(recorded.tools)
        self.unread = {
            tool.name: (before[tool.name], tool.measure)
            for tool in changed.tools
            if before.get(tool.name, tool.measure) is not tool.measure
        }
        """Tools of which nothing is heard, which is no silence: what their sensors measured then, and measure now."""
        changed = with_tools(changed, self.unread, silent_after=0.0)
        self._answers = RecordedDevices(recorded, changed, state)
        adopted = adopt_shop(recorded, changed, state, at_ms / 1000).state
        super().__init__(changed, adopted, sink, devices=self._answers, patience_ms=patience_ms)

    def follow(self, stretch: Stretch, commands: TimedCommands) -> None:
        """Play a stretch, in which the recorded run gave these commands."""
        self._answers.follow(commands)
        self.play(stretch.without(set(self.unread), self._answers.modelled))


def at_rest(state: State) -> bool:
    """No tool is served: nothing is still to come but what the player's deadlines say."""
    for tool in state.tools:
        was = tool.was if isinstance(tool, ToolSilent) else tool
        if isinstance(was, ToolRunning | ToolRunOn) and not (isinstance(tool, ToolSilent) and tool.let_go):
            return False
    return True


_LONGEST_MS = 24 * 3_600_000


class NeverAtRestError(Exception):
    """The shop's start does not come to rest with devices that never fail; the text says what still moves."""


def rested(shop: Shop, at_ms: int) -> State:
    """The state at `at_ms` of a shop that has been connected for as long as its start takes, and stands still.

    Raises:
        NeverAtRestError: It does not come to rest within a day.
    """
    took = _play_start(shop, 0)[1]
    state, _ = _play_start(shop, at_ms - took)
    tools = tuple(ToolUnknown(None, at_ms / 1000) for _ in shop.tools)
    state = replace(state, tools=tools, doubts=tuple(None for _ in tools))
    return replace(state, wake_at=next_deadline(shop, state))


def _play_start(shop: Shop, from_ms: int) -> tuple[State, int]:
    """The rested state, and the ms that the start took."""
    deaf = with_tools(shop, shop.names["tool"], silent_after=0.0)
    player = Player(deaf, initial(deaf, from_ms / 1000), devices=IdealDevices(shop))
    found = (BrokerConnected(), *_found(shop))
    player.play(Stretch(others=[Timed(from_ms, order, event) for order, event in enumerate(found)]))
    if not player.run_out(from_ms + _LONGEST_MS, resting=at_rest):
        raise NeverAtRestError("the shop does not come to rest within a day of its start, though no device fails")
    return player.state, player.now_ms - from_ms


def _found(shop: Shop) -> list[Event]:
    """What the devices say at the start: gates shut, but open where a hand moves them for a tool; collectors off."""
    served = {name for tool in shop.tools for name in tool.gates}
    reports: list[Event] = []
    for gate in shop.gates:
        if gate.reports and not gate.commanded and gate.name in served:
            reports.append(GateReport(gate.name, Position.OPEN))
        elif gate.reports:
            reports.append(GateReport(gate.name, Position.SHUT, retained=True))
    for collector in shop.collectors:
        reports.extend(switch_reports(collector, on=False, retained=True))
    return reports


def with_tools(shop: Shop, names: Container[str], **changes: float) -> Shop:
    """The shop with the same change made to the tools of these names."""
    tools = tuple(replace(tool, **changes) if tool.name in names else tool for tool in shop.tools)
    return replace(shop, tools=tools)
