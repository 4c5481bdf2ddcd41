"""What only the whole config can tell about its ducts: names that nobody has, loops, ends without a hood, fans amiss.

No formula, no I/O.
"""

from collections.abc import Iterable, Iterator, Mapping
from typing import Final

from gatehand.config.ducts import DuctTable
from gatehand.config.model import Config
from gatehand.config.partial import Partial
from gatehand.config.problems import Fault
from gatehand.text import did_you_mean
from gatehand_air.fittings import kind_of

_READ: Final = ("collector", "gate", "tool", "fan", "duct")


def check_ducts(partial: Partial) -> Iterator[Fault]:
    """Every fault of the ducts; where a table that is read here is not whole, none."""
    if any(bad[:1] == (kind,) and len(bad) <= 2 for bad in partial.spoilt for kind in _READ):  # noqa: PLR2004
        return
    config = partial.config
    found = [*_fans(config), *_names(config), *_shape(config.duct)]
    yield from found or _collectors(config)


def _nearest(name: str, known: Iterable[str]) -> str:
    names = sorted(known)
    every = f"there are {', '.join(names)}" if names else ""
    return f"; {did_you_mean(name, names, every, show=repr)}"


def _fans(config: Config) -> Iterator[Fault]:
    for name in config.fan:
        if name not in config.collector:
            hint = _nearest(name, config.collector)
            yield Fault(("fan", name), f"no collector {name!r}: a fan is named after its collector{hint}")


def _names(config: Config) -> Iterator[Fault]:
    """Names that a duct uses and nobody has."""
    tables: dict[str, Iterable[str]] = {"into": config.duct, "collector": config.collector, "gate": config.gate}
    for name, duct in config.duct.items():
        for key, known in tables.items():
            used = getattr(duct, key)
            if used is not None and used not in known:
                kind = "duct" if key == "into" else key
                yield Fault(("duct", name, key), f"no {kind} {used!r}{_nearest(used, known)}")
        for tool in (duct.hood.tool or ()) if duct.hood else ():
            if tool not in config.tool and not kind_of(tool):
                text = f"no tool {tool!r}, nor a kind of that name{_nearest(tool, config.tool)}"
                yield Fault(("duct", name, "hood", "tool"), text)


def _shape(ducts: Mapping[str, DuctTable]) -> Iterator[Fault]:
    """Loops, joints with a hood, ends without one, gates that end two ducts."""
    joints = {duct.into for duct in ducts.values()}
    first: dict[str, str] = {}
    for name, duct in ducts.items():
        path = ("duct", name)
        end = "gate" if duct.gate is not None else "hood" if duct.hood is not None else None
        if duct.gate is not None and first.setdefault(duct.gate, name) != name:
            yield Fault((*path, "gate"), f"gate {duct.gate!r} already ends duct {first[duct.gate]!r}")
        if name in joints and end is not None:
            yield Fault((*path, end), f"a duct with a {end} ends in a hood, yet other ducts run into {name!r}")
        if name not in joints and end is None:
            yield Fault(path, "no duct runs into it, so it needs a gate or a hood")
        if _comes_back(ducts, name):
            yield Fault((*path, "into"), f"following `into` from {name!r} comes back to it: a tree has no loop")


def _comes_back(ducts: Mapping[str, DuctTable], start: str) -> bool:
    seen: set[str] = set()
    here = ducts[start].into
    while here is not None and here in ducts and here not in seen:
        if here == start:
            return True
        seen.add(here)
        here = ducts[here].into
    return False


def root_of(ducts: Mapping[str, DuctTable], name: str) -> str:
    """The duct at the collector that `name` leads to. For checked ducts only: no loops, no missing names."""
    while (into := ducts[name].into) is not None:
        name = into
    return name


def collector_of(config: Config, root: str) -> str | None:
    """Whose fan draws on this root: as said, by its name, by its gates, or the only one; None when unclear."""
    named = config.duct[root].collector
    if named is not None:
        return named
    if root in config.collector:
        return root
    ending = (duct.gate for name, duct in config.duct.items() if duct.gate and root_of(config.duct, name) == root)
    homes = {home for gate in ending if (home := config.gate[gate].collector) is not None}
    if len(homes) != 1:
        homes = set(config.collector)
    return homes.pop() if len(homes) == 1 else None


def _collectors(config: Config) -> Iterator[Fault]:
    """One root for each collector, a fan for each root, each gate at its own collector's duct."""
    first: dict[str, str] = {}
    for name, duct in config.duct.items():
        path = ("duct", name)
        home = collector_of(config, root_of(config.duct, name))
        if duct.into is None:
            if home is None:
                yield Fault(path, "which collector draws on it is unclear: add `collector`")
            elif first.setdefault(home, name) != name:
                text = f"collector {home!r} already has {first[home]!r} without `into`: one each, so add `into`"
                yield Fault(path, text)
            elif home not in config.fan:
                yield Fault(path, f"collector {home!r} has ducts but no [fan.{home}] with its curve")
        own = config.gate[duct.gate].collector if duct.gate is not None else None
        if own is not None and home is not None and own != home:
            yield Fault((*path, "gate"), f"gate {duct.gate!r} is at collector {own!r}, this duct at {home!r}")
