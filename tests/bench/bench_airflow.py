"""How long all 4,096 gate sets of a 12-gate shop take, ours beside the EPANET engine in one run; and thirty gates.

Run: python tests/bench/bench_airflow.py
All solve the same sets one after the other on one core, best of the passes, from the gates' names to every duct's flow,
and must agree to 2e-4 before a time is shown. EPANET runs at two accuracies: its default, and one near what ours always
reaches. "Thirty gates" is a program of its own from its start to its end, the import of numpy in it: every gate alone,
every pair and all together, with a clean and a dirty filter, every flow's spread and every verdict.
"""

import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from itertools import combinations
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT / part) for part in ("rules", "daemon", "tests/air")]

import air_shops  # noqa: E402
import epanet_oracle  # noqa: E402

from gatehand_air.ducting import Ducting  # noqa: E402
from gatehand_air.fan_curve import Filter  # noqa: E402
from gatehand_air.many import Asked, assess_all, worst  # noqa: E402
from gatehand_air.solve import Solution, Solver  # noqa: E402
from gatehand_air.tree import Network  # noqa: E402

if TYPE_CHECKING:
    from bench_kit import Figure, Size

    from gatehand_air.batch import Batch

PASSES = 7
ACCURACIES = (1e-3, 1e-6)
AGREES = 2e-4
THIRTY_LIMIT = 1.5
"""Seconds, for the program of thirty gates."""
REPORT_SEEDS = range(1, 13)
"""Made shops of thirty gates whose whole report is timed; wanted is the same."""


def every_set(network: Network) -> list[frozenset[str]]:
    """All sets of its gates, the empty one first."""
    gates = sorted(network.gates)
    return [frozenset(chosen) for n in range(len(gates) + 1) for chosen in combinations(gates, n)]


def processor_seconds(work: Callable[[], object]) -> float:
    """What one pass takes."""
    began = time.process_time()
    work()
    return time.process_time() - began


def batch_of(solver: Solver) -> "Batch":
    """Numpy's import is measured with the thirty gates, not here."""
    from gatehand_air.batch import Batch

    return Batch(solver)


class Measured(NamedTuple):
    """Processor seconds of each pass: all sets at once, one by one, and the engine by its accuracy."""

    at_once: list[float]
    one_by_one: list[float]
    engine: dict[float, list[float]]
    bare: dict[float, float]
    """Of the engine's time in one pass that in its own `runH`, without our calls around it, by its accuracy."""
    apart: dict[float, float]
    """Greatest relative difference to the engine's flows, by its accuracy."""


def measure(passes: int) -> Measured:
    """Passes in turn, so that whatever else the machine does hits all alike."""
    network = air_shops.twelve_gates()
    ours = air_shops.solver(network)
    batch = batch_of(ours)
    sets = every_set(network)
    found = Measured([], [], {}, {}, {})
    with tempfile.TemporaryDirectory() as folder:
        engines = {
            accuracy: epanet_oracle.Engine(network, air_shops.FAN, air_shops.AIR, Path(folder), accuracy)
            for accuracy in ([] if epanet_oracle.missing() else ACCURACIES)
        }
        for accuracy, engine in engines.items():
            found.bare[accuracy] = bare_engine(engine, sets[1:])
            found.apart[accuracy] = greatest_difference(ours, batch, engine, sets[1:])
        for _ in range(passes):
            found.at_once.append(processor_seconds(lambda: batch.solve(sets)))
            found.one_by_one.append(processor_seconds(lambda: [ours.solve(gates) for gates in sets]))
            for accuracy, engine in engines.items():
                took = processor_seconds(lambda: [engine.solve(gates) for gates in sets[1:]])  # noqa: B023
                found.engine.setdefault(accuracy, []).append(took)
        for engine in engines.values():
            engine.close()
    return found


def main() -> int:
    """Print what was seen."""
    found = measure(PASSES)
    at_once, one_by_one = min(found.at_once), min(found.one_by_one)
    print(f"4,096 sets of 12 gates, processor time, best of {PASSES}")
    for name, took in (("all at once", at_once), ("one by one", one_by_one)):
        print(f"{name:12}  {took:7.4f} s  {took / 4096 * 1e6:5.1f} us a set")
    for accuracy, times in found.engine.items():
        took = min(times)
        print(
            f"EPANET {accuracy:.0e}  {took:7.4f} s  {took / 4096 * 1e6:5.1f} us a set   all at once takes"
            f" {at_once / took:.2f} of its time, one by one {one_by_one / took:.2f}; they differ by at most"
            f" {found.apart[accuracy]:.1e}; its bare solver alone {found.bare[accuracy]:.4f} s"
        )
    if reason := epanet_oracle.missing():
        print(f"no comparison: {reason}")
    thirty = min(thirty_program() for _ in range(3))
    print(f"466 sets of 30 gates with spreads and verdicts, a whole program: {thirty:.2f} s; wanted {THIRTY_LIMIT} s")
    reports = whole_reports(REPORT_SEEDS, 2)
    (best, one), (worst_, other) = min((t, s) for s, t in reports.items()), max((t, s) for s, t in reports.items())
    print(
        f"30 gates, whole report with proposals, {len(reports)} made shops: best {best:.2f} s (seed {one}),"
        f" worst {worst_:.2f} s (seed {other}); wanted {THIRTY_LIMIT} s"
    )
    return 0


