"""The flows for a set of open gates: one tree, one fan, Newton's method, each answer checked before it leaves.

How it works. Every duct loses L(q). Hoods draw from still air; ducts that meet share one total pressure; at the root
the suction equals what the fan gives less what its filter takes. Linearised at a guess, the flow of every subtree is
a + b h of the suction h at its fan end, so one pass from the hoods to the root and one back solve the whole tree, with
no matrix. Two or three rounds suffice from a guess with fixed friction factors. Then every duct's loss is worked out
anew and held against the suctions; what does not balance to 1e-8 is an `Unsolved`, never a number.

Shut branches are left out, unless their gate leaks.
"""

from collections.abc import Collection, Sequence
from enum import StrEnum
from functools import cached_property
from math import sqrt
from typing import Final, TypeAlias

from msgspec import Struct
from msgspec.structs import replace

from gatehand_air.fan_curve import Curve, Filter
from gatehand_air.friction import Law, Resistance, area, resistance, swamee_jain_loss
from gatehand_air.linear import Linear
from gatehand_air.properties import Air
from gatehand_air.tree import Network


class Why(StrEnum):
    """Why there is no answer."""

    ALL_SHUT = "all_shut"
    """No way in for the air."""
    BEYOND_CURVE = "beyond_curve"
    """The fan would move more than its curve's last point tells of."""
    BEFORE_CURVE = "before_curve"
    """The fan would move less than its curve's first point tells of."""
    NOT_CONVERGED = "not_converged"


class Solution(Struct, frozen=True):
    """Flows in m3/s, pressures in Pa.

    Fields:
        flow: through the fan.
        pressure: the fan's static pressure at that flow, by its curve.
        filter_loss: what the filter takes of it.
        residual: greatest imbalance found by the check, as a part of the suction at the root.
        rounds: Newton's rounds.
        ducts, through, behind: names of the ducts with air in them, flow in each, total suction at its fan end.
    """

    flow: float
    pressure: float
    filter_loss: float
    residual: float
    rounds: int
    ducts: tuple[str, ...]
    through: tuple[float, ...]
    behind: tuple[float, ...]

    @property
    def flows(self) -> dict[str, float]:
        """Flow by duct."""
        return dict(zip(self.ducts, self.through, strict=True))

    @property
    def suctions(self) -> dict[str, float]:
        """Total suction below the room, by duct, at its fan end."""
        return dict(zip(self.ducts, self.behind, strict=True))


class Unsolved(Struct, frozen=True):
    """No flows for this set of gates.

    Fields:
        why: the reason.
        limit: the curve's end, m3/s, where that is the reason.
        bound: what is known all the same: the ducts with the fan at that end. Beyond the curve every hood draws at
            least so much, before its begin at most.
    """

    why: Why
    limit: float | None = None
    bound: Solution | None = None


SolveResult: TypeAlias = Solution | Unsolved


ROUNDS: Final = 20
"""Newton's, before the fan's flow is halved instead."""
HALVINGS: Final = 200
TREE_STEP: Final = 1e-10
STEP: Final = 1e-4
"""Newton doubles the digits: after a relative step of 1e-4 the balance is worth checking."""
BALANCE: Final = 1e-8
"""Of the fan's pressure: the greatest imbalance that passes."""
MASS: Final = 1e-12
"""Of a duct's flow: the most that may be lost at its joint."""
GUESS_VELOCITY: Final = 20.0
LEAST_STEP: Final = 0.05
"""A round never takes more than 95 % off a flow, so that none turns round on the way."""
EDGE: Final = 1e-9
"""Part of the curve's last flow by which rounding may overstep it."""
TRACE: Final = 1e-9
"""The least loss factor of a hood's duct, a tenth of the balance: even one that loses nothing keeps a suction."""


