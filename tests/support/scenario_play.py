"""Plays a scenario through the rules under time of its own, and tells what came of it in sentences.

Its devices (gates, switches and sensors) do what the file says, faults included. Times are seconds.
"""

import heapq
from collections.abc import Iterable
from itertools import count

from gatehand.journal.sentences import sentence_of
from gatehand_rules import Outcome, Shop, initial, step
from gatehand_rules import events as ev
from gatehand_rules.commands import CollectorOff, CollectorOn, Command, OpenGate, ShutGate
from gatehand_rules.findings import Finding, Happened, Rule
from gatehand_rules.shop import Collector
from gatehand_rules.words import Measure, Position
from support.scenario_format import VERBS, Deed, Scenario, ScenarioError

HOUR = 3600.0
NOBODY = "nobody"
"""A device that the shop does not have, for stories about what is said of it."""
START = -30.0
"""The daemon starts so long before second 0, so that the shop is at rest by then."""


SENSOR_EVERY = 1.0
"""Seconds between two readings of a sensor that repeats itself."""


class Devices:
    """What answers the commands. `due` holds what will be said, by time."""

    def __init__(self, shop: Shop) -> None:
        self._shop = shop
        self._due: list[tuple[float, int, ev.Event, int]] = []
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

    def pop(self) -> tuple[float, ev.Event | None]:
        """The next thing said; None when it was overtaken or nobody hears it. A sensor's reading repeats itself."""
        at, _, event, turn = heapq.heappop(self._due)
        if isinstance(event, ev.Reading):
            if self._turn.get(event.tool) != turn:
                return at, None
            self.say(at + SENSOR_EVERY, event, turn)
        return at, event if self.reachable else None

    def say(self, at: float, event: ev.Event, turn: int = 0) -> None:
        """Something is said at that time."""
        heapq.heappush(self._due, (round(at, 6), next(self._order), event, turn))

    def draw(self, at: float, tool: str, amps: float | None) -> None:
        """The tool's sensor says this from now on, once a second; None: nothing."""
        turn = self._turn[tool] = next(self._order)
        if amps is not None:
            self.say(at, ev.Reading(tool, amps), turn)

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
            self.say(at, ev.CollectorReport(name, on))
        if collector.senses_motor:
            self.say(at, ev.CollectorReading(name, _turning(collector) if on else 0.0))

    def _move(self, at: float, name: str, where: Position) -> None:
        gate = next(one for one in self._shop.gates if one.name == name)
        if gate.reports and name not in self._jammed:
            self.say(at + self._travel[name], ev.GateReport(name, where))


def _turning(collector: Collector) -> float:
    """What the sensor of a motor reads that turns."""
    return 1.0 if collector.measure is Measure.RUNNING else 4 * collector.turns_at


class _Play:
    def __init__(self, shop: Shop, shown: frozenset[str], shown_from: float) -> None:
        self.shop = shop
        self.state = initial(shop, START)
        self.devices = Devices(shop)
        self.shown = shown
        self.shown_from = shown_from
        self.lines: list[str] = []
        self.findings: list[tuple[float, Finding]] = []
        self.now = START

    def feed(self, event: ev.Event, at: float) -> None:
        """One event, and the deadlines before it."""
        self.let_pass(at)
        self.step(event, at)

    def let_pass(self, until: float) -> None:
        """Devices speak and deadlines come due, up to but not at `until` for deadlines."""
        while True:
            said, wake = self.devices.next_at, self.state.wake_at
            if said is not None and said <= until and (wake is None or said <= wake):
                at, event = self.devices.pop()
                if event is not None:
                    self.step(event, at)
            elif wake is not None and wake < until:
                self.step(ev.Tick(), max(wake, self.now))
            else:
                return

    def step(self, event: ev.Event, at: float) -> None:
        self.now = max(self.now, at)
        outcome: Outcome = step(self.shop, self.state, event, self.now)
        self.state = outcome.state
        for command in outcome.commands:
            if self.devices.reachable:
                self.devices.told(self.now, command)
        for finding in outcome.findings:
            self.findings.append((self.now, finding))
            if self.now >= self.shown_from and (not self.shown or finding.event in self.shown):
                self.lines.append(f"{self.now:9.3f}  {sentence_of(finding)}")


