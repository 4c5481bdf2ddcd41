"""One collector with all its ducts: which sets of gates can be asked for, what is wanted, and how one set does.

A set that can be asked for is that of each tool, each hand start, several up to `max_open`, and all. No sentences here.
"""

from collections.abc import Collection, Iterator, Mapping, Sequence
from enum import StrEnum
from functools import cached_property
from itertools import combinations
from typing import Final

from msgspec import Struct
from msgspec.structs import replace

from gatehand_air.fan_curve import Curve, Filter
from gatehand_air.fittings import SETTLES
from gatehand_air.friction import Law, area, swamee_jain_loss, velocity_pressure
from gatehand_air.properties import Air
from gatehand_air.solve import Solution, Solver, SolveResult, Unsolved
from gatehand_air.tree import Network

MOST_LISTED: Final = 400
"""Sets of three and more demands are listed up to this many in all; fewer than that stay legible."""


class Asker(StrEnum):
    """Who asks for gates."""

    TOOL = "tool"
    HAND = "hand"


class GateDemand(Struct, frozen=True):
    """Gates opened by one tool or one hand start. `assist` come along to keep the main moving and take in no dust."""

    asker: Asker
    name: str
    gates: frozenset[str]
    assist: frozenset[str] = frozenset()

    @property
    def opens(self) -> frozenset[str]:
        """All gates that stand open for it."""
        return self.gates | self.assist


class GateSet(Struct, frozen=True):
    """One set of open gates, which of them take in dust, and who asks for it: each way that leads to it."""

    gates: frozenset[str]
    dusty: frozenset[str]
    demands: tuple[tuple[GateDemand, ...], ...]


def gate_sets(demands: Sequence[GateDemand], gates: frozenset[str], max_open: int | None) -> tuple[GateSet, ...]:
    """Every set of gates that can be asked for, in the order: each alone, pairs, more, all. Each set once.

    A demand alone is listed even where it opens more gates than `max_open`. "All" is there also when `max_open` forbids
    it (then nobody asks for it: its `demands` is empty), because people want to know it.
    """
    found: dict[tuple[frozenset[str], frozenset[str]], list[tuple[GateDemand, ...]]] = {}
    for together in _together(demands, max_open):
        opens = frozenset().union(*(demand.opens for demand in together))
        if len(together) > 1 and max_open is not None and len(opens) > max_open:
            continue
        dusty = frozenset().union(*(demand.gates for demand in together))
        ways = found.setdefault((opens, dusty), [])
        if not ways or len(ways[0]) == len(together):  # more of them would ask for no more gates
            ways.append(together)
    asked = [GateSet(opens, dusty, tuple(who)) for (opens, dusty), who in found.items()]
    if gates and all(one.dusty != gates for one in asked):
        allowed = max_open is None or len(gates) <= max_open
        asked.append(GateSet(gates, gates, ((*demands,),) if allowed else ()))
    return tuple(asked)


def _together(demands: Sequence[GateDemand], max_open: int | None) -> Iterator[tuple[GateDemand, ...]]:
    """Each demand alone, every two, and with a `max_open` above two every number up to it, as far as is legible."""
    listed = 0
    for count in range(1, max(max_open or 2, 2) + 1):
        for together in combinations(demands, count):
            if count > 2 and listed >= MOST_LISTED:  # noqa: PLR2004
                return
            listed += 1
            yield together


ROUNDING = 1e-6
"""A flow or velocity this near to what is wanted meets it."""


class Lack(StrEnum):
    """What can fall short."""

    HOOD_FLOW = "hood_flow"
    SLOW_DUCT = "slow_duct"
    NO_ANSWER = "no_answer"


class Short(Struct, frozen=True):
    """One thing that falls short: m3/s for a hood, m/s for a duct.

    Fields:
        where: the hood's gate, the duct, or for `NO_ANSWER` the collector's root duct.
        settles: so slow that sawdust settles.
        dirty: met with a clean filter, missed with a dirty one.
        answer: for `NO_ANSWER`, why.
    """

    lack: Lack
    where: str
    found: float = 0.0
    wanted: float = 0.0
    settles: bool = False
    dirty: bool = False
    answer: Unsolved | None = None

    @property
    def share(self) -> float:
        """Found as a part of wanted."""
        return self.found / self.wanted


class Assessment(Struct, frozen=True):
    """One set of open gates: the air with a clean and a dirty filter, and what falls short.

    `dusty` are the open gates whose hoods take in dust; through the others only clean air comes along.
    """

    gates: frozenset[str]
    dusty: frozenset[str]
    clean: SolveResult
    dirty: SolveResult
    shorts: tuple[Short, ...]


