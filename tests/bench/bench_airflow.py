"""How long all 4,096 gate sets of a 12-gate shop take, ours beside the EPANET engine in one run.

Run: python tests/bench/bench_airflow.py
Both solve the same sets one after the other on one core, best of three passes, and must agree to 2e-4 before a time is
shown. EPANET runs at two accuracies: its default, and one near what ours always reaches.
"""

import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from itertools import combinations
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / part) for part in ("rules", "daemon", "tests/air")]

import air_shops  # noqa: E402
import epanet_oracle  # noqa: E402
from bench_kit import Figure, Size  # noqa: E402

from gatehand_air.solve import Solution  # noqa: E402


def best_of_three(work: Callable[[], object]) -> float:
    times = []
    for _ in range(3):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return min(times)


def main() -> int:
    network = air_shops.twelve_gates()
    ours = air_shops.solver(network)
    sets = [frozenset(c) for n in range(13) for c in combinations(sorted(network.gates), n)]
    mine = best_of_three(lambda: [ours.solve(gates) for gates in sets])
    print(f"gatehand      {len(sets)} sets  {mine:6.3f} s  {mine / len(sets) * 1e6:6.1f} us a set")
    if reason := epanet_oracle.missing():
        print(f"no comparison: {reason}")
        return 0
    for accuracy in (1e-3, 1e-6):
        with tempfile.TemporaryDirectory() as folder:
            engine = epanet_oracle.Engine(network, air_shops.FAN, air_shops.AIR, Path(folder), accuracy)
            theirs = best_of_three(lambda: [engine.solve(gates) for gates in sets if gates])  # noqa: B023
            worst = 0.0
            for gates in sets[1:]:
                answer = ours.solve(gates)
                assert isinstance(answer, Solution)
                other = engine.solve(gates)
                worst = max(worst, *(abs(q / other[name] - 1) for name, q in answer.flows.items()))
            engine.close()
        print(
            f"EPANET {accuracy:.0e}  {len(sets) - 1} sets  {theirs:6.3f} s  {theirs / len(sets) * 1e6:6.1f} us a set"
            f"   ours takes {mine / theirs:.2f} of its time, greatest difference {worst:.1e}"
        )
    return 0


def figures(size: Size) -> Iterator[Figure]:
    """For the table of all benchmarks: processor time of all sets, ours and the engine's in turn."""
    network = air_shops.twelve_gates()
    ours = air_shops.solver(network)
    sets = [frozenset(c) for n in range(13) for c in combinations(sorted(network.gates), n)]
    mine: list[float] = []
    theirs: dict[float, list[float]] = {} if epanet_oracle.missing() else {1e-3: [], 1e-6: []}
    with tempfile.TemporaryDirectory() as folder:
        for _ in range(size.of(7, 3)):
            mine.append(_processor_time(lambda: [ours.solve(gates) for gates in sets]))
            for accuracy, found in theirs.items():
                engine = epanet_oracle.Engine(network, air_shops.FAN, air_shops.AIR, Path(folder), accuracy)
                found.append(_processor_time(lambda: [engine.solve(gates) for gates in sets if gates]))  # noqa: B023
                engine.close()
    what = "airflow: all 4,096 sets of 12 gates"
    for accuracy, found in theirs.items():
        base = f"EPANET to {accuracy:.0e}"
        yield Figure(what=what, unit="s", ours=mine, baseline=base, theirs=found, wanted=("at most", 1.0))
    yield Figure(what=what, unit="s", ours=mine, baseline="the limit", theirs=(4.0,), wanted=("at most", 1.0))


def _processor_time(work: Callable[[], object]) -> float:
    began = time.process_time()
    work()
    return time.process_time() - began


if __name__ == "__main__":
    sys.exit(main())
