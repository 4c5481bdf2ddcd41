"""Circuits: members that exist, and whether what can run together fits behind the breaker.

80 % of the breaker is the bound for continuous load, 3 h or more (NEC 210.19 and 210.20; published). Arithmetic only:
wiring and breakers are a licensed electrician's business.
"""

from collections.abc import Iterator
from itertools import combinations

from gatehand.config.partial import Partial
from gatehand.config.problems import Fault, Level
from gatehand.config.tables import COLLECTOR_MEMBER, Circuit
from gatehand.text import did_you_mean, listed, shown

CONTINUOUS_SHARE = 0.8
MOST_TOOLS_COMBINED = 14
"""Beyond this many tools on one breaker all are counted together: 2 to the 14th sets are looked at in a blink."""


def check_circuits(partial: Partial) -> Iterator[Fault]:
    """Every fault of the circuits."""
    first: dict[str, str] = {}
    for name, circuit in partial.config.circuit.items():
        unknown = list(_unknown(partial, name, circuit))
        yield from unknown
        for number, member in enumerate(circuit.members):
            before = first.setdefault(member, name)
            if before != name:
                text = f"{shown(member)} hangs on circuit {shown(before)} already"
                yield Fault(("circuit", name, "members", number), text, Level.WARNING)
        if not unknown:
            yield from _load(partial, name, circuit)


def _unknown(partial: Partial, name: str, circuit: Circuit) -> Iterator[Fault]:
    known = [*partial.declared("tool"), *(COLLECTOR_MEMBER + each for each in partial.declared("collector"))]
    for number, member in enumerate(circuit.members):
        path = ("circuit", name, "members", number)
        if member in circuit.members[:number]:
            yield Fault(path, f"{shown(member)} is named twice")
        if member in known:
            continue
        if member in partial.declared("collector"):
            yield Fault(
                path, f"there is no tool {shown(member)}; for the collector write {shown(COLLECTOR_MEMBER + member)}"
            )
        else:
            wanted = 'wanted a tool\'s name or "collector.NAME"'
            hint = did_you_mean(member, known, wanted, show=shown)
            yield Fault(path, f"there is no tool or collector {shown(member)}; {hint}")
    if not circuit.members and not partial.is_spoilt("circuit", name, "members"):
        yield Fault(
            ("circuit", name, "members"), "the list is empty: name the tools and collectors behind this breaker"
        )


def _load(partial: Partial, name: str, circuit: Circuit) -> Iterator[Fault]:
    amps: dict[str, float] = {}
    for number, member in enumerate(circuit.members):
        known = _full_load(partial, member)
        if known is not None:
            amps[member] = known
        elif not partial.is_spoilt(*_table(member)):
            text = f"{shown(member)} has no full_load_amps, so it cannot be counted; take it from the motor's plate"
            yield Fault(("circuit", name, "members", number), text, Level.WARNING)
    together = _most(partial, amps)
    total = sum(amps[member] for member in together)
    bound = CONTINUOUS_SHARE * circuit.amps
    if total > bound + 1e-9:
        parts = listed((f"{member} {amps[member]:g} A" for member in together), last="and")
        limits = _limits(partial, amps)
        text = (
            f"{parts} can run together{limits}: {total:g} A, above 80 % of the {circuit.amps:g} A breaker, {bound:g} A "
            "(continuous load, NEC 210.19 and 210.20; check your local rules with an electrician)"
        )
        yield Fault(("circuit", name, "amps"), text, Level.WARNING)


def _table(member: str) -> tuple[str, str]:
    return (
        ("collector", member.removeprefix(COLLECTOR_MEMBER))
        if member.startswith(COLLECTOR_MEMBER)
        else ("tool", member)
    )


def _full_load(partial: Partial, member: str) -> float | None:
    kind, name = _table(member)
    entry = partial.config.collector.get(name) if kind == "collector" else partial.config.tool.get(name)
    return entry.full_load_amps if entry is not None else None


def _limits(partial: Partial, amps: dict[str, float]) -> str:
    """Says what the count rests on."""
    bounds = {
        home: most
        for member in amps
        if (home := _home(partial, member)) and (most := partial.config.collector[home].max_open) is not None
    }
    if not bounds:
        return ""
    said = listed((f"max_open = {most} of {home}" for home, most in bounds.items()), last="and")
    return f" (as far as {said} has them served)"


def _most(partial: Partial, amps: dict[str, float]) -> list[str]:
    """The members with the most amps that `max_open` lets be served at once; without it all of them."""
    tools = [member for member in amps if not member.startswith(COLLECTOR_MEMBER)]
    always = [member for member in amps if member.startswith(COLLECTOR_MEMBER)]
    if len(tools) > MOST_TOOLS_COMBINED or not _limits(partial, amps):
        return [*tools, *always]
    sets = [
        chosen for count in range(len(tools) + 1) for chosen in combinations(tools, count) if _served(partial, chosen)
    ]
    best = max(sets, key=lambda chosen: sum(amps[tool] for tool in chosen), default=())
    return [*best, *always]


def _served(partial: Partial, tools: tuple[str, ...]) -> bool:
    """Whether the gates of these tools may all stand open at once."""
    open_at: dict[str, set[str]] = {}
    for tool in tools:
        home = _home(partial, tool)
        if home is not None:
            open_at.setdefault(home, set()).update(partial.config.tool[tool].gates)
    return all(
        (most := partial.config.collector[home].max_open) is None or len(gates) <= most
        for home, gates in open_at.items()
    )


def _home(partial: Partial, tool: str) -> str | None:
    """The collector of a tool, as far as it can be told."""
    entry, known = partial.config.tool.get(tool), list(partial.config.collector)
    if entry is None:
        return None
    of_gate = next((partial.home_of(gate) for gate in entry.gates if gate in partial.config.gate), None)
    home = of_gate or entry.collector or (known[0] if len(known) == 1 else None)
    return home if home in known else None