class Ducting(Struct, frozen=True, kw_only=True, dict=True):
    """The ducts of one collector. SI units.

    Fields:
        fan: static pressure over flow at the air's own density.
        hood_flows: flow wanted, by the hood's gate (or its duct's name); hoods that want nothing are not in it.
        branch_velocity, main_velocity: transport velocity wanted; the main is what carries all.
        particle_speed: speed of the dust over that of the air.
        law: of friction.
    """

    network: Network
    fan: Curve
    clean_filter: Filter
    dirty_filter: Filter
    air: Air
    hood_flows: Mapping[str, float]
    branch_velocity: float
    main_velocity: float
    particle_speed: float = 0.5
    law: Law = swamee_jain_loss

    @cached_property
    def clean(self) -> Solver:
        """With a clean filter."""
        return Solver(self.network, self.fan, self.clean_filter, self.air, self.law)

    @cached_property
    def dirty(self) -> Solver:
        """With a dirty filter: `clean` itself where that is the same."""
        if self.clean_filter == self.dirty_filter:
            return self.clean
        return Solver(self.network, self.fan, self.dirty_filter, self.air, self.law)

    @cached_property
    def wanted(self) -> Mapping[str, float]:
        """Velocity wanted by duct."""
        mains = self.network.mains()
        return {d.name: self.main_velocity if d.name in mains else self.branch_velocity for d in self.network.ducts}

    @cached_property
    def areas(self) -> Mapping[str, float]:
        """Cross-section by duct, m2."""
        return {duct.name: area(duct.diameter) for duct in self.network.ducts}

    @cached_property
    def ways(self) -> Mapping[str, tuple[str, ...]]:
        """By duct that ends in a hood: the ducts from there to the collector, itself first."""
        return {end.name: tuple(duct.name for duct in self.network.path(end.name)) for end in self.network.ends}

    def assess(self, gates: Collection[str], dusty: Collection[str] | None = None) -> Assessment:
        """Solve one set of open gates and hold it against what is wanted. Without `dusty` every open gate is."""
        opened = frozenset(gates)
        dust = opened if dusty is None else frozenset(dusty)
        clean = self.clean.solve(opened)
        dirty = clean if self.dirty is self.clean else self.dirty.solve(opened)
        found = self.shorts(clean, dust)
        known = {(short.lack, short.where) for short in found}
        worse = [replace(s, dirty=True) for s in self.shorts(dirty, dust) if (s.lack, s.where) not in known]
        return Assessment(opened, dust, clean, dirty, (*found, *worse))

    def shorts(self, answer: SolveResult, dusty: Collection[str]) -> tuple[Short, ...]:
        """What falls short in one answer, at the dusty hoods and on their ways to the fan."""
        if isinstance(answer, Unsolved):
            return (Short(Lack.NO_ANSWER, self.network.root.name, answer=answer),)
        found = []
        flows = answer.flows
        ways: dict[str, None] = {}
        for end in self.network.ends:
            if end.gate is not None and end.gate not in dusty:
                continue
            wanted = self.hood_flows.get(end.hood)
            flow = flows.get(end.name, 0.0)
            if wanted is not None and flow < wanted * (1 - ROUNDING):
                found.append(Short(Lack.HOOD_FLOW, end.hood, flow, wanted))
            ways |= dict.fromkeys(self.ways[end.name])
        for name in ways:
            speed = flows.get(name, 0.0) / self.areas[name]
            wanted = self.wanted[name]
            if speed < wanted * (1 - ROUNDING):
                found.append(Short(Lack.SLOW_DUCT, name, speed, wanted, settles=speed < min(SETTLES, wanted)))
        return tuple(found)

    def dusty_ducts(self, dusty: Collection[str]) -> frozenset[str]:
        """The ducts on the way from the dusty gates, and from hoods without a gate, to the fan."""
        ends = (end.name for end in self.network.ends if end.gate is None or end.gate in dusty)
        return frozenset(duct for end in ends for duct in self.ways[end])

    def velocities(self, answer: Solution) -> dict[str, float]:
        """Velocity in m/s by duct."""
        return {name: flow / self.areas[name] for name, flow in answer.flows.items()}

    def suction(self, answer: Solution) -> float:
        """Static suction at the collector's inlet, Pa: what a gauge on the root duct reads."""
        root = self.network.root
        return answer.suctions[root.name] + velocity_pressure(answer.flow / self.areas[root.name], self.air)

    def clearing_time(self, answer: Solution, gate: str) -> float | None:
        """Seconds until the last dust at a gate's hood has reached the collector; None when that gate has no duct."""
        if gate not in self.network.gates:
            return None
        flows = answer.flows
        return sum(
            self.network.duct(name).length * self.areas[name] / (self.particle_speed * flows[name])
            for name in self.ways[self.network.end(gate).name]
        )
