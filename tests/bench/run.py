"""Runs the benchmarks and prints one table: every figure beside its baseline of the same run.

Run: python tests/bench/run.py [--quick] [--json FILE] [NAME ...]

A benchmark is a file `bench_NAME.py` with a function `figures(size)`; `--list` names them. Ours and the baseline run in
turn, so that whatever else the machine does hits both alike; figures are medians over the runs.
"""

import argparse
import json
import os
import sys
import time
import traceback
from collections.abc import Callable, Iterable
from dataclasses import asdict
from importlib import import_module
from pathlib import Path
from typing import cast

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), *(str(HERE.parents[1] / part) for part in ("rules", "daemon", "tests"))]

from bench_kit import Figure, Size, machine, table  # noqa: E402

Bench = Callable[[Size], Iterable[Figure]]
_NOT_BENCHES = ("bench_kit", "bench_shops")


def benches() -> list[str]:
    """The names of all benchmarks that give figures."""
    files = sorted(HERE.glob("bench_*.py"))
    return [
        f.stem.removeprefix("bench_") for f in files if f.stem not in _NOT_BENCHES and "def figures(" in f.read_text()
    ]


def main() -> int:
    """Measure what was asked for."""
    names = benches()
    parser = argparse.ArgumentParser(
        description="Gatehand's benchmarks, in one table.", epilog=f"names: {', '.join(names)}"
    )
    parser.add_argument("names", nargs="*", metavar="NAME", help="which; all when left out")
    parser.add_argument("--quick", action="store_true", help="fewer rounds: to look, not to publish")
    parser.add_argument("--list", action="store_true", help="name the benchmarks")
    parser.add_argument("--json", type=Path, metavar="FILE", help="write every run's figures there as well")
    args = parser.parse_args()
    if args.list:
        print("\n".join(names))
        return 0
    if unknown := [name for name in args.names if name not in names]:
        parser.error(f"there is no benchmark {unknown[0]!r}; there are {', '.join(names)}")
    print(machine(), flush=True)
    found: list[Figure] = []
    failed: list[str] = []
    for name in args.names or names:
        began = time.monotonic()
        try:
            found += cast("Bench", import_module(f"bench_{name}").figures)(Size(quick=args.quick))
        except (Exception, SystemExit):  # noqa: BLE001 - what was measured before is not to be lost
            failed.append(name)
            traceback.print_exc()
        print(f"{name}: measured in {time.monotonic() - began:.0f} s, load {os.getloadavg()[0]:.1f}", file=sys.stderr)
    print(f"\n{table(found)}")
    if args.json is not None:
        args.json.write_text(json.dumps({"machine": machine(), "figures": [asdict(each) for each in found]}, indent=1))
    if failed:
        print(f"\nnot measured, see above: {', '.join(failed)}")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
