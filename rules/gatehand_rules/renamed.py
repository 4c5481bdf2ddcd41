"""A collector under another name: a device is known by where it is commanded, not by what the config calls it.

The rules know no topics, so the caller says which name became which. The shop of before is told anew in the names of
now, and everything that is carried over by name then finds its own.
"""

from collections.abc import Iterator, Mapping

from msgspec.structs import replace

from gatehand_rules.alarms import WHATS, Alarm
from gatehand_rules.findings import Fact, Rule
from gatehand_rules.shop import Shop
from gatehand_rules.state import GateOpen, Held, State

BEFORE = "{} (before)"
"""A collector that is gone and whose name another one has taken. No config can write such a name."""
_RULES: dict[str, Rule] = {
    "held": Rule.HOLD,
    "no_answer": Rule.ANSWER,
    "shut_gates": Rule.FAN_AGAINST_SHUT_GATES,
    "too_few_gates": Rule.MIN_OPEN,
    "bin_full": Rule.BIN_FULL,
    "offline": Rule.OFFLINE,
}


def told_anew(shop: Shop, names: Mapping[str, str]) -> Shop:
    """The same shop, its collectors under their new names."""
    if not names:
        return shop
    taken = set(names.values())

    def now(name: str) -> str:
        return names.get(name) or (BEFORE.format(name) if name in taken else name)

    def all_now(collectors: tuple[str, ...]) -> tuple[str, ...]:
        return tuple(now(name) for name in collectors)

    return replace(
        shop,
        tools=tuple(replace(one, collector=now(one.collector)) for one in shop.tools),
        gates=tuple(replace(one, collector=now(one.collector)) for one in shop.gates),
        collectors=tuple(replace(one, name=now(one.name)) for one in shop.collectors),
        stops=tuple(replace(one, collectors=all_now(one.collectors)) for one in shop.stops),
        circuits=tuple(replace(one, collectors=all_now(one.collectors)) for one in shop.circuits),
    )


def alarms(shop: Shop, state: State, names: Mapping[str, str]) -> Iterator[tuple[Alarm, Alarm, Rule, dict[str, Fact]]]:
    """Each alarm of a renamed collector that stands: as it was, as it is now, and what it was raised for.

    `shop` is the shop of before, in its own names.
    """
    for collector, seen in zip(shop.collectors, state.collectors, strict=True):
        name = names.get(collector.name)
        if name is None:
            continue
        own = [
            each.move for gate, each in zip(shop.gates, state.gates, strict=True) if gate.collector == collector.name
        ]
        why = seen.phase.why if isinstance(seen.phase, Held) else None
        facts: dict[str, Fact] = {
            "why": why,
            "then": collector.on_bin_full,
            "told": "on" if seen.answer is not None and seen.answer.on else "off",
            "reported_on": seen.reported_on,
            "drawing": seen.drawing,
            "proven_open": sum(1 for move in own if isinstance(move, GateOpen)),
            "min_open": collector.min_open,
        }
        for what in WHATS["collector"]:
            was = Alarm("collector", collector.name, what)
            if was in state.alarms:
                by_stop = what == "held" and any(stop.name == why for stop in shop.stops)
                rule = Rule.STOP_CONTACT if by_stop else _RULES.get(what, Rule.REPORT)
                yield was, Alarm("collector", name, what), rule, facts
