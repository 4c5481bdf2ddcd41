"""Circuits: members, and whether what can run together fits behind the breaker.

80 % of the breaker is the bound for continuous load, 3 h or more (NEC 210.19 and 210.20; published). Arithmetic only:
wiring and breakers are a licensed electrician's business.
"""

from collections.abc import Iterator
from itertools import chain, combinations
from math import inf

from gatehand.config import codes
from gatehand.config.partial import Partial
from gatehand.config.problems import Fault
from gatehand.config.tables import COLLECTOR_MEMBER, CircuitTable
from gatehand.text import listed, shown

CONTINUOUS_SHARE = 0.8
MOST_TOOLS_COMBINED = 14
"""Beyond this many tools on one breaker all are counted together: 2 to the 14th sets are looked at in a blink."""


def check_circuits(partial: Partial) -> Iterator[Fault]:
    """Every fault of the circuits."""
    first: dict[str, str] = {}
    for name, circuit in partial.config.circuit.items():
        yield from _members(partial, name, circuit)
        for number, member in enumerate(circuit.members):
            before = first.setdefault(member, name)
            if before != name:
                text = f"{shown(member)} is already on circuit {shown(before)}"
                yield Fault(("circuit", name, "members", number), codes.ON_TWO_CIRCUITS, text)
        if not partial.is_spoilt("circuit", name, "members"):
            yield from _load(partial, name, circuit)


def _members(partial: Partial, name: str, circuit: CircuitTable) -> Iterator[Fault]:
    path = ("circuit", name, "members")
    for number, member in enumerate(circuit.members):
        if member in circuit.members[:number]:
            yield Fault((*path, number), codes.NAMED_TWICE, f"{shown(member)} is named twice")
    if not circuit.members and not partial.is_spoilt(*path):
        text = "the list is empty: name the tools and collectors behind this breaker"
        yield Fault(path, codes.EMPTY_LIST, text)


def _load(partial: Partial, name: str, circuit: CircuitTable) -> Iterator[Fault]:
    amps: dict[str, float] = {}
    for number, member in enumerate(circuit.members):
        kind = "collector" if member.startswith(COLLECTOR_MEMBER) else "tool"
        table = member.removeprefix(COLLECTOR_MEMBER)
        entry = getattr(partial.config, kind).get(table)
        if entry is not None and entry.full_load_amps is not None:
            amps[member] = entry.full_load_amps
        elif not partial.is_spoilt(kind, table):
            text = f"{shown(member)} has no full_load_amps, so it cannot be counted; take it from the motor's plate"
            yield Fault(("circuit", name, "members", number), codes.NO_FULL_LOAD, text)
    homes = {member: home for member in amps if (home := partial.home_of_tool(member)) is not None}
    collectors = partial.config.collector
    bounds = {home: most for home in homes.values() if (most := collectors[home].max_open) is not None}
    together = _most(partial, amps, homes, bounds)
    total = sum(amps[member] for member in together)
    bound = CONTINUOUS_SHARE * circuit.amps
    if total > bound + 1e-9:
        parts = listed((f"{member} {amps[member]:g} A" for member in together), last="and")
        limits = ""
        if bounds:  # what the count rests on
            limited = listed((f"max_open = {most} of {home}" for home, most in bounds.items()), last="and")
            limits = f" (as far as {limited} {'allows' if len(bounds) == 1 else 'allow'})"
        text = (
            f"{parts} can run together{limits}: {total:g} A, above 80 % of the {circuit.amps:g} A breaker, {bound:g} A "
            "(continuous load, NEC 210.19 and 210.20; check your local rules with an electrician)"
        )
        yield Fault(("circuit", name, "amps"), codes.BREAKER_OVERLOAD, text)


def _most(partial: Partial, amps: dict[str, float], homes: dict[str, str], bounds: dict[str, int]) -> list[str]:
    """The members with the most amps that `max_open` lets be served at once; without it all of them."""
    always = [member for member in amps if member.startswith(COLLECTOR_MEMBER)]
    tools = tuple(member for member in amps if member not in always)

    def served(chosen: tuple[str, ...]) -> bool:
        """Whether the gates of these tools may all stand open at once."""
        open_at: dict[str, set[str]] = {}
        for tool in chosen:
            if tool in homes:
                open_at.setdefault(homes[tool], set()).update(partial.config.tool[tool].gates)
        return all(len(gates) <= bounds.get(home, inf) for home, gates in open_at.items())

    if bounds and len(tools) <= MOST_TOOLS_COMBINED:
        sets = chain.from_iterable(combinations(tools, count) for count in range(len(tools) + 1))
        tools = max(filter(served, sets), key=lambda chosen: sum(amps[tool] for tool in chosen))
    return [*tools, *always]
