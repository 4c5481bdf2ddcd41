"""An outside observer of the rules: what a person with a notebook beside the broker could know, and no more.

It sees events and commands, never a rule's state, and shares no line with the rules but the records that both sides
exchange. `watch` takes one step in and says which invariant (README, What always holds) was broken by it.
"""

from math import inf

from msgspec import Struct
from msgspec.structs import replace

from gatehand_rules import Shop
from gatehand_rules import events as ev
from gatehand_rules.commands import ClearAlarm, CollectorOff, CollectorOn, Command, OpenGate, RaiseAlarm, ShutGate
from gatehand_rules.shop import Tool
from gatehand_rules.words import Measure, Position


class Times(Struct, frozen=True, kw_only=True):
    """The observer's own times, seconds: it takes none from the rules."""

    apart: float = 1.0
    """Between two readings that bear each other out after a silence."""
    believed: float = 3.0
    """After which a sensor on change is believed, if it says nothing contrary."""
    settling: float = 0.5
    """After a connection, in which what the broker retains still comes in."""
    alone: float = 2.0
    """Without a reset by message before one that counts."""
    pressed: tuple[float, float] = (0.1, 2.0)
    """That a reset button is held down in a press that counts."""


class GateNotes(Struct, frozen=True):
    """A gate as seen from outside."""

    told: Position | None = None
    told_at: float = -inf
    again_at: float = -inf
    said: Position | None = None
    fresh: bool = False
    """What it said last was said since the daemon's start, not kept by the broker from before."""
    live: bool = False
    left: bool = False
    """Told shut, and not seen shut since: what it says about being open may be from before."""
    gives_way_to: int | None = None
    hand_at: float = -inf


class FanNotes(Struct, frozen=True):
    """A collector as seen from outside."""

    told: bool | None = None
    untold: bool = True
    """Not switched on since the daemon's start, nor seen to stand after an off: what turns then, turned before."""
    sure: bool = False
    """The last "on" surely arrived and still holds."""
    on_at: float = -inf
    told_at: float = -inf
    """The first telling of what it was told last."""
    off_at: float = -inf
    reported: bool | None = None
    drawing: bool | None = None
    off_since_standing: bool = False
    """Switched off since it was last seen standing."""
    held: bool = False
    bin_full: bool = False
    up: bool = False
    """The reset button was heard released since the cause of the hold has gone."""
    down_at: float | None = None
    """Pressed then, after that."""
    asked_at: float = -inf
    """The last reset by message, or the beginning of the connection."""


class ToolNotes(Struct, frozen=True):
    """A tool as seen from outside."""

    low: bool = False
    low_at: float | None = None
    rose: bool = False
    """Seen to go from idle to running since the last hold."""
    heard_at: float = -inf
    gone: bool = False
    borne_out: bool = True
    """Since its last silence something has borne out that what it says is new."""
    below_at: float | None = None
    above_at: float | None = None


class Notes(Struct, frozen=True):
    """The whole notebook."""

    gates: tuple[GateNotes, ...]
    fans: tuple[FanNotes, ...]
    tools: tuple[ToolNotes, ...]
    stops: tuple[bool, ...]
    connected: bool = False
    connected_at: float = inf
    heard_at: float = -inf
    """When anything was heard last: the broker was there then."""
    stopping: bool = False
    alarms: frozenset[str] = frozenset()
    times: Times = Times()


def blank(shop: Shop, times: Times) -> Notes:
    """Nothing seen yet."""
    return Notes(
        tuple(GateNotes() for _ in shop.gates),
        tuple(FanNotes() for _ in shop.collectors),
        tuple(ToolNotes() for _ in shop.tools),
        tuple(False for _ in shop.stops),
        times=times,
    )


