"""A shop on the bench: events by hand, no devices, every line of an outcome as text. No test stands here."""

from typing import Any, Self

from msgspec.structs import replace

from gatehand_rules import Outcome, Shop, State, initial, step
from gatehand_rules import events as ev
from gatehand_rules.commands import ClearAlarm, CollectorOff, CollectorOn, Command, OpenGate, Poll, RaiseAlarm, ShutGate
from gatehand_rules.context import Context
from gatehand_rules.findings import Finding, Happened
from gatehand_rules.shop import Circuit, Collector, Gate, StopContact, Tool
from gatehand_rules.state import CollectorState, GateState, ToolState
from gatehand_rules.words import Position

READY = 50.0
"""By then a bench that was made ready has come to rest."""


def tool(name: str = "saw", *gates: str, **more: Any) -> Tool:  # noqa: ANN401 - the fields of a tool
    """Starts at 3 A, stops below 2 A, run-on 4 s, never silent, no run limit."""
    told: dict[str, Any] = {
        "collector": "main",
        "start_at": 3.0,
        "stop_at": 2.0,
        "run_on": 4.0,
        "silent_after": 0.0,
        "run_limit": 0.0,
    }
    return Tool(name=name, gates=gates or (name,), **(told | more))


def hose(name: str = "saw", **more: Any) -> Tool:  # noqa: ANN401 - the same
    """A tool without a gate."""
    return replace(tool(name, "none", **more), gates=())


def gate(name: str = "saw", **more: Any) -> Gate:  # noqa: ANN401 - the same
    """Reports; travel 1 s."""
    told: dict[str, Any] = {"collector": "main", "reports": True, "travel": 1.0}
    return Gate(name=name, **(told | more))


def fan(name: str = "main", **more: Any) -> Collector:  # noqa: ANN401 - the same
    """Reports; spin-up 3 s, coast-down 8 s, no refresh."""
    return Collector(name=name, **({"reports": True, "refresh": 0.0} | more))


def shop(*parts: Tool | Gate | Collector | StopContact | Circuit) -> Shop:
    """The shop of these parts; a collector named main is added where none is given."""

    def only(kind: type) -> tuple[Any, ...]:
        return tuple(part for part in parts if isinstance(part, kind))

    return Shop(
        tools=only(Tool),
        gates=only(Gate),
        collectors=only(Collector) or (fan(),),
        stops=only(StopContact),
        circuits=only(Circuit),
    )


def saw_shop(**more: Any) -> Shop:  # noqa: ANN401 - the same
    """One tool, one gate, one collector with these settings."""
    return shop(tool(), gate(), fan(**more))


class Bench:
    """A shop under `step`; `now` goes on from event to event."""

    def __init__(self, shop: Shop, *, at: float = 0.0) -> None:
        self.shop = shop
        self.state: State = initial(shop, at)
        self.now = at
        self.findings: list[Finding] = []
        """All so far."""

    def tell(self, event: ev.Event, at: float | None = None) -> list[str]:
        """One step; its commands and findings as lines."""
        return lines(self.step(event, at))

    def step(self, event: ev.Event, at: float | None = None) -> Outcome:
        """One step."""
        self.now = self.now if at is None else at
        outcome = step(self.shop, self.state, event, self.now)
        self.state = outcome.state
        self.findings.extend(outcome.findings)
        return outcome

    def tool_state(self, at: int = 0) -> ToolState:
        """State of the tool at this index."""
        return self.state.tools[at]

    def gate_state(self, at: int = 0) -> GateState:
        """State of the gate at this index."""
        return self.state.gates[at]

    def fan_state(self, at: int = 0) -> CollectorState:
        """State of the collector at this index."""
        return self.state.collectors[at]

    def amps(self, at: float, amps: float, name: str = "saw") -> list[str]:
        """A live reading."""
        return self.tell(ev.Reading(name, amps), at)

    def is_open(self, at: float, name: str = "saw") -> list[str]:
        """A live report of a gate."""
        return self.tell(ev.GateReport(name, Position.OPEN), at)

    def is_shut(self, at: float, name: str = "saw") -> list[str]:
        """A live report of a gate."""
        return self.tell(ev.GateReport(name, Position.SHUT), at)

    def is_on(self, at: float, name: str = "main") -> list[str]:
        """A live report of a collector's switch."""
        return self.tell(ev.CollectorReport(name, on=True), at)

    def is_off(self, at: float, name: str = "main") -> list[str]:
        """A live report of a collector's switch."""
        return self.tell(ev.CollectorReport(name, on=False), at)

    def tick(self, at: float) -> list[str]:
        """Nothing but time."""
        return self.tell(ev.Tick(), at)

    def until(self, at: float) -> list[str]:
        """A tick at every deadline up to `at`, and one there."""
        said: list[str] = []
        for _ in range(2000):
            if self.state.wake_at is None or self.state.wake_at >= at:
                return said + self.tick(at)
            said += self.tick(max(self.now, self.state.wake_at))
        raise AssertionError("time does not pass: its deadlines do not move on")

    def put(self, **changes: Any) -> None:  # noqa: ANN401 - the fields of a state
        """Change fields of the state by hand."""
        self.state = replace(self.state, **changes)


