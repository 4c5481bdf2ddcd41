"""Spreads and verdicts of thousands of sets at once: `spread` and `Ducting.shorts` on the arrays of a `BatchAnswer`.

Every independent input's push goes through all sets in one pass over the tree. SI units; numpy imported where used.
"""

from collections.abc import Collection, Iterator, Sequence
from typing import TYPE_CHECKING, Final

from msgspec import Struct

from gatehand_air.batch import TINY, Batch
from gatehand_air.batch_answer import CODES, SOLVED, BatchAnswer
from gatehand_air.batch_laws import Floats, Truths
from gatehand_air.ducting import LEAST_FLOW, ROUNDING, WORSE, Ducting, Lack, Short, Verdict
from gatehand_air.fittings import SETTLES
from gatehand_air.friction import area
from gatehand_air.solve import Solver, Why
from gatehand_air.spread import PLAIN, Ignorance, own_push

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

CELLS: Final = 14_000
"""Pushes times sets in one part; see `batch.CELLS`."""


class BatchSpread(Struct, frozen=True):
    """Half-widths of many answers, or of bounds where there is no answer; 0 where nothing is known.

    Fields:
        flows: (sets x ducts) m3/s.
        suction: (sets) of the static suction at the collector's inlet, Pa.
    """

    flows: Floats
    suction: Floats


class JudgedPart(Struct, frozen=True):
    """Some sets in a row, judged.

    Fields:
        sets: which of those asked.
        answer, spread: their flows and half-widths.
        worst: (sets) the worst verdict of each, as a place in `WORSE`.
        slack: (sets) the least found as a part of what is wanted; 1 where nothing is, 0 where there is no answer.
        fails: each single thing that falls short beyond doubt.
    """

    sets: slice
    answer: BatchAnswer
    spread: BatchSpread
    worst: "npt.NDArray[np.int8]"
    slack: Floats
    fails: "_Fails"

    def shorts(self, dusty: Sequence[Collection[str]]) -> list[list[Short]]:
        """(sets) what falls short beyond doubt by the flows, or the bound's, as `Ducting.told` has it."""
        return self.fails.listed(dusty, len(self.answer))


