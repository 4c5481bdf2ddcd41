"""Shops small enough to walk through every situation, their times whole quanta, and every move that they can see.

A quantum is a second. The rules' own constants (the settling after a connection, the wait for a switch's answer) are
shortened to whole quanta as well, so that the number of situations is finite and small.
"""

from collections.abc import Sequence
from typing import Any

from msgspec.structs import replace
from walk import Move
from watcher import Times

from gatehand_rules import Shop
from gatehand_rules import events as ev
from gatehand_rules.shop import Collector, Gate, StopContact, Tool
from gatehand_rules.words import Measure, Position

NEVER = 1e9
QUANTUM = 1.0


def in_quanta(shop: Shop, *, answer: float = NEVER, contrary: float = 0.0, alone: float = 0.0) -> tuple[Shop, Times]:
    """The shop with the rules' own times in whole quanta, and the observer's; what a shop is not about takes none.

    `answer`: seconds until a switch is told again; `NEVER`: it is not. `contrary`: until a contrary word counts.
    `alone`: between two resets by message. Were the others longer, no walk would end.
    """
    timing = replace(
        shop.timing,
        settle=QUANTUM,
        unchallenged=2 * QUANTUM,
        answer=answer,
        remind=answer,
        tellings=2,
        contrary=contrary,
        reset_alone=alone,
    )
    guard_timing = replace(shop.guard_timing, retained_in=QUANTUM, reset_alone=alone)
    return replace(shop, timing=timing, guard_timing=guard_timing), Times(believed=2 * QUANTUM, alone=alone)


def tool(name: str, gate: str, run_on: float, measure: Measure = Measure.AMPS) -> Tool:
    contact = measure is Measure.RUNNING
    return Tool(
        name=name,
        collector="main",
        gates=(gate,),
        measure=measure,
        start_at=1.0 if contact else 2.5,
        stop_at=1.0 if contact else 1.8,
        run_on=run_on,
        silent_after=0,
        run_limit=0,
    )


def gate(name: str, **options: object) -> Gate:
    made: dict[str, Any] = {"name": name, "collector": "main", "travel": QUANTUM, "retries": 0, "hand_limit": 2.0}
    return Gate(**(made | options))


def collector(**options: object) -> Collector:
    made: dict[str, Any] = {"name": "main", "spin_up": 0.0, "coast_down": QUANTUM, "refresh": 0.0}
    return Collector(**(made | options))


def two_tools() -> Shop:
    """Two tools, two gates with and without report, a collector that reports, a stop contact."""
    return Shop(
        tools=(tool("saw", "told", QUANTUM), tool("router", "blind", 0.0)),
        gates=(gate("told", reports=True), gate("blind", relief=True)),
        collectors=(collector(reports=True),),
        stops=(StopContact(name="stop", collectors=("main",)),),
    )


def one_tool(fan_options: dict[str, object], **gate_options: object) -> Shop:
    """One tool on one gate, and a second gate that reports nothing."""
    return Shop(
        tools=(tool("saw", "told", QUANTUM),),
        gates=(gate("told", **gate_options), gate("blind", relief=True)),
        collectors=(collector(**fan_options),),
        stops=(StopContact(name="stop", collectors=("main",)),),
    )


def one_gate(**gate_options: object) -> Shop:
    """One tool, one gate, a collector that nothing is heard of."""
    return Shop(tools=(tool("saw", "told", QUANTUM),), gates=(gate("told", **gate_options),), collectors=(collector(),))


def one_gate_and_a_stop() -> Shop:
    """The same with a stop contact."""
    shop = one_gate()
    stop = StopContact(name="stop", collectors=("main",))
    return Shop(tools=shop.tools, gates=shop.gates, collectors=shop.collectors, stops=(stop,))


def limited() -> Shop:
    """Two tools, room for one gate: a tool in run-on gives way."""
    return Shop(
        tools=(tool("saw", "told", QUANTUM), tool("router", "blind", QUANTUM)),
        gates=(gate("told", reports=True), gate("blind")),
        collectors=(collector(max_open=1),),
    )


def hose() -> Shop:
    """Two tools, a collector that may run with every gate shut, and gates that travel for longer than the run-on."""
    return Shop(
        tools=(tool("saw", "told", QUANTUM), tool("router", "blind", QUANTUM)),
        gates=(gate("told", travel=2 * QUANTUM), gate("blind", travel=2 * QUANTUM)),
        collectors=(collector(min_open=0),),
    )


def watts_and_a_contact() -> Shop:
    """A tool by its watts, another by its contact, and a collector of which only a contact says that it turns."""
    return Shop(
        tools=(tool("saw", "told", QUANTUM, Measure.WATTS), tool("router", "blind", 0.0, Measure.RUNNING)),
        gates=(gate("told", reports=True), gate("blind", relief=True)),
        collectors=(collector(senses_motor=True, measure=Measure.RUNNING, turns_at=1.0),),
    )


def _high(measure: Measure) -> float:
    return 1.0 if measure is Measure.RUNNING else 6.0


def moves(shop: Shop, *, late: bool = False, more: Sequence[ev.Event] = ()) -> list[Move]:
    """A quantum passes, or something is heard: at once, and where `late`, also two quanta after the last tick."""
    heard: list[ev.Event] = []
    for one in shop.tools:
        heard += [ev.Reading(one.name, _high(one.measure)), ev.Reading(one.name, 0.0)]
    for each in shop.gates:
        if each.reports:
            heard += [ev.GateReport(each.name, Position.OPEN), ev.GateReport(each.name, Position.SHUT)]
    for contact in shop.stops:
        heard += [ev.StopReport(contact.name, active=True), ev.StopReport(contact.name, active=False)]
        heard.append(ev.ResetAsked("main"))
    if shop.collectors[0].reports:
        heard += [ev.CollectorReport("main", on=True), ev.CollectorReport("main", on=False)]
    if shop.collectors[0].senses_motor:
        high = _high(shop.collectors[0].measure)
        heard += [ev.CollectorReading("main", high), ev.CollectorReading("main", 0.0)]
    heard += more
    found: list[Move] = [(QUANTUM, ev.Tick()), *((0.0, event) for event in heard)]
    return [*found, *((2 * QUANTUM, event) for event in heard)] if late else found


def at_rest(shop: Shop, *, heard: bool = False) -> list[Move]:
    """The daemon starts in a shop at rest: what is retained, then a first reading of every tool.

    `heard`: each gate has spoken since, so that nothing of the start is left to be walked.
    """
    found: list[Move] = [(0.0, ev.BrokerConnected())]
    found += [(0.0, ev.CollectorReport("main", on=False, retained=True))] if shop.collectors[0].reports else []
    found += [(0.0, ev.GateReport(g.name, Position.SHUT, retained=True)) for g in shop.gates if g.reports]
    found += [(0.0, ev.Reading(one.name, 0.0)) for one in shop.tools]
    found += [(0.0, ev.GateReport(g.name, Position.SHUT)) for g in shop.gates if g.reports and heard]
    return [*found, (QUANTUM, ev.Tick())]
