"""One collector with all its ducts: what is wanted, and how one set of open gates does, each figure with its spread.

No sentences here.
"""

from collections.abc import Collection, Mapping
from enum import StrEnum
from functools import cached_property
from typing import Final

from msgspec import Struct
from msgspec.structs import replace

from gatehand_air.fan_curve import Curve, Filter
from gatehand_air.fittings import SETTLES
from gatehand_air.friction import Law, area, swamee_jain_loss, velocity_pressure
from gatehand_air.properties import Air
from gatehand_air.solve import Solution, Solver, SolveResult, Unsolved, Why
from gatehand_air.spread import PLAIN, Ignorance, spread
from gatehand_air.tree import Network

LEAST_FLOW: Final = 0.1
"""The lower end of a spread is never taken below this part of the flow."""
ROUNDING = 1e-6
"""A flow or velocity this near to what is wanted meets it."""


class Lack(StrEnum):
    """What can fall short."""

    HOOD_FLOW = "hood_flow"
    SLOW_DUCT = "slow_duct"
    NO_ANSWER = "no_answer"


class Verdict(StrEnum):
    """How a figure with its spread compares with what is wanted."""

    MET = "met"
    """Also at the lower end of its spread."""
    CLOSE = "close"
    """Too close to call: what is wanted lies within the spread."""
    UNKNOWN = "unknown"
    """The fan's curve does not tell."""
    SHORT = "short"
    """Not even at the upper end."""


WORSE: Final = tuple(Verdict)
"""From the best to the worst."""


def judge(found: float, spread: float, wanted: float) -> Verdict:
    """All three in one unit; `spread` is the half-width."""
    if found - spread >= wanted * (1 - ROUNDING):
        return Verdict.MET
    return Verdict.CLOSE if found + spread >= wanted * (1 - ROUNDING) else Verdict.SHORT


class Short(Struct, frozen=True):
    """One thing that is not known to be met: m3/s for a hood, m/s for a duct.

    Fields:
        where: the hood (its duct's name), the duct, or for `NO_ANSWER` the collector's root duct.
        spread: half-width of what was found, in its unit.
        verdict: never `MET`.
        settles: so slow that sawdust settles.
        dirty: better with a clean filter.
        answer: for `NO_ANSWER`, why.
    """

    lack: Lack
    where: str
    found: float = 0.0
    wanted: float = 0.0
    spread: float = 0.0
    verdict: Verdict = Verdict.SHORT
    settles: bool = False
    dirty: bool = False
    answer: Unsolved | None = None

    @property
    def share(self) -> float:
        """Found as a part of wanted."""
        return self.found / self.wanted

    @property
    def fails(self) -> bool:
        """Whether it is known to fall short, or not known at all."""
        return self.verdict is not Verdict.CLOSE


class Assessment(Struct, frozen=True):
    """One set of open gates: the air with a clean and a dirty filter, and what is not known to be met.

    `dusty` are the hoods that take in dust; through the others only clean air comes along.
    """

    gates: frozenset[str]
    dusty: frozenset[str]
    clean: SolveResult
    dirty: SolveResult
    shorts: tuple[Short, ...]

    @property
    def fails(self) -> tuple[Short, ...]:
        """What falls short beyond doubt, or has no answer."""
        return tuple(short for short in self.shorts if short.fails)


