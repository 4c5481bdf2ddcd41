"""What a fan has to give so that every hood of one set gets its flow and every duct carries its dust, with the spread.

Hoods at one joint share its suction, so the branch that loses most sets it and the others draw more than they want, as
they will (the corrected flows of ACGIH's balance by design). What is sought is the least suction at which what is
hardest to serve is served: a hood, or a duct that is wide for what it carries. SI units, no sentences.
"""

import math
from collections.abc import Mapping
from typing import Final

from msgspec import Struct
from msgspec.structs import replace

from gatehand_air.ducting import Ducting
from gatehand_air.fan_curve import Curve, Filter
from gatehand_air.friction import Law, area, swamee_jain_loss, velocity_pressure
from gatehand_air.layout import Laid, Run, in_order
from gatehand_air.properties import Air
from gatehand_air.solve import Solution, Solver
from gatehand_air.spread import PLAIN, Ignorance, spread
from gatehand_air.tree import Network

ENDLESS: Final = 1e6
"""m3/s: where the curve of a fan that gives the same pressure at any flow ends."""
ROUNDS: Final = 60
EXACT: Final = 1e-10
START: Final = 1000.0
"""Pa."""
LEAST_POWER: Final = 0.3
"""Of the suction, with which flows grow: a half where losses go with the square, up to 1 where the air is laminar."""


class NoSuctionError(ValueError):
    """What a set needs cannot be worked out; the text says of which."""


class Asked(Struct, frozen=True):
    """One set of open gates that can be asked for.

    Fields:
        who: each that asks: a tool, or several at one hood as one ("jointer or drum_sander").
        gates: open, their own.
        dusty: the runs whose openings take in dust.
        assist: gates that open as well, to keep the trunk moving.
        by_hand: a start by hand, with which no gate can assist.
    """

    who: tuple[str, ...]
    gates: frozenset[str]
    dusty: frozenset[str]
    assist: frozenset[str] = frozenset()
    by_hand: bool = False

    @property
    def opens(self) -> frozenset[str]:
        """All gates that stand open."""
        return self.gates | self.assist


class Plan(Struct, frozen=True, kw_only=True):
    """What is to be sized.

    Fields:
        runs: one tree.
        asked: every set that can be asked for; each tool alone is among them.
        sold: diameters, m, rising.
        clean, dirty: the filter.
        inlet: the collector's diameter, m.
    """

    runs: tuple[Run, ...]
    asked: tuple[Asked, ...]
    sold: tuple[float, ...]
    air: Air
    branch_velocity: float
    main_velocity: float
    clean: Filter = Filter()
    dirty: Filter = Filter()
    inlet: float | None = None
    law: Law = swamee_jain_loss
    ignorance: Ignorance = PLAIN

    def laid(self, sizes: Mapping[str, float]) -> Laid:
        """The runs in these sizes."""
        return Laid(in_order(self.runs), sizes, self.inlet)


class Need(Struct, frozen=True):
    """What the fan has to give for one set: m3/s and Pa.

    Fields:
        asked: the set.
        flow: at the collector, each hood drawing at least what it wants, and what its ducts want.
        ducts: total pressure that the ducts lose, up to the collector's inlet.
        suction: static, at the collector's inlet: what a gauge there reads.
        clean, dirty: what the filter loses of it.
        half: half-width of `pressure`, upwards: 19 of 20 shops need no more.
        hardest: the piece of duct that sets it: its hood gets just its flow, or its air is just fast enough.
        flows, losses: by piece of duct.
        wanted: the velocity that its dust wants, m/s, by piece that carries any.
    """

    asked: Asked
    flow: float
    ducts: float
    suction: float
    clean: float
    dirty: float
    half: float
    hardest: str
    flows: Mapping[str, float]
    losses: Mapping[str, float]
    wanted: Mapping[str, float]

    @property
    def pressure(self) -> float:
        """Fan static pressure with the dirty filter: what a maker's curve shows."""
        return self.ducts + self.dirty

    @property
    def most(self) -> float:
        """The upper end of it: a fan has to give this to be safe."""
        return self.pressure + self.half