def spreads(batch: Batch, opened: Truths, answer: BatchAnswer, known: Ignorance = PLAIN) -> BatchSpread:
    """Linearised half-widths of the answers that `batch` gave for a matrix of open gates (sets x gates)."""
    import numpy as np

    count, size = answer.flows.shape
    found = BatchSpread(np.zeros((size, count)).T, np.zeros(count))
    step = max(1, CELLS // (size + _SHARED))
    have = np.flatnonzero(answer.known)
    with np.errstate(all="ignore"):
        for begin in range(0, have.size, step):
            at = have[begin : begin + step]
            found.flows[at], found.suction[at] = _spread(batch, opened[at], _rows(answer, at), known)
    return found


_SHARED: Final = 3
"""Pushes that are not one duct's: the roughness, the fan, the filter."""
_ROUGH, _FAN, _FILTER = -3, -2, -1


class _Rows(Struct, frozen=True):
    """What of an answer spreads ask for: (ducts x sets), then (sets)."""

    live: Truths
    flows: Floats
    pressure: Floats
    filter_loss: Floats


def _rows(answer: BatchAnswer, at: "npt.NDArray[np.intp]") -> _Rows:
    import numpy as np

    live = np.ascontiguousarray(answer.live[at].T)
    flows = np.where(live, answer.flows[at].T, 1.0)
    return _Rows(live, flows, answer.pressure[at], answer.filter_loss[at])


def _spread(batch: Batch, opened: Truths, answer: _Rows, known: Ignorance) -> tuple[Floats, Floats]:
    """Half-widths of flows (sets x ducts) and of the suction (sets)."""
    import numpy as np

    solver, flows, size = batch.solver, answer.flows, len(answer.flows)
    laws = batch.select(opened.T)[1]
    slope = batch.law(laws, flows)[1]
    net = batch.fan.net(flows[-1])[1]
    own = np.array([own_push(solver, duct, known) for duct in solver.network.ducts])[:, None] * flows**2
    rough = _rough(batch, flows, known)
    a = np.zeros((size, size + _SHARED, flows.shape[1]))
    """What each push does to each duct, (ducts x pushes x sets): flow at no suction, as in `Linear.response`."""
    b = np.zeros(flows.shape)
    b[batch.ends] = answer.live[batch.ends] / slope[batch.ends]
    sums = {}
    for i in range(size):
        if kids := batch.kids[i]:
            sum_b, sum_a = b[list(kids)].sum(0), a[kids[0]].copy()
            for kid in kids[1:]:
                sum_a += a[kid]
            sums[i] = sum_a, 1 / np.maximum(sum_b, TINY)
            per = 1 / (1 + sum_b * slope[i])
            b[i] = sum_b * per
            np.multiply(sum_a, per, out=a[i])
        a[i, i] -= own[i] * b[i]
        a[i, _ROUGH] -= rough[i] * b[i]
    given = net * a[-1]
    given[_FAN] += known.fan * answer.pressure
    given[_FILTER] -= known.filter * answer.filter_loss
    starts = {size: given / (1 - net * b[-1])}
    squares = np.zeros(flows.shape)
    for i in reversed(range(size)):
        start = starts[int(batch.parents[i])]
        change = a[i]
        change += b[i] * start
        squares[i] = np.einsum("ps,ps->s", change, change)
        if i in sums:
            starts[i] = (change - sums[i][0]) * sums[i][1]
    per_flow = solver.air.density * flows[-1] / area(solver.network.root.diameter) ** 2
    suction = starts[size] + per_flow * a[-1]
    return np.sqrt(squares).T, np.sqrt(np.einsum("ps,ps->s", suction, suction))


def _rough(batch: Batch, flows: Floats, known: Ignorance) -> Floats:
    """What each duct loses more where it is rougher, Pa: `Solver.rough_push`."""
    from msgspec.structs import replace

    by = 1 + known.roughness
    more, less = (batch.law(replace(batch.laws, rough=batch.laws.rough * part), flows)[0] for part in (by, 1 / by))
    return (more - less) / 2


class Judge:
    """Solves sets with one of a ducting's solvers and holds them against what their dusty hoods want.

    Raises:
        ImportError: numpy is not installed.
        ValueError: see `Batch`.
    """

    def __init__(self, ducting: Ducting, solver: Solver) -> None:
        self._batch = Batch(solver)
        self._wants = _Wants(ducting)
        self._known = ducting.ignorance
        self._ways = _Ways(ducting)

    def parts(self, sets: Sequence[Collection[str]], dusty: Sequence[Collection[str]]) -> Iterator[JudgedPart]:
        """Every set with its dusty hoods, part by part, in order."""
        for these, answer, half in self._solved(sets):
            yield JudgedPart(these, answer, half, *self._wants.judge(answer, half, dusty[these]))

    def clearing(self, sets: Sequence[Collection[str]], *, lower: bool) -> list[list[float]]:
        """By set and hood, in the order of the network's ends: see `many.Many.clearing_times`."""
        if lower:
            flows = ((answer, answer.flows - half.flows) for _, answer, half in self._solved(sets))
        else:
            flows = ((answer, answer.flows) for _, answer in self._batch.parts(sets))
        return [row for answer, least in flows for row in self._ways.clearing(answer, least).tolist()]

    def _solved(self, sets: Sequence[Collection[str]]) -> Iterator[tuple[slice, BatchAnswer, BatchSpread]]:
        for these, answer in self._batch.parts(sets):
            yield these, answer, spreads(self._batch, self._batch.opened(sets[these]), answer, self._known)


class _Ways:
    """From each hood to the collector, as arrays."""

    def __init__(self, ducting: Ducting) -> None:
        import numpy as np

        network = ducting.network
        self._seconds = np.zeros((len(network.ducts), len(network.ends)))
        for at, end in enumerate(network.ends):
            for name in ducting.ways[end.name]:
                volume = network.duct(name).length * ducting.areas[name]
                self._seconds[network.index(name), at] = volume / ducting.particle_speed
        self._ends = [network.index(end.name) for end in network.ends]

    def clearing(self, answer: BatchAnswer, flows: Floats) -> Floats:
        """(sets x hoods) seconds with these flows; infinite where the hood has no air or nobody knows."""
        import numpy as np

        live = answer.live
        known = (answer.code == SOLVED) | ((answer.code == CODES.index(Why.BEYOND_CURVE)) & answer.known)
        lower = np.maximum(flows, LEAST_FLOW * answer.flows)
        times: Floats = np.where(live, 1 / np.where(live, lower, 1.0), 0.0) @ self._seconds
        times[~(live[:, self._ends] & known[:, None])] = np.inf
        return times


class _Fails(Struct, frozen=True):
    """Each thing that falls short, in the order of sets, hoods first, else in the network's order; all as long.

    Fields:
        sets, things: where, and its place in `names`.
        found, wanted, spread: m3/s or m/s.
        settles: so slow that dust settles.
        names: what each thing is called.
        ducting: whose they are.
    """

    sets: Sequence[int]
    things: Sequence[int]
    found: Sequence[float]
    wanted: Sequence[float]
    spread: Sequence[float]
    settles: Sequence[bool]
    names: Sequence[tuple[Lack, str]]
    ducting: Ducting

    def listed(self, dusty: Sequence[Collection[str]], count: int) -> list[list[Short]]:
        """By set, in the order of `Ducting.wants`."""
        names = self.names
        listed: list[list[Short]] = [[] for _ in range(count)]
        each = zip(self.sets, self.things, self.found, self.wanted, self.spread, self.settles, strict=True)
        for at, thing, found, wanted, off, settles in each:
            lack, where = names[thing]
            listed[at].append(Short(lack, where, found, wanted, off, Verdict.SHORT, settles))
        for shorts, hoods in zip(listed, dusty, strict=True):
            if len(shorts) > 1 and shorts[-2].lack is Lack.SLOW_DUCT:
                order = {where: at for at, where in enumerate(self.ducting.passed(hoods))}
                shorts.sort(key=lambda short: order[short.where] if short.lack is Lack.SLOW_DUCT else -1)
        return listed


class _Wants:
    """What a ducting's hoods and ducts want, as arrays: a row for each hood that wants a flow, then for each duct."""

    def __init__(self, ducting: Ducting) -> None:
        import numpy as np

        network = ducting.network
        ducts = [duct.name for duct in network.ducts]
        self._ducting = ducting
        self._ends = {end.name: at for at, end in enumerate(network.ends)}
        hoods = [name for name in self._ends if ducting.hood_flows.get(name) is not None]
        self._hoods = [self._ends[name] for name in hoods]
        self._names = [*((Lack.HOOD_FLOW, name) for name in hoods), *((Lack.SLOW_DUCT, name) for name in ducts)]
        self._at = np.array([*map(network.index, hoods), *range(len(ducts))], int)
        self._per = np.array([*(1.0 for _ in hoods), *(ducting.areas[name] for name in ducts)])[:, None]
        self._flows = np.array([ducting.hood_flows[name] for name in hoods])[:, None]
        plain = np.array([ducting.wanted[name] for name in ducts])[:, None]
        kinds = dict.fromkeys((end.dust_velocity, end.dust_settles) for end in network.ends)
        self._kinds: list[tuple[Floats, Floats, Floats]] = []
        """By kind of dust: (ducts x hoods) whether its hoods' air goes through; (ducts x 1) what it wants, settles."""
        for speed, settles in kinds:
            ways = np.zeros((len(ducts), len(self._ends)))
            for at, end in enumerate(network.ends):
                if (end.dust_velocity, end.dust_settles) == (speed, settles):
                    ways[[network.index(name) for name in ducting.ways[end.name]], at] = 1.0
            wanted = plain if speed is None else np.full_like(plain, speed)
            self._kinds.append((ways, wanted, np.minimum(SETTLES, plain) if settles is None else wanted * 0 + settles))

    def judge(
        self, answer: BatchAnswer, spread: BatchSpread, dusty: Sequence[Collection[str]]
    ) -> tuple["npt.NDArray[np.int8]", Floats, _Fails]:
        """(sets) the worst verdict as `Ducting.shorts` has it, the slack, and what falls short."""
        import numpy as np

        dust = self._dust(dusty)
        speeds, settling = np.zeros(answer.flows.T.shape), np.zeros(answer.flows.T.shape)
        passed = np.zeros(speeds.shape, bool)
        for ways, speed, settles in self._kinds:
            through = ways @ dust > 0
            passed |= through
            np.maximum(speeds, speed * through, out=speeds)
            np.maximum(settling, settles * through, out=settling)
        where = np.concatenate([dust[self._hoods], passed])
        wanted = np.concatenate([np.broadcast_to(self._flows, (len(self._hoods), len(dusty))), speeds])
        value, off = answer.flows.T[self._at] / self._per, spread.flows.T[self._at] / self._per
        least = wanted * (1 - ROUNDING)
        fails = where & ~(value + off >= least)
        short, close = fails.any(0), (where & ~(value - off >= least)).any(0)
        asked, every = where.any(0), (fails | ~where).all(0)
        some = where & (wanted > 0)
        slack = np.where(some, value / np.where(some, wanted, 1.0), np.inf).min(0, initial=np.inf)

        met, too_close, unknown, too_short = (np.int8(WORSE.index(verdict)) for verdict in Verdict)
        worst = np.where(short, too_short, np.where(close, too_close, met))
        ended = np.where(short | close, unknown, met)
        worst = np.where(answer.code == CODES.index(Why.BEYOND_CURVE), ended, worst)
        ended = np.where(short, too_short, np.where(asked & ~every, unknown, met))
        worst = np.where(answer.code == CODES.index(Why.BEFORE_CURVE), ended, worst)
        worst = np.where((answer.code != SOLVED) & ~answer.known, unknown, worst)
        slack = np.where(np.isinf(slack), 1.0, slack)
        slack = np.where(answer.code == SOLVED, slack, 0.0)

        sets, things = np.nonzero(fails.T)
        settled = np.concatenate([np.zeros((len(self._hoods), len(dusty))), settling])
        listed = _Fails(
            sets=sets.tolist(),
            things=things.tolist(),
            found=value[things, sets].tolist(),
            wanted=wanted[things, sets].tolist(),
            spread=off[things, sets].tolist(),
            settles=(value < settled)[things, sets].tolist(),
            names=self._names,
            ducting=self._ducting,
        )
        return worst.astype(np.int8), slack, listed

    def _dust(self, dusty: Sequence[Collection[str]]) -> Truths:
        """(hoods x sets) which take in dust."""
        import numpy as np

        found = np.zeros((len(self._ends), len(dusty)), bool)
        count, at = len(dusty), self._ends
        found.reshape(-1)[[at[hood] * count + i for i, hoods in enumerate(dusty) for hood in hoods if hood in at]] = (
            True
        )
        return found
