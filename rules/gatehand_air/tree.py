"""The ducts of one collector as a tree: what leads where, checked. SI units; no pressures or flows in here."""

from collections import Counter
from collections.abc import Collection, Mapping
from functools import cached_property
from typing import Final

from msgspec import Struct
from msgspec.structs import force_setattr

MAIN_SHARE: Final = 0.75
"""Of all hoods: a duct that carries so many is a main."""


class Duct(Struct, frozen=True, kw_only=True):
    """One length of one diameter. Lengths in m.

    Fields:
        into: the next duct towards the fan; None at the collector.
        factor: its fittings' loss factors, summed, without the hood's entry.
        entry: the hood's entry factor where the duct ends in a hood, else None.
        gate: the gate in it; all hoods beyond open and shut with it. A hood with no gate on its way is always open.
        leak: what a shut gate loses, Pa/(m3/s)^2; None: it shuts tight.
        machine: what the machine behind the hood loses, Pa/(m3/s)^2; None: nobody knows.
        dust_velocity: what the dust that enters at the hood wants, m/s; None: the usual, by where the duct lies.
        dust_settles: below this it settles, m/s; None: the usual.
    """

    name: str
    into: str | None
    diameter: float
    length: float
    roughness: float
    factor: float = 0.0
    entry: float | None = None
    gate: str | None = None
    leak: float | None = None
    machine: float | None = None
    dust_velocity: float | None = None
    dust_settles: float | None = None


class Network(Struct, frozen=True, dict=True):
    """All ducts that one fan draws on. A hood has the name of the duct that ends in it.

    `ducts` are put in order: each before the one it runs into, the root last.

    Raises:
        ValueError: two ducts of one name, a missing `into`, none or two roots, a loop, an end without a hood, a hood
            with ducts before it, a gate in two ducts, two gates on one way, a size that is not above 0.
    """

    ducts: tuple[Duct, ...]

    def __post_init__(self) -> None:
        by_name = {duct.name: duct for duct in self.ducts}
        if len(by_name) != len(self.ducts):
            raise ValueError("two ducts have one name")
        _check_ends(self.ducts, by_name)
        depth = _depths(by_name)
        ordered = tuple(sorted(self.ducts, key=lambda duct: -depth[duct.name]))
        force_setattr(self, "ducts", ordered)
        for end in self.ends:
            if len(gates := [duct.gate for duct in self.path(end.name) if duct.gate is not None]) > 1:
                raise ValueError(f"duct {end.name}: two gates on its way: {', '.join(gates)}")

    @cached_property
    def _at(self) -> dict[str, int]:
        return {duct.name: i for i, duct in enumerate(self.ducts)}

    @property
    def root(self) -> Duct:
        """The duct at the collector."""
        return self.ducts[-1]

    @property
    def gates(self) -> tuple[str, ...]:
        """Every gate of the tree."""
        return tuple(duct.gate for duct in self.ducts if duct.gate is not None)

    @cached_property
    def ends(self) -> tuple[Duct, ...]:
        """The ducts that end in a hood."""
        return tuple(duct for duct in self.ducts if duct.entry is not None)

    @cached_property
    def gate_of(self) -> Mapping[str, str | None]:
        """The gate on each hood's way, by hood; None: it is always open."""
        return {end.name: next((d.gate for d in self.path(end.name) if d.gate is not None), None) for end in self.ends}

    @cached_property
    def gated(self) -> Mapping[str, Duct]:
        """The duct with each gate, by gate."""
        return {duct.gate: duct for duct in self.ducts if duct.gate is not None}

    def behind(self, gates: Collection[str]) -> frozenset[str]:
        """The hoods behind some gates."""
        return frozenset(hood for hood, gate in self.gate_of.items() if gate is not None and gate in gates)

    @cached_property
    def always_open(self) -> frozenset[str]:
        """The hoods that no gate shuts."""
        return frozenset(hood for hood, gate in self.gate_of.items() if gate is None)

    def duct(self, name: str) -> Duct:
        """The duct of that name."""
        return self.ducts[self._at[name]]

    def index(self, name: str) -> int:
        """Its place in `ducts`."""
        return self._at[name]

    def path(self, name: str) -> tuple[Duct, ...]:
        """The ducts from `name` to the collector, both included."""
        return self._paths[name]

    @cached_property
    def _paths(self) -> dict[str, tuple[Duct, ...]]:
        found: dict[str, tuple[Duct, ...]] = {}
        for duct in reversed(self.ducts):  # each after the one it runs into
            found[duct.name] = (duct, *(() if duct.into is None else found[duct.into]))
        return found

    def mains(self) -> frozenset[str]:
        """The trunks that carry most: at least three hoods of four. Empty where there is only one hood.

        A main may be slower than a branch because the next tool's air sweeps it too; one that carries 10 tools of 12 is
        swept nearly as often as one that carries all. The share is common practice, no published source.
        """
        ends = self.ends
        carried = Counter(duct.name for end in ends for duct in self.path(end.name))
        return frozenset(name for name, hoods in carried.items() if hoods > 1 and hoods >= MAIN_SHARE * len(ends))


def _check_ends(ducts: tuple[Duct, ...], by_name: dict[str, Duct]) -> None:
    joints = {duct.into for duct in ducts}
    gates = [duct.gate for duct in ducts if duct.gate is not None]
    if len(set(gates)) != len(gates):
        raise ValueError("one gate is in two ducts")
    if sum(duct.into is None for duct in ducts) != 1:
        raise ValueError("a tree has exactly one duct without `into`")
    for duct in ducts:
        if duct.into is not None and duct.into not in by_name:
            raise ValueError(f"duct {duct.name}: no duct {duct.into}")
        if (duct.name in joints) == (duct.entry is not None):
            raise ValueError(f"duct {duct.name}: a duct either ends in a hood or has others running into it")
        if duct.diameter <= 0 or duct.length < 0 or duct.roughness < 0:
            raise ValueError(f"duct {duct.name}: a size is not above 0")


def _depths(by_name: dict[str, Duct]) -> dict[str, int]:
    """Ducts from each to the root, itself included; raises on a loop."""
    found: dict[str, int] = {}
    for name in by_name:
        way: list[str] = []
        here: str | None = name
        while here is not None and here not in found:
            if len(way) == len(by_name):
                raise ValueError(f"duct {name}: following `into` comes back to it")
            way.append(here)
            here = by_name[here].into
        beyond = 0 if here is None else found[here]
        found |= {each: beyond + at for at, each in enumerate(reversed(way), 1)}
    return found
