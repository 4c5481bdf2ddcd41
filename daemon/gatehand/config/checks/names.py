"""Mentions of other tables: is there such a collector, such a gate; is it said where there are several?"""

from collections.abc import Iterator

from gatehand.config.partial import Partial
from gatehand.config.problems import Fault, KeyPath
from gatehand.text import listed, nearest, shown


def check(partial: Partial) -> Iterator[Fault]:
    """Every mention that leads nowhere."""
    config = partial.config
    for name, gate in config.gate.items():
        yield from collector_of(partial, ("gate", name), gate.collector)
    for name, tool in config.tool.items():
        for key, gates in (("gates", tool.gates), ("assist", tool.assist)):
            yield from _each(partial, "gate", ("tool", name, key), gates)
        if tool.collector is not None:
            yield from mention(partial, "collector", ("tool", name, "collector"), tool.collector)
    for name, stop in config.stop.items():
        yield from _each(partial, "collector", ("stop", name, "collectors"), stop.collectors or ())
        if stop.collectors == ():
            yield Fault(
                ("stop", name, "collectors"), "the list is empty, so it stops nothing; leave it out to stop all"
            )
    for name, upkeep in config.upkeep.items():
        yield from collector_of(partial, ("upkeep", name), upkeep.collector)


def mention(partial: Partial, kind: str, path: KeyPath, name: str) -> Iterator[Fault]:
    """A fault when no table of that kind has the name."""
    known = partial.declared(kind)
    if name in known or (partial.is_spoilt(kind) and not known):
        return
    if not known:
        yield Fault(path, f"there is no {kind} {shown(name)}: add [{kind}.{name}]")
    elif (near := nearest(name, known)) is not None:
        yield Fault(path, f"there is no {kind} {shown(name)}; did you mean {shown(near)}?")
    else:
        yield Fault(path, f"there is no {kind} {shown(name)}; there are {listed(map(shown, known), last='and')}")


def collector_of(partial: Partial, table: KeyPath, name: str | None) -> Iterator[Fault]:
    """A fault when a table's collector is not there, or not said where there are several."""
    path = (*table, "collector")
    known = partial.declared("collector")
    if name is not None:
        yield from mention(partial, "collector", path, name)
    elif len(known) > 1 and not partial.is_spoilt(*path):
        yield Fault(path, f"collector is missing: there are {listed(map(shown, known), last='and')}, so name one")


def _each(partial: Partial, kind: str, path: KeyPath, names: tuple[str, ...]) -> Iterator[Fault]:
    for number, name in enumerate(names):
        yield from mention(partial, kind, (*path, number), name)
        if name in names[:number]:
            yield Fault((*path, number), f"{shown(name)} is named twice")