def bare_engine(engine: epanet_oracle.Engine, sets: list[frozenset[str]]) -> float:
    """Processor seconds that the engine spends in its own solver for these sets."""
    run, spent = engine.kit.runH, 0.0

    def timed() -> None:
        nonlocal spent
        spent += processor_seconds(run)

    engine.kit.runH = timed
    for gates in sets:
        engine.solve(gates)
    engine.kit.runH = run
    return spent


def greatest_difference(
    ours: Solver, batch: "Batch", engine: epanet_oracle.Engine, sets: list[frozenset[str]]
) -> float:
    """Relative, over every flow of every set; of ours the two ways are held against each other too."""
    answers = batch.solve(sets)
    found = 0.0
    for at, gates in enumerate(sets):
        answer, plain, other = answers.result(at), ours.solve(gates), engine.solve(gates)
        if not isinstance(answer, Solution) or not isinstance(plain, Solution):
            raise SystemExit(f"no answer for {sorted(gates)}")
        if max(abs(a / b - 1) for a, b in zip(answer.through, plain.through, strict=True)) > 1e-9:
            raise SystemExit(f"the two solvers of ours differ for {sorted(gates)}")
        found = max(found, *(abs(flow / other[name] - 1) for name, flow in answer.flows.items()))
    if found > AGREES:
        raise SystemExit(f"ours and EPANET differ by {found:.1e}")
    return found


def thirty_gates() -> Ducting:
    """Thirty drops along a main of 15 lengths, with wants near what they get."""
    ducts = [air_shops.trunk("m0", None, 8, 3, 0.5)]
    ducts += [air_shops.trunk(f"m{k}", f"m{k - 1}", 8, 1.5, 0.05) for k in range(1, 15)]
    ducts += [air_shops.branch(f"g{k}", f"m{k // 2}", 4, 2 + k % 4, 0.6, entry=0.93) for k in range(30)]
    network = Network(tuple(ducts))
    return Ducting(
        network=network,
        fan=air_shops.square_law(2400, 2000),
        clean_filter=Filter(500.0),
        dirty_filter=Filter(1500.0),
        air=air_shops.AIR,
        hood_flows={end.name: 0.10 + 0.005 * at for at, end in enumerate(network.ends)},
        branch_velocity=3.0,
        main_velocity=3.0,
    )


def look_through_thirty() -> Counter[str]:
    """What the program does: how often each verdict came out."""
    shop = thirty_gates()
    gates = sorted(shop.network.gates)
    chosen = [combo for count in (1, 2, len(gates)) for combo in combinations(gates, count)]
    asked: list[Asked] = [(frozenset(combo), None) for combo in chosen]
    return Counter(str(worst(one.shorts)) for one in assess_all(shop, asked))


def thirty_program() -> float:
    """Processor time of a fresh interpreter that looks through thirty gates, seconds."""
    from bench_kit import processor_time, scratch

    with scratch() as folder:
        words = [str(Path(__file__).resolve()), "--thirty"]
        return processor_time(words, folder / "cache", folder / "said")


def whole_reports(seeds: Iterable[int], passes: int) -> dict[int, float]:
    """By seed of a made shop of thirty gates the processor time of `gatehand airflow`, s, best of the passes."""
    from bench_kit import processor_time, scratch
    from made_ducts import made_shop

    found: dict[int, float] = {}
    with scratch() as folder:
        for seed in seeds:
            config = folder / f"shop{seed}.toml"
            config.write_text(made_shop(seed, 30), encoding="utf-8")
            words = ["-m", "gatehand", "airflow", "--config", str(config)]
            found[seed] = min(processor_time(words, folder / "cache", folder / "said") for _ in range(passes))
    return found


def figures(size: "Size") -> "Iterator[Figure]":
    """For the table of all benchmarks: processor time of all sets, ours and the engine's in turn; and thirty gates."""
    from bench_kit import Figure

    measured = measure(size.of(7, 3))
    what = "airflow: all 4,096 sets of 12 gates"
    for accuracy, found in measured.engine.items():
        base = f"EPANET to {accuracy:.0e}"
        yield Figure(what=what, unit="s", ours=measured.at_once, baseline=base, theirs=found, wanted=("at most", 1.0))
    what, limit = f"{what}, one by one", (4.0,)
    yield Figure(
        what=what, unit="s", ours=measured.one_by_one, baseline="the limit", theirs=limit, wanted=("at most", 1.0)
    )
    thirty = [thirty_program() for _ in range(size.of(5, 2))]
    what = "airflow: 466 sets of 30 gates, spreads, verdicts"
    limit = (THIRTY_LIMIT,)
    yield Figure(what=what, unit="s", ours=thirty, baseline="the limit", theirs=limit, wanted=("at most", 1.0))
    reports = [max(whole_reports(range(1, size.of(13, 4)), 2).values()) for _ in range(size.of(2, 1))]
    what = f"airflow: 30 gates, whole report, worst of {size.of(12, 3)}"
    yield Figure(what=what, unit="s", ours=reports, baseline="the limit", theirs=limit, wanted=("at most", 1.0))


if __name__ == "__main__":
    if sys.argv[1:] == ["--thirty"]:
        print(look_through_thirty())
        sys.exit(0)
    sys.exit(main())