def ducting(plan: Plan, laid: Laid, fan: Curve | None = None) -> Ducting:
    """The same ducts as `airflow` looks at them; without a fan for what does not depend on one."""
    return Ducting(
        network=laid.network,
        fan=fan if fan is not None else _flat(1.0),
        clean_filter=plan.clean,
        dirty_filter=plan.dirty,
        air=plan.air,
        hood_flows={laid.hoods[run.name]: run.opening.flow for run in plan.runs if run.opening is not None},
        branch_velocity=plan.branch_velocity,
        main_velocity=plan.main_velocity,
        law=plan.law,
        ignorance=plan.ignorance,
    )


def _flat(pressure: float) -> Curve:
    """A fan that gives one pressure at any flow."""
    return Curve(((0.0, pressure), (ENDLESS, pressure)))


def need(plan: Plan, laid: Laid, asked: Asked, of: Ducting | None = None) -> Need:
    """What one set asks of the fan. `of`: these ducts, where the caller has them.

    Raises:
        NoSuctionError: no hood is open in it, or its ducts are of no sensible size.
    """
    of = of or ducting(plan, laid)
    network = of.network
    live = network.behind(asked.opens) | network.always_open
    wanted = of.wanted_for({laid.hoods[run] for run in asked.dusty} | network.always_open)
    least = {name: speed * of.areas[name] for name, speed in wanted.items()}
    least |= {hood: max(least.get(hood, 0.0), of.hood_flows[hood]) for hood in live}
    used = {name for hood in live for name in of.ways[hood]}
    open_ = Network(tuple(duct for duct in network.ducts if duct.name in used)) if used else network
    solver, answer, hardest = _least(plan, open_, asked, least)
    clean, dirty = plan.clean.at(answer.flow)[0], plan.dirty.at(answer.flow)[0]
    inlet = plan.inlet or network.root.diameter
    return Need(
        asked=asked,
        flow=answer.flow,
        ducts=answer.suctions[network.root.name],
        suction=answer.suctions[network.root.name] + velocity_pressure(answer.flow / area(inlet), plan.air),
        clean=clean,
        dirty=dirty,
        half=math.hypot(_half(solver, asked, answer, least, plan.ignorance), plan.ignorance.filter * dirty),
        hardest=hardest,
        flows=answer.flows,
        losses=_losses(laid, answer),
        wanted=wanted,
    )


def _least(plan: Plan, network: Network, asked: Asked, least: Mapping[str, float]) -> tuple[Solver, Solution, str]:
    """The tree at the least suction at which every duct draws at least so much, m3/s, and the one that asks for it.

    Every flow grows with the suction, about with its root; two tries tell the power better, so a few steps find it.
    """
    suction, power = START, 0.5
    last: tuple[float, float] | None = None
    for _ in range(ROUNDS):
        solver = Solver(network, _flat(suction), Filter(), plan.air, plan.law)
        answer = solver.solve(asked.opens)
        if not isinstance(answer, Solution):
            break
        flows = answer.flows
        share, hardest = min((flows[name] / wanted, name) for name, wanted in least.items())
        if abs(share - 1) < EXACT:
            return solver, answer, hardest
        if last is not None and last[0] != suction:
            power = min(max(math.log(share / last[1]) / math.log(suction / last[0]), LEAST_POWER), 1.0)
        last = suction, share
        suction *= share ** (-1 / power)
    gates = ", ".join(sorted(asked.opens)) or "no gate"
    raise NoSuctionError(
        f"with {gates} open no suction gives every hood its air: something there loses nothing, or far too much"
    )


def _half(solver: Solver, asked: Asked, answer: Solution, least: Mapping[str, float], known: Ignorance) -> float:
    """How much more suction it may take, Pa: for the duct that may need most.

    At a given suction each flow has its spread (linearised); the slope of that flow over suction turns it into what
    it takes to make up for it.
    """
    spreads = spread(solver, asked.opens, answer, replace(known, fan=0.0, filter=0.0)).flows
    slopes, _ = solver.linear(asked.opens, answer).response(1.0, {})
    upper = 0.0
    for name, flow, slope in zip(answer.ducts, answer.through, slopes, strict=True):
        if name in least:
            upper = max(upper, (least[name] - flow + spreads[name]) / slope)
    return upper


def _losses(laid: Laid, answer: Solution) -> dict[str, float]:
    """What each piece loses, Pa: its suction at the fan's side less that of what runs into it."""
    behind = answer.suctions
    before = {piece.into: behind[piece.name] for piece in laid.pieces if piece.into and piece.name in behind}
    return {name: suction - before.get(name, 0.0) for name, suction in behind.items()}
