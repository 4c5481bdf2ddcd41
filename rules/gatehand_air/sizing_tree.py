"""What can be told of runs of duct before they have sizes: flows and velocities wanted, by set; what is slow in a size.

SI units, no choices: those are made in `sizing.py`.
"""

from collections import Counter
from collections.abc import Collection, Mapping
from functools import cached_property
from typing import Final

from msgspec import Struct

from gatehand_air.ducting import ROUNDING, Ducting
from gatehand_air.fan_need import Asked, Need, Plan, ducting, need
from gatehand_air.friction import area
from gatehand_air.layout import Laid

UNUSED: Final = 1.0
"""m: a size for runs that have none yet, where only their tree matters; wider than any port."""


class Slow(Struct, frozen=True):
    """A run in which one set, each hood drawing just what it wants, leaves the air slower than its dust wants, m/s."""

    asked: Asked
    run: str
    found: float
    wanted: float

    @property
    def share(self) -> float:
        """Found as a part of wanted."""
        return self.found / self.wanted


class SetWanted(Struct, frozen=True):
    """Of one set, by run: the flow, m3/s; the velocity that its dust wants, m/s; those that carry several openings'."""

    flows: Mapping[str, float]
    velocities: Mapping[str, float]
    shared: frozenset[str]

    def holds(self, run: str) -> float:
        """The largest cross-section in which the dust is carried, m2."""
        return self.flows[run] / self.velocities[run]


class SizingTree(Struct, frozen=True, dict=True):
    """The runs, all as wide as can be, and what every set wants of them."""

    plan: Plan

    @cached_property
    def laid(self) -> Laid:
        """In a size that is none: only the tree of it matters."""
        return self.plan.laid({run.name: UNUSED for run in self.plan.runs})

    @cached_property
    def ducting(self) -> Ducting:
        """As `airflow` looks at it."""
        return ducting(self.plan, self.laid)

    @cached_property
    def names(self) -> frozenset[str]:
        """Of all runs."""
        return frozenset(run.name for run in self.plan.runs)

    @cached_property
    def draws(self) -> Mapping[str, tuple[float, tuple[str, ...]]]:
        """By opening: what it wants, and the runs from there to the collector."""
        of = self.ducting
        ways = {run: tuple(n for n in of.ways[hood] if n in self.names) for run, hood in self.laid.hoods.items()}
        return {run: (of.hood_flows[self.laid.hoods[run]], way) for run, way in ways.items()}

    @cached_property
    def wants(self) -> Mapping[Asked, SetWanted]:
        """Of every set that can be asked for."""
        return {asked: self.wanted(asked) for asked in self.plan.asked}

    @cached_property
    def _needs(self) -> dict[tuple[Asked, tuple[float, ...]], Need]:
        return {}

    @cached_property
    def _hung(self) -> dict[tuple[float, ...], tuple[Laid, Ducting]]:
        return {}

    def need(self, sizes: Mapping[str, float], asked: Asked) -> Need:
        """What a set asks of the fan: worked out once for the sizes of the runs that it uses."""
        used = sorted({name for _, way in self.opened(asked.opens) for name in way})
        key = asked, tuple(sizes[name] for name in used)
        if key not in self._needs:
            all_ = tuple(sizes[run.name] for run in self.plan.runs)
            if all_ not in self._hung:
                laid = self.plan.laid(sizes)
                self._hung[all_] = laid, ducting(self.plan, laid)
            laid, of = self._hung[all_]
            self._needs[key] = need(self.plan, laid, asked, of)
        return self._needs[key]

    def drops(self, gates: Collection[str]) -> list[str]:
        """The runs whose openings are open with these gates."""
        return [run for run, hood in self.laid.hoods.items() if hood in self.live(gates)]

    def live(self, gates: Collection[str]) -> frozenset[str]:
        """The hoods that are open with these gates."""
        return self.laid.network.behind(gates) | self.laid.network.always_open

    def opened(self, gates: Collection[str], *, always: bool = True) -> list[tuple[float, tuple[str, ...]]]:
        """What draws air with these gates open, and the way of that air; `always`: what no gate shuts does too."""
        live = self.live(gates) if always else self.laid.network.behind(gates)
        return [self.draws[run] for run, hood in self.laid.hoods.items() if hood in live]

    def drawn(self, gates: Collection[str], *, always: bool = True) -> dict[str, float]:
        """The flow in every run when every open hood gets what it wants."""
        flows: dict[str, float] = {}
        for flow, way in self.opened(gates, always=always):
            for name in way:
                flows[name] = flows.get(name, 0.0) + flow
        return flows

    def wanted(self, asked: Asked) -> SetWanted:
        """What one set wants when every hood draws just its flow."""
        dusty = {self.laid.hoods[run] for run in asked.dusty} | self.laid.network.always_open
        speeds = self.ducting.wanted_for(dusty)
        flows = self.drawn(asked.gates)
        through = Counter(name for _, way in self.opened(asked.gates) for name in way)
        shared = frozenset(name for name, openings in through.items() if openings > 1)
        return SetWanted(flows, {name: v for name, v in speeds.items() if name in self.names}, shared)

    def lacks(self, asked: Asked, sizes: Mapping[str, float]) -> dict[str, float]:
        """By trunk that is too slow: the flow that it lacks, m3/s, when every drop carries its own dust."""
        speeds, flows = self.wants[asked].velocities, dict[str, float]()
        live = self.live(asked.gates)
        for run, hood in self.laid.hoods.items():
            if hood in live:
                flow, way = self.draws[run]
                flow = max(flow, speeds.get(run, 0.0) * area(sizes[run]))
                for name in way:
                    flows[name] = flows.get(name, 0.0) + flow
        lacks = {n: speed * area(sizes[n]) - flows[n] for n, speed in speeds.items() if n not in self.draws}
        return {name: lack for name, lack in lacks.items() if lack > ROUNDING * flows[name]}

    def slow(self, asked: Asked, sizes: Mapping[str, float]) -> list[Slow]:
        """The runs too slow for their dust."""
        want = self.wants[asked]
        found = [Slow(asked, n, want.flows[n] / area(sizes[n]), speed) for n, speed in want.velocities.items()]
        return [one for one in found if one.share < 1 - ROUNDING]