class Ducting(Struct, frozen=True, kw_only=True, dict=True):
    """The ducts of one collector. SI units.

    Fields:
        fan: static pressure over flow at the air's own density.
        hood_flows: flow wanted, by hood; hoods that want nothing are not in it.
        branch_velocity, main_velocity: transport velocity wanted; a main is what carries at least three hoods of four.
        particle_speed: speed of the dust over that of the air.
        law: of friction.
        ignorance: how well all of this is known.
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
    ignorance: Ignorance = PLAIN

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
        """Velocity wanted by duct, m/s, for dust of no kind in particular."""
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

    def dust(self, gates: Collection[str], dusty: Collection[str] | None) -> frozenset[str]:
        """The hoods that take in dust with these gates open: see `assess`."""
        return self.network.always_open | (self.network.behind(gates) if dusty is None else frozenset(dusty))

    def assess(self, gates: Collection[str], dusty: Collection[str] | None = None) -> Assessment:
        """Solve one set of open gates and hold it against what is wanted.

        `dusty`: the hoods that take in dust; by default all behind those gates. Hoods that no gate shuts always do.
        """
        opened = frozenset(gates)
        dust = self.dust(opened, dusty)
        clean = self.clean.solve(opened)
        dirty = clean if self.dirty is self.clean else self.dirty.solve(opened)
        found = self.shorts(self.clean, opened, clean, dust)
        worse = found if dirty is clean else self.shorts(self.dirty, opened, dirty, dust)
        return Assessment(opened, dust, clean, dirty, found if dirty is clean else merged(found, worse))

    def shorts(
        self, solver: Solver, gates: Collection[str], answer: SolveResult, dusty: Collection[str]
    ) -> tuple[Short, ...]:
        """What is not known to be met in one answer of `solver`, at the dusty hoods and on their ways to the fan."""
        found = answer if isinstance(answer, Solution) else answer.bound
        half = {} if found is None else spread(solver, gates, found, self.ignorance).flows
        return self.told(answer, half, dusty)

    def told(self, answer: SolveResult, half: Mapping[str, float], dusty: Collection[str]) -> tuple[Short, ...]:
        """`shorts` of an answer whose half-widths are known: `half`, of its flows or its bound's, m3/s by duct."""
        if isinstance(answer, Solution):
            return self._judged(answer, half, dusty)
        unknown = Short(Lack.NO_ANSWER, self.network.root.name, verdict=Verdict.UNKNOWN, answer=answer)
        if answer.bound is None:
            return (unknown,)
        found = self._judged(answer.bound, half, dusty)
        if answer.why is Why.BEYOND_CURVE:  # a lower bound: what meets its want does so surely, the rest nobody knows
            return (unknown,) if found else ()
        surely = tuple(short for short in found if short.verdict is Verdict.SHORT)
        wanted = len(self.wants(dusty))
        return surely if len(surely) == wanted else (*surely, unknown)

    def _judged(self, answer: Solution, half: Mapping[str, float], dusty: Collection[str]) -> tuple[Short, ...]:
        flows = answer.flows
        settling: Mapping[str, float] = {}
        found = []
        for lack, where, wanted in self.wants(dusty):
            per = 1.0 if lack is Lack.HOOD_FLOW else self.areas[where]
            value, off = flows.get(where, 0.0) / per, half.get(where, 0.0) / per
            if (verdict := judge(value, off, wanted)) is not Verdict.MET:
                settles = False
                if lack is Lack.SLOW_DUCT and verdict is Verdict.SHORT:
                    settling = settling or self.settling_for(dusty)
                    settles = value < settling[where]
                found.append(Short(lack, where, value, wanted, off, verdict, settles))
        return tuple(found)

    def wants(self, dusty: Collection[str]) -> list[tuple[Lack, str, float]]:
        """What the dusty hoods and the ducts on their ways want, hoods first: m3/s and m/s."""
        flows = self.hood_flows
        hoods = [
            (Lack.HOOD_FLOW, end.name, flows[end.name])
            for end in self.network.ends
            if end.name in dusty and end.name in flows
        ]
        ducts = [(Lack.SLOW_DUCT, name, speed) for name, speed in self.wanted_for(dusty).items()]
        return [*hoods, *ducts]

    def wanted_for(self, dusty: Collection[str]) -> Mapping[str, float]:
        """Velocity wanted, m/s, in every duct on the dusty hoods' ways: what the most demanding dust in it wants."""
        found: dict[str, float] = {}
        for end in self.network.ends:
            if end.name in dusty:
                for name in self.ways[end.name]:
                    own = self.wanted[name] if end.dust_velocity is None else end.dust_velocity
                    found[name] = max(found.get(name, 0.0), own)
        return found

    def passed(self, dusty: Collection[str]) -> list[str]:
        """The ducts on the dusty hoods' ways, in the order of `wants`."""
        return list(dict.fromkeys(n for end in self.network.ends if end.name in dusty for n in self.ways[end.name]))

    def settling_for(self, dusty: Collection[str]) -> Mapping[str, float]:
        """Velocity, m/s, below which dust settles in every duct on the dusty hoods' ways: the heaviest in it."""
        found: dict[str, float] = {}
        for end in self.network.ends:
            if end.name in dusty:
                for name in self.ways[end.name]:
                    own = min(SETTLES, self.wanted[name]) if end.dust_settles is None else end.dust_settles
                    found[name] = max(found.get(name, 0.0), own)
        return found

    def velocities(self, answer: Solution) -> dict[str, float]:
        """Velocity in m/s by duct."""
        return {name: flow / self.areas[name] for name, flow in answer.flows.items()}

    def suction(self, answer: Solution) -> float:
        """Static suction at the collector's inlet, Pa: what a gauge on the root duct reads."""
        root = self.network.root
        return answer.suctions[root.name] + velocity_pressure(answer.flow / self.areas[root.name], self.air)

    def clearing_time(self, answer: Solution, hood: str) -> float:
        """Seconds until the last dust at a hood has reached the collector."""
        flows = answer.flows
        return sum(
            self.network.duct(name).length * self.areas[name] / (self.particle_speed * flows[name])
            for name in self.ways[hood]
        )


def merged(clean: tuple[Short, ...], dirty: tuple[Short, ...]) -> tuple[Short, ...]:
    """What falls short with either filter, each as the worse has it."""
    found = {(short.lack, short.where): short for short in clean}
    for short in dirty:
        key = short.lack, short.where
        if key not in found or WORSE.index(short.verdict) > WORSE.index(found[key].verdict):
            found[key] = replace(short, dirty=True)
    return tuple(found.values())