def play(scenario: Scenario, shop: Shop) -> tuple[str, tuple[tuple[float, Finding], ...]]:
    """The timeline as text, and the findings behind it with their times (seconds, the daemon's start included).

    Raises:
        ScenarioError: the scenario names something that the shop does not have.
    """
    _check_names(scenario, shop)
    run = _Play(shop, scenario.shown, scenario.shown_from)
    if not scenario.devices:
        for deed in scenario.deeds[:-1]:
            run.step(_event(deed), deed.at)
        return "\n".join(run.lines) + "\n", tuple(run.findings)
    _begin(run, scenario.at_start)
    for deed in scenario.deeds:
        _do(run, deed)
    run.let_pass(scenario.end + 1e-6)
    return "\n".join([*run.lines, *_summary(run)]) + "\n", tuple(run.findings)


def _begin(run: _Play, found: tuple[Deed, ...]) -> None:
    """The daemon connects and hears what the broker retains: by default gates shut, collectors off, tools idle."""
    said = {(deed.kind, deed.name) for deed in found}
    gates = {deed.name: deed.kind for deed in found if deed.kind in {"open", "shut", "unknown"}}
    run.feed(ev.BrokerConnected(), START)
    for gate in run.shop.gates:
        if gate.reports and gates.get(gate.name) != "unknown":
            position = Position.OPEN if gates.get(gate.name) == "open" else Position.SHUT
            run.feed(ev.GateReport(gate.name, position, retained=True), START + 0.1)
    for collector in run.shop.collectors:
        on = ("on", collector.name) in said
        run.devices.fan_on[collector.name] = on
        if collector.reports and ("quiet", collector.name) not in said:
            run.feed(ev.CollectorReport(collector.name, on, retained=True), START + 0.1)
        if ("held", collector.name) in said:
            run.feed(ev.HoldRemembered(collector.name), START + 0.1)
    for tool in run.shop.tools:
        if ("silent", tool.name) not in said:
            if tool.measure is Measure.RUNNING:  # a contact says its word once
                run.devices.say(START + 1, ev.Reading(tool.name, 0.0))
            else:
                run.devices.draw(START + 1, tool.name, 0.0)
    for kind, name in sorted(said):
        if kind == "stop":
            run.feed(ev.StopReport(name, active=True, retained=True), START + 0.1)


def _do(run: _Play, deed: Deed) -> None:
    at, name, devices = deed.at, deed.name, run.devices
    run.let_pass(at)
    match deed.kind:
        case "amps":
            devices.draw(at, name, deed.numbers[0])
        case "quiet":
            devices.draw(at, name, None)
        case "cycle":
            _cycle(run, deed)
        case "jam" | "free":
            devices.jam(name, jammed=deed.kind == "jam")
        case "takes":
            devices.take(name, deed.numbers[0])
        case "deaf" | "hears":
            devices.stay_deaf(name, deaf=deed.kind == "deaf")
        case "welds":
            devices.weld(name)
        case "fan_on" | "fan_off":
            devices.switch(at, name, on=deed.kind == "fan_on")
        case "lost":
            devices.reachable = False
            run.feed(ev.BrokerLost(at), at)
        case "back":
            devices.reachable = True
            run.feed(ev.BrokerConnected(), at)
        case "end":
            pass
        case _:
            run.feed(_event(deed), at)


