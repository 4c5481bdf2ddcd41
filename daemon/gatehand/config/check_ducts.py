"""What only the whole config can tell about its ducts: names that nobody has, loops, ends without a hood, fans amiss.

Works on anything with the attributes of `HasDucts`, so that it needs no model. No formula, no I/O.
"""

from collections.abc import Iterable, Mapping
from typing import Any, Protocol, TypeAlias

from gatehand.text import did_you_mean
from gatehand_air.fittings import kind_of

Problem: TypeAlias = tuple[tuple[str | int, ...], str]
"""(key path, message)."""


class HasDucts(Protocol):
    """The tables read here, each keyed by name."""

    fan: Mapping[str, Any]
    duct: Mapping[str, Any]
    gate: Mapping[str, Any]
    tool: Mapping[str, Any]
    collector: Mapping[str, Any]


def cross_check(config: Any) -> list[Problem]:  # noqa: ANN401 - the whole config, whose type imports this package
    """What is wrong between the tables: (key path, message) each; empty when all is well."""
    found = _fans(config)
    for name in config.duct:
        found += _names(config, name)
    found += _shape(config.duct)
    return found or _collectors(config)


def _nearest(name: str, known: Iterable[str]) -> str:
    names = sorted(known)
    every = f"there are {', '.join(names)}" if names else ""
    return f"; {did_you_mean(name, names, every, show=repr)}"


def _fans(config: HasDucts) -> list[Problem]:
    return [
        (("fan", name), f"no collector {name!r}: a fan is named after its collector{_nearest(name, config.collector)}")
        for name in config.fan
        if name not in config.collector
    ]


def _names(config: HasDucts, name: str) -> list[Problem]:
    """Names that a duct uses and nobody has."""
    found: list[Problem] = []
    duct = config.duct[name]
    mentions = (
        ("into", "duct", config.duct),
        ("collector", "collector", config.collector),
        ("gate", "gate", config.gate),
    )
    for key, kind, known in mentions:
        said = getattr(duct, key)
        if said is not None and said not in known:
            found.append((("duct", name, key), f"no {kind} {said!r}{_nearest(said, known)}"))
    for tool in (duct.hood.tool or ()) if duct.hood else ():
        if tool not in config.tool and not kind_of(tool):
            hint = _nearest(tool, config.tool)
            found.append((("duct", name, "hood", "tool"), f"no tool {tool!r}, nor a kind of that name{hint}"))
    return found


def _shape(ducts: Mapping[str, Any]) -> list[Problem]:
    """Loops, joints with a hood, ends without one, gates that end two ducts."""
    found: list[Problem] = []
    joints = {duct.into for duct in ducts.values()}
    first: dict[str, str] = {}
    for name, duct in ducts.items():
        if duct.gate is not None and first.setdefault(duct.gate, name) != name:
            found.append((("duct", name, "gate"), f"gate {duct.gate!r} already ends duct {first[duct.gate]!r}"))
        if name in joints and (duct.gate is not None or duct.hood is not None):
            key = "gate" if duct.gate is not None else "hood"
            found.append(
                (("duct", name, key), f"a duct with a {key} ends in a hood, yet other ducts run into {name!r}")
            )
        if name not in joints and duct.gate is None and duct.hood is None:
            found.append((("duct", name), "no duct runs into it, so it needs a gate or a hood"))
        if _comes_back(ducts, name):
            found.append(
                (("duct", name, "into"), f"following `into` from {name!r} comes back to it: a tree has no loop")
            )
    return found


def _comes_back(ducts: Mapping[str, Any], start: str) -> bool:
    seen: set[str] = set()
    here = ducts[start].into
    while here in ducts and here not in seen:
        if here == start:
            return True
        seen.add(here)
        here = ducts[here].into
    return False


def root_of(ducts: Mapping[str, Any], name: str) -> str:
    """The duct at the collector that `name` leads to. For checked ducts only: no loops, no missing names."""
    while (into := ducts[name].into) is not None:
        name = into
    return name


def collector_of(config: Any, root: str) -> str | None:  # noqa: ANN401 - as in `cross_check`
    """Whose fan draws on this root: as said, by its name, by its gates, or the only one; None when unclear."""
    said = config.duct[root].collector
    if said is not None:
        return str(said)
    if root in config.collector:
        return root
    homes = {
        home
        for name, duct in config.duct.items()
        if duct.gate is not None
        and root_of(config.duct, name) == root
        and (home := config.gate[duct.gate].collector) is not None
    }
    if len(homes) == 1:
        return str(homes.pop())
    return next(iter(config.collector)) if len(config.collector) == 1 else None


def _collectors(config: HasDucts) -> list[Problem]:
    """One root for each collector, a fan for each root, each gate at its own collector's duct."""
    found: list[Problem] = []
    first: dict[str, str] = {}
    for name, duct in config.duct.items():
        home = collector_of(config, root_of(config.duct, name))
        if duct.into is None:
            if home is None:
                found.append((("duct", name), "which collector draws on it is unclear: add `collector`"))
            elif first.setdefault(home, name) != name:
                found.append(
                    (
                        ("duct", name),
                        f"collector {home!r} already has {first[home]!r} without `into`: one each, so add `into`",
                    )
                )
            elif home not in config.fan:
                found.append((("duct", name), f"collector {home!r} has ducts but no [fan.{home}] with its curve"))
        own = config.gate[duct.gate].collector if duct.gate is not None else None
        if own is not None and home is not None and own != home:
            found.append((("duct", name, "gate"), f"gate {duct.gate!r} is at collector {own!r}, this duct at {home!r}"))
    return found
