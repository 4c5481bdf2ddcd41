"""Gatehand's rules: pure values in, values out. `step` is the only door, and what is named here is all that one needs.

A saw on a gate that does not report, from the daemon's start until the fan runs:

    >>> shop = Shop(
    ...     tools=(Tool(name="saw", collector="main", gates=("saw",), start_at=3.0, stop_at=2.0),),
    ...     gates=(Gate(name="saw", collector="main", travel=1.5),),
    ...     collectors=(Collector(name="main"),),
    ... )
    >>> state = initial(shop, 0.0)
    >>> heard = [(0.0, events.BrokerConnected()), (1.0, events.Reading("saw", 0.1)), (20.0, events.Tick())]
    >>> for now, event in [*heard, (30.0, events.Reading("saw", 6.4)), (31.5, events.Tick())]:
    ...     outcome = step(shop, state, event, now)
    ...     state = outcome.state
    ...     for command in outcome.commands:
    ...         print(f"{now:g} s: {command}")
    1 s: OpenGate(gate='saw', instead_of=())
    1 s: CollectorOff(collector='main')
    20 s: ShutGate(gate='saw')
    30 s: OpenGate(gate='saw', instead_of=())
    31.5 s: CollectorOn(collector='main')

The first three bring a shop of which nothing is known to rest; `outcome.findings` says why, each time.
"""

from gatehand_rules import commands, events
from gatehand_rules.findings import Alarm, Fact, Finding, Happened, Rule
from gatehand_rules.reshape import Rewired, adopt_shop, obstacles
from gatehand_rules.shop import Circuit, Collector, Gate, Shop, StopContact, Tool
from gatehand_rules.start import initial
from gatehand_rules.state import State, collector_word, gate_word, tool_word
from gatehand_rules.step import Outcome, next_deadline, step
from gatehand_rules.timing import GuardTiming, Timing
from gatehand_rules.words import CollectorWord, GateWord, Position, ToolWord

__all__ = [
    "Alarm",
    "Circuit",
    "Collector",
    "CollectorWord",
    "Fact",
    "Finding",
    "Gate",
    "GateWord",
    "GuardTiming",
    "Happened",
    "Outcome",
    "Position",
    "Rewired",
    "Rule",
    "Shop",
    "State",
    "StopContact",
    "Timing",
    "Tool",
    "ToolWord",
    "adopt_shop",
    "collector_word",
    "commands",
    "events",
    "gate_word",
    "initial",
    "next_deadline",
    "obstacles",
    "step",
    "tool_word",
]
