"""Thousands of sets of open gates at once: `solve`'s method and physics on whole arrays, with numpy (extra `air`).

How it works. The tree is the same for every set, so each step of Newton's method is done for all sets together, row by
row of the tree; a duct without air in a set conducts nothing there. Guess, rounds and the check before an answer leaves
are those of `solve`, number for number; a set is taken out once it passes. What does not converge here is given to the
plain solver, which also stays as the check of this one.

Sets go through in parts of bounded size, so that what is in memory beyond the answers does not grow with their number.
Numpy is imported only where a `Batch` is made and used: the package needs none. Rows are ducts and columns sets inside
(a row lies in one piece); answers are shown as (sets x ducts). SI units.
"""

from collections.abc import Collection, Iterator, Sequence
from typing import Final

from gatehand_air.batch_answer import CODES, SOLVED, BatchAnswer, empty, write
from gatehand_air.batch_laws import LAWS, FanArrays, Floats, LawArrays, Places, Truths
from gatehand_air.solve import BALANCE, EDGE, LEAST_STEP, MASS, ROUNDS, STEP, TREE_STEP, Solver, Why

CELLS: Final = 14_000
"""Ducts times sets in one part: its arrays stay in the processor's cache, and just below the 128 KiB from which a
C library's allocator asks the system for each array anew (measured: three times as slow)."""
TINY: Final = 1e-300