def ready(shop: Shop) -> Bench:
    """Connected; gates shut, collectors off and still, tools idle, everything told; at READY."""
    bench = Bench(shop)
    bench.tell(ev.BrokerConnected(), 0.0)
    for one in shop.gates:
        if one.reports:
            bench.tell(ev.GateReport(one.name, Position.SHUT, retained=True), 0.1)
    for collector in shop.collectors:
        if collector.reports:
            bench.tell(ev.CollectorReport(collector.name, on=False, retained=True), 0.1)
    for machine in shop.tools:
        bench.amps(0.2, 0.0, machine.name)
    bench.tick(0.5)
    for one in shop.gates:
        if one.reports:
            bench.is_shut(0.6, one.name)  # heard live, it is no stranger: nothing need rouse it
    for collector in shop.collectors:
        if collector.reports:
            bench.is_off(0.6, collector.name)
        if collector.senses_motor:
            bench.tell(ev.CollectorReading(collector.name, 0.0), 0.6)
    for machine in shop.tools:  # a sensor that would have fallen silent meanwhile speaks in time
        if 0 < machine.silent_after <= READY - 1.0:
            bench.until(0.2 + machine.silent_after / 2)
            while bench.now + machine.silent_after / 2 < READY:
                bench.amps(bench.now, 0.0, machine.name)
                bench.until(bench.now + machine.silent_after / 2)
    bench.until(READY)
    bench.findings.clear()
    return bench


def connected(place: Shop, *found: ev.Event) -> Bench:
    """Connected at 0 s, with this retained, not yet settled."""
    bench = Bench(place)
    assert bench.tell(ev.BrokerConnected(), 0.0) == ["broker_connected/broker first=True"]
    for event in found:
        bench.tell(event, 0.1)
    return bench


def running(shop: Shop, name: str = "saw") -> Bench:
    """Ready, and then: it draws from 50 s on, its gate is open 1 s after its start, the collector seen on soon."""
    bench = ready(shop)
    bench.amps(50.0, 5.0, name)
    started = 50.0 + next(one.start_after for one in shop.tools if one.name == name)
    bench.until(started)
    if any(one.name == name and one.reports for one in shop.gates):
        bench.is_open(started + 1.0, name)
    bench.tick(started + 1.0)
    bench.is_on(started + 1.1)
    bench.until(started + 5.0)
    bench.findings.clear()
    return bench


def lines(outcome: Outcome) -> list[str]:
    """The commands after a `>`, then the findings: event, rule, subjects, facts."""
    return [*(f"> {_command(one)}" for one in outcome.commands), *(line(one) for one in outcome.findings)]


class Line(str):
    """A finding as text, equal to every text that names what matters of it: facts may be left out in their places.

    One fact more on an event fails no test that does not ask for it; the scenarios hold whole lines.
    """

    __slots__ = ("facts", "head")
    head: str
    facts: tuple[str, ...]
    __hash__ = str.__hash__

    def __new__(cls, head: str, *facts: str) -> Self:
        """What happened and to whom, and the numbers in their order."""
        found = super().__new__(cls, " ".join((head, *facts)))
        found.head, found.facts = head, facts
        return found

    def __eq__(self, other: object) -> bool:
        """Whether `other` is this line, with all of its facts or some."""
        if isinstance(other, Line) or not isinstance(other, str):
            return str.__eq__(self, other) is True
        for fact in reversed(self.facts):
            other = other.removesuffix(f" {fact}")
        return other == self.head

    def __ne__(self, other: object) -> bool:
        """Whether it is another."""
        return not self == other


def line(finding: Finding) -> Line:
    """One finding in a line."""
    subjects = [
        f"{kind}={name}"
        for kind, name in (("tool", finding.tool), ("gate", finding.gate), ("collector", finding.collector))
        if name is not None
    ]
    facts = [f"{name}={_shown(value)}" for name, value in finding.facts]
    return Line(" ".join([f"{finding.event}/{finding.rule}", *subjects]), *facts)


def _shown(value: object) -> str:
    assert value != "None", "nothing was made into a text"
    return f"{value:g}" if isinstance(value, float) else str(value)


def _command(command: Command) -> str:
    match command:
        case OpenGate(gate=name, instead_of=others):
            return f"open {name}" + (f" instead of {','.join(others)}" if others else "")
        case ShutGate(gate=name):
            return f"shut {name}"
        case CollectorOn(collector=name):
            return f"on {name}"
        case CollectorOff(collector=name):
            return f"off {name}"
        case RaiseAlarm(alarm=alarm):
            return f"raise {alarm.id}"
        case ClearAlarm(alarm=alarm):
            return f"clear {alarm.id}"
        case Poll(kind=kind, name=name):
            return f"poll {kind} {name}"


def context_of(state: CollectorState, now: float, **settings: Any) -> Context:  # noqa: ANN401 - fields of a collector
    """A context with one collector in this state."""
    bench = ready(saw_shop(**settings))
    bench.put(collectors=(state,))
    return Context(bench.shop, bench.state, now)


def said(context: Context) -> list[str]:
    """What came of the context so far, as lines."""
    return lines(Outcome(context.start, tuple(context.commands), tuple(context.findings)))


def commands(said: list[str]) -> list[str]:
    """The commands among the lines."""
    return [one.removeprefix("> ") for one in said if one.startswith("> ")]


def events(said: list[str]) -> list[str]:
    """Event and rule of the findings among the lines."""
    return [one.partition(" ")[0] for one in said if not one.startswith("> ")]


def happened(bench: Bench, event: Happened) -> list[str]:
    """The findings so far of one kind, as lines."""
    return [line(one) for one in bench.findings if one.event is event]
