"""One collector with all its ducts, what they want, and how one set of open gates does against it. No sentences."""

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum

from gatehand_air.answer import Answer, Solution, Unsolved
from gatehand_air.curve import Curve
from gatehand_air.density import Air
from gatehand_air.friction import Law, area, swamee_jain_loss
from gatehand_air.solve import Filter, Solver
from gatehand_air.tree import Network
from gatehand_air.wants import SETTLES

ROUNDING = 1e-6
"""A flow or velocity this near to what is wanted meets it."""


class Lack(StrEnum):
    """What can fall short."""

    HOOD_FLOW = "hood_flow"
    SLOW_DUCT = "slow_duct"
    NO_ANSWER = "no_answer"


@dataclass(frozen=True, slots=True)
class Short:
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


@dataclass(frozen=True, slots=True)
class Picture:
    """One set of open gates: the air with a clean and a dirty filter, and what falls short.

    `dusty` are the open gates whose hoods take in dust; through the others only clean air comes along.
    """

    gates: frozenset[str]
    dusty: frozenset[str]
    clean: Answer
    dirty: Answer
    shorts: tuple[Short, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Ducting:
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
    clean: Solver = field(init=False, repr=False, compare=False)
    dirty: Solver = field(init=False, repr=False, compare=False)
    wanted: Mapping[str, float] = field(init=False, repr=False, compare=False)
    """Velocity wanted by duct."""
    areas: Mapping[str, float] = field(init=False, repr=False, compare=False)
    """Cross-section by duct, m2."""
    ways: Mapping[str, tuple[str, ...]] = field(init=False, repr=False, compare=False)
    """By duct that ends in a hood: the ducts from there to the collector, itself first."""

    def __post_init__(self) -> None:
        clean = Solver(self.network, self.fan, self.clean_filter, self.air, self.law)
        object.__setattr__(self, "clean", clean)
        one = self.clean_filter == self.dirty_filter
        object.__setattr__(self, "dirty", clean if one else replace(clean, filter=self.dirty_filter))
        mains = self.network.mains()
        wanted = {d.name: self.main_velocity if d.name in mains else self.branch_velocity for d in self.network.ducts}
        object.__setattr__(self, "wanted", wanted)
        object.__setattr__(self, "areas", {duct.name: area(duct.diameter) for duct in self.network.ducts})
        ways = {end.name: tuple(duct.name for duct in self.network.path(end.name)) for end in self.network.ends}
        object.__setattr__(self, "ways", ways)

    def look(self, gates: Collection[str], dusty: Collection[str] | None = None) -> Picture:
        """Solve one set of open gates and hold it against what is wanted. Without `dusty` every open gate is."""
        opened = frozenset(gates)
        dust = opened if dusty is None else frozenset(dusty)
        clean = self.clean.solve(opened)
        dirty = clean if self.dirty is self.clean else self.dirty.solve(opened)
        found = self.shorts(clean, dust)
        known = {(short.lack, short.where) for short in found}
        worse = [replace(s, dirty=True) for s in self.shorts(dirty, dust) if (s.lack, s.where) not in known]
        return Picture(opened, dust, clean, dirty, (*found, *worse))

    def shorts(self, answer: Answer, dusty: Collection[str]) -> tuple[Short, ...]:
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

    def velocities(self, answer: Solution) -> dict[str, float]:
        """Velocity in m/s by duct."""
        return {name: flow / self.areas[name] for name, flow in answer.flows.items()}

    def suction(self, answer: Solution) -> float:
        """Static suction at the collector's inlet, Pa: what a gauge on the root duct reads."""
        root = self.network.root
        speed = answer.flow / area(root.diameter)
        return answer.suctions[root.name] + self.air.density * speed * speed / 2

    def clearing_time(self, answer: Solution, gate: str) -> float | None:
        """Seconds until the last dust at a gate's hood has reached the collector; None when that gate has no duct."""
        ends = [end for end in self.network.ends if end.hood == gate]
        if not ends:
            return None
        flows = answer.flows
        return sum(
            self.network.duct(name).length * self.areas[name] / (self.particle_speed * flows[name])
            for name in self.ways[ends[0].name]
        )