class Solver(Struct, frozen=True, dict=True):
    """Ready to solve one tree for any set of gates. `fan` gives static pressure at the air's own density."""

    network: Network
    fan: Curve
    filter: Filter
    air: Air
    law: Law = swamee_jain_loss

    @cached_property
    def laws(self) -> tuple[Resistance, ...]:
        """Of each duct with its hood and machine, its gate open, by place."""
        least = ((d, d.factor if d.entry is None else max(d.factor + d.entry, TRACE)) for d in self.network.ducts)
        plain = (resistance(d.diameter, d.length, d.roughness, factor, self.air) for d, factor in least)
        machines = (duct.machine or 0.0 for duct in self.network.ducts)
        return tuple(replace(law, fixed=law.fixed + lost) for law, lost in zip(plain, machines, strict=True))

    @cached_property
    def leaks(self) -> tuple[Resistance | None, ...]:
        """The laws that hold with the ducts' gates shut; None: no air."""
        pairs = zip(self.network.ducts, self.laws, strict=True)
        return tuple(None if d.leak is None else replace(law, fixed=law.fixed + d.leak) for d, law in pairs)

    @cached_property
    def guesses(self) -> tuple[float, ...]:
        """Friction factors to start from."""
        pairs = zip(self.network.ducts, self.laws, strict=True)
        return tuple(_turbulent(self.law, law, area(d.diameter) * GUESS_VELOCITY) for d, law in pairs)

    @cached_property
    def parents(self) -> tuple[int, ...]:
        """The place of the duct each one runs into; for the root one past the last."""
        ducts = self.network.ducts
        return tuple(len(ducts) if d.into is None else self.network.index(d.into) for d in ducts)

    @cached_property
    def ends(self) -> tuple[bool, ...]:
        """Whether a hood ends it, by place."""
        return tuple(duct.entry is not None for duct in self.network.ducts)

    @cached_property
    def _plan(self) -> tuple[tuple[int, str | None, bool, int, str | None], ...]:
        """Each duct's number, gate, whether a hood ends it, parent, and the gate on that hood's way."""
        ducts, gate_of = self.network.ducts, self.network.gate_of
        shuts = (gate_of.get(duct.name) for duct in ducts)
        return tuple(zip(range(len(ducts)), (d.gate for d in ducts), self.ends, self.parents, shuts, strict=True))

    @cached_property
    def leaky(self) -> frozenset[str]:
        """Gates that let air by when they are shut."""
        return frozenset(duct.gate for duct in self.network.ducts if duct.gate is not None and duct.leak is not None)

    @cached_property
    def _names(self) -> tuple[str, ...]:
        return tuple(duct.name for duct in self.network.ducts)

    @cached_property
    def bend(self) -> float:
        """About how the net pressure falls with the square of flow."""
        last = self.fan.last
        return (self.fan.points[0][1] - self.net(last)[0]) / last**2

    def solve(self, open_gates: Collection[str]) -> SolveResult:
        """Flows with these gates open and all others shut; names that are no gates of the tree do nothing."""
        laws, active = self._select(open_gates)
        if not active:
            return Unsolved(Why.ALL_SHUT)
        flows = self._first_guess(laws, active)
        for rounds in range(1, ROUNDS + 1):
            suctions, step = self._round(laws, active, flows)
            if step < STEP and (answer := self._checked(laws, active, flows, suctions, rounds)) is not None:
                return self._within(laws, active, answer)
        return self._bracketed(laws, active)

    def _within(self, laws: Sequence[Resistance], active: list[int], answer: Solution) -> SolveResult:
        """The answer where the curve tells of it, else the ducts at the curve's end."""
        if answer.flow > self.fan.last * (1 + EDGE):
            return self._ended(laws, active, Why.BEYOND_CURVE, answer.rounds)
        if answer.flow < self.fan.first * (1 - EDGE):
            return self._ended(laws, active, Why.BEFORE_CURVE, answer.rounds)
        return answer

    def _ended(self, laws: Sequence[Resistance], active: list[int], why: Why, rounds: int) -> Unsolved:
        """No answer, but the ducts at the end of the curve that it lies beyond."""
        limit = self.fan.last if why is Why.BEYOND_CURVE else self.fan.first
        flows = self._first_guess(laws, active)
        suctions = self._tree(laws, active, flows, limit)
        return Unsolved(why, limit, self._checked(laws, active, flows, suctions, rounds, drawn=True))

    def drawing(self, open_gates: Collection[str], flow: float) -> Solution | None:
        """The ducts alone with `flow`, m3/s, above 0 drawn from them, whatever the fan would do; None: no way in.

        `pressure` and `filter_loss` are the fan's and the filter's at that flow; they need not meet the suction.
        """
        laws, active = self._select(open_gates)
        if not active:
            return None
        flows = self._first_guess(laws, active)
        suctions = self._tree(laws, active, flows, flow)
        return self._checked(laws, active, flows, suctions, ROUNDS, drawn=True)

    def linear(self, open_gates: Collection[str], answer: Solution) -> Linear:
        """Around an answer of this solver for these gates."""
        laws, active = self._select(open_gates)
        place = {i: at for at, i in enumerate(active)} | {len(laws): len(active)}
        pairs = zip(active, answer.through, strict=True)
        return Linear(
            slopes=tuple(self.law(laws[i], flow)[1] for i, flow in pairs),
            parents=tuple(place[self.parents[i]] for i in active),
            ends=tuple(self.ends[i] for i in active),
            net=self.net(answer.flow)[1],
        )

    def rough_push(self, name: str, flow: float, factor: float) -> float:
        """What a duct loses more at this flow, Pa, when it is `factor` times as rough (the mean of either side)."""
        law = self.laws[self.network.index(name)]
        more, less = (self.law(replace(law, rough=law.rough * by), flow)[0] for by in (factor, 1 / factor))
        return (more - less) / 2

    def net(self, flow: float) -> tuple[float, float]:
        """What the fan gives less what the filter takes, Pa, and its slope."""
        given, slope = self.fan.at(flow)
        lost, lost_slope = self.filter.at(flow)
        return given - lost, slope - lost_slope

    def _bracketed(self, laws: Sequence[Resistance], active: list[int]) -> SolveResult:
        """The same by halving the fan's flow: slower by far, for curves so bent that Newton's method runs in circles.

        For each flow the tree alone is solved; the more flow, the more suction it asks for and the less the fan gives.
        """
        flows = self._first_guess(laws, active)
        low, high = self.fan.first, self.fan.last * (1 + EDGE)
        if self._tree(laws, active, flows, high)[-1] < self.net(high)[0]:
            return self._ended(laws, active, Why.BEYOND_CURVE, ROUNDS)
        if low > 0 and self._tree(laws, active, flows, low)[-1] > self.net(low)[0]:
            return self._ended(laws, active, Why.BEFORE_CURVE, ROUNDS)
        for rounds in range(1, HALVINGS):
            middle = (low + high) / 2
            suctions = self._tree(laws, active, flows, middle)
            if high - low <= 1e-12 * high:  # noqa: SIM102 - the check is dear, the comparison is not
                if (answer := self._checked(laws, active, flows, suctions, ROUNDS + rounds)) is not None:
                    return answer
            if not low < middle < high:
                return self._upright(laws, active, flows, suctions, ROUNDS + rounds)
            if suctions[-1] < self.net(middle)[0]:
                low = middle
            else:
                high = middle
        return Unsolved(Why.NOT_CONVERGED)

    def _upright(
        self, laws: Sequence[Resistance], active: list[int], flows: list[float], suctions: list[float], rounds: int
    ) -> SolveResult:
        """The answer on a piece of the curve so steep that a flow's last digit is more than the check lets pass.

        The flow is known to that digit, and of the pressures that the curve has there the ducts take theirs.
        """
        answer = self._checked(laws, active, flows, suctions, rounds, drawn=True)
        if answer is None:
            return Unsolved(Why.NOT_CONVERGED)
        return replace(answer, pressure=suctions[-1] + answer.filter_loss)

    def _tree(self, laws: Sequence[Resistance], active: list[int], flows: list[float], flow: float) -> list[float]:
        """Suctions of the tree alone with `flow` drawn from it, the last the root's. `flows` are changed in place."""
        part = flow / flows[-1]
        flows[:] = [each * part for each in flows]
        for _ in range(ROUNDS):
            suctions, step = self._round(laws, active, flows, flow)
            if step < TREE_STEP:
                break
        return suctions

    def _select(self, open_gates: Collection[str]) -> tuple[Sequence[Resistance], list[int]]:
        """The loss laws that hold, and the ducts with air in them, each before the one it runs into."""
        laws: Sequence[Resistance] = self.laws
        active = []
        fed = [False] * (len(laws) + 1)
        for i, gate, end, parent, closed in self._plan:
            if end:
                if closed is not None and closed not in open_gates and closed not in self.leaky:
                    continue
            elif not fed[i]:
                continue
            if gate is not None and gate not in open_gates and (leak := self.leaks[i]) is not None:
                laws = [*laws[:i], leak, *laws[i + 1 :]]
            fed[parent] = True
            active.append(i)
        return laws, active

    def _first_guess(self, laws: Sequence[Resistance], active: list[int]) -> list[float]:
        """Flows with a fixed friction factor in each duct: in series resistances add, in parallel their 1/sqrt do."""
        parents, ends, guesses = self.parents, self.ends, self.guesses
        into = [0.0] * (len(laws) + 1)
        own = [0.0] * len(laws)
        for i in active:
            total = guesses[i] * laws[i].friction + laws[i].fixed
            if not ends[i]:
                total += into[i] ** -2
            own[i] = total**-0.5
            into[parents[i]] += own[i]
        flows = [0.0] * len(laws)
        flow = self._crossing(own[-1] ** -2)
        for i in reversed(active):
            parent = parents[i]
            flows[i] = flow if parent == len(laws) else flows[parent] * own[i] / into[parent]
        return flows

    def _crossing(self, tree: float) -> float:
        """About where the fan meets tree * flow^2; a guess, so two steps are enough."""
        bent = tree + max(self.bend, 0.0)
        flow = min(sqrt(max(self.fan.points[0][1], 0.0) / bent), self.fan.last) or self.fan.last
        for _ in range(2):
            given, slope = self.net(flow)
            flow = max(flow - (given - tree * flow * flow) / (slope - 2 * tree * flow), 0.1 * flow)
        return flow

    def _round(
        self, laws: Sequence[Resistance], active: list[int], flows: list[float], drawn: float | None = None
    ) -> tuple[list[float], float]:
        """One round of Newton: new flows in place, the suction at each duct's hood end, the greatest relative step.

        The fan draws what its curve says, or `drawn`.
        """
        parents, ends, loss = self.parents, self.ends, self.law
        size = len(laws)
        sum_a, sum_b = [0.0] * (size + 1), [0.0] * (size + 1)
        linear = []
        for i in active:
            flow = flows[i]
            lost, slope = loss(laws[i], flow)
            if ends[i]:
                b = 1 / slope
                a = flow - lost * b
            else:
                before = sum_b[i]
                b = before / (1 + before * slope)
                a = b * (sum_a[i] / before + slope * flow - lost)
            parent = parents[i]
            sum_a[parent] += a
            sum_b[parent] += b
            linear.append((i, parent, a, b))
        starts = [0.0] * (size + 1)
        if drawn is None:
            flow = flows[-1]
            given, slope = self.net(flow)
            starts[size] = (given + slope * (sum_a[size] - flow)) / (1 - slope * sum_b[size])
        else:
            starts[size] = (drawn - sum_a[size]) / sum_b[size]
        worst = 0.0
        for i, parent, a, b in reversed(linear):
            old = flows[i]
            new = a + b * starts[parent]
            if not ends[i]:
                starts[i] = (new - sum_a[i]) / sum_b[i]
            flows[i] = new = max(new, old * LEAST_STEP)
            worst = max(worst, abs(new - old) / new)
        return starts, worst

    def _checked(
        self,
        laws: Sequence[Resistance],
        active: list[int],
        flows: list[float],
        starts: list[float],
        rounds: int,
        *,
        drawn: bool = False,
    ) -> Solution | None:
        """The answer, once every duct's loss, worked out anew, balances and no air is lost at a joint; else None.

        `drawn`: the flow was given, so the fan's pressure need not meet the suction.
        """
        parents, ends, size, loss = self.parents, self.ends, len(laws), self.law
        flow = flows[-1]
        given = self.fan.at(flow)[0]
        lost_in_filter = self.filter.at(flow)[0]
        worst = 0.0 if drawn else abs(given - lost_in_filter - starts[size])
        joined = [0.0] * (size + 1)
        through, behind = [], []
        for i in active:
            parent, here = parents[i], flows[i]
            suction = starts[parent]
            off = abs(suction - starts[i] - loss(laws[i], here)[0])
            worst = max(worst, off)
            joined[parent] += here
            if not ends[i] and abs(joined[i] - here) > MASS * here:
                return None
            through.append(here)
            behind.append(suction)
        if not worst <= BALANCE * starts[size]:
            return None
        names = self._names
        return Solution(
            flow,
            given,
            lost_in_filter,
            worst / starts[size],
            rounds,
            tuple([names[i] for i in active]),
            tuple(through),
            tuple(behind),
        )


def _turbulent(law: Law, duct: Resistance, flow: float) -> float:
    """The friction factor at a nominal flow, to start from."""
    lost = law(duct, flow)[0] / flow**2 - duct.fixed
    return lost / duct.friction if duct.friction > 0 else 0.0