class Batch:
    """Ready to solve one solver's tree for many sets of gates.

    Raises:
        ImportError: numpy is not installed.
        ValueError: a friction law that is known to the plain solver only.
    """

    def __init__(self, solver: Solver, cells: int = CELLS) -> None:
        import numpy as np

        self.solver = solver
        network = solver.network
        size = len(network.ducts)
        self.names: Final = tuple(duct.name for duct in network.ducts)
        self.gates: Final = network.gates
        """In the order of the columns of `opened`."""
        self._gate_at = {gate: at for at, gate in enumerate(self.gates)}
        if solver.law not in LAWS:
            raise ValueError("this law of friction is not one of `friction.LAWS`")
        self.law: Final = LAWS[solver.law]
        self.fan = FanArrays(solver.fan, solver.filter)
        fields = zip(*((r.friction, r.fixed, r.rough, r.smooth, r.reynolds, r.turbulent_from) for r in solver.laws))  # noqa: B905
        self.laws = LawArrays(*(np.array(field)[:, None] for field in fields))
        self._guesses = np.array(solver.guesses)[:, None]
        self.parents: Final = np.array(solver.parents)
        self.ends: Final = np.flatnonzero(solver.ends)
        self.joints: Final = tuple(i for i in range(size) if not solver.ends[i])
        self.kids: Final = tuple(tuple(j for j in range(size) if solver.parents[j] == i) for i in range(size + 1))
        self._shuts = [(i, network.gate_of[self.names[i]]) for i in self.ends.tolist()]
        leaks = ((i, d.gate, d.leak) for i, d in enumerate(network.ducts) if d.leak is not None)
        self._leaks = [
            (i, self._gate_at[gate], leak) for i, gate, leak in leaks if gate is not None and leak is not None
        ]
        self._most = max(1, cells // size)

    def opened(self, sets: Sequence[Collection[str]]) -> Truths:
        """(sets x gates) whether each gate is open; names that are no gates of the tree do nothing."""
        import numpy as np

        found = np.zeros((len(sets), len(self.gates)), bool)
        at = self._gate_at
        width = len(self.gates)
        places = [i * width + at[gate] for i, gates in enumerate(sets) for gate in gates if gate in at]
        found.reshape(-1)[places] = True
        return found

    def solve(self, sets: Sequence[Collection[str]]) -> BatchAnswer:
        """Every set's answer."""
        return self.solve_opened(self.opened(sets))

    def parts(self, sets: Sequence[Collection[str]]) -> Iterator[tuple[slice, BatchAnswer]]:
        """The same part by part, in order, for whoever keeps less than all flows: which sets, and their answers."""
        for begin in range(0, len(sets), self._most):
            these = slice(begin, min(begin + self._most, len(sets)))
            yield these, self.solve(sets[these])

    def solve_opened(self, opened: Truths) -> BatchAnswer:
        """The same by a matrix as `opened` makes it."""
        import numpy as np

        count, fan = len(opened), self.solver.fan
        answer = empty(self.names, count, (fan.first, fan.last))
        with np.errstate(all="ignore"):  # what overflows is not accepted by the check
            for begin in range(0, count, self._most):
                self._part(opened, np.arange(begin, min(begin + self._most, count)), answer)
        return answer

    def _part(self, opened: Truths, columns: Places, answer: BatchAnswer) -> None:
        """Solve some sets into `answer`."""
        import numpy as np

        live, laws = self.select(opened[columns].T)
        answer.live[columns] = live.T
        blown = live[-1]
        answer.code[columns[~blown]] = CODES.index(Why.ALL_SHUT)
        if blown.any():
            part = _Part(self, laws, live, columns).only(np.flatnonzero(blown))
            self._newton(part, answer, None)
            flow = answer.flows[part.columns, -1]
            fan = self.solver.fan
            solved = answer.code[part.columns] == SOLVED
            beyond, before = flow > fan.last * (1 + EDGE), flow < fan.first * (1 - EDGE)
            for why, where, limit in ((Why.BEYOND_CURVE, beyond, fan.last), (Why.BEFORE_CURVE, before, fan.first)):
                if (ended := np.flatnonzero(where & solved)).size:
                    self._bound(part.only(ended), answer, why, limit)
        failed = CODES.index(Why.NOT_CONVERGED)
        for at in columns[answer.code[columns] == failed].tolist():
            gates = [gate for gate, is_open in zip(self.gates, opened[at].tolist(), strict=True) if is_open]
            write(answer, at, self.solver.solve(gates))

    def _bound(self, part: "_Part", answer: BatchAnswer, why: Why, limit: float) -> None:
        """The ducts with the fan at the curve's end."""
        rounds = answer.rounds[part.columns]
        answer.code[part.columns] = CODES.index(Why.NOT_CONVERGED)
        self._newton(part, answer, limit)
        done = answer.code[part.columns] == SOLVED
        answer.code[part.columns[done]] = CODES.index(why)
        answer.rounds[part.columns[done]] = rounds[done]

    def select(self, opened: Truths) -> tuple[Truths, LawArrays]:
        """From (gates x sets): which ducts have air (ducts x sets), and the laws that hold."""
        import numpy as np

        live = np.zeros((len(self.names), opened.shape[1]), bool)
        for i, gate in self._shuts:
            live[i] = True if gate is None or gate in self.solver.leaky else opened[self._gate_at[gate]]
        for i in self.joints:
            for kid in self.kids[i]:
                live[i] |= live[kid]
        if not self._leaks:
            return live, self.laws
        fixed = np.broadcast_to(self.laws.fixed, live.shape).copy()
        for i, gate_at, leak in self._leaks:
            fixed[i] += leak * ~opened[gate_at]
        old = self.laws
        return live, LawArrays(old.friction, fixed, old.rough, old.smooth, old.reynolds, old.turbulent_from)

    def guess(self, laws: LawArrays, live: Truths) -> Floats:
        """Flows (ducts x sets) with a fixed friction factor in each duct, as in `solve`; 1 where there is no air."""
        import numpy as np

        total = np.broadcast_to(self._guesses * laws.friction + laws.fixed, live.shape)
        own = np.zeros(live.shape)
        own[self.ends] = live[self.ends] / np.sqrt(total[self.ends])
        into = {}
        for i in self.joints:
            into[i] = _sum(own, self.kids[i])
            own[i] = into[i] / np.sqrt(total[i] * into[i] ** 2 + 1)
        flows = own
        flows[-1] = self._crossing(own[-1] ** -2)
        for i in reversed(self.joints):
            share = flows[i] / np.maximum(into[i], TINY)
            for kid in self.kids[i]:
                flows[kid] *= share
        flows[~live] = 1.0
        return flows

    def _crossing(self, tree: Floats) -> Floats:
        """About where the fan meets tree * flow^2."""
        import numpy as np

        fan = self.solver.fan
        bent = tree + max(self.solver.bend, 0.0)
        flow = np.minimum(np.sqrt(max(fan.points[0][1], 0.0) / bent), fan.last)
        flow[flow == 0] = fan.last
        for _ in range(2):
            given, slope = self.fan.net(flow)
            flow = np.maximum(flow - (given - tree * flow * flow) / (slope - 2 * tree * flow), 0.1 * flow)
        return flow

    def _newton(self, part: "_Part", answer: BatchAnswer, drawn: float | None) -> None:
        """Newton's rounds for all sets of a part; each that passes the check is written into `answer`.

        `drawn`: the flow at the fan, where it is given; else what its curve says.
        """
        import numpy as np

        flows = self.guess(part.laws, part.live)
        if drawn is not None:
            flows *= np.where(part.live, drawn / flows[-1], 1.0)
        lost, slope = self.law(part.laws, flows)
        done = np.zeros(len(part.columns), bool)
        for rounds in range(1, ROUNDS + 1):
            starts, step = self._round(part, flows, lost, slope, drawn)
            lost, slope = self.law(part.laws, flows)
            near = step < (STEP if drawn is None else TREE_STEP)
            near &= ~done
            if not near.any():
                continue
            good = near & self._accept(part, flows, starts, lost, near=near, rounds=rounds, answer=answer, drawn=drawn)
            done |= good
            left = np.flatnonzero(~done)
            if not left.size:
                return
            if left.size < done.size / 2:
                part, flows, lost, slope = part.only(left), flows[:, left], lost[:, left], slope[:, left]
                done = np.zeros(left.size, bool)

    def _round(
        self, part: "_Part", flows: Floats, lost: Floats, slope: Floats, drawn: float | None
    ) -> tuple[Floats, Floats]:
        """One round, as in `solve`: new flows in place.

        Returns the suction at each duct's hood end (ducts + 1 x sets; the last is the root's, Pa), and the greatest
        relative step (sets).
        """
        import numpy as np

        size = len(flows)
        bent = slope * flows
        bent -= lost
        b = np.empty_like(flows)
        b[self.ends] = part.open_ends / slope[self.ends]
        a = np.empty_like(flows)
        a[self.ends] = b[self.ends] * bent[self.ends]
        sums = {}
        for i in self.joints:
            sum_a, sum_b = _sum(a, self.kids[i]), _sum(b, self.kids[i])
            per = 1 / (1 + sum_b * slope[i])
            b[i] = sum_b * per
            a[i] = (sum_a + sum_b * bent[i]) * per
            sums[i] = sum_a, np.maximum(sum_b, TINY)
        starts = np.zeros((size + 1, flows.shape[1]))
        if drawn is None:
            given, fall = self.fan.net(flows[-1])
            starts[size] = (given + fall * (a[-1] - flows[-1])) / (1 - fall * b[-1])
        else:
            starts[size] = (drawn - a[-1]) / b[-1]
        for i in reversed(self.joints):
            sum_a, sum_b = sums[i]
            starts[i] = (a[i] + b[i] * starts[self.parents[i]] - sum_a) / sum_b
        b *= starts[self.parents]
        b += a
        np.maximum(b, flows * LEAST_STEP, out=b)
        b[part.still] = 1.0
        flows -= b
        np.abs(flows, out=flows)
        flows /= b
        step = flows.max(0)
        flows[:] = b
        return starts, step

    def _accept(
        self,
        part: "_Part",
        flows: Floats,
        starts: Floats,
        lost: Floats,
        *,
        near: Truths,
        rounds: int,
        answer: BatchAnswer,
        drawn: float | None,
    ) -> Truths:
        """(sets) which pass the check of `solve`; what is `near` and passes is written into `answer`."""
        import numpy as np

        suctions = starts[self.parents]
        off = suctions - starts[:-1]
        off -= lost
        np.abs(off, out=off)
        off[part.still] = 0.0
        worst = off.max(0)
        given, filter_loss = self.fan.given(flows[-1])[0], self.fan.lost(flows[-1])[0]
        if drawn is None:
            worst = np.maximum(worst, np.abs(given - filter_loss - starts[-1]))
        good: Truths = near & (worst <= BALANCE * starts[-1])
        air = flows * part.live
        for i in self.joints:
            good &= np.abs(_sum(air, self.kids[i]) - air[i]) <= MASS * air[i]
        at = part.columns[good]
        answer.code[at] = SOLVED
        answer.flows.T[:, at] = air[:, good]
        answer.suctions.T[:, at] = (suctions * part.live)[:, good]
        answer.pressure[at] = given[good]
        answer.filter_loss[at] = filter_loss[good]
        answer.residual[at] = (worst / starts[-1])[good]
        answer.rounds[at] = rounds
        return good


class _Part:
    """Some sets on their way: `columns` are their places in the answer; arrays are (ducts x sets)."""

    def __init__(self, batch: Batch, laws: LawArrays, live: Truths, columns: Places) -> None:
        import numpy as np

        self._batch = batch
        self.laws = laws
        self.live = live
        self.columns = columns
        self.open_ends = live[batch.ends].astype(np.float64)
        self.still = np.nonzero(~live)

    def only(self, kept: Places) -> "_Part":
        """Some of them."""
        if len(kept) == len(self.columns):
            return self
        return _Part(self._batch, self.laws.sets(kept), self.live[:, kept], self.columns[kept])


def _sum(rows: Floats, places: tuple[int, ...]) -> Floats:
    """Of some rows; one after the other, which for a handful is faster than gathering them."""
    first, *others = places
    total: Floats = rows[first].copy()
    for place in others:
        total += rows[place]
    return total
