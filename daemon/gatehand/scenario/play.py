"""Plays a scenario through the rules under time of its own, and tells what came of it in sentences."""

from collections.abc import Iterable

from gatehand.journal.sentences import sentence_of
from gatehand.scenario.devices import Devices
from gatehand.scenario.parse import VERBS, Deed, Scenario, ScenarioError
from gatehand_rules import Outcome, Shop, initial, step
from gatehand_rules import events as ev
from gatehand_rules.findings import Finding, Happened, Rule
from gatehand_rules.words import Position

HOUR = 3600.0
NOBODY = "nobody"
"""A device that the shop does not have, for stories about what is said of it."""
START = -30.0
"""The daemon starts so long before second 0, so that the shop is at rest by then."""


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
        "motor": ev.CollectorCurrent(name, amps),
        "old_motor": ev.CollectorCurrent(name, amps, retained=True),
        "fan_offline": ev.DeviceOnline("collector", name, online=False),
        "fan_online": ev.DeviceOnline("collector", name, online=True),
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
