"""The answers for many sets of open gates as arrays, and each of them as the plain solver gives it. SI units."""

from importlib.util import find_spec
from typing import TYPE_CHECKING, Final

from msgspec import Struct

from gatehand_air.batch_laws import Floats, Truths
from gatehand_air.solve import Solution, SolveResult, Unsolved, Why

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

SOLVED: Final = 0
CODES: Final[tuple[Why | None, ...]] = (None, *Why)
"""What the codes of an answer mean: why there is none; `SOLVED` for those that have one."""


def is_here() -> bool:
    """Whether numpy is installed."""
    return find_spec("numpy") is not None


class BatchAnswer(Struct, frozen=True):
    """The answers for many sets, in the order in which they were asked.

    Fields:
        ducts: names, in the order of the columns: the network's.
        code: (sets) why a set has no answer, as a place in `CODES`.
        live: (sets x ducts) which ducts have air in them.
        flows: (sets x ducts) m3/s, 0 without air. Where the curve ends too early these are the bound's: see `Unsolved`.
        suctions: (sets x ducts) total suction at each duct's fan end, Pa.
        pressure, filter_loss: (sets) what the fan gives and the filter takes, Pa.
        residual: (sets) as in `Solution`; NaN where nothing is known, not even a bound.
        rounds: (sets) Newton's.
        limits: the curve's first and last flow, m3/s.
    """

    ducts: tuple[str, ...]
    code: "npt.NDArray[np.int8]"
    live: Truths
    flows: Floats
    suctions: Floats
    pressure: Floats
    filter_loss: Floats
    residual: Floats
    rounds: "npt.NDArray[np.int32]"
    limits: tuple[float, float]

    def __len__(self) -> int:
        return len(self.code)

    @property
    def known(self) -> Truths:
        """(sets) whether flows are known: an answer's or a bound's."""
        import numpy as np

        return ~np.isnan(self.residual)

    def why(self, at: int) -> Why | None:
        """Why set `at` has no answer; None: it has."""
        return CODES[int(self.code[at])]

    def result(self, at: int) -> SolveResult:
        """The answer for set `at` as the plain solver gives it."""
        why = self.why(at)
        if why is None:
            return self._solution(at)
        limit = {Why.BEYOND_CURVE: self.limits[1], Why.BEFORE_CURVE: self.limits[0]}.get(why)
        return Unsolved(why, limit, self._solution(at) if self.known[at] else None)

    def _solution(self, at: int) -> Solution:
        live = self.live[at]
        return Solution(
            flow=float(self.flows[at, -1]),
            pressure=float(self.pressure[at]),
            filter_loss=float(self.filter_loss[at]),
            residual=float(self.residual[at]),
            rounds=int(self.rounds[at]),
            ducts=tuple(name for name, has in zip(self.ducts, live.tolist(), strict=True) if has),
            through=tuple(self.flows[at, live].tolist()),
            behind=tuple(self.suctions[at, live].tolist()),
        )


def empty(ducts: tuple[str, ...], count: int, limits: tuple[float, float]) -> BatchAnswer:
    """Nothing worked out yet: every set `NOT_CONVERGED`."""
    import numpy as np

    size = len(ducts)
    return BatchAnswer(
        ducts=ducts,
        code=np.full(count, CODES.index(Why.NOT_CONVERGED), np.int8),
        live=np.zeros((size, count), bool).T,
        flows=np.zeros((size, count)).T,
        suctions=np.zeros((size, count)).T,
        pressure=np.zeros(count),
        filter_loss=np.zeros(count),
        residual=np.full(count, np.nan),
        rounds=np.zeros(count, np.int32),
        limits=limits,
    )


def write(answer: BatchAnswer, at: int, result: SolveResult) -> None:
    """What the plain solver found, into the arrays."""
    answer.code[at] = SOLVED if isinstance(result, Solution) else CODES.index(result.why)
    found = result if isinstance(result, Solution) else result.bound
    if found is None:
        answer.flows[at] = answer.suctions[at] = 0.0
        answer.pressure[at] = answer.filter_loss[at] = answer.rounds[at] = 0
        answer.residual[at] = float("nan")
        return
    live = answer.live[at]
    answer.flows[at, live] = found.through
    answer.suctions[at, live] = found.behind
    answer.pressure[at] = found.pressure
    answer.filter_loss[at] = found.filter_loss
    answer.residual[at] = found.residual
    answer.rounds[at] = found.rounds