def _event(deed: Deed) -> ev.Event:
    """The deeds that are one message."""
    name = deed.name
    amps = deed.numbers[0] if deed.numbers else 0.0
    made: dict[str, ev.Event] = {
        "once": ev.Reading(name, amps),
        "retained": ev.Reading(name, amps, retained=True),
        "contact_active": ev.Reading(name, 1.0),
        "contact_clear": ev.Reading(name, 0.0),
        "old_active": ev.Reading(name, 1.0, retained=True),
        "old_clear": ev.Reading(name, 0.0, retained=True),
        "young": ev.Reading(name, amps, young=True),
        "held_back": ev.MessageRejected("tool", name, f"it is {amps:g} s old; want at most 5 s (max_age)", old=True),
        "rejected": ev.MessageRejected("tool", name, "found no number; wanted ampere", "nan"),
        "press": ev.ButtonPressed(name),
        "old_press": ev.ButtonPressed(name, retained=True),
        "hand_on": ev.HandAsked(name, on=True),
        "hand_off": ev.HandAsked(name, on=False),
        "gate_open": ev.GateReport(name, Position.OPEN),
        "gate_shut": ev.GateReport(name, Position.SHUT),
        "gate_between": ev.GateReport(name, Position.BETWEEN),
        "bin_full": ev.BinReport(name, full=True),
        "bin_clear": ev.BinReport(name, full=False),
        "stop": ev.StopReport(name, active=True),
        "clear": ev.StopReport(name, active=False),
        "stop_unclear": ev.StopUnclear(name, "pressed"),
        "reset": ev.ResetAsked(name),
        "reset_pressed": ev.ResetButton(name, pressed=True),
        "reset_released": ev.ResetButton(name, pressed=False),
        "hold": ev.HoldAsked(name, "asked for"),
        "off_asked": ev.OffAsked(name, because="end of the day"),
        "offline": ev.DeviceOnline("tool", name, online=False),
        "online": ev.DeviceOnline("tool", name, online=True),
        "gate_offline": ev.DeviceOnline("gate", name, online=False),
        "gate_online": ev.DeviceOnline("gate", name, online=True),
        "gate_retained_open": ev.GateReport(name, Position.OPEN, retained=True),
        "gate_retained_shut": ev.GateReport(name, Position.SHUT, retained=True),
        "gate_retained_between": ev.GateReport(name, Position.BETWEEN, retained=True),
        "says_on": ev.CollectorReport(name, on=True),
        "says_off": ev.CollectorReport(name, on=False),
        "said_on": ev.CollectorReport(name, on=True, retained=True),
        "said_off": ev.CollectorReport(name, on=False, retained=True),
        "motor": ev.CollectorReading(name, amps),
        "old_motor": ev.CollectorReading(name, amps, retained=True),
        "fan_offline": ev.DeviceOnline("collector", name, online=False),
        "fan_online": ev.DeviceOnline("collector", name, online=True),
        "stop_offline": ev.DeviceOnline("stop", name, online=False),
        "stop_online": ev.DeviceOnline("stop", name, online=True),
        "was_held": ev.HoldRemembered(name),
        "unheard": ev.BrokerLost(deed.at - amps),
        "lost": ev.BrokerLost(deed.at),
        "back": ev.BrokerConnected(),
        "tick": ev.Tick(),
        "stops_lost": ev.StopsLost("the broker ended it"),
        "stops_heard": ev.StopsHeard(),
        "stood": ev.LoopStood(amps),
        "caught_up": ev.LoopCaughtUp(),
        "shutdown": ev.ShutdownAsked(),
    }
    if deed.kind not in made:
        wanted = "wanted a message, or no 'devices: none'"
        raise ScenarioError(f"line {deed.line}: {VERBS[deed.kind]!r} needs devices; {wanted}")
    return made[deed.kind]


def _cycle(run: _Play, deed: Deed) -> None:
    """The same cut again and again."""
    amps, lasts, every, until = deed.numbers
    at = deed.at
    while at + lasts <= until:
        run.let_pass(at)
        run.devices.draw(at, deed.name, amps)
        run.let_pass(at + lasts)
        run.devices.draw(at + lasts, deed.name, 0.0)
        at = round(at + every, 6)


def _summary(run: _Play) -> Iterable[str]:
    """Starts and the worst hour, where a day was played."""
    starts = [
        (at, finding.collector)
        for at, finding in run.findings
        if at >= 0 and finding.event is Happened.COLLECTOR_ON and finding.rule is not Rule.REFRESH
    ]
    if run.now < HOUR:
        return
    refused = sum(1 for at, finding in run.findings if at >= 0 and finding.event is Happened.START_REFUSED)
    for collector in run.shop.collectors:
        times = [at for at, name in starts if name == collector.name]
        worst = max((sum(1 for other in times if at <= other < at + HOUR) for at in times), default=0)
        yield f"in all: {len(times)} starts of {collector.name}, {worst} in its worst hour; {refused} starts refused"


def _check_names(scenario: Scenario, shop: Shop) -> None:
    known = {
        "tool": {tool.name for tool in shop.tools},
        "gate": {gate.name for gate in shop.gates},
        "collector": {collector.name for collector in shop.collectors},
        "stop": {stop.name for stop in shop.stops},
    }
    everything = set().union(*known.values(), {NOBODY})
    for deed in (*scenario.at_start, *scenario.deeds):
        if deed.name and deed.name not in everything:
            names = ", ".join(sorted(everything))
            raise ScenarioError(f"line {deed.line}: there is no {deed.name!r} in the shop; there are {names}")
