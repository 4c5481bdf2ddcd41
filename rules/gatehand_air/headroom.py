"""How much room there is before something falls short: what the filter may lose, what a machine may lose inside.

Both are asked backwards. The ducts alone, with a flow drawn from them, do not know fan or filter, so the flow at which
the last want is just met is found from them, and the filter may take what the fan gives there less what they take. A
machine's loss is found by making its duct dearer until its hood draws just what it wants. SI units, no sentences.
"""

from collections.abc import Callable, Collection
from typing import Final

from msgspec import Struct
from msgspec.structs import replace

from gatehand_air.ducting import Ducting, Lack
from gatehand_air.solve import Solution, Solver, Why
from gatehand_air.spread import spread
from gatehand_air.tree import Network

ROUNDS: Final = 60
ENDLESS: Final = 1e6
"""A machine that much dearer than the whole fan could feed, and still nothing falls short: it is not what matters."""
MET: Final = 1e-6
"""A want is met so nearly where a machine's room ends."""
NEAR: Final = 1e-9
"""Of the flow: so near is near enough."""


class FilterRoom(Struct, frozen=True):
    """What the filter may lose before something falls short.

    Fields:
        loss: Pa at `flow`; below 0: it falls short with no filter at all.
        spread: half-width of `loss`, Pa.
        flow: through the fan when the last want is just met, m3/s.
        lack, where: what falls short first.
    """

    loss: float
    spread: float
    flow: float
    lack: Lack
    where: str

    def carried(self, loss: float, flow: float, exponent: float) -> float:
        """A loss at `self.flow`, Pa, carried to another flow by the filter's law."""
        return loss * float((flow / self.flow) ** exponent)


def filter_room(ducting: Ducting, gates: Collection[str], dusty: Collection[str]) -> FilterRoom | None:
    """With these gates open. None where nothing is wanted or no air can enter.

    Where the fan's curve ends before the flow that would be needed, or begins after it, nothing is known: None too.
    """
    solver = ducting.clean
    needed = [(flow, lack, where) for lack, where, flow in _needs(ducting, gates, dusty)]
    if not needed:
        return None
    flow, lack, where = max(needed)
    if not solver.fan.first <= flow <= solver.fan.last:
        return None
    drawn = solver.drawing(gates, flow)
    if drawn is None:
        return None
    loss = drawn.pressure - drawn.suctions[ducting.network.root.name]
    off = spread(solver, gates, replace(drawn, filter_loss=0.0), ducting.ignorance).flows[where]
    rise = solver.linear(gates, drawn).response(1.0, {})[0][drawn.ducts.index(where)]
    return FilterRoom(loss, off / rise, flow, lack, where)


def _needs(ducting: Ducting, gates: Collection[str], dusty: Collection[str]) -> list[tuple[Lack, str, float]]:
    """The flow through the fan at which each want is just met, m3/s."""
    found = []
    for lack, where, wanted in ducting.wants(dusty):
        target = wanted if lack is Lack.HOOD_FLOW else wanted * ducting.areas[where]
        if (flow := _drawing(ducting.clean, gates, where, target)) is not None:
            found.append((lack, where, flow))
    return found


def _drawing(solver: Solver, gates: Collection[str], where: str, target: float) -> float | None:
    """The flow to draw so that a duct carries `target`; a duct's share of the whole changes but slowly with it."""
    flow = target
    for _ in range(ROUNDS):
        answer = solver.drawing(gates, flow)
        carried = 0.0 if answer is None else answer.flows.get(where, 0.0)
        if carried <= 0:
            return None
        if abs(carried / target - 1) < NEAR:
            break
        flow *= target / carried
    return flow


SMALLEST_SLOPE: Final = 1e-9
"""Part of its flow by which a want changes with 1 Pa in a machine, below which nothing is told; a hose has 1e-4."""


class MachineRoom(Struct, frozen=True):
    """What the machine behind a hood may lose before something falls short.

    Fields:
        loss: Pa at `flow`; below 0: by about so much it falls short with no loss at all, made straight.
        spread: half-width of `loss`, Pa.
        flow: what the hood then draws, m3/s.
    """

    loss: float
    spread: float
    flow: float


def machine_room(ducting: Ducting, gates: Collection[str], dusty: Collection[str], hood: str) -> MachineRoom | None:
    """With these gates open, the dirty filter and dust at these hoods.

    None where nothing is wanted, the hood has no air, the fan's curve does not tell, or what the machine loses is as
    nothing beside a duct that lets hardly any air through.
    """
    wants = [
        (where, wanted * (1.0 if lack is Lack.HOOD_FLOW else ducting.areas[where]))
        for lack, where, wanted in ducting.wants(dusty)
    ]
    if not wants:
        return None

    def with_it(machine: float) -> Solver:
        return replace(ducting.dirty, network=_with_machine(ducting.network, hood, machine))

    def drawn(machine: float) -> Solution | None:
        answer = with_it(machine).solve(gates)
        if isinstance(answer, Solution):
            return answer
        return answer.bound if answer.why is Why.BEYOND_CURVE else None

    def over(answer: Solution | None) -> float:
        flows = {} if answer is None else answer.flows
        return min(flows.get(where, 0.0) / wanted for where, wanted in wants) - 1

    free = drawn(0.0)
    if free is None or not free.flows.get(hood):
        return None
    machine = 0.0
    if over(free) >= 0:
        dearest = ducting.fan.points[0][1] / free.flows[hood] ** 2
        while over(drawn(dearest)) >= 0:
            dearest *= 4
            if dearest > ENDLESS * ducting.fan.points[0][1] / free.flows[hood] ** 2:
                return None
        machine = _root(lambda each: -over(drawn(each)), 0.0, dearest)
    found = with_it(machine).solve(gates)
    if not isinstance(found, Solution) or (machine > 0 and over(found) > MET):
        return None  # the curve ends before the want is met, or begins after it: it does not tell
    where, wanted = min(wants, key=lambda want: found.flows.get(want[0], 0.0) / want[1])
    off = spread(with_it(machine), gates, found, replace(ducting.ignorance, machine=0.0)).flows[where]
    fall = with_it(machine).linear(gates, found).response(0.0, {found.ducts.index(hood): 1.0})[0]
    slope = -fall[found.ducts.index(where)]
    if not slope > found.flows[where] * SMALLEST_SLOPE:
        return None
    flow = found.flows[hood]
    return MachineRoom(machine * flow**2 + min(0.0, found.flows[where] - wanted) / slope, off / slope, flow)


def _with_machine(network: Network, hood: str, machine: float) -> Network:
    return Network(tuple(replace(duct, machine=machine) if duct.name == hood else duct for duct in network.ducts))


def _root(rising: Callable[[float], float], low: float, high: float) -> float:
    """Where a rising function crosses 0, between two values of which it is below 0 at the first and above at the other.

    The false position with the Illinois rule (Dowell and Jarratt, 1971 [memory]): a straight line between both, and of
    an end that stays twice half the value.
    """
    below, above = rising(low), rising(high)
    kept = 0
    for _ in range(ROUNDS):
        wide = high - low
        if wide <= NEAR * (low + high) / 2 or below == 0 or above == 0:
            break
        at = low - below * wide / (above - below)
        at = min(max(at, low + NEAR * high / 4), high - NEAR * high / 4)
        found = rising(at)
        if found < 0:
            low, below, above, kept = at, found, above / 2 if kept < 0 else above, -1
        else:
            high, above, below, kept = at, found, below / 2 if kept > 0 else below, 1
    return low if below == 0 else high if above == 0 else (low + high) / 2