class Observer:
    """One step under observation: the notebook taken apart, and what was broken."""

    def __init__(self, shop: Shop, notes: Notes, now: float) -> None:
        self.shop, self.now = shop, now
        self.gates, self.fans, self.tools = list(notes.gates), list(notes.fans), list(notes.tools)
        self.stops, self.alarms = list(notes.stops), set(notes.alarms)
        self.connected, self.connected_at, self.stopping = notes.connected, notes.connected_at, notes.stopping
        self.heard_at, self.times = notes.heard_at, notes.times
        self.breaches: list[str] = []
        self.must_off: list[int] = []

    def notes(self) -> Notes:
        """The notebook after the step."""
        return Notes(
            tuple(self.gates),
            tuple(self.fans),
            tuple(self.tools),
            tuple(self.stops),
            self.connected,
            self.connected_at,
            self.heard_at,
            self.stopping,
            frozenset(self.alarms),
            self.times,
        )

    # What is known

    def own(self, fan: int) -> list[int]:
        name = self.shop.collectors[fan].name
        return [i for i, gate in enumerate(self.shop.gates) if gate.collector == name]

    def proven(self, at: int) -> bool:
        gate, seen = self.shop.gates[at], self.gates[at]
        by_time = seen.told is Position.OPEN and self.now >= round(seen.told_at + gate.travel, 6)
        if not gate.reports:
            return by_time
        if seen.said is not Position.OPEN or seen.left or not seen.fresh:
            return False  # an old word is no proof (I1)
        return (seen.live and not seen.left) or by_time

    def count(self, fan: int, *, without: int | None = None) -> int:
        return sum(1 for i in self.own(fan) if i != without and self.proven(i))

    def seen_on(self, fan: int) -> bool:
        return self.fans[fan].reported is True or self.fans[fan].drawing is True

    def may_turn(self, fan: int) -> bool:
        seen = self.fans[fan]
        told = seen.told is not False
        return told or self.seen_on(fan) or self.now < round(seen.off_at + self.shop.collectors[fan].coast_down, 6)

    def travelling(self, at: int) -> bool:
        gate, seen = self.shop.gates[at], self.gates[at]
        # One that was never heard live may have been shut and opened once instead of being told again.
        tries = 1 + (gate.retries if gate.reports and seen.fresh else 0)
        within = self.now < round(max(seen.told_at + gate.travel * tries, seen.again_at + gate.travel), 6)
        return seen.told is Position.OPEN and within and not self.proven(at)

    def gives_way(self, at: int) -> bool:
        heir = self.gates[at].gives_way_to
        return heir is not None and self.gates[heir].told is Position.OPEN

    def wanted_by_someone(self, fan: int) -> bool:
        """A tool seen to start, still heard and not long over, or a hand: something that may start the fan."""
        name = self.shop.collectors[fan].name
        for tool, seen in zip(self.shop.tools, self.tools, strict=True):
            silent = seen.gone or (tool.silent_after > 0 and self.now >= round(seen.heard_at + tool.silent_after, 6))
            fresh = seen.rose and seen.heard_at >= self.connected_at and not silent and not self.is_over(seen, tool)
            if tool.collector == name and fresh and self.is_borne_out(seen, tool):
                return True
        return any(
            self.gates[i].hand_at >= self.connected_at
            and self.now <= round(self.gates[i].hand_at + self.shop.gates[i].hand_limit, 6)
            for i in self.own(fan)
        )

    def is_over(self, seen: ToolNotes, tool: Tool) -> bool:
        return seen.low_at is not None and self.now > round(seen.low_at + tool.stop_after + tool.run_on, 6)

    def is_borne_out(self, seen: ToolNotes, tool: Tool) -> bool:
        """Not from before a silence, as far as that can be known; a contact, or a sensor on change, after a while."""
        since = seen.above_at if tool.silent_after == 0 or tool.measure is Measure.RUNNING else None
        believed_at = inf if since is None else round(since + self.times.believed, 6)
        return seen.borne_out or self.now >= believed_at

    def doubt(self, at: int) -> None:
        self.tools[at] = replace(self.tools[at], borne_out=False, below_at=None, above_at=None)

    # Taking in

    def event(self, event: ev.Event) -> None:  # noqa: PLR0915 - one line or two for each kind, flat
        shop, now = self.shop, self.now
        at: int | None
        if not isinstance(event, ev.Tick | ev.BrokerLost | ev.ShutdownAsked):
            self.heard_at = now
        match event:
            case ev.Reading(tool=name, retained=False) if (at := shop.tool_at(name)) is not None:
                self._reading(at, event.value, young=event.young)
            case ev.Reading(tool=name) if (at := shop.tool_at(name)) is not None:
                low = self.tools[at].low or event.value < shop.tools[at].stop_at
                self.tools[at] = replace(self.tools[at], low=low)
            case ev.GateReport(gate=name, position=position, retained=retained):
                at = shop.gate_at(name)
                if at is not None and shop.gates[at].reports:
                    self._gate_report(at, position, retained=retained)
            case ev.ButtonPressed(gate=name, retained=False) | ev.HandAsked(gate=name, on=True, retained=False):
                if (at := shop.gate_at(name)) is not None:
                    self._hand(at)
            case ev.StopReport(stop=name, active=active) if (at := shop.stop_at(name)) is not None:
                self.stops[at] = active
                for collector in shop.stops[at].collectors if active else ():
                    home = shop.collector_at(collector)
                    if home is not None:
                        if not self.fans[home].held or self.fans[home].told is not False:
                            self.must_off.append(home)
                        self._hold(home)
            case ev.CollectorReport(collector=name, on=on, retained=retained):
                at = shop.collector_at(name)
                if at is not None and shop.collectors[at].reports:
                    if retained and not on and self.fans[at].on_at < self.connected_at:
                        self.fans[at] = replace(self.fans[at], sure=False)
                    self._see_fan(at, reported=on)
            case ev.CollectorReading(collector=name, value=amps, retained=retained):
                at = shop.collector_at(name)
                known = at is not None and shop.collectors[at].senses_motor
                if at is not None and known and (not retained or amps >= shop.collectors[at].turns_at):
                    self._see_fan(at, drawing=amps >= shop.collectors[at].turns_at)
            case ev.BinReport(collector=name, full=full):
                if (at := shop.collector_at(name)) is not None:
                    self.fans[at] = replace(self.fans[at], bin_full=full)
            case ev.DeviceOnline(kind="tool", name=name, online=False):
                if (at := shop.tool_at(name)) is not None:
                    self.tools[at] = replace(self.tools[at], gone=True)
                    self.doubt(at)
            case ev.HoldAsked(collector=name, retained=False) | ev.HoldRemembered(collector=name):
                if (at := shop.collector_at(name)) is not None:
                    self._hold(at)
            case ev.OffAsked(collector=name, retained=False) if (at := shop.collector_at(name)) is not None:
                self.must_off.append(at)
                self._forget_demands(at)
            case ev.ResetAsked(collector=name, retained=retained) if (at := shop.collector_at(name)) is not None:
                alone = now >= round(self.fans[at].asked_at + self.times.alone, 6)
                self.fans[at] = replace(self.fans[at], asked_at=now)
                if alone and not retained:
                    self._reset(at)
            case ev.ResetButton(collector=name, pressed=pressed, retained=False):
                if (at := shop.collector_at(name)) is not None and not self._stopped(at):
                    self._reset_button(at, pressed=pressed)
            case ev.BrokerConnected():
                self.connected, self.connected_at = True, now
                self.fans = [replace(fan, up=False, down_at=None, asked_at=now) for fan in self.fans]
                for i in range(len(self.tools)):
                    self.doubt(i)
                for i, (seen, described) in enumerate(zip(self.fans, shop.collectors, strict=True)):
                    kept = described.refresh == 0 or now <= round(seen.on_at + described.refresh, 6)
                    self.fans[i] = replace(seen, sure=seen.sure and kept)
            case ev.BrokerLost(heard_at=heard_at):
                self._lost(heard_at)
            case ev.ShutdownAsked():
                self.stopping = True
            case _:
                pass

    def _reading(self, at: int, amps: float, *, young: bool) -> None:
        tool = self.shop.tools[at]
        if 0 < tool.silent_after <= round(self.now - self.tools[at].heard_at, 6):
            self.doubt(at)
        seen = self.tools[at]
        below_at, above_at = seen.below_at, seen.above_at
        borne_out = self.is_borne_out(seen, tool) or any(
            since is not None and self.now >= round(since + self.times.apart, 6) for since in (below_at, above_at)
        )
        if amps >= tool.stop_at:
            borne_out = borne_out or young
            above_at = self.now if above_at is None else above_at
        if amps < tool.start_at:
            below_at = self.now if below_at is None else below_at
        if amps < tool.stop_at:
            above_at = None
        home = self.shop.collector_at(tool.collector)
        held = home is not None and self.fans[home].held
        rose = seen.rose and not self.is_over(seen, tool)
        low, low_at = seen.low, seen.low_at
        if amps < tool.stop_at:
            low, low_at = True, self.now if low_at is None else low_at
        else:
            low_at = None
            if amps >= tool.start_at:
                rose, low = rose or (low and not held), False
        spell = (True, None, None) if borne_out else (False, below_at, above_at)
        self.tools[at] = ToolNotes(low, low_at, rose, self.now, False, *spell)

    def _gate_report(self, at: int, position: Position, *, retained: bool) -> None:
        seen = self.gates[at]
        live = not retained or (seen.live and seen.said is position)
        fresh = not retained or (seen.fresh and seen.said is position)
        was_shut = seen.said is Position.SHUT and self.now >= round(seen.told_at + self.shop.gates[at].travel, 6)
        left = seen.left and position is not Position.SHUT and not was_shut
        if position is not Position.OPEN and seen.live and self.proven(at):
            seen = replace(seen, told=None)  # moved by somebody: what it was told holds no longer
        opened = position is Position.OPEN and not retained
        by_itself = opened and (seen.told is not Position.OPEN or seen.said is Position.SHUT)
        self.gates[at] = replace(seen, said=position, fresh=fresh, live=live, left=left)
        if by_itself and self.shop.gates[at].on_hand_open == "start":
            self._hand(at)

    def _hand(self, at: int) -> None:
        home = self.shop.collector_at(self.shop.gates[at].collector)
        if home is not None and not self.fans[home].held:
            self.gates[at] = replace(self.gates[at], hand_at=self.now)

    def _hold(self, fan: int) -> None:
        self.fans[fan] = replace(self.fans[fan], held=True, up=False, down_at=None)
        self._forget_demands(fan)

    def _stopped(self, fan: int) -> bool:
        name = self.shop.collectors[fan].name
        return any(on and name in stop.collectors for stop, on in zip(self.shop.stops, self.stops, strict=True))

    def _reset_button(self, fan: int, *, pressed: bool) -> None:
        seen = self.fans[fan]
        if pressed:
            self.fans[fan] = replace(seen, up=False, down_at=self.now) if seen.up else seen
            return
        self.fans[fan] = replace(seen, up=True, down_at=None)
        shortest, longest = self.times.pressed
        if seen.down_at is not None and shortest <= round(self.now - seen.down_at, 6) <= longest:
            self._reset(fan)

    def _reset(self, fan: int) -> None:
        if self.fans[fan].held and not self._stopped(fan):
            self._forget_demands(fan)
            self.fans[fan] = replace(self.fans[fan], held=False)

    def _forget_demands(self, fan: int) -> None:
        name = self.shop.collectors[fan].name
        for i, tool in enumerate(self.shop.tools):
            if tool.collector == name:
                self.tools[i] = replace(self.tools[i], rose=False)
        for i in self.own(fan):
            self.gates[i] = replace(self.gates[i], hand_at=-inf)

    def _see_fan(self, at: int, **changes: bool) -> None:
        before = self.seen_on(at)
        self.fans[at] = replace(self.fans[at], **changes)
        if before and not self.seen_on(at):
            self.fans[at] = replace(self.fans[at], off_at=self.now)
        if not self.seen_on(at):
            untold = self.fans[at].untold and self.fans[at].told is None
            self.fans[at] = replace(self.fans[at], off_since_standing=False, untold=untold)

    def _lost(self, heard_at: float) -> None:
        self.connected = False
        for i, gate in enumerate(self.gates):
            if gate.told is Position.OPEN and gate.told_at > heard_at:
                self.gates[i] = replace(gate, told=None)
        for i, fan in enumerate(self.fans):
            if fan.told_at > heard_at:
                self.fans[i] = replace(fan, sure=False, told=True if fan.told else None)
            elif fan.on_at > heard_at:
                self.fans[i] = replace(fan, on_at=fan.on_at - self.shop.collectors[i].refresh)

    # Checking

    def command(self, command: Command) -> None:
        if isinstance(command, CollectorOn | OpenGate | ShutGate) and (not self.connected or self.stopping):
            self.breaches.append(f"I6: {command} although {'stopping' if self.stopping else 'not connected'}")
        at: int | None
        match command:
            case CollectorOn(collector=name) if (at := self.shop.collector_at(name)) is not None:
                self._on(at)
            case CollectorOff(collector=name) if (at := self.shop.collector_at(name)) is not None:
                if not self.connected:
                    return
                again = self.fans[at].told is False
                self.fans[at] = replace(
                    self.fans[at],
                    told=False,
                    untold=self.fans[at].untold and self.seen_on(at),
                    sure=False,
                    told_at=self.fans[at].told_at if again else self.now,
                    off_at=self.fans[at].off_at if again else self.now,
                    off_since_standing=True,
                )
            case OpenGate(gate=name, instead_of=others) if (at := self.shop.gate_at(name)) is not None:
                self._open(at, others)
            case ShutGate(gate=name) if (at := self.shop.gate_at(name)) is not None:
                self._shut(at)
            case RaiseAlarm(alarm=alarm):
                self.alarms.add(alarm.id)
            case ClearAlarm(alarm=alarm):
                self.alarms.discard(alarm.id)
            case _:
                pass

    def _on(self, at: int) -> None:
        seen, collector = self.fans[at], self.shop.collectors[at]
        proven = self.count(at)
        if proven < collector.min_open:
            self.breaches.append(f"I1: on with {proven} gates proven open, {collector.min_open} wanted")
        if seen.held:
            self.breaches.append("I5: on while held")
        repeated = (seen.told is True and seen.sure) or self.seen_on(at)
        if not repeated and not self.wanted_by_someone(at):
            self.breaches.append("I5, I6: a start without a fresh demand")
        if not repeated and seen.bin_full and collector.on_bin_full == "refuse":
            self.breaches.append("bin full: a start")
        if seen.told is not True:
            seen = replace(seen, told_at=self.now)
        self.fans[at] = replace(seen, told=True, untold=False, sure=True, on_at=self.now, off_since_standing=False)

    def _open(self, at: int, others: tuple[str, ...]) -> None:
        home = self.shop.collector_at(self.shop.gates[at].collector)
        seen = self.gates[at]
        for other in others:
            i = self.shop.gate_at(other)
            if i is not None:
                self.gates[i] = replace(self.gates[i], gives_way_to=at)
        again = seen.told is Position.OPEN
        limit = None if home is None else self.shop.collectors[home].max_open
        if home is not None and limit is not None and not again:
            standing = sum(
                1
                for i in self.own(home)
                if i != at
                and self.gates[i].told is Position.OPEN
                and not (self.gates[i].said is Position.SHUT and self.gates[i].live)
                and self.gates[i].gives_way_to != at
                and not self.gives_way(i)
            )
            air_first = self.count(home) < self.shop.collectors[home].min_open and self.may_turn(home)
            if standing >= limit and not air_first:
                self.breaches.append(f"I7: {self.shop.gates[at].name} told open beside {standing}, {limit} allowed")
        self.gates[at] = replace(
            self.gates[at],
            told=Position.OPEN,
            told_at=seen.told_at if again else self.now,
            again_at=self.now,
            said=seen.said if again or seen.said is not Position.SHUT else None,
            live=False,
            left=False,
            gives_way_to=seen.gives_way_to if again else None,
        )

    def _shut(self, at: int) -> None:
        gate, seen = self.shop.gates[at], self.gates[at]
        home = self.shop.collector_at(gate.collector)
        if home is not None and self.may_turn(home):
            left, least = self.count(home, without=at), self.shop.collectors[home].min_open
            if left < least:
                self.breaches.append(f"I2: {gate.name} told shut, {left} proven open left, {least} wanted")
            elif self.proven(at):
                new = [i for i in self.own(home) if i != at and self.travelling(i) and not self.gives_way(i)]
                if new:
                    names = ", ".join(self.shop.gates[i].name for i in new)
                    self.breaches.append(f"I3: {gate.name} told shut before {names} is proven open")
        for i, other in enumerate(self.gates):
            if other.gives_way_to == at:
                self.gates[i] = replace(other, gives_way_to=None)
        seen = self.gates[at]
        again = seen.told is Position.SHUT and (seen.left or seen.said is not Position.OPEN)
        said = None if seen.said is Position.OPEN and not again else seen.said
        self.gates[at] = replace(
            seen,
            told=Position.SHUT,
            told_at=seen.told_at if again else self.now,
            said=said,
            left=True,
            gives_way_to=None,
        )

    def end(self) -> None:
        """What must hold when the step is over."""
        for at in self.must_off if self.connected else ():
            if self.fans[at].told is not False:
                self.breaches.append("I5: a stop contact became active, or off was asked for, and no off left")
        for at, tool in enumerate(self.shop.tools):
            if self.is_over(self.tools[at], tool):
                self.tools[at] = replace(self.tools[at], rose=False, low_at=None)
        settled = self.connected and self.now >= round(self.connected_at + self.times.settling, 6) and not self.stopping
        for at, collector in enumerate(self.shop.collectors):
            proven = self.count(at)
            if settled and self.seen_on(at) and proven < collector.min_open:
                self._starved(at, proven)

    def _starved(self, at: int, proven: int) -> None:
        own = self.own(at)
        moving = sum(1 for i in own if self.travelling(i))
        least = self.shop.collectors[at].min_open
        adopting = self.fans[at].untold
        # A fan that turned before the daemon may be kept by gates that were said to be open, until it is off (I4).
        old = [i for i in own if not self.proven(i) and self.gates[i].said is Position.OPEN and not self.gates[i].left]
        if adopting and proven + len({*old, *(i for i in own if self.travelling(i))}) >= least:
            return
        unused = [
            self.shop.gates[i].name
            for i in own
            if self.shop.gates[i].commanded and self.gates[i].told is not Position.OPEN and not self.proven(i)
        ]
        if proven + moving < least and unused:
            self.breaches.append(f"I4: fan seen running, {proven} gates proven, {moving} opening; unused: {unused}")
        if not self.fans[at].off_since_standing:
            self.breaches.append(f"I4: fan seen running with {proven} gates proven and no off left")
        if not any(self.shop.collectors[at].name in alarm for alarm in self.alarms):
            self.breaches.append("no alarm: fan seen running against shut gates")


def watch(
    shop: Shop, notes: Notes, event: ev.Event, commands: tuple[Command, ...], now: float
) -> tuple[Notes, list[str]]:
    """Note one step: the event and the commands that left. Says what was broken."""
    observer = Observer(shop, notes, now)
    observer.event(event)
    for command in commands:
        observer.command(command)
    observer.end()
    return observer.notes(), observer.breaches
