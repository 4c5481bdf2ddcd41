"""What only the whole config can tell about its ducts: loops, ends without a hood, fans amiss.

No formula, no I/O.
"""

from collections.abc import Iterator, Mapping
from typing import Final

from gatehand.config import codes
from gatehand.config.ducts import DuctTable
from gatehand.config.model import Config
from gatehand.config.partial import Partial
from gatehand.config.problems import Fault

_OWN: Final = ("fan", "duct")
_READ: Final = ("collector", "gate", "tool")


def check_ducts(partial: Partial) -> Iterator[Fault]:
    """Every fault of the ducts; where something of them, or a table that is read here, is not whole, none."""
    for bad in partial.spoilt:
        if not bad or bad[0] in _OWN or (bad[0] in _READ and len(bad) <= 2):  # noqa: PLR2004 - a table with a name
            return
    yield from [*_shape(partial.config.duct)] or _collectors(partial.config)


def _shape(ducts: Mapping[str, DuctTable]) -> Iterator[Fault]:
    """Loops, joints with a hood, ends without one, gates that end two ducts."""
    joints = {duct.into for duct in ducts.values()}
    first: dict[str, str] = {}
    for name, duct in ducts.items():
        path = ("duct", name)
        end = "hood" if duct.hood is not None else "gate" if duct.gate is not None else None
        if duct.gate is not None and first.setdefault(duct.gate, name) != name:
            yield Fault((*path, "gate"), codes.BAD_DUCT, f"gate {duct.gate!r} already ends duct {first[duct.gate]!r}")
        if name in joints and end == "hood":
            text = f"a duct with a hood ends there, yet other ducts run into {name!r}"
            yield Fault((*path, end), codes.BAD_DUCT, text)
        if name not in joints and end is None:
            yield Fault(path, codes.BAD_DUCT, "no duct runs into it, so it needs a gate or a hood")
        if _comes_back(ducts, name):
            text = f"following `into` from {name!r} comes back to it: a tree has no loop"
            yield Fault((*path, "into"), codes.BAD_DUCT, text)


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
                yield Fault(path, codes.WHICH_COLLECTOR, "which collector draws on it is unclear: add `collector`")
            elif first.setdefault(home, name) != name:
                text = f"collector {home!r} already has {first[home]!r} without `into`: one each, so add `into`"
                yield Fault(path, codes.BAD_DUCT, text)
            elif home not in config.fan:
                text = f"collector {home!r} has ducts but no [fan.{home}] with its curve"
                yield Fault(path, codes.NO_FAN, text)
        own = config.gate[duct.gate].collector if duct.gate is not None else None
        if own is not None and home is not None and own != home:
            text = f"gate {duct.gate!r} is at collector {own!r}, this duct at {home!r}"
            yield Fault((*path, "gate"), codes.TWO_COLLECTORS, text)
